//! `rakelight analyse animals`.

use std::path::PathBuf;

use clap::Args;
use rakelight_core::analysis::animals::{self, NightRange};
use rakelight_core::analysis::of_store;
use rakelight_core::words::Words;

use super::{FromStore, nothing_given};
use crate::command::print_json;
use crate::failure::{Failure, read_text};

/// Signs.
#[derive(Args)]
pub struct Arguments {
    /// CSV of signs (columns in ANALYSING.md), or `-`.
    #[arg(conflicts_with = "store")]
    file: Option<PathBuf>,
    #[command(flatten)]
    from_store: FromStore,
    /// What one animal doesn't cover in a night, in a straight line, m; only with its source.
    #[arg(long, value_name = "M", requires = "night_range_source")]
    night_range_m: Option<f64>,
    /// Where that is from.
    #[arg(long, value_name = "TEXT", requires = "night_range_m")]
    night_range_source: Option<String>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    let range = arguments.range()?;
    let (signs, named) = match (arguments.from_store.read(words)?, &arguments.file) {
        (Some(of), _) => (of_store::signs(&of.visits, &of.maker, &of.span), String::new()),
        (None, Some(file)) => {
            let named = format!("{}: ", file.display());
            let signs = animals::from_csv(&read_text(file)?).map_err(|e| Failure::input(format!("{named}{e}")))?;
            (signs, named)
        }
        (None, None) => return Err(nothing_given("a file of signs")),
    };
    let bound = animals::at_least(&signs, range.as_ref()).map_err(|e| Failure::input(format!("{named}{e}")))?;
    if arguments.json {
        print_json(&bound.document(&signs, range.as_ref(), words));
        return Ok(());
    }
    match bound.set.len() {
        0 => println!("{}", words.say("analyse.animals.none")),
        n => println!("{}", words.count("analyse.animals.at_least", n)),
    }
    if bound.set.len() > 1 {
        println!("{}", words.say("analyse.animals.set"));
        bound.set.iter().for_each(|sign| println!("  {}", signs[*sign].id));
    }
    for pair in bound.reasons() {
        println!("· {}", bound.say(pair, &signs, range.as_ref(), words));
    }
    bound.notes(range.as_ref(), words).iter().for_each(|note| println!("{note}"));
    Ok(())
}

impl Arguments {
    fn range(&self) -> Result<Option<NightRange>, Failure> {
        let (Some(m), Some(source)) = (self.night_range_m, &self.night_range_source) else { return Ok(None) };
        if !(m > 0.0 && m.is_finite()) {
            return Err(Failure::input(format!("--night-range-m {m} isn't a distance in metres above zero")));
        }
        if source.trim().is_empty() {
            return Err(Failure::input("--night-range-source is empty: say where the distance is from"));
        }
        Ok(Some(NightRange { m, source: source.trim().into() }))
    }
}
