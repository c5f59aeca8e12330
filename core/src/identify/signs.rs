//! What a trail's measures and droppings say, as likelihoods.

use super::constants::Constants;
use super::draw::Draw;
use super::evidence::{DroppingEvidence, TrailEvidence};
use super::features::{chance, of_feature, shares};
use super::maker::{Chance, DroppingFacts, Maker, Patterns, Prey};
use super::model::{Kind, LnByKind};
use super::named::{Form, Pattern, Remains, Smell, Vegetation};
use super::published::{DroppingMeasure, Range, Shape, TrailMeasure, TrailSize};

/// The kinds of smell and of vegetation a worker can name.
const SMELLS: usize = Smell::ALL.len() - 1;
const VEGETATIONS: usize = Vegetation::ALL.len() - 1;
const FORMS: usize = Form::ALL.len() - 1;
pub(super) const PATTERNS: usize = Pattern::ALL.len();

/// Adds the trail's likelihoods; `maker` is `None` for 'none of these'.
pub(super) fn add_trail(
    ln: &mut LnByKind,
    trail: &TrailEvidence,
    maker: Option<&Maker>,
    constants: &Constants,
    draw: &mut Draw,
) {
    let elsewhere = &constants.elsewhere;
    if let Some(pattern) = trail.pattern {
        ln[Kind::Pattern as usize] += pattern_chances(maker, constants, draw)[pattern as usize].ln();
    }
    let rows = maker.map_or(&[][..], |m| &m.trails);
    let measured = [
        (Kind::Stride, trail.stride_mm, trail.u_stride_mm, (elsewhere.stride_mm, elsewhere.stride_sd)),
        (Kind::Straddle, trail.straddle_mm, trail.u_straddle_mm, (elsewhere.straddle_mm, elsewhere.straddle_sd)),
    ];
    for (kind, value, u, general) in measured {
        if let (Some(value), Some(u)) = (value, u) {
            ln[kind as usize] += ln_of_measure(kind, value, u, rows, general, constants, draw);
        }
    }
    let drag = match maker {
        Some(m) => chance(draw.log_odds(m.drag_mark.chance.log_odds(), draw.chance_sd(m.drag_mark.status))),
        None => constants.none_of_these.drag_mark,
    };
    ln[Kind::DragMark as usize] += of_feature(trail.drag_mark, drag).ln();
}

/// How often a maker's trails run in which pattern, in the order of [`Pattern::ALL`].
pub(super) fn pattern_chances(maker: Option<&Maker>, constants: &Constants, draw: &mut Draw) -> [f64; PATTERNS] {
    match maker.and_then(|m| m.patterns.as_ref()) {
        Some(Patterns { chances, status, .. }) => {
            shares(chances, Pattern::ALL, constants.misread.arrangement, draw.chance_sd(*status), draw)
        }
        None => [1.0 / PATTERNS as f64; PATTERNS],
    }
}

/// A mixture over the published rows of this measure, and of gaits no source speaks of.
fn ln_of_measure(
    kind: Kind,
    value: f64,
    u: f64,
    rows: &[TrailSize],
    (general_mm, general_sd): (f64, f64),
    constants: &Constants,
    draw: &mut Draw,
) -> f64 {
    let density = |m: f64, s: f64| density_of(value, u, (m, s));
    let (mut sum, mut n) = (0.0, 0.0);
    for row in rows {
        // The stride is two steps; a source that doesn't say which may mean either.
        let times: &[f64] = match (kind, row.measure) {
            (Kind::Stride, TrailMeasure::Stride | TrailMeasure::GroupDistance) => &[1.0],
            (Kind::Stride, TrailMeasure::Step) => &[2.0],
            (Kind::Stride, TrailMeasure::DistanceUnspecified) => &[1.0, 2.0],
            (Kind::Straddle, TrailMeasure::TrailWidth | TrailMeasure::PairWidth) => &[1.0],
            _ => continue,
        };
        let (m, s) = draw.middle(middle_and_spread(&row.range, constants), draw.band().weak_centre);
        sum += times.iter().map(|t| density(m + t.ln(), s)).sum::<f64>() / times.len() as f64;
        n += 1.0;
    }
    let elsewhere = if n > 0.0 { constants.elsewhere.trail_elsewhere_weight } else { 1.0 };
    let held = if n > 0.0 { (1.0 - elsewhere) * sum / n } else { 0.0 };
    (held + elsewhere * density(general_mm.ln(), general_sd)).ln()
}

/// How likely a measure with its uncertainty is where its logarithm has this middle and spread; the same factor is left out everywhere.
fn density_of(value: f64, u: f64, (m, s): (f64, f64)) -> f64 {
    let s = s.hypot(u / value);
    (-0.5 * ((value.ln() - m) / s).powi(2)).exp() / s
}

fn middle_and_spread(range: &Range, constants: &Constants) -> (f64, f64) {
    let rule = &constants.range;
    let floor = constants.elsewhere.trail_range_floor_sd;
    match range.shape() {
        Shape::Both { min, middle, max } => (middle.ln(), ((max / min).ln() / rule.loose_spans_sd).hypot(floor)),
        Shape::Single(value) => (value.ln(), floor),
        Shape::AtLeast(min) => (min.ln() + rule.one_sided_offset, rule.one_sided_sd.hypot(floor)),
        Shape::UpTo(max) => (max.ln() - rule.one_sided_offset, rule.one_sided_sd.hypot(floor)),
    }
}

/// Adds the droppings' likelihoods: those of one finding count as one, being of one meal and one animal as like as not.
pub(super) fn add_droppings(
    ln: &mut LnByKind,
    droppings: &[DroppingEvidence],
    maker: Option<&Maker>,
    constants: &Constants,
    draw: &mut Draw,
) {
    if droppings.is_empty() {
        return;
    }
    let facts = maker.and_then(|m| m.droppings.as_ref()).unwrap_or(&constants.elsewhere.droppings);
    let shown = ShownByDroppings::new(facts, constants, draw);
    for dropping in droppings {
        for (kind, p) in shown.of(dropping) {
            ln[kind as usize] += p.ln() / droppings.len() as f64;
        }
    }
}

/// Adds the remains of meals: those of one finding count as one, and another animal may have left them.
pub(super) fn add_feeding(
    ln: &mut LnByKind,
    feeding: &[Remains],
    maker: Option<&Maker>,
    constants: &Constants,
    draw: &mut Draw,
) {
    if feeding.is_empty() {
        return;
    }
    let even = 1.0 / Remains::ALL.len() as f64;
    let chances: [f64; Remains::ALL.len()] = match maker.and_then(|maker| maker.feeding.as_ref()) {
        Some(facts) => {
            shares(&facts.remains, Remains::ALL, constants.misread.arrangement, draw.chance_sd(facts.status), draw)
        }
        None => [even; Remains::ALL.len()],
    };
    let another = constants.elsewhere.feeding_of_another;
    for remains in feeding {
        let p = another * even + (1.0 - another) * chances[*remains as usize];
        ln[Kind::Feeding as usize] += p.ln() / feeding.len() as f64;
    }
}

/// A maker's droppings as probabilities.
pub(super) struct ShownByDroppings {
    contents: [f64; PREY.len()],
    pub form: [f64; FORMS],
    /// Middle and spread of the logarithm of thickness and length, mm.
    sizes: [(f64, f64); 2],
    pub smell: [f64; SMELLS],
    pub prominent_spot: f64,
    pub vegetation: [f64; VEGETATIONS],
}

const PREY: [Prey; 8] = [
    Prey::Fish,
    Prey::Amphibian,
    Prey::Crustacean,
    Prey::Insect,
    Prey::Bird,
    Prey::MammalHair,
    Prey::Mollusc,
    Prey::Plant,
];

impl ShownByDroppings {
    pub fn new(facts: &DroppingFacts, constants: &Constants, draw: &mut Draw) -> Self {
        let sd = draw.chance_sd(facts.status);
        let mut varied = |c: Chance| chance(draw.log_odds(c.log_odds(), sd));
        let general = &constants.elsewhere.droppings.contents;
        let contents = PREY.map(|prey| facts.contents.get(&prey).or(general.get(&prey)).map_or(0.1, |c| varied(*c)));
        let prominent_spot = varied(facts.prominent_spot);
        let misread = constants.misread.feature;
        let elsewhere = &constants.elsewhere;
        let form = facts.form.as_ref().or(elsewhere.droppings.form.as_ref());
        let form = form.map_or([1.0 / FORMS as f64; FORMS], |form| {
            shares(form, Form::ALL, constants.misread.arrangement, sd, draw)
        });
        let sizes = [DroppingMeasure::Width, DroppingMeasure::Length].map(|measure| {
            let held = facts.size.iter().find(|size| size.measure == measure);
            let middle = held.map_or((elsewhere.dropping_mm[measure as usize].ln(), elsewhere.dropping_sd), |size| {
                middle_and_spread(&size.range, constants)
            });
            draw.middle(middle, draw.band().weak_centre)
        });
        Self {
            contents,
            form,
            sizes,
            prominent_spot,
            smell: shares(&facts.smell, Smell::ALL, misread, sd, draw),
            vegetation: shares(&facts.vegetation, Vegetation::ALL, misread, sd, draw),
        }
    }

    fn of(&self, dropping: &DroppingEvidence) -> [(Kind, f64); 7] {
        let prominent =
            dropping.prominent_spot.map_or(1.0, |on| if on { self.prominent_spot } else { 1.0 - self.prominent_spot });
        [
            (Kind::Contents, self.of_contents(dropping)),
            (Kind::Form, self.form.get(dropping.form as usize).copied().unwrap_or(1.0)),
            (Kind::DroppingWidth, self.of_size(0, dropping.width_mm, dropping.u_width_mm)),
            (Kind::DroppingLength, self.of_size(1, dropping.length_mm, dropping.u_length_mm)),
            (Kind::Smell, self.smell.get(dropping.smell as usize).copied().unwrap_or(1.0)),
            (Kind::ProminentSpot, prominent),
            (Kind::Vegetation, self.vegetation.get(dropping.vegetation as usize).copied().unwrap_or(1.0)),
        ]
    }

    /// The density of a measured size on the log scale; 1 where nobody measured.
    fn of_size(&self, which: usize, value: Option<f64>, u: Option<f64>) -> f64 {
        let (Some(value), Some(u)) = (value, u) else { return 1.0 };
        density_of(value, u, self.sizes[which])
    }

    /// Each class is there or not, for itself; nothing identifiable says nothing.
    fn of_contents(&self, dropping: &DroppingEvidence) -> f64 {
        let held: Vec<Prey> = dropping.contents.iter().flatten().filter_map(|c| Prey::of(*c)).collect();
        if held.is_empty() {
            return 1.0;
        }
        std::iter::zip(PREY, self.contents).map(|(prey, p)| if held.contains(&prey) { p } else { 1.0 - p }).product()
    }
}
