//! The commands, one a file.

mod card;
mod measure;

use clap::Subcommand;
use rakelight_core::words::Words;
use serde_json::Value;

use crate::failure::Failure;

/// What can be done.
#[derive(Subcommand)]
pub enum Command {
    /// Write the scale card to print, at true size.
    Card(card::Arguments),
    /// Measure prints and distances in a photograph.
    Measure(measure::Arguments),
}

/// Does it, in this language.
pub fn run(command: Command, lang: &str) -> Result<(), Failure> {
    let words = Words::load(lang).map_err(Failure::input)?;
    match command {
        Command::Card(arguments) => card::run(&arguments, &words),
        Command::Measure(arguments) => measure::run(&arguments, &words),
    }
}

/// Prints one JSON document.
fn print_json(document: &Value) {
    println!("{document:#}");
}
