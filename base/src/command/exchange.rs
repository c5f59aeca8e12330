//! `rakelight exchange`: with a base over the network, or by a folder on a stick.

use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use clap::Args;
use indicatif::{ProgressBar, ProgressStyle};
use rakelight_core::exchange::wire::Refused;
use rakelight_core::exchange::{
    self, ExchangeError, Exchanged, FolderPeer, Going, Invitation, Meant, Photographs, Progress, Step,
    exchange_with_base,
};
use rakelight_core::store::{Admission, Store};
use rakelight_core::words::Words;
use serde_json::json;

use super::{print_json, serve, visit::store_failure};
use crate::failure::Failure;
use crate::service;
use crate::transport::PinnedTransport;

/// With whom, and for which store.
#[derive(Args)]
pub struct Arguments {
    /// An invitation (rakelight:join?…) the first time, then the base's address (https://host:port); or a folder on a stick.
    #[arg(value_name = "INVITATION|URL|FOLDER")]
    with: String,
    /// The store on this side; it is made where it isn't there.
    #[arg(long, value_name = "DIR")]
    store: PathBuf,
    /// Hand photographs over, but get none.
    #[arg(long)]
    no_photographs_in: bool,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    let mut store = Store::open_or_create(&arguments.store).map_err(store_failure)?;
    let mut damaged = Vec::new();
    let with = arguments.with.as_str();
    let done = if with.starts_with("rakelight:") || with.starts_with("https://") {
        let meant = meant(with, &arguments.store)?;
        let transport = PinnedTransport::new(&meant.base.address, meant.base.certificate).map_err(Failure::input)?;
        exchange(arguments, words, |photographs, admission, going| {
            exchange_with_base(&mut store, &meant, &transport, photographs, admission, going)
        })?
    } else {
        let mut peer = FolderPeer::open(Path::new(with), &arguments.store).map_err(failure)?;
        let done = exchange(arguments, words, |photographs, admission, going| {
            exchange::exchange(&mut store, &mut peer, photographs, admission, going)
        })?;
        damaged = peer.damaged().to_vec();
        eprintln!("{}", words.say("exchange.stick_caution"));
        done
    };
    if arguments.json {
        let mut document = json!(done);
        document["damaged"] = json!(damaged);
        print_json(&document);
    } else {
        show(&done, &damaged, words);
    }
    Ok(())
}

/// The base of an invitation, or one that the store has joined.
fn meant(with: &str, store: &Path) -> Result<Meant, Failure> {
    if with.starts_with("rakelight:") {
        return with.parse().map(|invitation: Invitation| invitation.into()).map_err(Failure::BadInput);
    }
    Meant::joined(with, store).map_err(failure)
}

/// Does the exchange, and shows how far it is.
fn exchange(
    arguments: &Arguments,
    words: &Words,
    with: impl FnOnce(Photographs, &dyn Fn(&str) -> Admission, &mut Going) -> Result<Exchanged, ExchangeError>,
) -> Result<Exchanged, Failure> {
    let photographs = if arguments.no_photographs_in { Photographs::OutOnly } else { Photographs::Both };
    // Where the store is a base's, only the team's entries come in, whoever carries them.
    let admissions = service::admissions_of_base(&arguments.store).map_err(serve::failure)?;
    let admission = |device: &str| match &admissions {
        Some(admissions) => admissions.get(device).copied().unwrap_or(Admission::Unknown),
        None => Admission::Welcome,
    };
    let bar = ProgressBar::new_spinner();
    if let Ok(style) = ProgressStyle::with_template("{spinner} {wide_msg}") {
        bar.set_style(style);
    }
    let mut going = |Progress { step, done }: Progress| {
        let (key, amount) = match step {
            Step::EntriesIn => ("exchange.entries_in", done),
            Step::EntriesOut => ("exchange.entries_out", done),
            Step::PhotographsIn => ("exchange.photographs_in", done / 1_000),
            Step::PhotographsOut => ("exchange.photographs_out", done / 1_000),
        };
        bar.set_message(words.fill(key, &[("n", &amount.to_string())]));
        bar.tick();
        ControlFlow::Continue(())
    };
    let done = with(photographs, &admission, &mut going);
    bar.finish_and_clear();
    done.map_err(failure)
}

fn show(done: &Exchanged, damaged: &[PathBuf], words: &Words) {
    let counts = [
        ("entries_in", done.entries_in),
        ("entries_out", done.entries_out),
        ("photographs_in", done.photographs_in),
        ("photographs_out", done.photographs_out),
    ];
    let counts = counts.map(|(name, n)| (name, n.to_string()));
    let filled: Vec<(&str, &str)> = counts.iter().map(|(name, n)| (*name, n.as_str())).collect();
    println!("{}", words.fill("exchange.done", &filled));
    if done.photographs_missing > 0 {
        println!("{}", words.fill("exchange.missing", &[("n", &done.photographs_missing.to_string())]));
    }
    for refused in done.refused.chunk_by(|a, b| (&a.device, a.reason) == (&b.device, b.reason)) {
        show_refused(refused, words);
    }
    for (sha256, why) in &done.photographs_refused {
        println!("{}", words.fill("exchange.photograph_refused", &[("sha256", sha256), ("why", why)]));
    }
    for device in &done.forked {
        println!("{}", words.fill("exchange.forked", &[("device", device)]));
    }
    for file in damaged {
        println!("{}", words.fill("exchange.damaged", &[("file", &file.display().to_string())]));
    }
}

/// What of one log wasn't taken for one reason.
fn show_refused(refused: &[Refused], words: &Words) {
    let (Some(first), Some(last)) = (refused.first(), refused.last()) else { return };
    let reason = json!(first.reason);
    let number = |of: &Refused| of.number.map_or_else(|| "?".into(), |number| number.to_string());
    let filled = [
        ("n", &refused.len().to_string()),
        ("device", &first.device.clone().unwrap_or_else(|| "?".into())),
        ("from", &number(first)),
        ("to", &number(last)),
        ("reason", &words.say(&format!("exchange.refused_{}", reason.as_str().unwrap_or_default())).to_owned()),
    ];
    let key = words.plural("exchange.refused", refused.len());
    println!("{}", words.fill(&key, &filled.map(|(name, value)| (name, value.as_str()))));
}

/// A base that can't be reached and a disk are the machine's; who is refused has to act.
fn failure(error: ExchangeError) -> Failure {
    match error {
        ExchangeError::Store(error) => store_failure(error),
        ExchangeError::Refused { .. } | ExchangeError::OtherProtocol { .. } | ExchangeError::NotJoined { .. } => {
            Failure::input(error)
        }
        error => Failure::Machine(error.to_string()),
    }
}
