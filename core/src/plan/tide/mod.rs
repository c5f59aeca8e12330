//! The tide of a place: from the high and low waters of the official table, or from harmonic constants.
//!
//! Neither knows the weather, a surge or the river's flow. Not for navigation; the official table and local knowledge govern.

mod astronomy;
mod constituents;
mod harmonic;
mod table;

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

pub use harmonic::HarmonicTide;
pub use table::{Between, TideTable};

use crate::rows::RowError;
use crate::time::utc_text;

/// Which turn of the tide.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum ExtremeKind {
    /// High water.
    #[serde(rename = "H")]
    High,
    /// Low water.
    #[serde(rename = "L")]
    Low,
}

/// A high or low water.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Extreme {
    /// When.
    #[serde(serialize_with = "crate::time::as_utc")]
    pub utc: DateTime<Utc>,
    /// m above the table's zero.
    pub height_m: f64,
    /// Which.
    #[serde(rename = "type")]
    pub kind: ExtremeKind,
}

/// A height at a time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Height {
    /// When.
    #[serde(serialize_with = "crate::time::as_utc")]
    pub utc: DateTime<Utc>,
    /// m above the table's zero.
    pub height_m: f64,
}

/// Why the tide can't be told.
#[derive(Debug, thiserror::Error)]
pub enum TideError {
    /// The file isn't the table it should be.
    #[error("line {line}: {wrong}")]
    Line {
        /// Counted from 1, with the header and comments.
        line: u64,
        /// What is wrong and what to do.
        wrong: String,
    },
    /// The header lacks a column, or has one too many.
    #[error("the table can't be read: {0}; its first line names the columns, lines that begin with # are passed over")]
    Csv(#[from] csv::Error),
    /// The data that is built in.
    #[error("the constituents' data can't be read: {0}")]
    BuiltIn(#[from] toml::de::Error),
    /// Nothing to make a tide of.
    #[error("there are no constants: give at least one constituent and a finite height of mean sea level (--z0-m)")]
    NoConstants,
    /// Nothing to draw a curve through.
    #[error("there is no curve through {given} high and low waters: give two at least")]
    TooFew {
        /// How many there are.
        given: usize,
    },
    /// Outside the table.
    #[error(
        "the tide at {at} isn't known: the table goes from {from} to {to}; enter the high and low waters around it",
        at = utc_text(*at), from = utc_text(*from), to = utc_text(*to)
    )]
    NotInTable {
        /// What was asked for.
        at: DateTime<Utc>,
        /// The table's first extreme.
        from: DateTime<Utc>,
        /// Its last.
        to: DateTime<Utc>,
    },
    /// An empty span.
    #[error("there are no times from {from} to {to} in such steps", from = utc_text(*from), to = utc_text(*to))]
    Span {
        /// First.
        from: DateTime<Utc>,
        /// Last.
        to: DateTime<Utc>,
    },
    /// Beyond the calendar.
    #[error("the tide of the year {year} can't be told")]
    Year {
        /// The year.
        year: i32,
    },
}

impl From<RowError> for TideError {
    fn from(error: RowError) -> Self {
        match error {
            RowError::Line { line, wrong } => Self::Line { line, wrong },
            RowError::Csv(error) => Self::Csv(error),
        }
    }
}

/// A place's tide.
#[derive(Debug, Clone)]
pub enum Tide {
    /// As the user entered it from the official table.
    Table(TideTable),
    /// From harmonic constants.
    Harmonic(HarmonicTide),
}

impl Tide {
    /// The height at a time, m.
    ///
    /// # Errors
    /// The tide isn't known then.
    pub fn height_m(&self, at: DateTime<Utc>) -> Result<f64, TideError> {
        match self {
            Self::Table(table) => table.height_m(at),
            Self::Harmonic(tide) => tide.height_m(at),
        }
    }

    /// High and low waters between two times, in turn; those that the table has.
    ///
    /// # Errors
    /// The tide can't be worked out then.
    pub fn extremes(&self, from: DateTime<Utc>, to: DateTime<Utc>) -> Result<Vec<Extreme>, TideError> {
        match self {
            Self::Table(table) => Ok(table.extremes(from, to)),
            Self::Harmonic(tide) => tide.extremes(from, to),
        }
    }

    /// When the water passes a height between a high and a low water that lie to its two sides.
    ///
    /// # Errors
    /// The tide can't be worked out then.
    pub fn passes(&self, height_m: f64, one: &Extreme, other: &Extreme) -> Result<DateTime<Utc>, TideError> {
        let seconds = (other.utc - one.utc).num_seconds() as f64;
        let mut failed = None;
        let at = root(0.0, seconds, 0.5, |s| {
            let utc = one.utc + chrono::TimeDelta::milliseconds((1000.0 * s).round() as i64);
            self.height_m(utc).map_err(|error| failed = Some(error)).unwrap_or(height_m) - height_m
        });
        match failed {
            Some(error) => Err(error),
            None => Ok(one.utc + chrono::TimeDelta::seconds(at.round() as i64)),
        }
    }
}

/// Where a function passes zero between two places to whose sides it has different signs (Illinois variant of the false position; Dowell and
/// Jarratt 1971, BIT 11:168–174), as near as `close`; the nearer end where it hasn't.
fn root(mut a: f64, mut b: f64, close: f64, f: impl FnMut(f64) -> f64) -> f64 {
    let mut f = f;
    let (mut fa, mut fb) = (f(a), f(b));
    if fa * fb > 0.0 {
        return if fa.abs() < fb.abs() { a } else { b };
    }
    for _ in 0..100 {
        if (b - a).abs() <= close || fa == fb {
            break;
        }
        let c = b - fb * (b - a) / (fb - fa);
        let fc = f(c);
        if fc * fb < 0.0 {
            (a, fa) = (b, fb);
        } else {
            fa /= 2.0;
        }
        (b, fb) = (c, fc);
        if fc == 0.0 {
            break;
        }
    }
    b
}
