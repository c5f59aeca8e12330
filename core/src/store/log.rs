//! Appending to this device's log, and erasing behind its digests.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use ed25519_dalek::SigningKey;
use rusqlite::{OptionalExtension, Transaction, params};
use serde::Serialize;
use serde_json::json;

use super::encoding::{Digest, Header, NO_PREVIOUS, Salt, salted, sign_head};
use super::insert::{Age, Inserting, erase_withdrawn};
use super::packet::{Body, NAME_BYTES, PAYLOAD_BYTES, Packet};
use super::read::id_of;
use super::{Draft, Failure, HybridTime, Store, StoreError, device};

/// What became of the drafts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct Appended {
    /// How many were written.
    pub added: usize,
    /// How many were there already, the same.
    pub unchanged: usize,
}

impl Store {
    /// Appends the drafts to this device's log, all or none, in their order; those whose newest entry of the same visit, kind and subject says
    /// the very same aren't written. `now` is what the physical clock shows; a clock set back doesn't set the log's time back.
    /// When this returns, the entries are on the disk.
    ///
    /// # Errors
    /// The store can't be written, or its key can't be used.
    pub fn append(&mut self, drafts: &[Draft], now: DateTime<Utc>) -> Result<Appended, StoreError> {
        self.write(|transaction, dir| append(transaction, dir, drafts, now.timestamp_millis()))
    }

    /// Erases salt, author and payload of one entry, here at once and in other stores at the next exchange: a withdrawal that names it is appended to this device's
    /// log, and holds where this device wrote the entry or is trusted. Header and digests stay, so the chain still verifies. Returns whether there was something to erase.
    ///
    /// # Errors
    /// `device` isn't a device id, the store can't be written, or another process still reads the bytes.
    pub fn erase(
        &mut self,
        device: &str,
        number: u64,
        why: &str,
        author: &str,
        now: DateTime<Utc>,
    ) -> Result<bool, StoreError> {
        let id = id_of(device)?;
        let erased = self.write(|transaction, dir| {
            let sql = "SELECT visit, kind, subject FROM entries WHERE device = ?1 AND number = ?2 AND salt IS NOT NULL AND kind <> ?3 LIMIT 1";
            let of = |row: &rusqlite::Row| Ok((row.get::<_, String>(0)?, row.get::<_, String>(1)?, row.get::<_, String>(2)?));
            let number = i64::try_from(number).unwrap_or(i64::MAX);
            let Some((visit, kind, subject)) =
                transaction.query_row(sql, params![id, number, super::kind::WITHDRAWAL], of).optional()?
            else {
                return Ok(false);
            };
            let withdrawal = Draft {
                kind: super::kind::WITHDRAWAL.into(),
                visit,
                subject: format!("{device}/{number}"),
                author: author.into(),
                payload: json!({"of_kind": kind, "of_subject": subject, "why": why, "erased": [[device, number]]}),
            };
            append(transaction, dir, &[withdrawal], now.timestamp_millis())?;
            let own = device::id_of_key(dir)?.map(|own| own.to_vec());
            let mine_to_erase = "INSERT OR IGNORE INTO trusted VALUES (?1)";
            transaction.execute(mine_to_erase, [own])?;
            erase_withdrawn(transaction, dir)?;
            Ok(true)
        })?;
        self.cut_write_ahead_log()?;
        Ok(erased)
    }

    /// The bytes are zeros in the database once the write-ahead log, which still holds them, is taken in and cut off.
    pub(super) fn cut_write_ahead_log(&mut self) -> Result<(), StoreError> {
        let truncate = |row: &rusqlite::Row| row.get::<_, i64>(0);
        match self.connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], truncate) {
            Ok(0) => Ok(()),
            Ok(_) => Err(StoreError::StillInLog { file: self.file() }),
            Err(e) => Err(self.failed(e)),
        }
    }
}

fn append(transaction: &Transaction, dir: &device::Folder, drafts: &[Draft], now_ms: i64) -> Result<Appended, Failure> {
    let mut newest = HashMap::new();
    let mut fresh = Vec::new();
    for draft in drafts {
        let payload = draft.payload.to_string();
        check_size(draft, &payload)?;
        let of_the_same = (&draft.visit, &draft.kind, &draft.subject);
        let before = match newest.remove(&of_the_same) {
            Some(payload) => Some(payload),
            None => newest_payload(transaction, draft)?,
        };
        if before.as_ref() != Some(&payload) {
            fresh.push((draft, payload.clone()));
        }
        newest.insert(of_the_same, payload);
    }
    let added = fresh.len();
    if added > 0 {
        let mut log = OwnLog::open(transaction, dir)?;
        let salts = device::salts(added)?;
        for (i, ((draft, payload), salt)) in fresh.into_iter().zip(salts).enumerate() {
            let signed = i + 1 == added || (i + 1) % SIGNED_EVERY == 0;
            log.push(draft, payload, salt, now_ms, signed)?;
        }
        log.end()?;
    }
    Ok(Appended { added, unchanged: drafts.len() - added })
}

/// What no other store would take isn't written.
fn check_size(draft: &Draft, payload: &str) -> Result<(), StoreError> {
    let names = [("kind", &draft.kind), ("visit", &draft.visit), ("subject", &draft.subject)];
    let too_large = |what: &str, bytes, limit| StoreError::TooLarge {
        what: what.to_owned(),
        kind: draft.kind.clone(),
        bytes,
        limit,
    };
    if let Some((what, name)) = names.into_iter().find(|(_, name)| name.len() > NAME_BYTES) {
        return Err(too_large(what, name.len(), NAME_BYTES));
    }
    match payload.len() + draft.author.len() {
        bytes if bytes > PAYLOAD_BYTES => Err(too_large("payload", bytes, PAYLOAD_BYTES)),
        _ => Ok(()),
    }
}

/// The payload of the newest entry that says something of the same, from any device.
fn newest_payload(transaction: &Transaction, draft: &Draft) -> rusqlite::Result<Option<String>> {
    let sql = "SELECT payload FROM newest CROSS JOIN entries ON id = entry WHERE newest.visit = ?1 AND newest.kind = ?2 AND newest.subject = ?3";
    let mut query = transaction.prepare_cached(sql)?;
    let newest = query.query_row([&draft.visit, &draft.kind, &draft.subject], |row| row.get(0)).optional()?;
    Ok(newest.flatten())
}

/// A batch is signed at its head, and a long one on its way: another store can take it piece by piece.
const SIGNED_EVERY: usize = 256;

/// This device's log while a batch is written to it.
struct OwnLog<'t> {
    inserting: Inserting<'t>,
    key: SigningKey,
    before: Option<Tip>,
    number: i64,
    digest: Digest,
    time: HybridTime,
}

/// Where the log ended before.
type Tip = (i64, Digest);

impl<'t> OwnLog<'t> {
    fn open(transaction: &'t Transaction<'t>, dir: &device::Folder) -> Result<Self, Failure> {
        let key = device::key_of(dir)?;
        let mut query = transaction
            .prepare_cached("SELECT number, digest FROM heads WHERE device = ?1 ORDER BY number DESC LIMIT 1")?;
        let before: Option<Tip> =
            query.query_row([key.verifying_key().to_bytes()], |row| Ok((row.get(0)?, row.get(1)?))).optional()?;
        let (number, digest) = before.unwrap_or((0, NO_PREVIOUS));
        let inserting = Inserting::begin(transaction)?;
        Ok(Self { inserting, key, before, number, digest, time: newest_time(transaction)? })
    }

    fn push(&mut self, draft: &Draft, payload: String, salt: Salt, now_ms: i64, signed: bool) -> Result<(), Failure> {
        let header = Header {
            device: self.key.verifying_key().to_bytes(),
            number: self.number + 1,
            time: self.time.next(now_ms),
            kind: draft.kind.clone(),
            visit: draft.visit.clone(),
            subject: draft.subject.clone(),
            author_digest: salted(&salt, draft.author.as_bytes()),
            payload_digest: salted(&salt, payload.as_bytes()),
            previous: self.digest,
        };
        let digest = header.digest();
        let signature = signed.then(|| sign_head(&self.key, &digest));
        let body = Some(Body { salt, author: draft.author.clone(), payload });
        (self.number, self.digest, self.time) = (header.number, digest, header.time);
        Ok(self.inserting.entry(&Packet { header, digest, signature, body }, Age::Newest)?)
    }

    fn end(self) -> Result<(), Failure> {
        let device = self.key.verifying_key().to_bytes();
        self.inserting.head(&device, self.before.unwrap_or((0, NO_PREVIOUS)), (self.number, self.digest))?;
        Ok(self.inserting.end()?)
    }
}

/// The newest time in any log: an own entry comes after everything that is known here.
fn newest_time(transaction: &Transaction) -> rusqlite::Result<HybridTime> {
    // A cross join: SQLite then goes from the few heads to their entries, never the other way.
    let sql = "SELECT wall_ms, counter FROM heads CROSS JOIN entries USING (device, number, digest)
               ORDER BY wall_ms DESC, counter DESC LIMIT 1";
    let read = |row: &rusqlite::Row| Ok(HybridTime { wall_ms: row.get(0)?, counter: row.get(1)? });
    Ok(transaction.prepare_cached(sql)?.query_row([], read).optional()?.unwrap_or(HybridTime::START))
}
