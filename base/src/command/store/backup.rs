//! `rakelight store backup` and `restore`.

use std::path::{Path, PathBuf};

use clap::Args;
use rakelight_core::store::{self, Lock, Store, Unlock};
use rakelight_core::words::Words;
use serde_json::json;

use super::{print_json, show_verified, store_failure};
use crate::failure::{Failure, read_text};

/// Where a passphrase is looked for that no file gives; never among the arguments, which other users of the machine can see.
const PASSPHRASE: &str = "RAKELIGHT_PASSPHRASE";

#[derive(Args)]
pub struct BackupArguments {
    /// The store's folder.
    dir: PathBuf,
    /// The file to write; one that is there is replaced.
    file: PathBuf,
    /// Who can open it: an age recipient, age1…; may be given several times.
    #[arg(long, value_name = "RECIPIENT", conflicts_with = "passphrase_file")]
    to: Vec<String>,
    /// A file whose first line is the passphrase; else it is taken from RAKELIGHT_PASSPHRASE.
    #[arg(long, value_name = "FILE")]
    passphrase_file: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

#[derive(Args)]
pub struct RestoreArguments {
    /// The backup.
    file: PathBuf,
    /// The folder to make; it must be empty or not there yet.
    dir: PathBuf,
    /// An age identity file, AGE-SECRET-KEY-1…
    #[arg(long, value_name = "FILE", conflicts_with = "passphrase_file")]
    identity: Option<PathBuf>,
    /// A file whose first line is the passphrase; else it is taken from RAKELIGHT_PASSPHRASE.
    #[arg(long, value_name = "FILE")]
    passphrase_file: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

pub fn backup(arguments: &BackupArguments, words: &Words) -> Result<(), Failure> {
    let lock = match &arguments.to[..] {
        [] => Lock::with_passphrase(&passphrase(arguments.passphrase_file.as_deref(), "--to age1…")?),
        recipients => Lock::for_recipients(recipients),
    };
    let store = Store::open(&arguments.dir).map_err(store_failure)?;
    let made = lock.and_then(|lock| store.backup(&arguments.file, &lock)).map_err(store_failure)?;
    if arguments.json {
        print_json(&json!(made));
        return Ok(());
    }
    let megabytes = words.number(made.bytes as f64 / 1e6, 1);
    let file = arguments.file.display().to_string();
    let values = [("file", &*file), ("photos", &made.photographs.to_string()), ("megabytes", &megabytes)];
    println!("{}", words.fill("store.backed_up", &values));
    Ok(())
}

pub fn restore(arguments: &RestoreArguments, words: &Words) -> Result<(), Failure> {
    let unlock = match &arguments.identity {
        Some(file) => Unlock::with_identities(&read_text(file)?),
        None => Unlock::with_passphrase(&passphrase(arguments.passphrase_file.as_deref(), "--identity FILE")?),
    };
    let verified = unlock.and_then(|unlock| store::restore(&arguments.file, &unlock, &arguments.dir));
    let verified = verified.map_err(store_failure)?;
    if !arguments.json {
        println!("{}", words.fill("store.restored", &[("dir", &arguments.dir.display().to_string())]));
    }
    show_verified(&verified, arguments.json, words);
    Ok(())
}

/// The first line of the file, or what the environment has; `instead` is what else could have been given.
fn passphrase(file: Option<&Path>, instead: &str) -> Result<String, Failure> {
    if let Some(file) = file {
        return Ok(read_text(file)?.lines().next().unwrap_or_default().to_owned());
    }
    std::env::var(PASSPHRASE).map_err(|_| {
        Failure::input(format!("no key for the backup: give --passphrase-file FILE or {instead}, or set {PASSPHRASE}"))
    })
}
