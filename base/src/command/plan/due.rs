//! `rakelight plan hand-out` and `plan due`: who goes where, and how far it is.

use std::path::PathBuf;

use chrono::{NaiveDate, Utc};
use clap::Args;
use rakelight_core::store::Store;
use rakelight_core::survey::{SeasonPlan, Task, walks};
use rakelight_core::words::Words;
use serde_json::json;

use crate::command::visit::store_failure;
use crate::command::{print_json, print_table};
use crate::failure::{Failure, read_text};

/// The plan, and into which store.
#[derive(Args)]
pub struct HandOutArguments {
    /// The season's plan (TOML: [[place]] and [[given]]), as `plan draw --out` begins it; or `-`.
    plan: PathBuf,
    /// The store's folder.
    #[arg(long, value_name = "DIR")]
    store: PathBuf,
    /// The season's name, such as 2026-autumn. It can't be erased later, so let it name nobody.
    #[arg(long, value_name = "NAME", value_parser = season_name)]
    season: String,
    /// Who hands it out.
    #[arg(long, value_name = "NAME")]
    author: String,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

/// Of which season.
#[derive(Args)]
pub struct Arguments {
    /// The store's folder.
    #[arg(long, value_name = "DIR")]
    store: PathBuf,
    /// The season's name.
    #[arg(long, value_name = "NAME", value_parser = season_name)]
    season: String,
    /// Only what this person has.
    #[arg(long, value_name = "NAME")]
    person: Option<String>,
    /// As of this date; today where it isn't given.
    #[arg(long, value_name = "DATE")]
    on: Option<NaiveDate>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

/// A name that can stand in an identifier.
fn season_name(text: &str) -> Result<String, String> {
    let fine = |c: char| c.is_alphanumeric() || "-_. ".contains(c);
    if text.trim().is_empty() || text.chars().count() > 60 || !text.chars().all(fine) {
        return Err("a season's name has letters, digits, blanks, - _ and . only, 60 at most".into());
    }
    Ok(text.trim().into())
}

pub fn hand_out(arguments: &HandOutArguments, words: &Words) -> Result<(), Failure> {
    let in_file = |error| Failure::input(format!("{}: {error}", arguments.plan.display()));
    let plan = SeasonPlan::from_toml(&read_text(&arguments.plan)?).map_err(in_file)?;
    let mut store = Store::open(&arguments.store).map_err(store_failure)?;
    let (written, taken_back) =
        store.write_season(&arguments.season, &arguments.author, &plan, Utc::now()).map_err(store_failure)?;
    if arguments.json {
        print_json(
            &json!({ "season": arguments.season, "places": plan.places.len(), "given": plan.given.len(), "taken_back": taken_back.len(), "new": written.added }),
        );
        return Ok(());
    }
    for given in &taken_back {
        println!("{}", words.fill("plan.taken_back", &[("place", &given.place), ("from", &given.from.to_string())]));
    }
    let numbers = [plan.places.len(), plan.given.len(), written.added].map(|n| n.to_string());
    let slots = [("places", &*numbers[0]), ("given", &*numbers[1]), ("new", &*numbers[2])];
    println!("{}", words.fill("plan.handed_out", &slots));
    Ok(())
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    let store = Store::open(&arguments.store).map_err(store_failure)?;
    let plan = store.season(&arguments.season).map_err(store_failure)?;
    if plan.places.is_empty() {
        let known = store.seasons().map_err(store_failure)?.join(", ");
        return Err(Failure::input(format!("nothing is planned for {:?}; there are: {known}", arguments.season)));
    }
    let visits = store.all_visits().map_err(store_failure)?;
    let today = arguments.on.unwrap_or_else(|| Utc::now().date_naive());
    let tasks = plan.tasks(&walks(&visits), today, arguments.person.as_deref());
    let free: Vec<&str> = plan
        .places
        .iter()
        .filter(|place| !plan.given.iter().any(|given| plan.place(&given.place) == Some(place)))
        .map(|place| place.name.as_str())
        .collect();
    if arguments.json {
        print_json(
            &json!({ "season": arguments.season, "on": today, "tasks": tasks, "places": plan.places, "not_given": free }),
        );
        return Ok(());
    }
    let heads = ["place", "people", "from", "to", "state", "land"]
        .map(|head| words.say(&format!("plan.head.{head}")).to_owned());
    let row = |task: &Task| {
        let Task { given, .. } = task;
        [
            given.place.clone(),
            given.people.join(", "),
            given.from.to_string(),
            given.until.to_string(),
            words.say(task.state.key()).to_owned(),
            words.say(task.may_enter.key()).to_owned(),
        ]
    };
    print_table(&heads, &tasks.iter().map(row).collect::<Vec<_>>());
    if !free.is_empty() {
        println!("{}", words.fill("plan.not_given", &[("places", &free.join(", "))]));
    }
    Ok(())
}
