//! A visit's records as entries, and back.

use chrono::{DateTime, Utc};
use serde_json::{Value, json};

use super::{Appended, Draft, Entry, Store, StoreError};
use crate::survey::{Record, Visit};

impl Store {
    /// Appends those of a visit's records that the store hasn't already, the same.
    ///
    /// # Errors
    /// As [`Store::append`].
    pub fn write_visit(&mut self, visit: &Visit, now: DateTime<Utc>) -> Result<Appended, StoreError> {
        self.write_records(&visit.id, visit.author(), &visit.records(), now)
    }

    /// Appends records of a visit that `author` says; those that the store has already, the same, stay as they are.
    ///
    /// # Errors
    /// As [`Store::append`].
    pub fn write_records(
        &mut self,
        visit: &str,
        author: &str,
        records: &[Record],
        now: DateTime<Utc>,
    ) -> Result<Appended, StoreError> {
        let drafts: Vec<Draft> = records.iter().filter_map(|record| draft(record, visit, author)).collect();
        self.append(&drafts, now)
    }

    /// A visit as its newest records have it, corrected and without what was withdrawn; `None` where the store has no head of it. Kinds of records that this program
    /// doesn't know, and records that were erased, are passed over.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn visit(&self, id: &str) -> Result<Option<Visit>, StoreError> {
        Ok(Visit::assemble(self.current_of(id)?.iter().filter_map(record)))
    }
}

/// A record is serialised as `{"kind": …, "payload": …}`.
fn draft(record: &Record, visit: &str, author: &str) -> Option<Draft> {
    let mut tagged = serde_json::to_value(record).ok()?;
    let kind = tagged["kind"].as_str()?.to_owned();
    let payload: Value = tagged["payload"].take();
    Some(Draft { kind, visit: visit.into(), subject: record.subject(), author: author.into(), payload })
}

fn record(entry: &Entry) -> Option<Record> {
    serde_json::from_value(json!({ "kind": entry.kind, "payload": entry.value()? })).ok()
}
