//! `rakelight identify`: who made it.

use std::path::PathBuf;

use clap::Args;
use rakelight_core::identify::{self, Evidence, Identification};
use rakelight_core::words::Words;

use super::facts::MoreFacts;
use super::print_json;
use crate::failure::{Failure, read_text};

/// The evidence.
#[derive(Args)]
pub struct Arguments {
    /// Evidence as JSON or TOML, or `-` for JSON on standard input.
    evidence: PathBuf,
    #[command(flatten)]
    more: MoreFacts,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    let text = read_text(&arguments.evidence)?;
    let is_toml = arguments.evidence.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("toml"));
    let in_file = |what: &dyn std::fmt::Display| Failure::input(format!("{}: {what}", arguments.evidence.display()));
    let evidence =
        if is_toml { Evidence::from_toml(&text) } else { Evidence::from_json(&text) }.map_err(|e| in_file(&e))?;
    let facts = arguments.more.read()?;
    let identification = identify::identify(&evidence, &facts, words).map_err(|e| in_file(&e))?;
    if arguments.json {
        print_json(&serde_json::json!(identification));
    } else {
        show(&identification, words);
    }
    Ok(())
}

fn show(identification: &Identification, words: &Words) {
    // Nothing is certain by a print.
    let percent = |p: f64| if p > 0.999 { format!("> {}", words.number(99.9, 1)) } else { words.number(100.0 * p, 1) };
    for candidate in identification.candidates.iter().take_while(|candidate| candidate.probability >= 0.001) {
        let [low, high] = candidate.band;
        println!(
            "{:<34} {:>5} %  ({}–{} %)",
            candidate.name,
            percent(candidate.probability),
            percent(low),
            percent(high)
        );
    }
    println!("\n{}\n{}", identification.rule, identification.prior);
    for reason in &identification.reasons {
        println!("· {}", reason.text);
    }
    for next in &identification.next {
        println!("→ {}", next.text);
    }
}
