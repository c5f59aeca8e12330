//! `rakelight trail`: prints in a row.

use std::path::PathBuf;

use clap::Args;
use rakelight_core::trail::{self, TrailPrints};
use rakelight_core::words::Words;

use super::beside::{self, Beside};
use super::print_json;
use crate::failure::{Failure, read_text};

/// The prints of a trail.
#[derive(Args)]
pub struct Arguments {
    /// Prints along a tape as JSON, or `-`.
    trail: PathBuf,
    /// Write a plan view: FILE.svg or FILE.png.
    #[arg(long)]
    draw: Option<PathBuf>,
    #[command(flatten)]
    beside: Beside,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    let in_file = |what: &dyn std::fmt::Display| Failure::input(format!("{}: {what}", arguments.trail.display()));
    let prints: TrailPrints = serde_json::from_str(&read_text(&arguments.trail)?).map_err(|e| in_file(&e))?;
    let reading = trail::read(&prints).map_err(|e| in_file(&e))?;
    if let Some(path) = &arguments.draw {
        beside::draw(path, &trail::draw(&reading, words), words)?;
    }
    let answers = arguments.beside.answers(&reading, words)?;
    if arguments.json {
        print_json(&answers.json(&reading));
        return Ok(());
    }
    for pattern in reading.patterns.iter().filter(|pattern| pattern.probability >= 0.01) {
        println!("{:<32} {:>4} %", words.say(pattern.name.key()), words.number(100.0 * pattern.probability, 0));
    }
    let measures = [
        ("trail.stride", reading.stride_mm()),
        ("trail.group_length", reading.group_length_mm()),
        ("trail.gap", reading.gap_mm()),
        ("trail.straddle", reading.straddle_mm()),
    ];
    for (key, mm) in measures.into_iter().filter_map(|(key, measure)| Some((key, measure?))) {
        let measure = format!("{} mm ±{}", words.number(mm.value, 0), words.number(mm.half_width_95(), 0));
        println!("{}", words.fill(key, &[("measure", &measure)]));
    }
    answers.print(&reading, words);
    Ok(())
}
