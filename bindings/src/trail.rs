//! Prints in a row.

use rakelight_core::survey::{Record, TrailMeasured};
use rakelight_core::trail::{self, TrailPrint, TrailPrints};

use crate::{Foot, Length, Moment, Pattern, ShellError, Side, Workspace};

/// One print along a tape.
#[derive(Debug, Clone, uniffi::Record)]
pub struct TrailMark {
    /// Along the tape, cm.
    pub along_cm: f64,
    /// From the tape, cm, one side positive.
    pub offset_cm: f64,
    /// Fore or hind.
    pub foot: Foot,
    /// Left or right.
    pub side: Side,
}

/// The prints of a trail.
#[derive(Debug, Clone, uniffi::Record)]
pub struct TrailMarks {
    /// Its name within the visit.
    pub id: String,
    /// In any order.
    pub prints: Vec<TrailMark>,
    /// Standard uncertainty of each distance, cm.
    pub u_position_cm: f64,
}

/// A pattern and how probable it is.
#[derive(Debug, Clone, uniffi::Record)]
pub struct PatternShare {
    /// Which.
    pub pattern: Pattern,
    /// In the workspace's language.
    pub name: String,
    /// 0 to 1.
    pub probability: f64,
}

/// What a trail says.
#[derive(Debug, Clone, uniffi::Record)]
pub struct TrailAnswer {
    /// The most probable first.
    pub patterns: Vec<PatternShare>,
    /// The probability that there is none of these.
    pub no_pattern: f64,
    /// Indices of the prints of each group.
    pub groups: Vec<Vec<i32>>,
    /// Indices of prints that don't belong.
    pub foreign: Vec<i32>,
    /// Same foot to same foot.
    pub stride: Option<Length>,
    /// Rearmost to foremost print of a group.
    pub group_length: Option<Length>,
    /// Stride less group length.
    pub gap: Option<Length>,
    /// Across, between print positions.
    pub straddle: Option<Length>,
    /// The trail from above, as SVG; [`Workspace::write_png`] makes a picture of it.
    pub svg: String,
}

#[uniffi::export]
impl Workspace {
    /// Reads a trail and writes it to its visit.
    pub fn read_trail(&self, visit: String, marks: TrailMarks, now: Moment) -> Result<TrailAnswer, ShellError> {
        let visit = self.visit(&visit)?;
        let print = |mark: &TrailMark| TrailPrint {
            along_cm: mark.along_cm,
            offset_cm: mark.offset_cm,
            foot: mark.foot,
            side: mark.side,
        };
        let prints = TrailPrints {
            prints: marks.prints.iter().map(print).collect(),
            u_position_cm: marks.u_position_cm,
            ..TrailPrints::default()
        };
        let reading = trail::read(&prints).map_err(ShellError::input)?;
        let share = |pattern: &trail::PatternProbability| PatternShare {
            pattern: pattern.name,
            name: self.words.say(pattern.name.key()).to_owned(),
            probability: pattern.probability,
        };
        let indices = |list: &[usize]| list.iter().map(|&i| i as i32).collect();
        let answer = TrailAnswer {
            patterns: reading.patterns.iter().map(share).collect(),
            no_pattern: reading.no_pattern,
            groups: reading.groups.iter().map(|group| indices(group)).collect(),
            foreign: indices(&reading.foreign),
            stride: reading.stride_mm().map(Length::from),
            group_length: reading.group_length_mm().map(Length::from),
            gap: reading.gap_mm().map(Length::from),
            straddle: reading.straddle_mm().map(Length::from),
            svg: trail::draw(&reading, &self.words),
        };
        let reading = serde_json::to_value(&reading).map_err(ShellError::internal)?;
        let measured = TrailMeasured { id: marks.id, prints, reading };
        self.write(&visit, vec![Record::TrailMeasured(measured)], now.utc()?)?;
        Ok(answer)
    }
}
