//! `rakelight plan …`: before the walk.

mod draw;
mod due;
mod spots;
mod sun;
mod tide;
mod windows;

use std::path::PathBuf;

use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use clap::{Args, Subcommand};
use rakelight_core::place::Position;
use rakelight_core::plan::{Between, HarmonicTide, Tide, TideError, TideTable};
use rakelight_core::time::parse_time;
use rakelight_core::words::Words;

use crate::failure::{Failure, read_text};

/// What to plan.
#[derive(Subcommand)]
pub enum Action {
    /// Draw places to visit: so many in each square of the grid, in a way that can be repeated.
    Draw(draw::Arguments),
    /// Hand a season's plan out: put places, people and dates into the store, for the phones to fetch.
    HandOut(due::HandOutArguments),
    /// List who has which place, what is done and what is due.
    Due(due::Arguments),
    /// List the spots of a stretch to look at first, with the reasons.
    Spots(spots::Arguments),
    /// Say where the sun stands at a place and time.
    Sun(sun::Arguments),
    /// Give heights and high and low waters from harmonic constants, or between those of the official table.
    Tide(tide::Arguments),
    /// List the times to go: the sun low, the shore free, and when to turn back.
    Windows(windows::Arguments),
}

pub fn run(action: &Action, words: &Words) -> Result<(), Failure> {
    match action {
        Action::Draw(arguments) => draw::run(arguments, words),
        Action::HandOut(arguments) => due::hand_out(arguments, words),
        Action::Due(arguments) => due::run(arguments, words),
        Action::Spots(arguments) => spots::run(arguments, words),
        Action::Sun(arguments) => sun::run(arguments, words),
        Action::Tide(arguments) => tide::run(arguments, words),
        Action::Windows(arguments) => windows::run(arguments, words),
    }
}

/// A place.
#[derive(Args)]
struct Place {
    /// Latitude, WGS84, degrees, north positive.
    #[arg(long, value_name = "DEG", allow_hyphen_values = true)]
    lat: f64,
    /// Longitude, WGS84, degrees, east positive.
    #[arg(long, value_name = "DEG", allow_hyphen_values = true)]
    lon: f64,
}

impl Place {
    fn position(&self) -> Result<Position, Failure> {
        Position::new(self.lat, self.lon, None).map_err(Failure::input)
    }
}

/// Where the tide comes from.
#[derive(Args)]
struct TideSource {
    /// High and low waters from the official table: CSV with columns utc, height_m, type (H or L); or `-`.
    #[arg(long = "tide", value_name = "FILE")]
    table: Option<PathBuf>,
    /// Between high and low water go by the rule of twelfths, not by half a cosine.
    #[arg(long, requires = "table")]
    twelfths: bool,
    /// Harmonic constants, with the right to use them: CSV with columns name, amp_m, phase_gmt_deg; or `-`.
    #[arg(long, value_name = "FILE", conflicts_with = "table")]
    constituents: Option<PathBuf>,
    /// Height of mean sea level above the heights' zero, m; for harmonic constants.
    #[arg(long, value_name = "M", requires = "constituents", default_value_t = 0.0, allow_hyphen_values = true)]
    z0_m: f64,
}

impl TideSource {
    /// `None` where none is given.
    fn read(&self) -> Result<Option<Tide>, Failure> {
        let in_file = |path: &PathBuf, error: TideError| Failure::input(format!("{}: {error}", path.display()));
        if let Some(path) = &self.table {
            let between = if self.twelfths { Between::Twelfths } else { Between::Cosine };
            let table = TideTable::from_csv(&read_text(path)?, between).map_err(|e| in_file(path, e))?;
            return Ok(Some(Tide::Table(table)));
        }
        let Some(path) = &self.constituents else { return Ok(None) };
        let harmonic = HarmonicTide::from_csv(&read_text(path)?, self.z0_m).map_err(|e| in_file(path, e))?;
        Ok(Some(Tide::Harmonic(harmonic)))
    }
}

/// A time on the command line; a date alone is its midnight, UTC.
fn time(text: &str) -> Result<DateTime<Utc>, String> {
    let midnight = || text.trim().parse::<NaiveDate>().ok().map(|date| date.and_time(NaiveTime::MIN).and_utc());
    parse_time(text)
        .map(|time| time.to_utc())
        .or_else(midnight)
        .ok_or_else(|| format!("{text:?} is no time; write 2026-10-03T07:41:10Z, or with an offset such as +01:00"))
}
