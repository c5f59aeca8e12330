//! The constants of the model, as `identification.toml` has them.

use serde::Deserialize;

use super::maker::DroppingFacts;

macro_rules! constants {
    ($($(#[$doc:meta])* $name:ident { $($field:ident: $kind:ty),+ $(,)? })+) => {
        $($(#[$doc])*
        #[derive(Debug, Clone, Deserialize)]
        #[serde(deny_unknown_fields)]
        #[allow(missing_docs, reason = "each number is explained beside it in identification.toml")]
        pub struct $name { $(pub $field: $kind),+ })+
    };
}

constants! {
    /// `identification.toml`.
    Constants {
        range: RangeRule, weights: Weights, trail: TrailConstants, misread: Misread,
        none_of_these: NoneOfThese, elsewhere: Elsewhere, prior: Prior, verdict: Verdict, band: Band, limits: Limits,
    }
    /// How a published row becomes a log-normal.
    RangeRule {
        known_n: u32, known_spans_sd: f64, loose_spans_sd: f64, loose_floor_sd: f64, single_sd: f64, one_sided_sd: f64, one_sided_offset: f64,
        weak_widens: f64, memory_widens: f64, few_widens: f64, snow_sd: f64, heel_lengthens: f64, other_foot_sd: f64,
        width_over_length: f64, shape_sd: f64, hind_foot_margin: f64, hind_foot_sd: f64,
    }
    /// The weight of a source among those of one maker.
    Weights { known_n: f64, published: f64, weak: f64, memory: f64 }
    /// What the prints of one trail share.
    TrailConstants { size_correlation: f64, clearness_sd: f64, sure_toe: f64, sure_toe_share: f64 }
    /// Reading errors.
    Misread { extra_toe: f64, arrangement: f64, feature: f64 }
    /// The open set.
    NoneOfThese {
        prior: f64, width_mm: f64, length_without_heel_mm: f64, length_with_heel_mm: f64, size_sd: [f64; 3],
        size_weights: [f64; 3], size_correlation: f64, toes_seen: [f64; 6], claws: f64, webbing: f64, heel_pad: f64,
        drag_mark: f64,
    }
    /// Makers of which nothing is held about trail or droppings.
    Elsewhere {
        stride_mm: f64, stride_sd: f64, straddle_mm: f64, straddle_sd: f64, trail_range_floor_sd: f64,
        trail_elsewhere_weight: f64, dropping_mm: [f64; 2], dropping_sd: f64, feeding_of_another: f64, droppings: DroppingFacts,
    }
    /// Before anything was seen.
    Prior { waterside: f64, by_water_m: f64, off_water_m: f64, rare: f64, absent: f64 }
    /// When a verdict is firm, and how a candidate stands.
    Verdict { firm_probability: f64, firm_band: f64, fits_ratio: f64, ruled_out_ratio: f64 }
    /// How far the facts are varied.
    Band {
        variations: usize, known_n_centre: f64, known_n_spread: f64, published_centre: f64, published_spread: f64,
        weak_centre: f64, weak_spread: f64, source_weight: f64, chance_assumed: f64, chance_published: f64,
        substrate: f64, none_prior: f64, waterside: f64,
    }
    /// What is taken as a slip of the unit or the pen.
    Limits { print_min_mm: f64, print_max_mm: f64, trail_min_mm: f64, trail_max_mm: f64, dropping_min_mm: f64, dropping_max_mm: f64 }
}
