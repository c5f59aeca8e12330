//! Before the walk: light and tide, which days, which spots first, who goes where.
//!
//! Angles and times follow from the place and what the user gives; nothing here knows the weather, a surge, the river's flow, or what hides the sun.

mod calendar;
mod draw;
mod light;
mod shore;
mod spots;
mod sun;
mod tide;
mod windows;

use chrono::{DateTime, TimeDelta, Utc};
use serde::Serialize;

pub use calendar::calendar;
pub use chrono_tz::Tz;
pub use draw::{DrawError, draw_day};
pub use light::{LampRecipe, LightData, LowSun, Polar, SunOfDay, SunSeen, shadow_mm};
pub use shore::{FreeShore, Shore, ShoreAt, ShoreNow, ShoreState, TurnBack};
pub use spots::{LeftOut, Reason, Spot, Spots, SpotsError, spots};
pub use sun::{Air, Sun, delta_t_s, sun};
pub use tide::{Between, Extreme, ExtremeKind, HarmonicTide, Height, Tide, TideError, TideTable};
pub use windows::{Asked, DayOfPlan, NoWindow, Plan, Shadow, TideKnown, Window, compass_key, plan};

/// A stretch of time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Span {
    /// From here.
    #[serde(serialize_with = "crate::time::as_utc")]
    pub start: DateTime<Utc>,
    /// To here.
    #[serde(serialize_with = "crate::time::as_utc")]
    pub end: DateTime<Utc>,
}

impl Span {
    /// How long it is.
    pub fn length(&self) -> TimeDelta {
        self.end - self.start
    }

    /// What two have in common.
    pub fn and(&self, other: &Self) -> Option<Self> {
        let (start, end) = (self.start.max(other.start), self.end.min(other.end));
        (start < end).then_some(Self { start, end })
    }
}

/// Why a walk can't be planned as asked.
#[derive(Debug, thiserror::Error)]
pub enum PlanError {
    /// The sun's place can't be worked out.
    #[error("the sun's place can't be worked out: {0}; walks can be planned for the years 2010 to 2110")]
    Sun(#[from] solar_positioning::Error),
    /// The tide isn't known.
    #[error(transparent)]
    Tide(#[from] TideError),
    /// The data that is built in.
    #[error("the plan's data can't be read: {0}")]
    BuiltIn(#[from] toml::de::Error),
    /// Limits of the sun that leave nothing.
    #[error("low sun from {lowest_deg} to {highest_deg} degrees can't be: give 0 to 90, the lower one first")]
    Limits {
        /// Given.
        lowest_deg: f64,
        /// Given.
        highest_deg: f64,
    },
    /// No days, or too many.
    #[error("{days} days can't be planned: ask for 1 to 3700")]
    Days {
        /// Asked for.
        days: u32,
    },
    /// A walk or a margin that can't be.
    #[error("{minutes} minutes for {what} can't be: give 0 to 720")]
    Minutes {
        /// What for.
        what: &'static str,
        /// Given.
        minutes: i64,
    },
    /// Not a height.
    #[error("a shore that is free below {free_below_m} m can't be: give metres above the tide table's zero")]
    FreeBelow {
        /// Given.
        free_below_m: f64,
    },
    /// The table says nothing of a day.
    #[error(
        "the tide on {missing} isn't known: the table goes from {from} to {to}. Enter the high and low waters of these days, or plan days that are in it"
    )]
    NoTide {
        /// The days.
        missing: String,
        /// The table's first time.
        from: String,
        /// Its last.
        to: String,
    },
}
