//! What one store has that another lacks, and how it gets there. No transport of its own: whoever carries it implements [`Transport`] (one HTTP request), or it
//! goes by a [folder](FolderPeer) on a stick.
//!
//! First what is new there comes here, then what is new here goes there, entries before photographs. A cut at any moment loses nothing: what was taken is on the
//! disk, and the next exchange goes on from there.

mod bases;
pub mod digests;
mod folder;
mod http;
mod invitation;
pub mod wire;
mod with_base;

#[cfg(test)]
mod tests;

use std::collections::BTreeSet;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use serde::Serialize;

pub use bases::Base;
pub use folder::FolderPeer;
pub use http::{HttpPeer, Request, Response, Transport, TransportError};
pub use invitation::Invitation;
pub use with_base::{Meant, exchange_with_base};

use crate::store::{Admission, Heads, Store, StoreError};
use wire::{Accepted, Refused};

/// The other side.
pub trait Peer {
    /// What it has.
    fn heads(&mut self) -> Result<Heads, ExchangeError>;
    /// Entries that these heads lack, as they travel; empty where it has none such.
    fn lacking(&mut self, heads: &Heads) -> Result<Vec<u8>, ExchangeError>;
    /// Hands entries over.
    fn take(&mut self, sequence: &[u8]) -> Result<Accepted, ExchangeError>;
    /// Photographs that it wants, at most some hundreds at a time.
    fn wanted(&mut self) -> Result<Vec<String>, ExchangeError>;
    /// Hands a photograph over.
    fn put_photo(&mut self, sha256: &str, file: &Path, going: &mut Going) -> Result<(), ExchangeError>;
    /// Gets a photograph into a file, going on where an earlier try was cut off; says whether it has it.
    fn get_photo(&mut self, sha256: &str, file: &Path, going: &mut Going) -> Result<bool, ExchangeError>;
}

/// What an exchange brought.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
pub struct Exchanged {
    /// Entries that are new here.
    pub entries_in: usize,
    /// Entries that are new there.
    pub entries_out: usize,
    /// Photographs that are new here.
    pub photographs_in: usize,
    /// Photographs that are new there.
    pub photographs_out: usize,
    /// Photographs that entries here speak of and that neither side has.
    pub photographs_missing: usize,
    /// What either side couldn't take.
    pub refused: Vec<Refused>,
    /// Photographs that couldn't be handed over, and why: the other side doesn't take them, or they are damaged here.
    pub photographs_refused: Vec<(String, String)>,
    /// Devices whose log was written on in two places: both are kept, somebody should know.
    pub forked: Vec<String>,
}

/// How far it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Step {
    /// Entries come.
    EntriesIn,
    /// Entries go.
    EntriesOut,
    /// Photographs come.
    PhotographsIn,
    /// Photographs go.
    PhotographsOut,
}

/// Progress of one step: entries, or bytes of photographs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Progress {
    /// Which step.
    pub step: Step,
    /// How much of it is done; only ever grows within a step.
    pub done: u64,
}

/// Hears how far it is; says whether to go on.
pub type Going<'g> = dyn FnMut(Progress) -> ControlFlow<()> + 'g;

/// What is exchanged beside entries and the other side's wanted photographs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Photographs {
    /// All that are wanted here come: for a base, or a copy of it.
    Both,
    /// Only the other side's: a phone keeps its own pictures.
    OutOnly,
}

/// Why an exchange ended before its end. What was taken until then stays.
#[derive(Debug, thiserror::Error)]
pub enum ExchangeError {
    /// The store here.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// It can't be reached, or the connection was cut.
    #[error("{address}: {detail}; nothing is lost, exchange again when it can be reached")]
    Unreachable {
        /// Whom.
        address: String,
        /// What the system said.
        detail: String,
    },
    /// Whoever answers there isn't the base.
    #[error(
        "{address}: another certificate answers there than the one of the invitation, so nothing was sent: it is another base, or someone stands between; ask whoever runs the base"
    )]
    OtherCertificate {
        /// Whom.
        address: String,
    },
    /// The device isn't a member of the base.
    #[error(
        "the store in {dir} hasn't joined a base at {address}: give an invitation (rakelight:join?…) the first time; at the base, `rakelight invite` makes one"
    )]
    NotJoined {
        /// Whom.
        address: String,
        /// The store's folder.
        dir: PathBuf,
    },
    /// The other side says no.
    #[error("{address} refuses ({status}): {detail}")]
    Refused {
        /// Who.
        address: String,
        /// The HTTP status.
        status: u16,
        /// In its words.
        detail: String,
    },
    /// The other side speaks another version of the exchange.
    #[error("{address} speaks version {theirs} of the exchange, this program {ours}; bring the older one up to date")]
    OtherProtocol {
        /// Who.
        address: String,
        /// Its version.
        theirs: u32,
        /// This one's.
        ours: u32,
    },
    /// What it said can't be understood.
    #[error("{address} answered {request} with something else than it should ({detail}); is it a Rakelight base?")]
    NotUnderstood {
        /// Who.
        address: String,
        /// What was asked.
        request: String,
        /// What is wrong with the answer.
        detail: String,
    },
    /// A file of the carrier.
    #[error("{path}: {source}; check that the folder is there and can be written, and that it has space")]
    Carrier {
        /// Which file or folder.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// Somebody stopped it.
    #[error("stopped; what was exchanged until then is kept, and the next exchange goes on from there")]
    Stopped,
}

/// Exchanges with another side until neither has anything for the other. `admission` says whose entries are taken here.
///
/// # Errors
/// See [`ExchangeError`].
pub fn exchange(
    store: &mut Store,
    peer: &mut dyn Peer,
    photographs: Photographs,
    admission: &dyn Fn(&str) -> Admission,
    going: &mut Going,
) -> Result<Exchanged, ExchangeError> {
    let mut done = Exchanged::default();
    // A fork shows only once both sides have had their say; then there is something left for a second time round.
    for _ in 0..3 {
        let before = done.entries_in + done.entries_out;
        entries_in(store, peer, admission, &mut done, going)?;
        entries_out(store, peer, &mut done, going)?;
        if done.entries_in + done.entries_out == before {
            break;
        }
    }
    done.refused.sort_by(|a, b| (&a.device, a.number, a.reason).cmp(&(&b.device, b.number, b.reason)));
    done.refused.dedup();
    photographs_out(store, peer, &mut done, going)?;
    if photographs == Photographs::Both {
        photographs_in(store, peer, &mut done, going)?;
    }
    done.forked = store.forks()?;
    Ok(done)
}

fn go_on(going: &mut Going, step: Step, done: u64) -> Result<(), ExchangeError> {
    match going(Progress { step, done }) {
        ControlFlow::Continue(()) => Ok(()),
        ControlFlow::Break(()) => Err(ExchangeError::Stopped),
    }
}

fn entries_in(
    store: &mut Store,
    peer: &mut dyn Peer,
    admission: &dyn Fn(&str) -> Admission,
    done: &mut Exchanged,
    going: &mut Going,
) -> Result<(), ExchangeError> {
    let mut heads = store.heads()?;
    loop {
        go_on(going, Step::EntriesIn, done.entries_in as u64)?;
        let sequence = peer.lacking(&heads)?;
        if sequence.is_empty() {
            return Ok(());
        }
        let accepted = store.accept(&sequence, admission)?;
        done.entries_in += accepted.taken;
        let mut moved = has_moved(&mut heads, &accepted);
        if !accepted.refused.is_empty() {
            moved |= pass_over_refused(&mut heads, &accepted, &peer.heads()?);
        }
        done.refused.extend(accepted.refused);
        if !moved {
            return Ok(());
        }
    }
}

fn entries_out(
    store: &Store,
    peer: &mut dyn Peer,
    done: &mut Exchanged,
    going: &mut Going,
) -> Result<(), ExchangeError> {
    let mut heads = peer.heads()?;
    loop {
        go_on(going, Step::EntriesOut, done.entries_out as u64)?;
        let sequence = store.lacking(&heads, wire::ENTRIES_BYTES / 2)?;
        if sequence.is_empty() {
            return Ok(());
        }
        let accepted = peer.take(&sequence)?;
        done.entries_out += accepted.taken;
        let mut moved = has_moved(&mut heads, &accepted);
        if !accepted.refused.is_empty() {
            moved |= pass_over_refused(&mut heads, &accepted, &store.heads()?);
        }
        done.refused.extend(accepted.refused);
        if !moved {
            return Ok(());
        }
    }
}

/// Learns what the receiver has now; whether that is more than before.
fn has_moved(heads: &mut Heads, accepted: &Accepted) -> bool {
    let before = heads.clone();
    heads.learn(accepted);
    *heads != before
}

/// A log that the receiver doesn't take is offered once: for the rest of this exchange it counts as had.
fn pass_over_refused(heads: &mut Heads, accepted: &Accepted, offered: &Heads) -> bool {
    let refused: BTreeSet<&String> = accepted.refused.iter().filter_map(|refused| refused.device.as_ref()).collect();
    let mut moved = false;
    for device in refused {
        let Some(tips) = offered.logs.get(device) else { continue };
        moved |= heads.logs.insert(device.clone(), tips.clone()).as_ref() != Some(tips);
    }
    moved
}

fn photographs_out(
    store: &Store,
    peer: &mut dyn Peer,
    done: &mut Exchanged,
    going: &mut Going,
) -> Result<(), ExchangeError> {
    let mut tried = BTreeSet::new();
    let mut bytes = 0;
    loop {
        let wanted = peer.wanted()?;
        let fresh: Vec<String> = wanted.into_iter().filter(|sha256| tried.insert(sha256.clone())).collect();
        if fresh.is_empty() {
            return Ok(());
        }
        for sha256 in fresh {
            go_on(going, Step::PhotographsOut, bytes)?;
            let Some(file) = store.photo_path(&sha256)?.filter(|file| file.is_file()) else { continue };
            let before = bytes;
            let sent = peer.put_photo(&sha256, &file, &mut |progress| {
                going(Progress { done: before + progress.done, ..progress })
            });
            match sent {
                Ok(()) => done.photographs_out += 1,
                Err(ExchangeError::Refused { detail, .. }) => done.photographs_refused.push((sha256, detail)),
                Err(e) => return Err(e),
            }
            bytes += file.metadata().map_or(0, |about| about.len());
        }
    }
}

fn photographs_in(
    store: &mut Store,
    peer: &mut dyn Peer,
    done: &mut Exchanged,
    going: &mut Going,
) -> Result<(), ExchangeError> {
    let arriving = store.arriving_folder()?;
    let mut bytes = 0;
    for sha256 in store.wanted_photos(usize::MAX)? {
        go_on(going, Step::PhotographsIn, bytes)?;
        let file = arriving.join(&sha256);
        let before = bytes;
        let mut on = |progress: Progress| going(Progress { done: before + progress.done, ..progress });
        if !peer.get_photo(&sha256, &file, &mut on)? {
            done.photographs_missing += 1;
            continue;
        }
        bytes += file.metadata().map_or(0, |about| about.len());
        let arrived = store.take_photo(&sha256, &file)?;
        if arrived {
            done.photographs_in += 1;
        } else {
            done.photographs_refused.push((sha256, "it came damaged; exchange again".into()));
        }
    }
    Ok(())
}
