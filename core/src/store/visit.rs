//! A visit's records as entries, and back.

use chrono::{DateTime, Utc};
use serde_json::{Value, json};

use super::{Appended, Digest, Draft, Entry, Store, StoreError, kind};
use crate::survey::season::subject_of;
use crate::survey::{Check, Identified, Opinion, PlaceGiven, PlacePlanned, Record, SeasonPlan, Visit, was_there};

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

    /// A visit as its newest records have it, corrected, without what was withdrawn and without
    /// what those who were there say of their own signs by way of a check; `None` where the store has no head of it. Kinds of records that this program
    /// doesn't know, and records that were erased, are passed over.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn visit(&self, id: &str) -> Result<Option<Visit>, StoreError> {
        Ok(self.visit_and_opinions(id)?.map(|(visit, _)| visit))
    }

    /// A visit as in [`Store::visit`], with every check that was written of it, also by those who were there, and who said it.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn visit_and_opinions(&self, id: &str) -> Result<Option<(Visit, Vec<Opinion>)>, StoreError> {
        let read: Vec<(String, Record)> = self
            .current_of(id)?
            .into_iter()
            .filter_map(|entry| Some((entry.author.clone().unwrap_or_default(), record(&entry)?)))
            .collect();
        let opinions = read.iter().filter_map(|(by, record)| match record {
            Record::Check(check) => Some(Opinion { by: by.clone(), check: check.clone() }),
            _ => None,
        });
        let opinions: Vec<Opinion> = opinions.collect();
        let Some(mut visit) = Visit::assemble(read.into_iter().map(|(_, record)| record)) else { return Ok(None) };
        let Visit { opened, checks, .. } = &mut visit;
        let own = |check: &Check| {
            let of = opinions.iter().find(|opinion| (&opinion.check.sign, opinion.check.at) == (&check.sign, check.at));
            of.is_some_and(|opinion| was_there(&opened.people, &opinion.by))
        };
        checks.retain(|check| !own(check));
        Ok(Some((visit, opinions)))
    }

    /// A visit's way alone: its head, stretches, track and signs as in [`Store::visit`]. What was photographed, measured and identified, which is most
    /// of it, isn't read, so that this can be asked every few seconds.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn way(&self, id: &str) -> Result<Option<Visit>, StoreError> {
        self.part(id, "'visit_opened', 'stretch_walked', 'track_piece', 'sign_noted', 'correction', 'withdrawal'")
    }

    /// A visit's head alone, as in [`Store::visit`].
    ///
    /// # Errors
    /// The store can't be read.
    pub fn head(&self, id: &str) -> Result<Option<Visit>, StoreError> {
        self.part(id, "'visit_opened', 'correction', 'withdrawal'")
    }

    fn part(&self, id: &str, kinds: &str) -> Result<Option<Visit>, StoreError> {
        let sql = format!(
            "SELECT {} FROM entries WHERE id IN (SELECT entry FROM newest WHERE visit = ?1 AND kind IN ({kinds}))
             ORDER BY wall_ms, counter, device, number, digest",
            Entry::COLUMNS
        );
        Ok(Visit::assemble(self.query(&sql, [id], Entry::of_row)?.iter().filter_map(record)))
    }

    /// The digest of the first entry that opened a visit. It stays the same in every store that has this entry, and nobody can work it out from what
    /// is known of the visit: its payload is salted.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn root(&self, id: &str) -> Result<Option<Digest>, StoreError> {
        let sql = "SELECT digest FROM entries WHERE visit = ?1 AND kind = ?2 ORDER BY wall_ms, counter, device, number, digest LIMIT 1";
        Ok(self.query(sql, [id, kind::VISIT_OPENED], |row| row.get(0))?.pop())
    }

    /// All visits whose head is here, to be looked at together: of each identification only the first candidate, without reasons and what to look at next,
    /// which would be the most of what a large store takes in memory.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn all_visits(&self) -> Result<Vec<Visit>, StoreError> {
        let lean = |mut visit: Visit| {
            for Identified { result, .. } in &mut visit.identified {
                result.candidates.truncate(1);
                result.candidates.shrink_to_fit();
                (result.reasons, result.next, result.ignored) = (vec![], vec![], vec![]);
            }
            visit
        };
        let ids = self.visits()?;
        ids.iter().filter_map(|id| self.visit(id).transpose()).map(|visit| visit.map(lean)).collect()
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

    /// A place as it was planned last, in whichever season.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn place_planned(&self, name: &str) -> Result<Option<PlacePlanned>, StoreError> {
        let sql = format!(
            "SELECT {} FROM entries WHERE id IN (SELECT entry FROM newest WHERE visit > ?1 AND visit < ?2
                 AND subject IN (?3, 'place_planned/' || ?3))
             ORDER BY wall_ms, counter, device, number, digest",
            Entry::COLUMNS
        );
        let entries = self.query(&sql, [SEASON, AFTER_SEASONS, &subject_of(name)], Entry::of_row)?;
        Ok(SeasonPlan::assemble(entries.iter().filter_map(record)).places.pop())
    }

    /// All seasons that something is planned for.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn all_seasons(&self) -> Result<Vec<SeasonPlan>, StoreError> {
        self.seasons()?.iter().map(|season| self.season(season)).collect()
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

/// Read as it stands: made a tree first, a store of many visits takes twice as long to read.
fn record(entry: &Entry) -> Option<Record> {
    let payload = entry.payload.as_deref()?;
    // Nothing but one document gets between the braces.
    serde_json::from_str::<serde::de::IgnoredAny>(payload).ok()?;
    serde_json::from_str(&format!(r#"{{"kind":{},"payload":{payload}}}"#, json!(entry.kind))).ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::survey::{Correction, Opened, StretchWalked, parse_time};

    fn a_store() -> (tempfile::TempDir, Store, DateTime<Utc>) {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open_or_create(&folder.path().join("store")).unwrap();
        (folder, store, "2026-10-03T07:00:00Z".parse().unwrap())
    }

    #[test]
    fn the_way_is_the_visit_without_what_was_measured() {
        let (_folder, mut store, now) = a_store();
        let mut visit =
            Visit::open(Opened::invented("Sallow Bridge", parse_time("2026-10-03T07:00Z").unwrap(), &["Ada"]));
        let stretch =
            StretchWalked { name: "bank".into(), bank: None, line: vec![[9.0, 53.0]], searched_m: Some(600.0) };
        visit.stretches.push(stretch.clone());
        store.write_visit(&visit, now).unwrap();
        let right = Record::StretchWalked(StretchWalked { searched_m: Some(60.0), ..stretch });
        let record = serde_json::to_value(&right).unwrap()["payload"].take();
        let correction =
            Correction { of_kind: right.kind().into(), of_subject: right.subject(), why: "a slip".into(), record };
        store.write_records(&visit.id, "Ada", &[Record::Correction(correction)], now).unwrap();
        let measured = Draft {
            kind: kind::PRINT_MEASURED.into(),
            visit: visit.id.clone(),
            subject: "x".into(),
            author: "Ada".into(),
            payload: json!({}),
        };
        store.append(&[measured], now).unwrap();
        let way = store.way(&visit.id).unwrap().unwrap();
        assert_eq!(way, store.visit(&visit.id).unwrap().unwrap());
        assert_eq!(way.stretches[0].searched_m, Some(60.0));
        assert_eq!(store.way("nowhere").unwrap(), None);
    }

    #[test]
    fn a_place_is_as_it_was_planned_last_whatever_the_seasons_are_called() {
        let (_folder, mut store, now) = a_store();
        let plan = |at: &str| {
            SeasonPlan::from_toml(&format!(
                "[[place]]\nname = 'Sallow Bridge'\nat = {at}\n[[place]]\nname = 'Elsewhere'\nat = [1, 2]"
            ))
        };
        for (season, at) in [("2026-winter", "[53.0, 9.0]"), ("2026-autumn", "[53.1, 9.0]")] {
            store.write_season(season, "Cy", &plan(at).unwrap(), now).unwrap();
        }
        assert_eq!(store.place_planned(" sallow bridge").unwrap().map(|place| place.at), Some([53.1, 9.0]));
        assert_eq!(store.place_planned("Nowhere").unwrap(), None);
    }
}
