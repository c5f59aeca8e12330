//! `rakelight plan windows`: when to go.

use std::path::PathBuf;

use chrono::{DateTime, NaiveDate, Utc};
use clap::Args;
use rakelight_core::plan::{
    Asked, FreeShore, LowSun, Plan, Shore, TideKnown, TurnBack, Tz, calendar, compass_key, draw_day, plan,
};
use rakelight_core::survey::{Occasion, caution_texts};
use rakelight_core::words::Words;
use serde_json::{Value, json};

use super::{Place, TideSource};
use crate::command::{beside, print_json, print_table};
use crate::failure::{self, Failure};

/// Where, which days, and the shore.
#[derive(Args)]
pub struct Arguments {
    #[command(flatten)]
    place: Place,
    /// The first local date, such as 2026-10-03.
    #[arg(long, value_name = "DATE")]
    from: NaiveDate,
    /// How many days.
    #[arg(long, value_name = "N", default_value_t = 1)]
    days: u32,
    /// The time zone of dates and clock times, such as Europe/London.
    #[arg(long, value_name = "ZONE", default_value = "UTC")]
    time_zone: String,
    /// How high the sun stands at least, degrees.
    #[arg(long, value_name = "DEG", requires = "sun_to_deg", allow_hyphen_values = true)]
    sun_from_deg: Option<f64>,
    /// How high it stands at most, degrees.
    #[arg(long, value_name = "DEG", requires = "sun_from_deg", allow_hyphen_values = true)]
    sun_to_deg: Option<f64>,
    #[command(flatten)]
    source: TideSource,
    /// The shore is free while the water is lower than this, m above the table's zero: ask those who know the place.
    #[arg(long, value_name = "M", allow_hyphen_values = true)]
    free_below_m: Option<f64>,
    /// How long the way back takes from the farthest place to where the tide doesn't come, minutes.
    #[arg(long, value_name = "MINUTES", requires = "free_below_m", allow_hyphen_values = true)]
    walk_minutes: Option<i64>,
    /// How much earlier than needed to turn back, minutes.
    #[arg(long, value_name = "MINUTES", requires = "free_below_m", allow_hyphen_values = true)]
    margin_minutes: Option<i64>,
    /// Let windows go on after low water, while the tide rises.
    #[arg(long, requires = "free_below_m")]
    past_low_water: bool,
    /// Write the windows for a calendar: FILE.ics.
    #[arg(long, value_name = "FILE")]
    calendar: Option<PathBuf>,
    /// Draw sun and tide of the first day: FILE.svg or FILE.png.
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    let zone: Tz = arguments.time_zone.parse().map_err(|_| {
        Failure::input(format!("{:?} is no time zone; write one such as Europe/London or UTC", arguments.time_zone))
    })?;
    let low_sun = arguments.sun_from_deg.zip(arguments.sun_to_deg);
    let asked = Asked {
        place: arguments.place.position()?,
        from: arguments.from,
        days: arguments.days,
        zone,
        low_sun: low_sun.map(|(lowest_deg, highest_deg)| LowSun { lowest_deg, highest_deg }),
        shore: shore(arguments)?,
    };
    let plan = plan(&asked).map_err(Failure::input)?;
    let notes = notes(&asked, &plan, words);
    let cautions = caution_texts(Occasion::Plan, asked.shore.is_some(), words).map_err(Failure::input)?;
    if let Some(path) = &arguments.calendar {
        failure::write(path, calendar(&plan, &asked, Utc::now(), words))?;
    }
    if let Some(path) = &arguments.plot {
        beside::draw(path, &draw_day(&plan, &asked, words).map_err(Failure::input)?, words)?;
    }
    if arguments.json {
        print_json(&document(&plan, &asked, &notes, &cautions, words));
    } else {
        show(&plan, zone, words);
        notes.iter().for_each(|note| println!("{note}"));
        println!("\n{}", words.say("plan.take_care"));
        cautions.iter().for_each(|caution| println!("  - {caution}"));
    }
    Ok(())
}

fn shore(arguments: &Arguments) -> Result<Option<Shore>, Failure> {
    let tide = arguments.source.read()?;
    match (tide, arguments.free_below_m) {
        (None, None) => Ok(None),
        (Some(tide), Some(free_below_m)) => {
            let usual = TurnBack::builtin().map_err(Failure::input)?;
            let turn_back = TurnBack {
                walk_minutes: arguments.walk_minutes.unwrap_or(usual.walk_minutes),
                margin_minutes: arguments.margin_minutes.unwrap_or(usual.margin_minutes),
            };
            Ok(Some(Shore { tide, free_below_m, turn_back, past_low_water: arguments.past_low_water }))
        }
        (Some(_), None) => Err(Failure::input(
            "a tide alone doesn't say when the shore is free: give the height below which it is, in the table's metres (--free-below-m)",
        )),
        (None, Some(_)) => Err(Failure::input(
            "when the shore is free can't be told without its tide: give the official table's high and low waters (--tide FILE)",
        )),
    }
}

/// What must be known beside the times.
fn notes(asked: &Asked, plan: &Plan, words: &Words) -> Vec<String> {
    let mut notes = vec![words.say("plan.angles_only").to_owned()];
    match &asked.shore {
        None => notes.push(words.say("plan.no_tide").into()),
        Some(shore) => {
            let [walk, margin] =
                [shore.turn_back.walk_minutes, shore.turn_back.margin_minutes].map(|minutes| minutes.to_string());
            notes.push(words.fill("plan.turn_back_by", &[("walk", &walk), ("margin", &margin)]));
            let partly = plan.days.iter().filter(|day| day.tide_known == Some(TideKnown::Partly));
            let partly: Vec<String> = partly.map(|day| day.sun.date.to_string()).collect();
            if !partly.is_empty() {
                notes.push(words.fill("plan.tide_partly", &[("days", &partly.join(", "))]));
            }
            notes.push(words.say("plan.tide_caution").into());
        }
    }
    let lamp = &plan.lamp;
    let numbers = [lamp.lowest_deg, lamp.highest_deg, f64::from(lamp.directions), lamp.apart_deg];
    let [low, high, sides, apart] = numbers.map(|number| words.number(number, 0));
    notes.push(words.fill("plan.lamp", &[("low", &low), ("high", &high), ("sides", &sides), ("apart", &apart)]));
    notes
}

fn document(plan: &Plan, asked: &Asked, notes: &[String], cautions: &[String], words: &Words) -> Value {
    let mut document = json!(plan);
    document["time_zone"] = json!(asked.zone.name());
    document["notes"] = json!(notes);
    document["cautions"] = json!(cautions);
    if let Some(shore) = &asked.shore {
        document["free_below_m"] = json!(shore.free_below_m);
        document["turn_back"] = json!(shore.turn_back);
    }
    for (window, json) in plan.windows.iter().zip(document["windows"].as_array_mut().into_iter().flatten()) {
        json["start_local"] = json!(window.span.start.with_timezone(&asked.zone).to_rfc3339());
        json["end_local"] = json!(window.span.end.with_timezone(&asked.zone).to_rfc3339());
        json["why"] = json!(window.why(asked.zone, words));
    }
    document
}

fn show(plan: &Plan, zone: Tz, words: &Words) {
    let clock = |at: DateTime<Utc>| at.with_timezone(&zone).format("%H:%M").to_string();
    let heads = ["date", "from", "to", "minutes", "rank", "sun", "turn_back", "water"];
    let heads = heads.map(|head| words.say(&format!("plan.head.{head}")).to_owned());
    let rows = plan.windows.iter().map(|window| {
        let [start, end] = [window.span.start, window.span.end].map(clock);
        let [low, high] = window.elevations_deg().map(|degrees| words.number(degrees, 0));
        let sun = format!("{low}–{high}° {}", words.say(compass_key(window.sun_azimuth_deg)));
        let tide = |time: fn(&FreeShore) -> DateTime<Utc>| {
            window.tide.as_ref().map_or_else(String::new, |tide| clock(time(tide)))
        };
        let (turn_back, water) = (tide(|tide| tide.turn_back), tide(|tide| tide.covered_from));
        [
            window.date.to_string(),
            start,
            end,
            window.minutes.to_string(),
            window.rank.to_string(),
            sun,
            turn_back,
            water,
        ]
    });
    let rows: Vec<[String; 8]> = rows.collect();
    if !rows.is_empty() {
        print_table(&heads, &rows);
        println!();
    }
    let without = plan.days.iter().filter_map(|day| Some((day, day.none_because?)));
    for (day, why) in without {
        let highest = words.number(day.sun.highest_deg, 1);
        println!("{}  {}", day.sun.date, words.fill(why.key(), &[("highest", &highest)]));
    }
    if plan.days.iter().any(|day| day.none_because.is_some()) {
        println!();
    }
}
