//! Prints in a row: which belong together, and what the trail measures.
//!
//! A trail repeats itself: every stride the same feet come down in the same places, more or less. Each pattern of `core/data/patterns.toml`
//! says where; it is fitted to the prints (`fit`), which are shared out over the groups by dynamic programming (`assign`), and the patterns
//! are weighed against each other by their evidence. A trail gives space, not time: nothing here speaks of speed or of who walked.

mod assign;
mod draw;
mod fit;
mod join;
mod measures;
mod pattern;
mod photos;
mod plane;
#[cfg(test)]
mod tests;

use serde::ser::SerializeMap;
use serde::{Deserialize, Serialize, Serializer};

use crate::measured::Measured;

pub use draw::draw;
pub use join::{Frame, FramePrint, JoinError, JoinWarning, PlacedPrints, Shared, join};
pub use pattern::PatternName;
pub use photos::{MarkedPrint, PhotosError, Placed, TrailMarks, TrailPhoto, TrailPhotos};

use crate::print::{Foot, Side};

/// One print's place along a tape, always by the same point of the print (its front edge, or its middle).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TrailPrint {
    /// Distance along the tape, cm.
    pub along_cm: f64,
    /// Distance from the tape, cm; one side counts positive, the other negative. Which one is free.
    pub offset_cm: f64,
    /// Fore or hind, if known.
    #[serde(default)]
    pub foot: Foot,
    /// Left or right, if known.
    #[serde(default)]
    pub side: Side,
}

/// The prints of one trail, in any order, and how well their places are known.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TrailPrints {
    /// At least two.
    pub prints: Vec<TrailPrint>,
    /// Standard uncertainty of each of the two distances, cm; above zero.
    pub u_position_cm: f64,
}

/// A pattern and how probable it is.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PatternProbability {
    /// Which.
    pub name: PatternName,
    /// 0 to 1; all patterns and [`TrailReading::no_pattern`] sum to 1.
    pub probability: f64,
}

/// What a trail says. Measures are millimetres, between print positions; they are those of the most probable pattern.
#[derive(Debug, Clone, PartialEq)]
pub struct TrailReading {
    /// All patterns, the most probable first.
    pub patterns: Vec<PatternProbability>,
    /// The probability that the prints follow none of them.
    pub no_pattern: f64,
    /// Groups along the trail, each the indices of its prints in the input; none where the pattern has no groups (walk, trot).
    pub groups: Vec<Vec<usize>>,
    /// Indices of prints that don't belong to the trail.
    pub foreign: Vec<usize>,
    /// How many prints seem to be missing between the first and the last.
    pub missing: usize,
    /// Same foot to same foot: the mean over the trail.
    pub stride_mm: Option<Measured>,
    /// From the rearmost to the foremost print position of a group (a print's own length isn't in it).
    pub group_length_mm: Option<Measured>,
    /// Stride less group length.
    pub gap_mm: Option<Measured>,
    /// Width across the direction of travel, between print positions: the outer width is one print width more.
    pub straddle_mm: Option<Measured>,
    /// How many strides, groups and widths the means are of.
    pub n: Counts,
}

/// How many single values stand behind each mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct Counts {
    /// Behind the stride.
    pub strides: usize,
    /// Behind the group length.
    pub group_lengths: usize,
    /// Behind the straddle.
    pub straddles: usize,
}

impl Serialize for TrailReading {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("patterns", &self.patterns)?;
        map.serialize_entry("no_pattern", &self.no_pattern)?;
        map.serialize_entry("groups", &self.groups)?;
        map.serialize_entry("foreign", &self.foreign)?;
        map.serialize_entry("missing", &self.missing)?;
        let measures = [
            ("stride_mm", self.stride_mm),
            ("group_length_mm", self.group_length_mm),
            ("gap_mm", self.gap_mm),
            ("straddle_mm", self.straddle_mm),
        ];
        for (key, measure) in measures {
            map.serialize_entry(key, &measure.map(|m| m.value))?;
            map.serialize_entry(&format!("u_{key}"), &measure.map(|m| m.u))?;
        }
        map.serialize_entry("n", &self.n)?;
        map.end()
    }
}

/// Why a trail can't be read.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum TrailError {
    /// Nothing to measure between.
    #[error("a trail needs at least two prints, and six or more to tell its pattern; there are {prints}")]
    TooFew {
        /// How many there are.
        prints: usize,
    },
    /// A place that isn't a number.
    #[error("print {print}: its place isn't a finite number; measure it again or leave the print out")]
    NotFinite {
        /// Index in the input, from 0.
        print: usize,
    },
    /// The uncertainty isn't one.
    #[error(
        "u_position_cm is {u_position_cm}; give the standard uncertainty of a position, above zero (1 for a tape laid on the ground)"
    )]
    Uncertainty {
        /// What was given.
        u_position_cm: f64,
    },
    /// The same print twice.
    #[error("prints {first} and {second} lie on the same spot; leave one of them out")]
    Doubled {
        /// Index in the input.
        first: usize,
        /// Index in the input.
        second: usize,
    },
    /// One place among the others in another unit.
    #[error(
        "print {print} lies {along_cm} cm along, far from all the others; if it was noted in another unit, give it in centimetres"
    )]
    MixedUnits {
        /// Index in the input.
        print: usize,
        /// What was given.
        along_cm: f64,
    },
    /// All places in another unit, by the look of it.
    #[error(
        "the prints lie {spacing_cm:.2} cm apart on average, which no mammal here leaves; distances are given in centimetres"
    )]
    Unit {
        /// Mean distance from one print to the next along the trail.
        spacing_cm: f64,
    },
    /// The built-in patterns can't be read: a fault of the program.
    #[error("the list of patterns can't be read: {detail}")]
    Patterns {
        /// What is wrong and where.
        detail: String,
    },
}

/// Reads a trail: its pattern, its groups, and its measures with their uncertainty.
///
/// ```
/// use rakelight_core::trail::{PatternName, TrailPrint, TrailPrints, read};
/// // Twelve prints of a walk: a step of 30 cm, 10 cm between left and right.
/// let print = |i: u32| TrailPrint {
///     along_cm: 30.0 * f64::from(i) + [0.4, -0.5, 0.1][i as usize % 3],
///     offset_cm: if i % 2 == 0 { 5.0 } else { -5.0 },
///     foot: Default::default(),
///     side: Default::default(),
/// };
/// let reading = read(&TrailPrints { prints: (0..12).map(print).collect(), u_position_cm: 0.5 })?;
/// assert_eq!(reading.patterns[0].name, PatternName::Walk);
/// let stride_mm = reading.stride_mm.expect("twelve prints have strides");
/// assert!((stride_mm.value - 600.0).abs() < stride_mm.half_width_95());
/// # Ok::<(), rakelight_core::trail::TrailError>(())
/// ```
pub fn read(trail: &TrailPrints) -> Result<TrailReading, TrailError> {
    let patterns = pattern::patterns()?;
    check(trail, &patterns.assumed)?;
    let marks = fit::marks(trail);
    let weighed = fit::weigh(&marks, trail.u_position_cm, &patterns);
    Ok(measures::reading(&marks, trail.u_position_cm, weighed))
}

/// Refuses what no trail can be, and says what would do.
fn check(trail: &TrailPrints, assumed: &pattern::Assumed) -> Result<(), TrailError> {
    let prints = &trail.prints;
    if prints.len() < 2 {
        return Err(TrailError::TooFew { prints: prints.len() });
    }
    if !(trail.u_position_cm.is_finite() && trail.u_position_cm > 0.0) {
        return Err(TrailError::Uncertainty { u_position_cm: trail.u_position_cm });
    }
    if let Some(print) = prints.iter().position(|p| !(p.along_cm.is_finite() && p.offset_cm.is_finite())) {
        return Err(TrailError::NotFinite { print });
    }
    let mut order: Vec<usize> = (0..prints.len()).collect();
    let place = |&i: &usize| (prints[i].along_cm, prints[i].offset_cm);
    order.sort_by(|a, b| place(a).partial_cmp(&place(b)).unwrap_or(std::cmp::Ordering::Equal));
    if let Some(pair) = order.windows(2).find(|pair| place(&pair[0]) == place(&pair[1])) {
        return Err(TrailError::Doubled { first: pair[0].min(pair[1]), second: pair[0].max(pair[1]) });
    }
    if let Some(print) = stray(&order.iter().map(|&i| prints[i].along_cm).collect::<Vec<_>>()) {
        return Err(TrailError::MixedUnits { print: order[print], along_cm: prints[order[print]].along_cm });
    }
    let spacing_cm = (prints[order[order.len() - 1]].along_cm - prints[order[0]].along_cm) / (prints.len() - 1) as f64;
    if spacing_cm < assumed.spacing_cm[0] || spacing_cm > assumed.spacing_cm[1] {
        return Err(TrailError::Unit { spacing_cm });
    }
    Ok(())
}

/// The end of a sorted row that lies further from the rest than twice the length of the rest: a slip of ten or a hundred does that,
/// a few missing strides in a trail of five or more prints don't.
fn stray(sorted_cm: &[f64]) -> Option<usize> {
    let last = sorted_cm.len() - 1;
    if last < 4 {
        return None;
    }
    let rest_cm = |from: usize, to: usize| sorted_cm[to] - sorted_cm[from];
    if rest_cm(last - 1, last) > 2.0 * rest_cm(0, last - 1) {
        return Some(last);
    }
    (rest_cm(0, 1) > 2.0 * rest_cm(1, last)).then_some(0)
}
