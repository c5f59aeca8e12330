//! What was begun and isn't finished: a form half typed, fixes that aren't a piece of track yet. It stays on this device: no entry, in no
//! digest, never exchanged. A backup holds it, so that nothing is lost with the phone, and a restored store goes on with it.

use super::{Store, StoreError};

impl Store {
    /// The draft of this name; `None` where there is none.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn draft(&self, name: &str) -> Result<Option<String>, StoreError> {
        Ok(self.query("SELECT text FROM drafts WHERE name = ?1", [name], |row| row.get(0))?.pop())
    }

    /// Keeps a draft in the place of an older one of its name. When this returns, it is on the disk; the same text again writes nothing.
    ///
    /// ```
    /// # use rakelight_core::store::Store;
    /// # let folder = tempfile::tempdir().expect("a folder");
    /// let mut store = Store::open_or_create(&folder.path().join("store"))?;
    /// store.keep_draft("sign/visit-1", "a dropping on the third sto")?;
    /// assert_eq!(store.draft("sign/visit-1")?.as_deref(), Some("a dropping on the third sto"));
    /// assert_eq!(store.entry_count()?, 0);
    /// # Ok::<(), rakelight_core::store::StoreError>(())
    /// ```
    ///
    /// # Errors
    /// The store can't be written.
    pub fn keep_draft(&mut self, name: &str, text: &str) -> Result<(), StoreError> {
        let sql = "INSERT INTO drafts VALUES (?1, ?2) ON CONFLICT (name) DO UPDATE SET text = excluded.text WHERE text <> excluded.text";
        self.write(|transaction, _| Ok(transaction.prepare_cached(sql)?.execute([name, text]).map(drop)?))
    }

    /// Drops a draft; one that isn't there is dropped already.
    ///
    /// # Errors
    /// The store can't be written.
    pub fn drop_draft(&mut self, name: &str) -> Result<(), StoreError> {
        let sql = "DELETE FROM drafts WHERE name = ?1";
        self.write(|transaction, _| Ok(transaction.prepare_cached(sql)?.execute([name]).map(drop)?))
    }

    /// The names of the drafts that begin with this, in alphabetical order.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn drafts(&self, prefix: &str) -> Result<Vec<String>, StoreError> {
        let sql = "SELECT name FROM drafts WHERE substr(name, 1, length(?1)) = ?1 ORDER BY name";
        self.query(sql, [prefix], |row| row.get(0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::{Lock, Unlock, restore};

    fn store_with_a_draft() -> (tempfile::TempDir, Store) {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open_or_create(&folder.path().join("store")).unwrap();
        store.keep_draft("sign/1", "a drop").unwrap();
        (folder, store)
    }

    #[test]
    fn a_draft_outlives_the_program_and_its_newest_text_counts() {
        let (folder, mut store) = store_with_a_draft();
        store.keep_draft("sign/1", "a dropping").unwrap();
        store.keep_draft("sign/1", "a dropping").unwrap();
        // A program that is killed closes nothing.
        std::mem::forget(store);
        let mut store = Store::open(&folder.path().join("store")).unwrap();
        assert_eq!(store.draft("sign/1").unwrap().as_deref(), Some("a dropping"));
        store.drop_draft("sign/1").unwrap();
        store.drop_draft("sign/1").unwrap();
        assert_eq!(store.draft("sign/1").unwrap(), None);
    }

    #[test]
    fn drafts_are_listed_by_how_their_names_begin() {
        let (_folder, mut store) = store_with_a_draft();
        ["sign/2", "track/1", "sign_", "SIGN/3"].iter().for_each(|name| store.keep_draft(name, "").unwrap());
        assert_eq!(store.drafts("sign/").unwrap(), ["sign/1", "sign/2"]);
        assert_eq!(store.drafts("").unwrap().len(), 5);
        assert!(store.drafts("%").unwrap().is_empty());
    }

    #[test]
    fn a_draft_is_no_entry_and_outlives_rebuild_and_backup() {
        let (folder, mut store) = store_with_a_draft();
        assert!(store.heads().unwrap().logs.is_empty() && store.visits().unwrap().is_empty());
        store.rebuild().unwrap();
        assert_eq!(store.verify().unwrap().damage, []);
        let (file, lock) = (folder.path().join("b.age"), age::x25519::Identity::generate());
        store.backup(&file, &Lock::for_recipients(&[lock.to_public().to_string()]).unwrap()).unwrap();
        let key = age::secrecy::ExposeSecret::expose_secret(&lock.to_string()).to_owned();
        let again = folder.path().join("again");
        assert_eq!(restore(&file, &Unlock::with_identities(&key).unwrap(), &again).unwrap().damage, []);
        assert_eq!(Store::open(&again).unwrap().draft("sign/1").unwrap().as_deref(), Some("a drop"));
    }
}
