//! Prints in a row: which belong together, and what the trail measures.
//!
//! A trail repeats itself: every stride the same feet come down in the same places, more or less. First the prints are put along a
//! smooth line, the way the animal went (`line`). Each pattern of `core/data/patterns.toml` says where in a stride feet come down; it is
//! fitted to the prints (`fit`), which are shared out over its cycles by dynamic programming (`assign`), and the patterns are weighed
//! against each other by their evidence; where the pattern changes, each section has its own (`sections`). The line is then drawn
//! through the cycles found, and all is done again where that moves it. A trail gives space, not time: nothing here speaks of who walked.

mod assign;
mod draw;
mod fit;
mod join;
mod line;
mod measures;
mod pattern;
mod photos;
mod reading;
mod runs;
mod sections;
mod speed;
mod spots;
#[cfg(test)]
mod tests;

use serde::{Deserialize, Serialize};

pub use draw::draw;
pub use join::{Frame, FramePrint, JoinError, JoinWarning, PlacedPrints, Shared, join};
pub use pattern::{Form, PatternName};
pub use photos::{MarkedPrint, PhotosError, Placed, TrailMarks, TrailPhoto, TrailPhotos};
pub use reading::{Alternative, FittedPattern, FormProbability, Member, TrailReading};
pub use speed::{GaitClass, HipHeight, HipHeightError, NoSpeed, Speed, speed};

use crate::print::{Foot, Side};
use spots::Spots;

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
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TrailPrints {
    /// At least two.
    pub prints: Vec<TrailPrint>,
    /// Standard uncertainty of each of the two distances, cm; above zero.
    pub u_position_cm: f64,
    /// Which way the animal went along the tape, by the toes.
    #[serde(default, skip_serializing_if = "Travel::is_unknown")]
    pub travel: Travel,
    /// Which way the tape runs as its numbers grow, degrees from north, eastward; then positive offsets must lie to the left, looking that way.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub azimuth_deg: Option<f64>,
    /// Whether marks of tail or belly run along; not there where nobody looked.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drag_mark: Option<bool>,
}

/// Which way an animal went: as the tape's numbers grow, or in photographs from the first print listed to the last, or the other way.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Travel {
    /// As the numbers grow.
    Forwards,
    /// The other way.
    Backwards,
    /// Not known.
    #[default]
    Unknown,
}

impl Travel {
    fn is_unknown(&self) -> bool {
        *self == Self::Unknown
    }

    /// Whether a template can be how this animal's trail looks along its line, which runs the way it went where that is known.
    fn allows(self, template: &pattern::Template) -> bool {
        self.is_unknown() || template.along_line
    }
}

/// A pattern and how probable it is.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PatternProbability {
    /// Which.
    pub name: PatternName,
    /// 0 to 1; all patterns and [`TrailReading::no_pattern`] sum to 1.
    pub probability: f64,
}

/// What is measured along a trail; the unit is in the name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum MeasureName {
    /// Same foot to same foot, along.
    StrideMm,
    /// A foot to the opposite one, along; where there are no groups.
    StepMm,
    /// From the rearmost to the foremost print position of a group, along (a print's own length isn't in it).
    GroupLengthMm,
    /// Stride less group length.
    GapMm,
    /// Across, between the outermost print positions of a cycle: the outer width is one print width more.
    StraddleMm,
    /// Between a group's row of prints and the direction of travel, 0 to 90 degrees.
    DiagonalDeg,
    /// From one print of the cycle to another, as the crow flies.
    PairMm,
}

/// A measure of a trail: the mean over its cycles.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TrailMeasure {
    /// Which.
    pub name: MeasureName,
    /// Of a pair: which prints of the cycle, from 1, the rearmost first.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub between: Option<[usize; 2]>,
    /// The mean.
    pub value: f64,
    /// Its standard uncertainty.
    pub u: f64,
    /// The standard deviation of single values, where there are two or more.
    pub spread: Option<f64>,
    /// How many single values the mean is of.
    pub n: usize,
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
    /// A place that no tape and no row of photographs reaches.
    #[error(
        "print {print} lies {cm:.0} cm off, further than any trail that is read at once; distances are given in centimetres"
    )]
    FarOff {
        /// Index in the input.
        print: usize,
        /// The larger of its coordinates.
        cm: f64,
    },
    /// The uncertainty isn't one.
    #[error(
        "u_position_cm is {u_position_cm}; give the standard uncertainty of a position, above zero and below a metre (1 for a tape laid on the ground)"
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
/// let prints = (0..12).map(print).collect();
/// let reading = read(&TrailPrints { prints, u_position_cm: 0.5, ..TrailPrints::default() })?;
/// assert_eq!(reading.patterns[0].name, PatternName::Walk);
/// let stride_mm = reading.stride_mm().expect("twelve prints have strides");
/// assert!((stride_mm.value - 600.0).abs() < stride_mm.half_width_95());
/// # Ok::<(), rakelight_core::trail::TrailError>(())
/// ```
pub fn read(trail: &TrailPrints) -> Result<TrailReading, TrailError> {
    let patterns = pattern::patterns()?;
    check(trail, &patterns.assumed)?;
    read_spots(&Spots::along_tape(trail), patterns)
}

/// Reads a trail from places in one plane, as marked photographs give them ([`TrailPhotos::place`]); their uncertainties are taken with
/// all they have in common.
///
/// # Errors
/// Fewer than two prints.
pub fn read_placed(placed: &PlacedPrints, travel: Travel, drag_mark: Option<bool>) -> Result<TrailReading, TrailError> {
    if placed.at_mm.len() < 2 {
        return Err(TrailError::TooFew { prints: placed.at_mm.len() });
    }
    read_spots(&Spots::placed(placed, travel, drag_mark), pattern::patterns()?)
}

/// The line is drawn again through the cycles found while that moves prints by more than this share of their scatter …
const MOVED: f64 = 0.2;
/// … but no more often than this.
const DRAWN: usize = 3;

/// No trail is read at once that is longer than this, cm.
const LONGEST_CM: f64 = 1e6;
/// Places that are less certain than this tell nothing of a trail.
const LEAST_CERTAIN_CM: f64 = 100.0;

fn read_spots(spots: &Spots, patterns: &'static pattern::Patterns) -> Result<TrailReading, TrailError> {
    if !(spots.u_cm > 0.0 && spots.u_cm <= LEAST_CERTAIN_CM) {
        return Err(TrailError::Uncertainty { u_position_cm: spots.u_cm });
    }
    for (print, at) in spots.at_cm.iter().enumerate() {
        let cm = at[0].abs().max(at[1].abs());
        if cm > LONGEST_CM {
            return Err(TrailError::FarOff { print, cm });
        }
    }
    let weigher = fit::Weigher { patterns, u_cm: spots.u_cm, travel: spots.travel };
    let (mut line, near_cm) = spots.first_line();
    let mut marks = spots.marks(&line, &near_cm);
    let mut sections = sections::sections(&marks, &weigher);
    for _ in 1..DRAWN {
        let Some(through) = sections::line_through(&sections, &marks, &line) else { break };
        let moved = spots.marks_again(&through, &marks, &line);
        let stands = fit::furthest_moved(&marks, &moved) < MOVED * sections::least_scatter(&sections);
        if stands {
            break;
        }
        (line, marks) = (through, moved);
        sections = sections::again(&sections, &marks, &weigher);
    }
    Ok(reading::reading(spots, &marks, &sections, &weigher, &line))
}

/// Refuses what no trail can be, and says what would do.
fn check(trail: &TrailPrints, assumed: &pattern::Assumed) -> Result<(), TrailError> {
    let prints = &trail.prints;
    if prints.len() < 2 {
        return Err(TrailError::TooFew { prints: prints.len() });
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
