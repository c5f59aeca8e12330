//! A visit's records as entries, and back.

use chrono::{DateTime, Utc};
use serde_json::{Value, json};

use super::{Appended, Draft, Entry, Store, StoreError};
use crate::survey::{PlaceGiven, Record, SeasonPlan, Visit};

/// What is planned stands among the visits under this and the season's name.
pub(super) const SEASON: &str = "season/";
/// The text that comes after all that begin so.
pub(super) const AFTER_SEASONS: &str = "season0";

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

    /// All visits whose head is here.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn all_visits(&self) -> Result<Vec<Visit>, StoreError> {
        self.visits()?.iter().filter_map(|id| self.visit(id).transpose()).collect()
    }

    /// Appends what is planned for a season and isn't there already, the same, and takes back what was given and isn't any more, which is returned too.
    ///
    /// # Errors
    /// As [`Store::append`].
    pub fn write_season(
        &mut self,
        name: &str,
        author: &str,
        plan: &SeasonPlan,
        now: DateTime<Utc>,
    ) -> Result<(Appended, Vec<PlaceGiven>), StoreError> {
        let taken_back = plan.taken_back(&self.season(name)?);
        let records: Vec<Record> =
            plan.records().into_iter().chain(taken_back.iter().cloned().map(Record::PlaceGiven)).collect();
        Ok((self.write_records(&format!("{SEASON}{name}"), author, &records, now)?, taken_back))
    }

    /// What is planned for a season; nothing where there is none of that name.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn season(&self, name: &str) -> Result<SeasonPlan, StoreError> {
        Ok(SeasonPlan::assemble(self.current_of(&format!("{SEASON}{name}"))?.iter().filter_map(record)))
    }

    /// The names of the seasons that something is planned for.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn seasons(&self) -> Result<Vec<String>, StoreError> {
        let sql = "SELECT substr(visit, length(?1) + 1) FROM visits WHERE visit > ?1 AND visit < ?2 ORDER BY visit";
        self.query(sql, [SEASON, AFTER_SEASONS], |row| row.get(0))
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
