//! Appending to this device's log, and erasing behind its digests.

use std::collections::HashMap;
use std::path::Path;

use chrono::{DateTime, Utc};
use ed25519_dalek::SigningKey;
use rusqlite::{OptionalExtension, Transaction, params};
use serde::Serialize;

use super::encoding::{Digest, Header, NO_PREVIOUS, salted, sign_head};
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

    /// Erases salt, author and payload of one entry here, for good; its header stays and the chain still verifies. Returns whether there
    /// was something to erase.
    ///
    /// # Errors
    /// `device` isn't a device id, the store can't be written, or another process still reads the bytes.
    pub fn erase(&mut self, device: &str, number: u64) -> Result<bool, StoreError> {
        let device = id_of(device)?;
        let number = i64::try_from(number).unwrap_or(i64::MAX);
        let erased = self.write(|transaction, _| {
            let sql = "UPDATE entries SET salt = NULL, author = NULL, payload = NULL
                       WHERE device = ?1 AND number = ?2 AND salt IS NOT NULL";
            Ok(transaction.execute(sql, params![device, number])? > 0)
        })?;
        // The bytes are zeros in the database once the write-ahead log, which still holds them, is taken in and cut off.
        let truncate = |row: &rusqlite::Row| row.get::<_, i64>(0);
        match self.connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], truncate) {
            Ok(0) => Ok(erased),
            Ok(_) => Err(StoreError::StillInLog { file: self.file() }),
            Err(e) => Err(self.failed(e)),
        }
    }
}

fn append(transaction: &Transaction, dir: &Path, drafts: &[Draft], now_ms: i64) -> Result<Appended, Failure> {
    let mut newest = HashMap::new();
    let mut fresh = Vec::new();
    for draft in drafts {
        let payload = draft.payload.to_string();
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
    if let Some(((last, last_payload), before)) = fresh.split_last() {
        let mut log = OwnLog::open(transaction, dir)?;
        for (draft, payload) in before {
            log.push(draft, payload, now_ms, Head::Later)?;
        }
        log.push(last, last_payload, now_ms, Head::Here)?;
    }
    Ok(Appended { added: fresh.len(), unchanged: drafts.len() - fresh.len() })
}

/// The payload of the newest entry that says something of the same, from any device.
fn newest_payload(transaction: &Transaction, draft: &Draft) -> rusqlite::Result<Option<String>> {
    let sql = "SELECT payload FROM signed_entries WHERE visit = ?1 AND kind = ?2 AND subject = ?3
               ORDER BY wall_ms DESC, counter DESC, device DESC LIMIT 1";
    let mut query = transaction.prepare_cached(sql)?;
    let newest = query.query_row([&draft.visit, &draft.kind, &draft.subject], |row| row.get(0)).optional()?;
    Ok(newest.flatten())
}

/// Whether an entry is the last of its batch, whose head is signed.
#[derive(PartialEq)]
enum Head {
    Here,
    Later,
}

/// This device's log while a batch is written to it.
struct OwnLog<'t> {
    transaction: &'t Transaction<'t>,
    key: SigningKey,
    number: i64,
    digest: Digest,
    time: HybridTime,
}

impl<'t> OwnLog<'t> {
    fn open(transaction: &'t Transaction<'t>, dir: &Path) -> Result<Self, Failure> {
        let key = device::key_of(dir)?;
        let sql = "SELECT number, digest FROM entries WHERE device = ?1 ORDER BY number DESC LIMIT 1";
        let last = transaction
            .query_row(sql, [key.verifying_key().to_bytes()], |row| Ok((row.get(0)?, row.get(1)?)))
            .optional()?;
        let (number, digest) = last.unwrap_or((0, NO_PREVIOUS));
        Ok(Self { transaction, key, number, digest, time: newest_time(transaction)? })
    }

    fn push(&mut self, draft: &Draft, payload: &str, now_ms: i64, head: Head) -> Result<(), Failure> {
        let salt = device::salt()?;
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
        let signature = (head == Head::Here).then(|| sign_head(&self.key, &digest));
        let sql = "INSERT INTO entries (device, number, wall_ms, counter, kind, visit, subject, author_digest, payload_digest,
                   previous, digest, signature, salt, author, payload)
                   VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15)";
        self.transaction.prepare_cached(sql)?.execute(params![
            header.device,
            header.number,
            header.time.wall_ms,
            header.time.counter,
            header.kind,
            header.visit,
            header.subject,
            header.author_digest,
            header.payload_digest,
            header.previous,
            digest,
            signature,
            salt,
            draft.author,
            payload,
        ])?;
        (self.number, self.digest, self.time) = (header.number, digest, header.time);
        Ok(())
    }
}

/// The newest time in any log: an own entry comes after everything that is known here.
fn newest_time(transaction: &Transaction) -> rusqlite::Result<HybridTime> {
    let sql = "SELECT wall_ms, counter FROM devices JOIN entries USING (device)
               WHERE number = (SELECT max(number) FROM entries AS last WHERE last.device = devices.device)
               ORDER BY wall_ms DESC, counter DESC LIMIT 1";
    let read = |row: &rusqlite::Row| Ok(HybridTime { wall_ms: row.get(0)?, counter: row.get(1)? });
    Ok(transaction.query_row(sql, [], read).optional()?.unwrap_or(HybridTime::START))
}
