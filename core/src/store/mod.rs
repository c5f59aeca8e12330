#![doc = include_str!("encoding.md")]

mod accept;
mod backup;
mod clock;
mod damage;
mod device;
mod drafts;
mod encoding;
mod entry;
mod error;
pub(crate) mod files;
mod heads;
mod insert;
mod link;
mod log;
mod membership;
pub(crate) mod packet;
mod photographs;
mod read;
mod rebuild;
mod verify;
mod visit;

#[cfg(test)]
mod past_schemas;
#[cfg(test)]
mod tests;

use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags, Transaction, TransactionBehavior};

pub use accept::{Admission, refused, sort_out};
pub use backup::{BackedUp, Lock, Unlock, restore};
pub use clock::HybridTime;
pub use damage::{Damage, Verified};
pub use device::KeyWrapping;
pub use encoding::{DeviceId, Digest, Header, Salt, salted};
pub use entry::{Draft, Entry, kind};
pub use error::StoreError;
pub use heads::{Heads, Tip};
pub use link::{Here, Linked, Waiting, Waits, link, wait};
pub use log::Appended;
pub use membership::{Prover, proof_holds};
pub use packet::{BadPacket, Body, Packet, read_sequence};
pub use photographs::Photograph;
pub use read::VisitLine;

/// SQLite's `application_id`, "Rake" in ASCII: `file` and this program tell a store from other databases by it.
const APPLICATION_ID: i64 = 0x5261_6b65;

/// From each schema to the next; the number of those that were applied stands in `user_version`.
const MIGRATIONS: [&str; 3] =
    [include_str!("schema/1.sql"), include_str!("schema/2.sql"), include_str!("schema/3.sql")];

/// The tables for reading, made anew after every migration.
const READING: &str = include_str!("schema/reading.sql");

/// How long to wait for another process that writes.
const PATIENCE: Duration = Duration::from_secs(5);

/// The records of one or more visits in a folder. Several processes may have the same store open; they write one after the other.
///
/// ```
/// use rakelight_core::store::{Draft, Store, kind};
/// # let folder = tempfile::tempdir().expect("a folder");
/// # let dir = folder.path().join("store");
/// let mut store = Store::open_or_create(&dir)?;
/// let draft = Draft {
///     kind: kind::PRINT_MEASURED.into(),
///     visit: "visit-1".into(),
///     subject: "h1".into(),
///     author: "A. Walker".into(),
///     payload: serde_json::json!({"width_mm": 60.1, "u_width_mm": 0.9}),
/// };
/// let now = "2026-10-03T07:41:10Z".parse().expect("a time");
/// assert_eq!(store.append(&[draft.clone()], now)?.added, 1);
/// assert_eq!(store.append(&[draft], now)?.unchanged, 1);
/// assert_eq!(store.current_of("visit-1")?[0].subject, "h1");
/// assert!(store.verify()?.damage.is_empty());
/// # Ok::<(), rakelight_core::store::StoreError>(())
/// ```
#[derive(Debug)]
pub struct Store {
    connection: Connection,
    dir: device::Folder,
}

impl Store {
    /// Opens the store in the folder `dir`, which must be there. An older schema is brought up to today's.
    ///
    /// # Errors
    /// See [`StoreError`]; among others a missing store, a foreign file, a newer schema, a folder that can't be written.
    pub fn open(dir: &Path) -> Result<Self, StoreError> {
        let file = dir.join(FILE);
        if !file.is_file() {
            return Err(StoreError::Missing { dir: dir.to_owned() });
        }
        let mut connection = connect(&file).map_err(|e| StoreError::of_database(&file, e))?;
        migrate(&mut connection, &file)?;
        Ok(Self { connection, dir: device::Folder::plain(dir) })
    }

    /// Opens the store in the folder `dir`; makes folder and store where there are none.
    ///
    /// # Errors
    /// As [`Store::open`], or the folder can't be made.
    pub fn open_or_create(dir: &Path) -> Result<Self, StoreError> {
        files::ensure_folder(dir).map_err(|e| StoreError::of_file(dir, e))?;
        let file = dir.join(FILE);
        files::ensure_file(&file).map_err(|e| StoreError::of_file(&file, e))?;
        Self::open(dir)
    }

    /// A second connection to the same store, with the same key store: for work that takes long, while others go on with this one.
    ///
    /// # Errors
    /// As [`Store::open`].
    pub fn again(&self) -> Result<Self, StoreError> {
        Ok(Self { dir: self.dir.clone(), ..Self::open(&self.dir)? })
    }

    /// The folder that it is in.
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    fn file(&self) -> PathBuf {
        self.dir.join(FILE)
    }

    /// An error of SQLite in this store.
    fn failed(&self, source: rusqlite::Error) -> StoreError {
        StoreError::of_database(&self.file(), source)
    }

    /// Takes the write lock, which also guards the key and the photographs; all or nothing of `work` stays.
    fn write<T>(
        &mut self,
        work: impl FnOnce(&Transaction, &device::Folder) -> Result<T, Failure>,
    ) -> Result<T, StoreError> {
        let file = self.file();
        let done: Result<T, Failure> = (|| {
            let transaction = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let result = work(&transaction, &self.dir)?;
            transaction.commit()?;
            Ok(result)
        })();
        done.map_err(|failure| match failure {
            Failure::Store(error) => error,
            Failure::Database(source) => StoreError::of_database(&file, source),
        })
    }
}

const FILE: &str = "store.sqlite";

/// What can go wrong inside a transaction.
enum Failure {
    Store(StoreError),
    Database(rusqlite::Error),
}

impl From<StoreError> for Failure {
    fn from(error: StoreError) -> Self {
        Self::Store(error)
    }
}

impl From<rusqlite::Error> for Failure {
    fn from(error: rusqlite::Error) -> Self {
        Self::Database(error)
    }
}

/// `secure_delete` makes an erased payload's bytes zeros; `synchronous=FULL` makes what is acknowledged outlive a power cut.
fn connect(file: &Path) -> rusqlite::Result<Connection> {
    let connection =
        Connection::open_with_flags(file, OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX)?;
    connection.busy_timeout(PATIENCE)?;
    // All that a batch needs stays prepared, and isn't planned anew for every value.
    connection.set_db_config(DbConfig::SQLITE_DBCONFIG_ENABLE_QPSG, true)?;
    connection.set_prepared_statement_cache_capacity(64);
    connection.execute_batch(
        "PRAGMA foreign_keys = ON; PRAGMA temp_store = MEMORY; PRAGMA secure_delete = ON; PRAGMA synchronous = FULL;",
    )?;
    Ok(connection)
}

/// Looks before it writes anything, so that a foreign or newer database stays as it is.
fn migrate(connection: &mut Connection, file: &Path) -> Result<(), StoreError> {
    let failed = |e| StoreError::of_database(file, e);
    if schema_of(connection, file)? < MIGRATIONS.len() {
        connection.pragma_update(None, "journal_mode", "WAL").map_err(failed)?;
        let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(failed)?;
        let from = schema_of(&transaction, file)?;
        for migration in &MIGRATIONS[from..] {
            transaction.execute_batch(migration).map_err(failed)?;
        }
        transaction.execute_batch(READING).map_err(failed)?;
        transaction.pragma_update(None, "application_id", APPLICATION_ID).map_err(failed)?;
        transaction.pragma_update(None, "user_version", MIGRATIONS.len() as i64).map_err(failed)?;
        transaction.commit().map_err(failed)?;
    }
    Ok(())
}

/// How many migrations this store has had; none where the file is new and empty.
fn schema_of(connection: &Connection, file: &Path) -> Result<usize, StoreError> {
    let number = |sql: &str| connection.query_row(sql, [], |row| row.get::<_, i64>(0));
    let failed = |e| StoreError::of_database(file, e);
    let application = number("PRAGMA application_id").map_err(failed)?;
    let found = number("PRAGMA user_version").map_err(failed)?;
    let tables = number("SELECT count(*) FROM sqlite_schema").map_err(failed)?;
    let known = MIGRATIONS.len();
    match (application, found) {
        (0, 0) if tables == 0 => Ok(0),
        (APPLICATION_ID, 1..) => usize::try_from(found)
            .ok()
            .filter(|found| *found <= known)
            .ok_or_else(|| StoreError::Newer { file: file.to_owned(), found, known: known as i64 }),
        _ => Err(StoreError::Foreign { file: file.to_owned() }),
    }
}
