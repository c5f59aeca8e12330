//! `rakelight analyse contents`.

use std::path::PathBuf;

use clap::Args;
use rakelight_core::analysis::contents::{self, Item};
use rakelight_core::analysis::of_store;
use rakelight_core::words::Words;

use super::{FromStore, nothing_given};
use crate::command::{print_json, print_table};
use crate::failure::{Failure, read_text};

/// Spraints.
#[derive(Args)]
pub struct Arguments {
    /// CSV with the column `contents`, a row for each spraint, names separated by `;` or blanks; or `-`.
    #[arg(conflicts_with = "store")]
    file: Option<PathBuf>,
    #[command(flatten)]
    from_store: FromStore,
    /// How often spraints are drawn anew, for the intervals of RF and rank.
    #[arg(long, value_name = "N", default_value_t = 2000, value_parser = clap::value_parser!(u32).range(100..=100_000))]
    bootstrap: u32,
    /// What the course of chance begins with.
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    seed: u64,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    let spraints = match (arguments.from_store.read(words)?, &arguments.file) {
        (Some(of), _) => of_store::spraints(&of.visits, &of.maker, &of.span),
        (None, Some(file)) => {
            contents::from_csv(&read_text(file)?).map_err(|e| Failure::input(format!("{}: {e}", file.display())))?
        }
        (None, None) => return Err(nothing_given("a file of contents")),
    };
    let said = contents::contents(&spraints, arguments.bootstrap as usize, arguments.seed);
    if arguments.json {
        print_json(&said.document(words));
        return Ok(());
    }
    println!("{}", words.fill("analyse.contents.counted", &[("n", &said.examined.to_string())]));
    let percent = |share: f64, [low, high]: [f64; 2]| {
        let number = |share: f64| words.number(100.0 * share, 0);
        format!("{} ({}–{})", number(share), number(low), number(high))
    };
    let row = |item: &Item| {
        let ranks = format!("{} ({}–{})", item.rank, item.ranks[0], item.ranks[1]);
        [
            item.say(words).to_owned(),
            item.spraints.to_string(),
            percent(item.occurrence, item.occurrence_interval),
            percent(item.relative, item.relative_interval),
            ranks,
        ]
    };
    let heads =
        ["item", "spraints", "fo", "rf", "ranks"].map(|key| words.say(&format!("analyse.contents.{key}")).to_owned());
    print_table(&heads, &said.items.iter().map(row).collect::<Vec<_>>());
    said.notes(words).iter().for_each(|note| println!("{note}"));
    Ok(())
}
