//! When the shore lies free, and when to turn back.

use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};

use super::tide::{Extreme, ExtremeKind, Tide};
use super::{PlanError, Span};

/// How long the way back takes, and how much earlier than needed it is begun.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct TurnBack {
    /// From the farthest place to where the tide doesn't come.
    pub walk_minutes: i64,
    /// What the user adds for their safety.
    pub margin_minutes: i64,
}

impl TurnBack {
    /// What stands in where the user says nothing: it isn't made for any place.
    ///
    /// # Errors
    /// The data can't be read: a mistake in the build.
    pub fn builtin() -> Result<Self, PlanError> {
        #[derive(Deserialize)]
        struct File {
            turn_back: TurnBack,
        }
        let file: File = toml::from_str(include_str!("../../data/shore.toml"))?;
        Ok(file.turn_back)
    }

    fn before_the_water(self) -> Result<TimeDelta, PlanError> {
        for (what, minutes) in [("the way back", self.walk_minutes), ("the margin", self.margin_minutes)] {
            if !(0..=720).contains(&minutes) {
                return Err(PlanError::Minutes { what, minutes });
            }
        }
        Ok(TimeDelta::minutes(self.walk_minutes + self.margin_minutes))
    }
}

/// A shore and its tide.
#[derive(Debug, Clone)]
pub struct Shore {
    /// The tide there.
    pub tide: Tide,
    /// The shore is free while the water is lower than this, m above the table's zero: as the user knows the place.
    pub free_below_m: f64,
    /// The way back.
    pub turn_back: TurnBack,
    /// Whether somebody may be out after low water, while the tide rises.
    pub past_low_water: bool,
}

/// One time that the shore lies free.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct FreeShore {
    /// When the falling water leaves it; the high water before, where that doesn't reach it.
    #[serde(serialize_with = "crate::time::as_utc")]
    pub free_from: DateTime<Utc>,
    /// When the rising water takes it; the high water after, where that doesn't reach it.
    #[serde(serialize_with = "crate::time::as_utc")]
    pub covered_from: DateTime<Utc>,
    /// When to turn back, at the latest: way and margin before the water, and not after low water unless that was asked for.
    #[serde(serialize_with = "crate::time::as_utc")]
    pub turn_back: DateTime<Utc>,
    /// The low water between.
    pub low_water: Extreme,
    /// The high water before: sign below its line is younger than that.
    pub last_high_water: Extreme,
}

impl FreeShore {
    /// From when to when somebody may be there; `None` where the way back is longer than that.
    pub fn usable(&self) -> Option<Span> {
        (self.free_from < self.turn_back).then_some(Span { start: self.free_from, end: self.turn_back })
    }
}

impl Shore {
    /// When the shore lies free around the low waters of a time: each needs the high waters to its two sides.
    ///
    /// # Errors
    /// A height or duration that can't be; the tide can't be worked out.
    pub fn free(&self, within: Span) -> Result<Vec<FreeShore>, PlanError> {
        const SIDES: TimeDelta = TimeDelta::hours(30);
        if self.free_below_m.is_nan() || self.free_below_m.abs() > 30.0 {
            return Err(PlanError::FreeBelow { free_below_m: self.free_below_m });
        }
        let before_the_water = self.turn_back.before_the_water()?;
        let extremes = self.tide.extremes(within.start - SIDES, within.end + SIDES)?;
        let mut free = Vec::new();
        for turns in extremes.windows(3) {
            let [last_high_water, low_water, next] = [turns[0], turns[1], turns[2]];
            if low_water.kind == ExtremeKind::High || low_water.height_m >= self.free_below_m {
                continue;
            }
            let passes = |high: &Extreme| {
                if high.height_m > self.free_below_m {
                    self.tide.passes(self.free_below_m, &low_water, high)
                } else {
                    Ok(high.utc)
                }
            };
            let (free_from, covered_from) = (passes(&last_high_water)?, passes(&next)?);
            let by_the_water = covered_from - before_the_water;
            let turn_back = if self.past_low_water { by_the_water } else { by_the_water.min(low_water.utc) };
            if covered_from > within.start && free_from < within.end {
                free.push(FreeShore { free_from, covered_from, turn_back, low_water, last_high_water });
            }
        }
        Ok(free)
    }
}
