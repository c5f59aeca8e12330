//! `rakelight analyse absence`: what visits without a find mean.

use std::path::PathBuf;

use clap::Args;
use rakelight_core::analysis::{draw, of_store};
use rakelight_core::survey::{Chance, Detection};
use rakelight_core::words::Words;
use serde_json::{Value, json};

use super::{FromStore, with_interval};
use crate::command::{beside, print_json, print_table};
use crate::failure::Failure;

/// A detection probability, and visits.
#[derive(Args)]
pub struct Arguments {
    /// How likely one visit finds sign where the animal lives; none is assumed.
    #[arg(long, value_name = "P", allow_hyphen_values = true)]
    p: f64,
    /// Its standard uncertainty, such as se_p of `analyse occupancy`.
    #[arg(long, value_name = "U", allow_hyphen_values = true)]
    u_p: Option<f64>,
    /// Who found it, for which animal, country and season; or your team's own analysis.
    #[arg(long, value_name = "TEXT")]
    p_source: String,
    /// How likely the place is occupied before anybody looked; for the chance that it still is.
    #[arg(long, value_name = "PSI", allow_hyphen_values = true)]
    psi: Option<f64>,
    /// Visits without a find.
    #[arg(long, value_name = "N", default_value_t = 1, conflicts_with = "store")]
    visits: u32,
    #[command(flatten)]
    from_store: FromStore,
    /// What chance of a miss is small enough.
    #[arg(long, value_name = "ALPHA", default_value_t = 0.05, allow_hyphen_values = true)]
    alpha: f64,
    /// Write the chance of a find by the number of visits: FILE.svg or FILE.png.
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

/// A place, and its visits without a find since the last one that found it.
struct Line {
    place: Option<String>,
    visits: u32,
    missed: Chance,
    occupied: Option<Chance>,
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    let detection = Detection::new(arguments.p, arguments.u_p, &arguments.p_source).map_err(Failure::input)?;
    let visits_until = detection.visits_until(arguments.alpha).map_err(Failure::input)?;
    let until_unoccupied = arguments.psi.map(|psi| detection.visits_until_unoccupied(psi, arguments.alpha));
    let until_unoccupied = until_unoccupied.transpose().map_err(Failure::input)?;
    let lines: Vec<Line> = visits(arguments, words)?
        .into_iter()
        .map(|(place, visits)| {
            let occupied = arguments.psi.map(|psi| detection.occupied_after(psi, visits));
            let occupied = occupied.transpose().map_err(Failure::input)?;
            Ok(Line { place, visits, missed: detection.missed(visits), occupied })
        })
        .collect::<Result<_, Failure>>()?;
    if let Some(path) = &arguments.plot {
        let svg = draw::effort(&detection, arguments.alpha, words).map_err(|e| Failure::Machine(e.to_string()))?;
        beside::draw(path, &svg, words)?;
    }
    if arguments.json {
        let line = |line: &Line| json!({ "place": line.place, "visits": line.visits, "missed": line.missed, "occupied": line.occupied });
        print_json(&json!({
            "detection": detection, "alpha": arguments.alpha, "visits_until": visits_until, "visits_until_unoccupied": until_unoccupied,
            "places": lines.iter().map(line).collect::<Vec<Value>>(), "notes": [words.say("analyse.absence.assumptions")],
        }));
        return Ok(());
    }
    let chance = |chance: &Chance| with_interval(chance.chance, chance.interval_95, words);
    let rows: Vec<[String; 4]> = lines
        .iter()
        .map(|line| {
            let occupied = line.occupied.as_ref().map_or_else(String::new, chance);
            [line.place.clone().unwrap_or_default(), line.visits.to_string(), chance(&line.missed), occupied]
        })
        .collect();
    let heads = ["place", "visits", "missed", "occupied"];
    print_table(&heads.map(|head| words.say(&format!("analyse.absence.{head}")).to_owned()), &rows);
    let alpha = words.number(100.0 * arguments.alpha, 0);
    let slots = [("n", &*visits_until.to_string()), ("alpha", &*alpha), ("source", detection.source())];
    println!("\n{}", words.fill("analyse.absence.until", &slots));
    if let Some(n) = until_unoccupied {
        println!("{}", words.fill("analyse.absence.until_unoccupied", &[("n", &n.to_string()), ("alpha", &alpha)]));
    }
    println!("{}", words.say("analyse.absence.assumptions"));
    Ok(())
}

/// As given, or each place of a store whose last visit found nothing, with how many did so since the last find.
fn visits(arguments: &Arguments, words: &Words) -> Result<Vec<(Option<String>, u32)>, Failure> {
    let Some(of) = arguments.from_store.read(words)? else { return Ok(vec![(None, arguments.visits)]) };
    let gathered = of_store::histories(&of.visits, &of.maker, &of.span, words);
    super::say_passed_over(&gathered.passed_over, words);
    let since_found = |visits: &[Option<bool>]| visits.iter().flatten().rev().take_while(|found| !**found).count();
    let places =
        gathered.histories.places().iter().map(|place| (Some(place.name.clone()), since_found(&place.visits) as u32));
    Ok(places.filter(|(_, visits)| *visits > 0).collect())
}
