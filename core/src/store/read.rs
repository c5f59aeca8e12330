//! Reading. What is in the table of entries is covered by a signature: nothing else gets into it.

use rusqlite::types::ValueRef;
use rusqlite::{Params, Row, params};

use super::visit::{AFTER_SEASONS, SEASON};
use super::{Entry, Store, StoreError, kind};

/// A visit as a list shows it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct VisitLine {
    /// Its identifier.
    pub visit: String,
    /// When it was last written to, milliseconds since 1970-01-01T00:00:00Z.
    pub wall_ms: i64,
    /// How many entries are known of it.
    pub entries: u64,
    /// Its head, where it has come already.
    pub opened: Option<Entry>,
}

impl Store {
    /// The identifiers of all visits, in alphabetical order.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn visits(&self) -> Result<Vec<String>, StoreError> {
        let sql = "SELECT visit FROM visits WHERE visit < ?1 OR visit >= ?2 ORDER BY visit";
        self.query(sql, [SEASON, AFTER_SEASONS], |row| row.get(0))
    }

    /// The visits that were last written to, the latest first: `count` of them, after `after` where there is one (a page's last line begins the next page).
    ///
    /// # Errors
    /// The store can't be read.
    pub fn latest_visits(&self, count: usize, after: Option<&VisitLine>) -> Result<Vec<VisitLine>, StoreError> {
        let (wall_ms, visit) = after.map_or((i64::MAX, ""), |line| (line.wall_ms, &line.visit));
        let columns = Entry::COLUMNS.split(", ").map(|column| format!("e.{column}")).collect::<Vec<_>>().join(", ");
        let sql = format!(
            "SELECT {columns}, v.visit, v.wall_ms, v.entries FROM visits AS v
             LEFT JOIN newest AS n ON n.visit = v.visit AND n.kind = '{}' AND n.subject = ''
             LEFT JOIN entries AS e ON e.id = n.entry
             WHERE (v.wall_ms, v.visit) < (?1, ?2) AND (v.visit < '{SEASON}' OR v.visit >= '{AFTER_SEASONS}') ORDER BY v.wall_ms DESC, v.visit DESC LIMIT ?3",
            kind::VISIT_OPENED
        );
        let line = |row: &Row| {
            let opened = if row.get_ref(0)? == ValueRef::Null { None } else { Some(Entry::of_row(row)?) };
            Ok(VisitLine {
                visit: row.get(9)?,
                wall_ms: row.get(10)?,
                entries: row.get::<_, i64>(11)?.unsigned_abs(),
                opened,
            })
        };
        self.query(&sql, params![wall_ms, visit, count as i64], line)
    }

    /// Everything that was ever entered for a visit, oldest first.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn entries_of(&self, visit: &str) -> Result<Vec<Entry>, StoreError> {
        let columns = Entry::COLUMNS;
        let sql =
            format!("SELECT {columns} FROM entries WHERE visit = ?1 ORDER BY wall_ms, counter, device, number, digest");
        self.query(&sql, [visit], Entry::of_row)
    }

    /// What counts of a visit: the newest entry of each (kind, subject), oldest first.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn current_of(&self, visit: &str) -> Result<Vec<Entry>, StoreError> {
        let columns = Entry::COLUMNS;
        let sql = format!(
            "SELECT {columns} FROM entries WHERE id IN (SELECT entry FROM newest WHERE visit = ?1)
             ORDER BY wall_ms, counter, device, number, digest"
        );
        self.query(&sql, [visit], Entry::of_row)
    }

    /// The entries with this number in a device's log: one, or one of each branch where the log has forked; none where it isn't here.
    ///
    /// # Errors
    /// `device` isn't a device id, or the store can't be read.
    pub fn entries_at(&self, device: &str, number: u64) -> Result<Vec<Entry>, StoreError> {
        let sql = format!("SELECT {} FROM entries WHERE device = ?1 AND number = ?2", Entry::COLUMNS);
        self.query(&sql, params![id_of(device)?, i64::try_from(number).unwrap_or(i64::MAX)], Entry::of_row)
    }

    /// The visits that something was written of since an entry arrived here, and which entry arrived last; from 0 on, all. What is planned for seasons
    /// isn't among them.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn written_since(&self, arrival: i64) -> Result<(Vec<String>, i64), StoreError> {
        let sql = "SELECT visit, max(id) FROM entries WHERE id > ?1 GROUP BY visit";
        let written = self.query(sql, [arrival], |row| Ok((row.get::<_, String>(0)?, row.get::<_, i64>(1)?)))?;
        let last = written.iter().map(|(_, last)| *last).max().unwrap_or(arrival);
        let season = |visit: &String| visit.starts_with(SEASON);
        Ok((written.into_iter().map(|(visit, _)| visit).filter(|visit| !season(visit)).collect(), last))
    }

    /// How many entries there are.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn entry_count(&self) -> Result<usize, StoreError> {
        let counts = self.query("SELECT total(entries) FROM visits", [], |row| row.get::<_, f64>(0))?;
        Ok(counts.first().map_or(0, |count| *count as usize))
    }

    /// Photographs that entries speak of and that aren't here, at most so many: their digests.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn wanted_photos(&self, count: usize) -> Result<Vec<String>, StoreError> {
        let digest = |row: &Row| Ok(hex::encode(row.get::<_, [u8; 32]>(0)?));
        self.query("SELECT sha256 FROM wanted_photographs LIMIT ?1", [count as i64], digest)
    }

    /// Whether a photograph is wanted.
    ///
    /// # Errors
    /// `sha256` isn't 64 hexadecimal digits, or the store can't be read.
    pub fn wants_photo(&self, sha256: &str) -> Result<bool, StoreError> {
        let found = self.query("SELECT 1 FROM wanted_photographs WHERE sha256 = ?1", [id_of(sha256)?], |_| Ok(()))?;
        Ok(!found.is_empty())
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
