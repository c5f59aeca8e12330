//! `rakelight plan tide`: heights, high and low waters.

use chrono::{DateTime, TimeDelta, Utc};
use clap::Args;
use rakelight_core::plan::{ExtremeKind, Height, Tide};
use rakelight_core::time::utc_text;
use rakelight_core::words::Words;
use serde_json::json;

use super::TideSource;
use crate::command::print_json;
use crate::failure::Failure;

/// Which tide, from when to when.
#[derive(Args)]
pub struct Arguments {
    #[command(flatten)]
    source: TideSource,
    /// The first time, RFC 3339; without an offset it is UTC.
    #[arg(long, value_name = "TIME", value_parser = super::time)]
    from: DateTime<Utc>,
    /// The last time; it is included.
    #[arg(long, value_name = "TIME", value_parser = super::time)]
    to: DateTime<Utc>,
    /// Minutes from one height to the next.
    #[arg(long, value_name = "MINUTES", default_value_t = 60)]
    step_minutes: u32,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

/// More heights than that are a slip of the dates.
const MOST_HEIGHTS: i64 = 2_000_000;

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    let Arguments { from, to, .. } = *arguments;
    let Some(tide) = arguments.source.read()? else {
        return Err(Failure::input(
            "no tide is known of itself: give the high and low waters of the official table (--tide FILE), or harmonic constants (--constituents FILE)",
        ));
    };
    let step = TimeDelta::minutes(i64::from(arguments.step_minutes));
    if step.is_zero() || from > to || (to - from).num_minutes() / step.num_minutes() > MOST_HEIGHTS {
        return Err(Failure::input(format!(
            "from {} to {} in steps of {} min there is nothing to give: put the earlier time first, a step of at least 1 min, and at most {MOST_HEIGHTS} heights",
            utc_text(from),
            utc_text(to),
            arguments.step_minutes
        )));
    }
    let heights = heights(&tide, from, to, step)?;
    let extremes = tide.extremes(from, to).map_err(Failure::input)?;
    if arguments.json {
        let notes = [words.say("plan.tide_caution")];
        print_json(&json!({ "heights": heights, "extremes": extremes, "notes": notes }));
        return Ok(());
    }
    for height in heights {
        println!("{}  {:>7} m", utc_text(height.utc), words.number(height.height_m, 2));
    }
    println!();
    for extreme in extremes {
        let name = if extreme.kind == ExtremeKind::High { "plan.high_water" } else { "plan.low_water" };
        println!("{}  {:>7} m  {}", utc_text(extreme.utc), words.number(extreme.height_m, 2), words.say(name));
    }
    println!("\n{}", words.say("plan.tide_caution"));
    Ok(())
}

fn heights(tide: &Tide, from: DateTime<Utc>, to: DateTime<Utc>, step: TimeDelta) -> Result<Vec<Height>, Failure> {
    if let Tide::Harmonic(harmonic) = tide {
        return harmonic.heights(from, to, step).map_err(Failure::input);
    }
    let times = std::iter::successors(Some(from), |at| Some(*at + step)).take_while(|at| *at <= to);
    times.map(|utc| Ok(Height { utc, height_m: tide.height_m(utc).map_err(Failure::input)? })).collect()
}
