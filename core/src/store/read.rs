//! Reading: never further than the last signed head of each log.

use std::collections::BTreeMap;

use rusqlite::{Params, Row};

use super::{Entry, Store, StoreError};

impl Store {
    /// The identifiers of all visits, in alphabetical order.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn visits(&self) -> Result<Vec<String>, StoreError> {
        self.query("SELECT DISTINCT visit FROM signed_entries ORDER BY visit", [], |row| row.get(0))
    }

    /// Everything that was ever entered for a visit, oldest first.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn entries_of(&self, visit: &str) -> Result<Vec<Entry>, StoreError> {
        let columns = Entry::COLUMNS;
        let sql =
            format!("SELECT {columns} FROM signed_entries WHERE visit = ?1 ORDER BY wall_ms, counter, device, number");
        self.query(&sql, [visit], Entry::of_row)
    }

    /// What counts of a visit: the newest entry of each (kind, subject), oldest first.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn current_of(&self, visit: &str) -> Result<Vec<Entry>, StoreError> {
        let entries = self.entries_of(visit)?.into_iter();
        let newest: BTreeMap<_, _> = entries.map(|e| ((e.kind.clone(), e.subject.clone()), e)).collect();
        let mut newest: Vec<Entry> = newest.into_values().collect();
        newest.sort_by(|a, b| (a.time, &a.device).cmp(&(b.time, &b.device)));
        Ok(newest)
    }

    /// How many entries a reader may take.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn entry_count(&self) -> Result<usize, StoreError> {
        // A log has no gap, so its head's number is its length.
        Ok(self.heads()?.values().map(|number| usize::try_from(*number).unwrap_or(usize::MAX)).sum())
    }

    /// The number of the last signed head of each device's log.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn heads(&self) -> Result<BTreeMap<String, u64>, StoreError> {
        let sql = "SELECT device, (SELECT max(number) FROM entries AS head
                                   WHERE head.device = devices.device AND signature IS NOT NULL) AS number
                   FROM devices WHERE number IS NOT NULL";
        let head = |row: &Row| Ok((hex::encode(row.get_ref(0)?.as_blob()?), row.get::<_, i64>(1)?.unsigned_abs()));
        Ok(self.query(sql, [], head)?.into_iter().collect())
    }

    pub(super) fn query<T>(
        &self,
        sql: &str,
        params: impl Params,
        read: impl FnMut(&Row) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, StoreError> {
        let read_all = || self.connection.prepare_cached(sql)?.query_map(params, read)?.collect();
        let rows: rusqlite::Result<Vec<T>> = read_all();
        rows.map_err(|e| self.failed(e))
    }
}

/// A device id, or a photograph's digest, from its 64 hexadecimal digits.
pub(super) fn id_of(text: &str) -> Result<[u8; 32], StoreError> {
    let id = hex::decode(text).ok().and_then(|bytes| bytes.try_into().ok());
    id.ok_or_else(|| StoreError::NotAnId { given: text.to_owned() })
}
