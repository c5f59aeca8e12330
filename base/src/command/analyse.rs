//! `rakelight analyse …`: what may be said of many visits together.

mod absence;
mod animals;
mod change;
mod contents;
mod occupancy;

use std::path::{Path, PathBuf};

use chrono::NaiveDate;
use clap::{Args, Subcommand};
use rakelight_core::analysis::of_store::{PassedOver, Span};
use rakelight_core::identify::Facts;
use rakelight_core::store::Store;
use rakelight_core::survey::Visit;
use rakelight_core::words::Words;

use super::facts::maker_of;
use super::visit::store_failure;
use crate::failure::Failure;

/// What to find out.
#[derive(Subcommand)]
pub enum Action {
    /// What visits without a find mean: how likely it is that it was missed, and how many more visits it takes.
    Absence(absence::Arguments),
    /// At how many places it is, given that a visit may miss it.
    Occupancy(occupancy::Arguments),
    /// Whether occupancy changed from season to season.
    Change(change::Arguments),
    /// At least how many animals left the signs.
    Animals(animals::Arguments),
    /// What spraints hold.
    Contents(contents::Arguments),
}

pub fn run(action: &Action, words: &Words) -> Result<(), Failure> {
    match action {
        Action::Absence(arguments) => absence::run(arguments, words),
        Action::Occupancy(arguments) => occupancy::run(arguments, words),
        Action::Change(arguments) => change::run(arguments, words),
        Action::Animals(arguments) => animals::run(arguments, words),
        Action::Contents(arguments) => contents::run(arguments, words),
    }
}

/// Visits of a store, in place of a table.
#[derive(Args)]
pub struct FromStore {
    /// Take the visits of this store.
    #[arg(long, value_name = "DIR", requires = "maker")]
    store: Option<PathBuf>,
    /// Which animal, such as lutra_lutra.
    #[arg(long, requires = "store")]
    maker: Option<String>,
    /// Visits from this day on (by the clock of the place).
    #[arg(long, value_name = "DATE", requires = "store")]
    from: Option<NaiveDate>,
    /// Visits up to this day, itself included.
    #[arg(long, value_name = "DATE", requires = "store")]
    to: Option<NaiveDate>,
}

/// A store's visits, the animal, and which of them count.
struct OfStore {
    visits: Vec<Visit>,
    maker: String,
    span: Span,
}

impl FromStore {
    /// `None` where no store was given.
    fn read(&self, words: &Words) -> Result<Option<OfStore>, Failure> {
        let (Some(dir), Some(maker)) = (&self.store, &self.maker) else { return Ok(None) };
        if let (Some(from), Some(to)) = (self.from, self.to)
            && from > to
        {
            return Err(Failure::input(format!("--from {from} is after --to {to}: exchange them")));
        }
        let span = Span { from: self.from, to: self.to, months: vec![] };
        Ok(Some(OfStore { visits: visits(dir)?, maker: maker_id(maker, words)?, span }))
    }
}

/// All visits of a store.
fn visits(dir: &Path) -> Result<Vec<Visit>, Failure> {
    Store::open(dir).and_then(|store| store.all_visits()).map_err(store_failure)
}

/// A track maker, or a group that can't be told apart.
fn maker_id(name: &str, words: &Words) -> Result<String, Failure> {
    if words.has(&format!("maker.{name}")) {
        return Ok(name.to_owned());
    }
    let facts = Facts::builtin().map_err(|e| Failure::Machine(e.to_string()))?;
    Ok(maker_of(facts, name, words)?.id.clone())
}

/// What must be given where neither a table nor a store was.
fn nothing_given(table: &str) -> Failure {
    Failure::input(format!("give {table}, or --store DIR with --maker"))
}

fn say_passed_over(passed_over: &[PassedOver], words: &Words) {
    if !passed_over.is_empty() {
        eprintln!("{}", words.say("analyse.passed_over_heading"));
    }
    for PassedOver { place, start, why, .. } in passed_over {
        let values = [("place", place.as_str()), ("start", start), ("why", words.say(why.key()))];
        eprintln!("  {}", words.fill("analyse.passed_over.line", &values));
    }
}

/// A value with its interval.
fn with_interval(value: f64, interval: Option<[f64; 2]>, words: &Words) -> String {
    let number = |value: f64| words.number(value, 3);
    match interval {
        Some([low, high]) => {
            let values = [("value", &*number(value)), ("low", &*number(low)), ("high", &*number(high))];
            words.fill("analyse.interval", &values)
        }
        None => number(value),
    }
}
