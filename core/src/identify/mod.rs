//! Who made it: from evidence to track makers, with honest doubt.
//!
//! # The model
//! For every track maker *k* the probability of the evidence is worked out and weighed with its prior (Bayes), even but for what lives along water where the finding lies on a bank, with
//! 'none of these' among them, which has a prior and a heavy-tailed size distribution of its own. All numbers stand in
//! `core/data/`: the makers' in `species/`, the ground's in `substrates.toml`, the model's in `identification.toml`.
//!
//! **From a published range to a distribution.** Sizes are log-normal among animals, `ln x ~ N(m, s²)`. A row with n of at least
//! `known_n` and its mean: `m = ln mean`, `s = ln(max/min) / known_spans_sd`. A loose range: `m` its mean or middle (of the logarithms),
//! `s² = (ln(max/min) / loose_spans_sd)² + loose_floor_sd²`. A single value: `s = single_sd`. One-sided: the middle lies
//! `one_sided_offset` inside the end, `s = one_sided_sd`. Weak sources, memory, single animals are wider. A length whose convention isn't stated lies half way
//! (of the logarithms) between with and without heel and is as unsure as these are apart.
//!
//! **Sources that disagree stay a mixture.** Each source is one reading of the maker, weighted by its quality; what it doesn't say is filled
//! from the others. One trail is read by one source at a time, so that ten prints choose no source ten times.
//!
//! **One animal a trail.** An animal deviates from the middle by *z* in width and *z'* in length (standard normal, correlated), common to
//! all its prints. A print reads `ln x = m + s z + e`, where e has the variance `u_print² + (u_x/x)²`; what the ground does to a whole trail is in s.
//! z and z' are integrated out by adaptive Gauss–Hermite nodes. A fore/hind that isn't known is summed over, print by print.
//!
//! **What shows.** Every toe registers for itself with its own chance; so do claws, webbing and heel. On the log odds, ground and the
//! clearness of this trail (common to its prints, three nodes) add up. Reading errors have chances of their own.
//!
//! **No number is taken for certain.** What a row's middle may be off is off for all prints of that foot alike, and adds to the variance of their
//! weighted mean; what the ground does counts with its mean square, a chance with its mean. Without that a candidate called 85 % likely was the maker
//! in 77 % of findings drawn with facts shifted within their doubt, with it in 81 %. The doubt about a maker's own spread and about shares is left to the
//! band: allowing for it moved that by less than 2 %.
//!
//! **Two layers of doubt.** All facts are varied together within their own doubt (published ones little, assumed ones widely), and the
//! identification is repeated: the band holds 5 to 95 % of the results, and always the result itself. A verdict is firm where the leader's probability is at least `firm_probability`
//! and its band stays above `firm_band`, so that it keeps the lead.
//!
//! No sex, no age, no individual comes from a print.
//!
//! ```
//! use rakelight_core::{identify::{Evidence, Facts, identify}, words::Words};
//! let evidence = Evidence::from_json(r#"{"substrate": "soft_mud", "prints": [
//!     {"foot": "hind", "width_mm": 61, "u_width_mm": 2, "length_without_heel_mm": 58, "u_length_without_heel_mm": 2,
//!      "toes_seen": 5, "arrangement": "arc", "webbing": "seen"}]}"#).expect("evidence");
//! let answer = identify(&evidence, Facts::builtin().expect("facts"), &Words::load("en").expect("English")).expect("possible");
//! assert_eq!(answer.candidates[0].maker, "lutra_lutra");
//! ```

mod compare;
mod constants;
mod draw;
mod evidence;
mod facts;
mod features;
mod grade;
mod maker;
mod model;
mod named;
mod possible;
mod published;
mod reasons;
mod region;
mod signs;
mod sizes;
mod verdict;

#[cfg(test)]
mod checks;

pub use compare::{Compared, Doubt, Fit, compare_trail};
pub use constants::Limits;
pub use evidence::{DroppingEvidence, Evidence, PrintEvidence, Setting, TrailEvidence};
pub use facts::{BUILTIN_FILES, Facts, FactsError};
pub use grade::Grade;
pub use maker::{
    Chance, Class, DroppingFacts, FeedingFacts, FootFacts, Known, Maker, Patterns, Prey, Shares, Substrate,
};
pub use named::{Arrangement, Content, Feature, Foot, Form, Pattern, Remains, Smell, Vegetation};
pub use possible::EvidenceError;
pub use published::{
    Dimension, DroppingMeasure, DroppingSize, HindFoot, Range, Shape, Size, Status, TrailMeasure, TrailSize, WhichFoot,
};
pub use reasons::{Ignored, Look, Reason, observed};
pub use region::Region;
pub use verdict::{Candidate, Identification, Standing, checked_grade, identify, probabilities};
