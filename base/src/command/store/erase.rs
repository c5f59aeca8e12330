//! `rakelight store erase`: what one entry says is withdrawn and erased.

use std::path::PathBuf;

use chrono::DateTime;
use clap::Args;
use rakelight_core::store::{Entry, Store};
use rakelight_core::survey::utc_text;
use rakelight_core::words::Words;
use serde_json::json;

use super::{print_json, store_failure};
use crate::failure::Failure;

/// So many digits of a device's id are enough where they are unambiguous.
const PREFIX_DIGITS: usize = 8;

#[derive(Args)]
pub struct Arguments {
    /// The store's folder.
    dir: PathBuf,
    /// In whose log the entry is: the device's id, or its first digits (8 or more).
    device: String,
    /// The entry's number in that log.
    number: u64,
    /// Why; this stays readable, so it shouldn't repeat what is erased.
    #[arg(long)]
    why: String,
    /// Who withdraws it; this stays readable too.
    #[arg(long, default_value = "")]
    by: String,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    let mut store = Store::open(&arguments.dir).map_err(store_failure)?;
    let device = device(&store, &arguments.device)?;
    let entries = store.entries_at(&device, arguments.number).map_err(store_failure)?;
    if entries.is_empty() {
        let what = format!("the log of device {device} has no entry {} in this store", arguments.number);
        return Err(Failure::input(what));
    }
    let erased = store.erase(&device, arguments.number, &arguments.why, &arguments.by, chrono::Utc::now());
    let erased = erased.map_err(store_failure)?;
    if arguments.json {
        let entries: Vec<_> = entries.iter().map(|entry| json!({
            "device": entry.device, "number": entry.number, "kind": entry.kind, "visit": entry.visit, "subject": entry.subject, "time": time(entry),
        })).collect();
        print_json(&json!({ "erased": erased, "entries": entries }));
        return Ok(());
    }
    for entry in &entries {
        println!(
            "{}",
            words.fill(
                &format!("store.erase.{}", if erased { "entry" } else { "nothing" }),
                &[
                    ("number", &entry.number.to_string()),
                    ("device", &entry.device),
                    ("kind", &entry.kind),
                    ("subject", &entry.subject),
                    ("visit", &entry.visit),
                    ("time", &time(entry)),
                ]
            )
        );
    }
    if erased {
        ["stays", "elsewhere", "photographs"]
            .iter()
            .for_each(|key| println!("{}", words.say(&format!("store.erase.{key}"))));
    }
    Ok(())
}

/// The whole id of the one device that has a log here and whose id begins so.
fn device(store: &Store, given: &str) -> Result<String, Failure> {
    let given = given.to_ascii_lowercase();
    if given.len() < PREFIX_DIGITS || !given.bytes().all(|b| b.is_ascii_hexdigit()) {
        return Err(Failure::input(format!(
            "{given:?} isn't a device id or at least its first {PREFIX_DIGITS} hexadecimal digits"
        )));
    }
    let heads = store.heads().map_err(store_failure)?;
    let known: Vec<&String> = heads.logs.keys().filter(|device| device.starts_with(&given)).collect();
    match known[..] {
        [device] => Ok(device.clone()),
        [] => Err(Failure::input(format!("no device whose id begins with {given} has a log in this store"))),
        _ => Err(Failure::input(format!("{} devices have ids that begin with {given}; give more digits", known.len()))),
    }
}

fn time(entry: &Entry) -> String {
    DateTime::from_timestamp_millis(entry.time.wall_ms).map(utc_text).unwrap_or_default()
}
