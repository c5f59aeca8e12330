//! `rakelight plan draw`: places by lot.

use std::path::PathBuf;

use clap::Args;
use rakelight_core::survey::{Candidate, Draw, PlacePlanned, Protocol, SeasonPlan, Square, draw};
use rakelight_core::words::Words;
use serde_json::json;

use crate::command::print_json;
use crate::failure::{self, Failure, read_text};

/// From which places, by which protocol.
#[derive(Args)]
pub struct Arguments {
    /// Places that may be drawn: CSV with columns id, name, lat, lon, or GeoJSON points; or `-`.
    places: PathBuf,
    /// The draw's number: whoever draws from the same places with it gets the same ones. Choose it before you look.
    #[arg(long, value_name = "N")]
    number: u64,
    /// A built-in protocol (one_bank_600, both_banks_300, repeat_visits), or a file of the team's own (TOML).
    #[arg(long, value_name = "ID|FILE", default_value = "one_bank_600")]
    protocol: String,
    /// Write a season's plan to fill in with people, dates and permissions (TOML), for `plan hand-out`.
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    let in_file = |error| Failure::input(format!("{}: {error}", arguments.places.display()));
    let protocol = protocol(&arguments.protocol)?;
    let candidates = Candidate::read(&read_text(&arguments.places)?).map_err(in_file)?;
    let drawn = draw(&candidates, protocol.places.rule, arguments.number).map_err(in_file)?;
    if let Some(path) = &arguments.out {
        let plan = toml::to_string(&plan(&drawn, &protocol)).map_err(|e| Failure::Machine(e.to_string()))?;
        failure::write(path, format!("# {}\n\n{plan}", words.say("plan.season_file")))?;
    }
    if arguments.json {
        let mut document = json!(drawn);
        document["protocol"] = json!(protocol.id);
        print_json(&document);
        return Ok(());
    }
    for square in &drawn.squares {
        let numbers = [square.drawn.len(), square.candidates].map(|n| n.to_string());
        println!(
            "{}",
            words.fill("plan.square", &[("cell", &square.cell), ("drawn", &numbers[0]), ("of", &numbers[1])])
        );
        for place in &square.drawn {
            let name = place.place.name.as_deref().unwrap_or_default();
            println!("  {:<12} {:.5}, {:.5}  {name}", place.place.id, place.place.lat, place.place.lon);
        }
        if square.missing > 0 {
            println!("  {}", words.count("plan.missing", square.missing));
        }
        if !square.next.is_empty() {
            println!("  {}", words.fill("plan.next", &[("ids", &square.next.join(", "))]));
        }
    }
    Ok(())
}

/// A built-in protocol, or a team's own.
fn protocol(id: &str) -> Result<Protocol, Failure> {
    let path = PathBuf::from(id);
    if !path.exists() {
        return Protocol::named(id).map_err(Failure::input);
    }
    Protocol::from_toml(&read_text(&path)?).map_err(|error| Failure::input(format!("{}: {error}", path.display())))
}

fn plan(draw: &Draw, protocol: &Protocol) -> SeasonPlan {
    let squares = draw.squares.iter().flat_map(|square| square.drawn.iter().map(move |drawn| (square, &drawn.place)));
    let place = |(square, place): (&Square, &Candidate)| PlacePlanned {
        name: place.name.clone().unwrap_or_else(|| place.id.clone()),
        at: [place.lat, place.lon],
        stretch: vec![],
        spots: vec![],
        protocol: Some(protocol.id.clone()),
        cell: Some(square.cell.clone()),
        draw: Some(draw.number),
        landowner: None,
        permission: None,
    };
    SeasonPlan { places: squares.map(place).collect(), given: vec![] }
}
