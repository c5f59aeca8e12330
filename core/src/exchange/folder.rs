//! A folder on a memory stick as the other side: it takes everything, forgets nothing and asks no questions.
//!
//! | in the folder | what |
//! |---|---|
//! | `rakelight/entries/DEVICE/FIRST-LAST-PREVIOUS-HEAD.cbor` | a piece of a device's log as it travels: its numbers, the first 16 digits of the digest before it, the digest it ends with |
//! | `rakelight/photographs/ab/SHA256` | photographs |
//!
//! A piece counts if there is a way to it from the first number. One that is torn is put aside when it is read (`.damaged`), so that the next store
//! that comes by writes it again. Nothing in the folder is encrypted.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use super::wire::Accepted;
use super::{ExchangeError, Going, Peer, Progress, Step, go_on};
use crate::store::files;
use crate::store::packet::{Packet, read_sequence};
use crate::store::{Heads, Store, Tip};

/// A folder that stores exchange by.
pub struct FolderPeer {
    entries: PathBuf,
    photographs: PathBuf,
    /// The store on this side, to see what of the folder's is there already.
    store: Store,
    /// What was offered in this exchange is not offered again.
    offered: BTreeSet<PathBuf>,
    damaged: Vec<PathBuf>,
}

/// A piece of a log, as its file's name says it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
struct Piece {
    first: u64,
    last: u64,
    previous: String,
    head: String,
}

const PREVIOUS_DIGITS: usize = 16;

impl Piece {
    fn of_name(name: &str) -> Option<Self> {
        let parts: Vec<&str> = name.strip_suffix(".cbor")?.split('-').collect();
        let [first, last, previous, head] = parts[..] else { return None };
        let digits = |text: &str, count: usize| {
            text.len() == count && text.bytes().all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b))
        };
        let piece =
            Self { first: first.parse().ok()?, last: last.parse().ok()?, previous: previous.into(), head: head.into() };
        (piece.first <= piece.last && digits(previous, PREVIOUS_DIGITS) && digits(head, 64)).then_some(piece)
    }

    fn of_packets(packets: &[Packet]) -> Option<Self> {
        let (first, last) = (packets.first()?, packets.last()?);
        let number = |packet: &Packet| packet.header.number.unsigned_abs();
        let previous = hex::encode(first.header.previous)[..PREVIOUS_DIGITS].to_owned();
        Some(Self { first: number(first), last: number(last), previous, head: hex::encode(last.digest) })
    }

    fn name(&self) -> String {
        format!("{}-{}-{}-{}.cbor", self.first, self.last, self.previous, self.head)
    }

    /// Whether this one goes on where `before` ends, or leaves it on its way, as the branch of a forked log does.
    fn follows(&self, before: &Self) -> bool {
        let on = self.first == before.last + 1 && before.head.starts_with(&self.previous);
        on || (before.first < self.first && self.first <= before.last)
    }
}

impl FolderPeer {
    /// By the folder `carrier`, for the store in `store`. The folder must be there; what is needed in it is made.
    ///
    /// # Errors
    /// The folder isn't there or can't be written, or the store can't be opened.
    pub fn open(carrier: &Path, store: &Path) -> Result<Self, ExchangeError> {
        if !carrier.is_dir() {
            return Err(failed(carrier)(io::ErrorKind::NotFound.into()));
        }
        let inside = carrier.join("rakelight");
        let (entries, photographs) = (inside.join("entries"), inside.join("photographs"));
        for folder in [&inside, &entries, &photographs] {
            files::ensure_folder(folder).map_err(failed(folder))?;
        }
        let (offered, damaged) = (BTreeSet::new(), Vec::new());
        Ok(Self { entries, photographs, store: Store::open(store)?, offered, damaged })
    }

    /// Pieces that were torn and put aside.
    pub fn damaged(&self) -> &[PathBuf] {
        &self.damaged
    }

    /// The pieces of each log to which there is a way, in order.
    fn pieces(&self) -> Result<BTreeMap<String, Vec<Piece>>, ExchangeError> {
        let mut logs = BTreeMap::new();
        for device in names_in(&self.entries)? {
            if device.len() != 64 || hex::decode(&device).is_err() {
                continue;
            }
            let names = names_in(&self.entries.join(&device))?;
            let mut pieces: Vec<Piece> = names.iter().filter_map(|name| Piece::of_name(name)).collect();
            pieces.sort();
            let mut reached: Vec<Piece> = Vec::new();
            for piece in pieces {
                if piece.first == 1 || reached.iter().any(|before| piece.follows(before)) {
                    reached.push(piece);
                }
            }
            logs.insert(device, reached);
        }
        Ok(logs)
    }

    /// A piece's bytes; `None` where it isn't what its name says.
    fn read(&mut self, file: &Path, piece: &Piece) -> Result<Option<Vec<u8>>, ExchangeError> {
        let bytes = fs::read(file).map_err(failed(file))?;
        let packets: Result<Vec<Packet>, _> = read_sequence(&bytes).into_iter().collect();
        if packets.ok().and_then(|packets| Piece::of_packets(&packets)).as_ref() == Some(piece) {
            return Ok(Some(bytes));
        }
        let aside = file.with_extension("cbor.damaged");
        fs::rename(file, &aside).map_err(failed(file))?;
        self.damaged.push(aside);
        Ok(None)
    }

    fn photo(&self, sha256: &str) -> PathBuf {
        self.photographs.join(&sha256[..2.min(sha256.len())]).join(sha256)
    }
}

impl Peer for FolderPeer {
    fn heads(&mut self) -> Result<Heads, ExchangeError> {
        let tip = |piece: &Piece| Tip { number: piece.last, digest: piece.head.clone() };
        let logs = self.pieces()?.into_iter().map(|(device, pieces)| (device, pieces.iter().map(tip).collect()));
        Ok(Heads { logs: logs.collect(), hollow: vec![] })
    }

    fn lacking(&mut self, heads: &Heads) -> Result<Vec<u8>, ExchangeError> {
        for (device, pieces) in self.pieces()? {
            for piece in pieces {
                let passed_over =
                    heads.logs.get(&device).is_some_and(|tips| tips.iter().any(|tip| tip.digest == piece.head));
                let file = self.entries.join(&device).join(piece.name());
                if passed_over
                    || self.store.has(&device, piece.last, &piece.head)?
                    || !self.offered.insert(file.clone())
                {
                    continue;
                }
                match self.read(&file, &piece)? {
                    Some(bytes) => return Ok(bytes),
                    // What follows from it can't be reached any more.
                    None => break,
                }
            }
        }
        Ok(vec![])
    }

    fn take(&mut self, sequence: &[u8]) -> Result<Accepted, ExchangeError> {
        let mut accepted = Accepted::default();
        let packets: Vec<Packet> = read_sequence(sequence).into_iter().flatten().collect();
        for run in packets.chunk_by(|before, after| after.header.previous == before.digest) {
            let Some(piece) = Piece::of_packets(run) else { continue };
            let device = hex::encode(run[0].header.device);
            let folder = self.entries.join(&device);
            files::ensure_folder(&folder).map_err(failed(&folder))?;
            let mut bytes = Vec::new();
            run.iter().for_each(|packet| packet.write(&mut bytes));
            let file = folder.join(piece.name());
            files::write_whole(&file, |out| io::Write::write_all(out, &bytes)).map_err(failed(&file))?;
            self.offered.insert(file);
            accepted.taken += run.len();
            accepted.reached.insert(device, Tip { number: piece.last, digest: piece.head });
        }
        Ok(accepted)
    }

    fn wanted(&mut self) -> Result<Vec<String>, ExchangeError> {
        let mut wanted = self.store.photos()?;
        wanted.retain(|sha256| !self.photo(sha256).is_file());
        Ok(wanted)
    }

    fn put_photo(&mut self, sha256: &str, file: &Path, going: &mut Going) -> Result<(), ExchangeError> {
        let target = self.photo(sha256);
        if let Some(folder) = target.parent() {
            files::ensure_folder(folder).map_err(failed(folder))?;
        }
        let mut photo = fs::File::open(file).map_err(failed(file))?;
        let (digest, bytes) =
            files::write_whole(&target, |out| files::copy_digested(&mut photo, out)).map_err(failed(&target))?;
        if hex::encode(digest) != sha256 {
            fs::remove_file(&target).map_err(failed(&target))?;
            let detail = "it is damaged in the store; `rakelight store verify` says more".to_owned();
            return Err(ExchangeError::Refused { address: self.photographs.display().to_string(), status: 0, detail });
        }
        go_on(going, Step::PhotographsOut, bytes)
    }

    fn get_photo(&mut self, sha256: &str, file: &Path, going: &mut Going) -> Result<bool, ExchangeError> {
        let source = self.photo(sha256);
        match fs::copy(&source, file) {
            Ok(bytes) => going(Progress { step: Step::PhotographsIn, done: bytes })
                .is_continue()
                .then_some(true)
                .ok_or(ExchangeError::Stopped),
            Err(e) if e.kind() == io::ErrorKind::NotFound && !source.is_file() => Ok(false),
            Err(e) => Err(failed(file)(e)),
        }
    }
}

fn names_in(folder: &Path) -> Result<Vec<String>, ExchangeError> {
    let mut names = Vec::new();
    let entries = match fs::read_dir(folder) {
        Ok(entries) => entries,
        // A file of somebody else's where a log's folder would be.
        Err(e) if e.kind() == io::ErrorKind::NotADirectory => return Ok(names),
        Err(e) => return Err(failed(folder)(e)),
    };
    for entry in entries {
        names.extend(entry.map_err(failed(folder))?.file_name().into_string());
    }
    names.sort();
    Ok(names)
}

fn failed(path: &Path) -> impl Fn(io::Error) -> ExchangeError {
    let path = path.to_owned();
    move |source| ExchangeError::Carrier { path: path.clone(), source }
}
