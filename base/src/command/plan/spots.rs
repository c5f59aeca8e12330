//! `rakelight plan spots`: where to look first.

use std::path::PathBuf;

use clap::Args;
use rakelight_core::plan::{Reason, Spot, spots};
use rakelight_core::survey::SpotPlanned;
use rakelight_core::words::Words;
use serde_json::json;

use crate::command::{print_json, print_table};
use crate::failure::{self, Failure};

/// The place.
#[derive(Args)]
pub struct Arguments {
    /// GeoJSON or GPX with the stretch as a line, and what lies along it: points (kind bridge, confluence, weir, emergent_rock, raised_ground, log,
    /// fresh_water, known, given), other waters and ways as lines (kind water, way).
    map: PathBuf,
    /// Print JSON.
    #[arg(long)]
    json: bool,
    /// Print them as `spots` of a season's [[place]].
    #[arg(long, conflicts_with = "json")]
    toml: bool,
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    let in_file = |error| Failure::input(format!("{}: {error}", arguments.map.display()));
    let found = spots(&failure::read(&arguments.map)?).map_err(in_file)?;
    if arguments.json {
        let mut document = json!(found);
        let texts = found.spots.iter().map(|spot| json!(why(spot, words)));
        for (json, text) in document["spots"].as_array_mut().into_iter().flatten().zip(texts) {
            json["why"] = text;
        }
        document["notes"] = json!([words.say("plan.spots_caution")]);
        print_json(&document);
        return Ok(());
    }
    if arguments.toml {
        let spots =
            toml::Value::try_from(planned(&found.spots)).map_err(|error| Failure::Machine(error.to_string()))?;
        println!("spots = {spots}");
        return Ok(());
    }
    let heads = ["rank", "along", "off", "name", "why"].map(|head| words.say(&format!("plan.head.{head}")).to_owned());
    let row = |spot: &Spot| {
        let [along, off] = [spot.along_m, spot.off_m].map(|m| format!("{} m", words.number(m, 0)));
        [spot.rank.to_string(), along, off, spot.name.clone().unwrap_or_default(), why(spot, words)]
    };
    print_table(&heads, &found.spots.iter().map(row).collect::<Vec<_>>());
    for left_out in &found.left_out {
        let kind = words.say(&format!("plan.spot.{}", left_out.kind)).to_owned();
        let name = left_out.name.clone().unwrap_or(kind);
        println!("{}", words.fill("plan.spot_left_out", &[("name", &name), ("off", &words.number(left_out.off_m, 0))]));
    }
    println!("\n{}", words.say("plan.spots_caution"));
    Ok(())
}

/// As a season's plan has them.
fn planned(spots: &[Spot]) -> Vec<SpotPlanned> {
    let why = |spot: &Spot| spot.reasons.iter().map(|reason| reason.kind.clone()).collect();
    spots.iter().map(|spot| SpotPlanned { at: [spot.lat, spot.lon], name: spot.name.clone(), why: why(spot) }).collect()
}

/// What is there, in words; what was worked out from lines is said to be.
fn why(spot: &Spot, words: &Words) -> String {
    let reason = |reason: &Reason| {
        let kind = words.say(&format!("plan.spot.{}", reason.kind)).to_owned();
        if reason.from_lines { words.fill("plan.spot_from_lines", &[("kind", &kind)]) } else { kind }
    };
    spot.reasons.iter().map(reason).collect::<Vec<_>>().join(", ")
}
