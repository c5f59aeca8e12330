//! The tables for reading, thrown away and built again.

use rusqlite::Connection;

use super::{Damage, READING, Store, StoreError};

/// Each table for reading, and the view that says what belongs into it.
const TABLES: [&str; 6] = ["heads", "newest", "visits", "withdrawn", "hollow", "wanted_photographs"];

impl Store {
    /// Throws the tables for reading away and builds them again from the entries.
    ///
    /// # Errors
    /// The store can't be written.
    pub fn rebuild(&mut self) -> Result<(), StoreError> {
        self.write(|transaction, _| Ok(transaction.execute_batch(READING)?))
    }
}

/// The tables for reading that say something else than the entries do.
pub(super) fn check(snapshot: &Connection) -> rusqlite::Result<Vec<Damage>> {
    let mut damage = Vec::new();
    for table in TABLES {
        let sql = format!(
            "SELECT EXISTS (SELECT * FROM {table} EXCEPT SELECT * FROM {table}_of_entries)
                 OR EXISTS (SELECT * FROM {table}_of_entries EXCEPT SELECT * FROM {table})"
        );
        if snapshot.query_row(&sql, [], |row| row.get(0))? {
            damage.push(Damage::Reading { table: table.into() });
        }
    }
    Ok(damage)
}
