//! The commands, one a file.

mod analyse;
mod beside;
mod card;
mod exchange;
mod export;
mod facts;
mod identify;
mod import;
mod invite;
mod lamps;
mod measure;
mod members;
mod place;
mod plan;
mod report;
mod serve;
mod store;
mod summary;
mod trail;
mod visit;

use std::io::Write;

use clap::Subcommand;
use rakelight_core::words::Words;
use serde_json::Value;

use crate::failure::Failure;

/// What can be done.
#[derive(Subcommand)]
pub enum Command {
    /// Say what many visits together show: occupancy, change, at least how many animals, contents of spraints.
    #[command(subcommand)]
    Analyse(analyse::Action),
    /// Write the scale card to print, at true size.
    Card(card::Arguments),
    /// Do the whole job on the invented visit that comes with the program.
    Demo(visit::DemoArguments),
    /// Exchange records and photographs with a base, or by a folder on a memory stick.
    Exchange(exchange::Arguments),
    /// Write records for others, in open formats: positions rounded, names and notes left out.
    Export(Box<export::Arguments>),
    /// Show what is held about the track makers, each number with its source.
    Facts(facts::Arguments),
    /// Say who made a sign, how sure that is and why.
    Identify(identify::Arguments),
    /// Bring in earlier records: a table of signs, a walk, stretches. What would be written is shown first.
    Import(Box<import::Arguments>),
    /// Invite someone into the team: a code for their device, as a picture.
    Invite(invite::Arguments),
    /// Measure prints and distances in a photograph.
    Measure(Box<measure::Arguments>),
    /// List the team's members, bar them, or give them another role.
    Members(members::Arguments),
    /// Say a position in grids, and as it leaves the house.
    Place(place::Arguments),
    /// Plan walks: sun, tide, times to go.
    #[command(subcommand)]
    Plan(plan::Action),
    /// Write a season's report for the team: places, effort, findings, map, methods.
    Report(report::Arguments),
    /// Run the base: devices that were invited exchange records and photographs with it.
    Serve(serve::Arguments),
    /// Look after a store.
    #[command(subcommand)]
    Store(store::Action),
    /// Write the landowner's page of a visit in a store, as HTML or PDF.
    Summary(summary::Arguments),
    /// Read prints in a row: pattern, groups, stride, straddle.
    Trail(trail::Arguments),
    /// Do the whole job on a folder of photographs.
    Visit(visit::Arguments),
}

/// Does it, in this language.
pub fn run(command: Command, lang: &str) -> Result<(), Failure> {
    let words = Words::load(lang).map_err(Failure::input)?;
    match command {
        Command::Analyse(action) => analyse::run(&action, &words),
        Command::Card(arguments) => card::run(&arguments, &words),
        Command::Demo(arguments) => visit::run_demo(&arguments, &words),
        Command::Exchange(arguments) => exchange::run(&arguments, &words),
        Command::Export(arguments) => export::run(&arguments, &words),
        Command::Facts(arguments) => facts::run(&arguments, &words),
        Command::Identify(arguments) => identify::run(&arguments, &words),
        Command::Import(arguments) => import::run(&arguments, &words),
        Command::Invite(arguments) => invite::run(&arguments, &words),
        Command::Measure(arguments) => measure::run(&arguments, &words),
        Command::Members(arguments) => members::run(&arguments, &words),
        Command::Place(arguments) => place::run(&arguments, &words),
        Command::Plan(action) => plan::run(&action, &words),
        Command::Report(arguments) => report::run(&arguments, &words),
        Command::Serve(arguments) => serve::run(&arguments, &words),
        Command::Store(action) => store::run(&action, &words),
        Command::Summary(arguments) => summary::run(&arguments, &words),
        Command::Trail(arguments) => trail::run(&arguments, &words),
        Command::Visit(arguments) => visit::run(&arguments, &words),
    }
}

/// Prints one JSON document. A reader that has seen enough and closes the pipe is no fault.
fn print_json(document: &Value) {
    _ = writeln!(std::io::stdout().lock(), "{document:#}");
}

/// Prints rows under their heads, each column as wide as it needs.
fn print_table<const N: usize>(heads: &[String; N], rows: &[[String; N]]) {
    let width = |i: usize| rows.iter().chain([heads]).map(|row| row[i].chars().count()).max().unwrap_or(0);
    let widths: [usize; N] = std::array::from_fn(width);
    let rule = widths.map(|width| "─".repeat(width));
    for row in [heads, &rule].into_iter().chain(rows) {
        let cells = row.iter().zip(widths).map(|(cell, width)| format!("{cell:<width$}"));
        println!("{}", cells.collect::<Vec<_>>().join("  ").trim_end());
    }
}
