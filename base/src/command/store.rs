//! `rakelight store …`: looking after a store.

mod backup;
mod erase;

use std::path::{Path, PathBuf};

use clap::Subcommand;
use rakelight_core::store::{Store, Verified};
use rakelight_core::words::Words;
use serde_json::json;

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
    /// Write the whole store into one encrypted file (age), also while others use it.
    Backup(backup::BackupArguments),
    /// Make a store again from a backup, in a new folder.
    Restore(backup::RestoreArguments),
    /// Erase what one entry says, here and in other stores when they next exchange.
    Erase(erase::Arguments),
    /// Build the tables for reading again from the entries.
    Rebuild {
        /// The store's folder.
        dir: PathBuf,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
}

pub fn run(action: &Action, words: &Words) -> Result<(), Failure> {
    match action {
        Action::Verify { dir, json } => {
            let verified = Store::open(dir).and_then(|store| store.verify()).map_err(store_failure)?;
            show_verified(&verified, *json, words);
            Ok(())
        }
        Action::Backup(arguments) => backup::backup(arguments, words),
        Action::Restore(arguments) => backup::restore(arguments, words),
        Action::Erase(arguments) => erase::run(arguments, words),
        Action::Rebuild { dir, json } => rebuild(dir, *json, words),
    }
}

fn rebuild(dir: &Path, json: bool, words: &Words) -> Result<(), Failure> {
    let mut store = Store::open(dir).map_err(store_failure)?;
    store.rebuild().map_err(store_failure)?;
    let entries = store.entry_count().map_err(store_failure)?;
    if json {
        print_json(&json!({ "entries": entries }));
    } else {
        println!("{}", words.fill("store.rebuilt", &[("entries", &entries.to_string())]));
    }
    Ok(())
}

fn show_verified(verified: &Verified, json: bool, words: &Words) {
    if json {
        print_json(&json!(verified));
        return;
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
}
