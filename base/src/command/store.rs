//! `rakelight store …`: looking after a store.

use std::path::PathBuf;

use clap::Subcommand;
use rakelight_core::store::Store;
use rakelight_core::words::Words;

use super::{print_json, visit::store_failure};
use crate::failure::Failure;

/// What to do with a store.
#[derive(Subcommand)]
pub enum Action {
    /// Check chains, signatures, digests and photographs, and say exactly what is damaged.
    Verify {
        /// The store's folder.
        dir: PathBuf,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
}

pub fn run(action: &Action, words: &Words) -> Result<(), Failure> {
    let Action::Verify { dir, json } = action;
    let verified = Store::open(dir).and_then(|store| store.verify()).map_err(store_failure)?;
    if *json {
        print_json(&serde_json::json!(verified));
        return Ok(());
    }
    let counts =
        [("entries", verified.entries), ("photos", verified.photographs)].map(|(name, n)| (name, n.to_string()));
    println!("{}", words.fill("visit.verified", &[(counts[0].0, &counts[0].1), (counts[1].0, &counts[1].1)]));
    for damage in &verified.damage {
        println!("{}", damage.say(words));
    }
    if verified.damage.is_empty() {
        println!("{}", words.say("visit.sound"));
    }
    Ok(())
}
