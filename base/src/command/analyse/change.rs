//! `rakelight analyse change`.

use std::path::{Path, PathBuf};

use chrono::NaiveDate;
use clap::Args;
use rakelight_core::analysis::change::{self, Change, Season};
use rakelight_core::analysis::draw;
use rakelight_core::analysis::occupancy::Histories;
use rakelight_core::analysis::of_store::{self, Days, PassedOver};
use rakelight_core::words::Words;
use serde_json::json;

use super::{maker_id, say_passed_over, visits, with_interval};
use crate::command::{beside, print_json, print_table};
use crate::failure::{Failure, read_text};

/// Seasons.
#[derive(Args)]
pub struct Arguments {
    /// A season, in order of time: NAME=FROM..TO (days, with --store) or NAME=FILE.csv (histories). Twice or oftener.
    #[arg(long = "season", value_name = "NAME=…", required = true)]
    seasons: Vec<String>,
    /// Take the visits of this store.
    #[arg(long, value_name = "DIR", requires = "maker")]
    store: Option<PathBuf>,
    /// Which animal, such as lutra_lutra.
    #[arg(long, requires = "store")]
    maker: Option<String>,
    /// Write a plot: FILE.svg or FILE.png.
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    let named: Vec<(&str, &str)> = arguments.seasons.iter().map(|given| name_and(given)).collect::<Result<_, _>>()?;
    if named.len() < 2 {
        return Err(Failure::input("one season shows no change: give --season twice or oftener"));
    }
    if let Some((name, _)) =
        named.iter().enumerate().find_map(|(i, s)| named[..i].iter().any(|o| o.0 == s.0).then_some(s))
    {
        return Err(Failure::input(format!("the season {name:?} is there twice: give each its own name")));
    }
    let (seasons, passed_over) = match (&arguments.store, &arguments.maker) {
        (Some(dir), Some(maker)) => {
            let (seasons, passed_over) = of_store(dir, &maker_id(maker, words)?, &named, words)?;
            (seasons, Some(passed_over))
        }
        _ => (named.iter().map(|(name, file)| of_file(name, file)).collect::<Result<_, _>>()?, None),
    };
    let change = change::change(seasons).map_err(Failure::input)?;
    if let Some(path) = &arguments.plot {
        let svg = draw::plot(&draw::of_change(&change, words), change.level, words);
        beside::draw(path, &svg.map_err(|e| Failure::Machine(e.to_string()))?, words)?;
    }
    if arguments.json {
        let mut document = change.document(words);
        if let Some(passed_over) = passed_over {
            document["passed_over"] = json!(passed_over);
        }
        print_json(&document);
        return Ok(());
    }
    say(&change, words);
    say_passed_over(&passed_over.unwrap_or_default(), words);
    Ok(())
}

fn name_and(given: &str) -> Result<(&str, &str), Failure> {
    let parts = given.split_once('=').filter(|(name, rest)| !name.trim().is_empty() && !rest.trim().is_empty());
    let (name, rest) = parts.ok_or_else(|| {
        Failure::input(format!(
            "--season {given:?} isn't NAME=FROM..TO or NAME=FILE.csv, such as 2026=2026-10-01..2026-12-31"
        ))
    })?;
    Ok((name.trim(), rest.trim()))
}

fn of_file(name: &str, file: &str) -> Result<Season, Failure> {
    if span(file).is_some() {
        return Err(Failure::input(format!(
            "the season {name:?} is given by days: say with --store and --maker of what"
        )));
    }
    let histories =
        Histories::from_csv(&read_text(Path::new(file))?).map_err(|e| Failure::input(format!("{file}: {e}")))?;
    Ok(Season { name: name.into(), histories, months: None })
}

fn span(text: &str) -> Option<(NaiveDate, NaiveDate)> {
    let (from, to) = text.split_once("..")?;
    Some((from.trim().parse().ok()?, to.trim().parse().ok()?))
}

fn of_store(
    dir: &Path,
    maker: &str,
    named: &[(&str, &str)],
    words: &Words,
) -> Result<(Vec<Season>, Vec<PassedOver>), Failure> {
    let days = |(name, days): &(&str, &str)| match span(days) {
        Some((from, to)) if from <= to => Ok(Days { name: (*name).into(), from, to }),
        Some((from, to)) => Err(Failure::input(format!("the season {name:?} ends on {to} before it begins on {from}"))),
        None => Err(Failure::input(format!("the season {name:?} of a store needs two days, FROM..TO, not {days:?}"))),
    };
    let given: Vec<Days> = named.iter().map(days).collect::<Result<_, _>>()?;
    of_store::seasons(&visits(dir)?, maker, &given, words).ok_or_else(|| {
        Failure::input(
            "the seasons have no month in common, and marking changes through the year: compare the same months of each year",
        )
    })
}

fn say(change: &Change, words: &Words) {
    let row = |fitted: &change::Fitted| {
        let histories = &fitted.season.histories;
        let visited = histories.places_visited();
        let naive = words.number(histories.found_at() as f64 / visited.max(1) as f64, 3);
        let psi = fitted.fit.estimate().map(|e| with_interval(e.psi(0).value, e.psi_profile(), words));
        let not_told = || words.say("analyse.drawn.not_told").to_owned();
        [fitted.season.name.clone(), visited.to_string(), naive, psi.unwrap_or_else(not_told)]
    };
    let heads = ["analyse.change.season", "analyse.change.places", "analyse.change.naive", "analyse.occupancy.psi"];
    let rows: Vec<[String; 4]> = change.seasons.iter().map(row).collect();
    print_table(&heads.map(|key| words.say(key).to_owned()), &rows);
    println!();
    for step in &change.steps {
        println!("{}", change.say(step, words));
        step.say_common(words).iter().for_each(|line| println!("  {line}"));
    }
    for fitted in &change.seasons {
        for warning in &fitted.fit.warnings {
            println!("· {}: {}", fitted.season.name, warning.say(words));
        }
    }
    change.notes(words).iter().for_each(|note| println!("{note}"));
}
