//! What belongs to the service alone: members, invitations, uploads, settings. All SQL about them stands here.

use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use rakelight_core::exchange::wire::Role;
use rusqlite::{Connection, OptionalExtension, Row, Transaction, TransactionBehavior, params};

use super::{Id, private};

/// From each schema to the next; the number of those that were applied stands in `user_version`.
const MIGRATIONS: [&str; 1] = [include_str!("schema/1.sql")];

/// How long to wait for another process that writes.
const PATIENCE: Duration = Duration::from_secs(5);

/// A random name of 128 bits.
pub type UploadId = [u8; 16];

/// Why the database can't be used.
#[derive(Debug, thiserror::Error)]
pub enum StateError {
    #[error("{file}: {source}; check the disk and the rights of the file", file = .file.display())]
    Database { file: PathBuf, source: rusqlite::Error },
    #[error("{file} has schema {found}, this program knows up to {known}; run a newer Rakelight", file = .file.display(), known = MIGRATIONS.len())]
    Newer { file: PathBuf, found: usize },
}

/// A device that may exchange.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Member {
    pub device: Id,
    pub name: String,
    pub role: Role,
    pub barred: bool,
    pub joined_ms: i64,
    pub last_exchange_ms: Option<i64>,
}

/// Who may join with a code.
pub struct Invited {
    pub code_sha256: Id,
    pub name: String,
    pub role: Role,
    pub expires_ms: i64,
}

/// What became of an invitation's code.
#[derive(Debug, PartialEq, Eq)]
pub enum Joined {
    Member(Member),
    Barred,
    NoSuchCode,
    Used,
    Expired,
}

/// A photograph that is on its way.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Upload {
    pub id: UploadId,
    pub sha256: Id,
    pub bytes: u64,
    pub device: Id,
    pub begun_ms: i64,
    /// The photograph is in the store.
    pub done: bool,
}

/// Whether an upload was begun.
pub enum Begun {
    /// In place of this one.
    InPlaceOf(Option<UploadId>),
    /// The device has to finish others first.
    TooMany,
}

/// The service's database, `service.sqlite` in the store's folder. Several processes may have it open.
pub struct State {
    connection: Mutex<Connection>,
    file: PathBuf,
}

/// Beside the store's own database.
pub const FILE: &str = "service.sqlite";

impl State {
    /// Opens it; makes it where there is none.
    pub fn open(dir: &Path) -> Result<Self, StateError> {
        let file = dir.join(FILE);
        match connect(&file) {
            Ok((_, found)) if found > MIGRATIONS.len() => Err(StateError::Newer { file, found }),
            Ok((connection, _)) => Ok(Self { connection: Mutex::new(connection), file }),
            Err(source) => Err(StateError::Database { file, source }),
        }
    }

    /// A setting's value; `new` makes it where there is none.
    pub fn setting(&self, name: &str, new: &[u8]) -> Result<Vec<u8>, StateError> {
        self.write(|transaction| {
            let sql = "INSERT INTO settings (name, value) VALUES (?1, ?2) ON CONFLICT DO NOTHING";
            transaction.execute(sql, params![name, new])?;
            transaction.query_row("SELECT value FROM settings WHERE name = ?1", [name], |row| row.get(0))
        })
    }

    /// Where the service was last started, as it was given.
    pub fn set_listen(&self, address: &str) -> Result<(), StateError> {
        let sql = "INSERT INTO settings (name, value) VALUES ('listen', ?1)
                   ON CONFLICT (name) DO UPDATE SET value = excluded.value";
        self.run(|connection| connection.execute(sql, [address.as_bytes()]).map(drop))
    }

    /// See [`State::set_listen`].
    pub fn listen(&self) -> Result<Option<String>, StateError> {
        let sql = "SELECT value FROM settings WHERE name = 'listen'";
        let value = self.run(|connection| connection.query_row(sql, [], |row| row.get::<_, Vec<u8>>(0)).optional())?;
        Ok(value.and_then(|value| String::from_utf8(value).ok()))
    }

    /// Keeps an invitation, and forgets those that ended a while ago.
    pub fn invite(&self, invited: &Invited, now_ms: i64) -> Result<(), StateError> {
        const REMEMBERED_MS: i64 = 30 * 24 * 3_600_000;
        self.write(|transaction| {
            transaction.execute("DELETE FROM invitations WHERE expires_ms < ?1", [now_ms - REMEMBERED_MS])?;
            let sql = "INSERT INTO invitations (code_sha256, name, role, expires_ms) VALUES (?1, ?2, ?3, ?4)";
            let Invited { code_sha256, name, role, expires_ms } = invited;
            transaction.execute(sql, params![code_sha256, name, role_name(*role), expires_ms]).map(drop)
        })
    }

    /// A device joins with a code. A device that asks again, because the answer was lost, gets the same answer.
    pub fn join(&self, code_sha256: &Id, device: &Id, now_ms: i64) -> Result<Joined, StateError> {
        self.write(|transaction| {
            let sql = "SELECT name, role, expires_ms, used_by FROM invitations WHERE code_sha256 = ?1";
            let read = |row: &Row| -> rusqlite::Result<(String, Role, i64, Option<Id>)> {
                Ok((row.get(0)?, role_in(row, 1)?, row.get(2)?, row.get(3)?))
            };
            let Some((name, role, expires_ms, used_by)) = transaction.query_row(sql, [code_sha256], read).optional()?
            else {
                return Ok(Joined::NoSuchCode);
            };
            let known = member(transaction, device)?;
            match (used_by, known) {
                (_, Some(known)) if known.barred => return Ok(Joined::Barred),
                (Some(by), Some(known)) if by == *device => return Ok(Joined::Member(known)),
                (Some(_), _) => return Ok(Joined::Used),
                (None, _) if expires_ms <= now_ms => return Ok(Joined::Expired),
                (None, _) => {}
            }
            admit(transaction, device, &name, role, now_ms)?;
            let sql = "UPDATE invitations SET used_by = ?2 WHERE code_sha256 = ?1";
            transaction.execute(sql, params![code_sha256, device])?;
            Ok(member(transaction, device)?.map_or(Joined::NoSuchCode, Joined::Member))
        })
    }

    /// Makes a device a member, or gives it another name and role. One that is barred stays barred.
    pub fn admit(&self, device: &Id, name: &str, role: Role, now_ms: i64) -> Result<(), StateError> {
        self.write(|transaction| admit(transaction, device, name, role, now_ms))
    }

    /// The member with this device.
    pub fn member(&self, device: &Id) -> Result<Option<Member>, StateError> {
        self.run(|connection| member(connection, device))
    }

    /// All members by name.
    pub fn members(&self) -> Result<Vec<Member>, StateError> {
        let sql = format!("{MEMBERS} ORDER BY name, device");
        self.run(|connection| connection.prepare_cached(&sql)?.query_map([], member_in)?.collect())
    }

    /// Bars a member or lets it in again; whether there is such a one.
    pub fn set_barred(&self, device: &Id, barred: bool) -> Result<bool, StateError> {
        let sql = "UPDATE members SET barred = ?2 WHERE device = ?1";
        self.run(|connection| Ok(connection.execute(sql, params![device, barred])? > 0))
    }

    /// Gives a member another role; whether there is such a one.
    pub fn set_role(&self, device: &Id, role: Role) -> Result<bool, StateError> {
        let sql = "UPDATE members SET role = ?2 WHERE device = ?1";
        self.run(|connection| Ok(connection.execute(sql, params![device, role_name(role)])? > 0))
    }

    /// A member exchanged now.
    pub fn exchanged(&self, device: &Id, now_ms: i64) -> Result<(), StateError> {
        let sql = "UPDATE members SET last_exchange_ms = ?2 WHERE device = ?1";
        self.run(|connection| connection.execute(sql, params![device, now_ms]).map(drop))
    }

    /// Begins an upload in place of one of the same device and photograph, unless the device has `most` others that aren't done.
    pub fn begin(&self, upload: &Upload, most: u32) -> Result<Begun, StateError> {
        let Upload { id, sha256, bytes, device, begun_ms, .. } = upload;
        self.write(|transaction| {
            let sql = "SELECT count(*) FROM uploads WHERE device = ?1 AND sha256 <> ?2 AND NOT done";
            if transaction.query_row(sql, params![device, sha256], |row| row.get::<_, u32>(0))? >= most {
                return Ok(Begun::TooMany);
            }
            let sql = "DELETE FROM uploads WHERE device = ?1 AND sha256 = ?2 RETURNING id";
            let before = transaction.query_row(sql, params![device, sha256], |row| row.get(0)).optional()?;
            let sql = "INSERT INTO uploads (id, sha256, bytes, device, begun_ms) VALUES (?1, ?2, ?3, ?4, ?5)";
            transaction.execute(sql, params![id, sha256, bytes.cast_signed(), device, begun_ms])?;
            Ok(Begun::InPlaceOf(before))
        })
    }

    /// The upload with this id.
    pub fn upload(&self, id: &UploadId) -> Result<Option<Upload>, StateError> {
        let sql = "SELECT id, sha256, bytes, device, begun_ms, done FROM uploads WHERE id = ?1";
        let read = |row: &Row| {
            let bytes = row.get::<_, i64>(2)?.unsigned_abs();
            let (id, sha256) = (row.get(0)?, row.get(1)?);
            Ok(Upload { id, sha256, bytes, device: row.get(3)?, begun_ms: row.get(4)?, done: row.get(5)? })
        };
        self.run(|connection| connection.prepare_cached(sql)?.query_row([id], read).optional())
    }

    /// The upload's photograph is in the store.
    pub fn done(&self, id: &UploadId) -> Result<(), StateError> {
        self.run(|connection| connection.execute("UPDATE uploads SET done = 1 WHERE id = ?1", [id]).map(drop))
    }

    /// Forgets an upload.
    pub fn forget(&self, id: &UploadId) -> Result<(), StateError> {
        self.run(|connection| connection.execute("DELETE FROM uploads WHERE id = ?1", [id]).map(drop))
    }

    /// Forgets uploads that began before a time; their ids.
    pub fn forget_before(&self, begun_ms: i64) -> Result<Vec<UploadId>, StateError> {
        let sql = "DELETE FROM uploads WHERE begun_ms < ?1 RETURNING id";
        self.run(|connection| connection.prepare(sql)?.query_map([begun_ms], |row| row.get(0))?.collect())
    }

    /// One statement.
    fn run<T>(&self, work: impl FnOnce(&Connection) -> rusqlite::Result<T>) -> Result<T, StateError> {
        work(&self.lock()).map_err(|source| self.failed(source))
    }

    /// Several statements, all or none.
    fn write<T>(&self, work: impl FnOnce(&Transaction) -> rusqlite::Result<T>) -> Result<T, StateError> {
        let mut connection = self.lock();
        let done: rusqlite::Result<T> = (|| {
            let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let result = work(&transaction)?;
            transaction.commit()?;
            Ok(result)
        })();
        done.map_err(|source| self.failed(source))
    }

    /// A statement that panicked left nothing half done: its transaction was rolled back.
    fn lock(&self) -> MutexGuard<'_, Connection> {
        self.connection.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn failed(&self, source: rusqlite::Error) -> StateError {
        StateError::Database { file: self.file.clone(), source }
    }
}

const MEMBERS: &str = "SELECT device, name, role, barred, joined_ms, last_exchange_ms FROM members";

fn member(connection: &Connection, device: &Id) -> rusqlite::Result<Option<Member>> {
    connection.prepare_cached(&format!("{MEMBERS} WHERE device = ?1"))?.query_row([device], member_in).optional()
}

fn member_in(row: &Row) -> rusqlite::Result<Member> {
    Ok(Member {
        device: row.get(0)?,
        name: row.get(1)?,
        role: role_in(row, 2)?,
        barred: row.get(3)?,
        joined_ms: row.get(4)?,
        last_exchange_ms: row.get(5)?,
    })
}

fn admit(transaction: &Transaction, device: &Id, name: &str, role: Role, now_ms: i64) -> rusqlite::Result<()> {
    let sql = "INSERT INTO members (device, name, role, joined_ms) VALUES (?1, ?2, ?3, ?4)
               ON CONFLICT (device) DO UPDATE SET name = excluded.name, role = excluded.role";
    transaction.execute(sql, params![device, name, role_name(role), now_ms]).map(drop)
}

/// A role as it is written everywhere.
pub fn role_name(role: Role) -> &'static str {
    match role {
        Role::FieldWorker => "field_worker",
        Role::Checker => "checker",
        Role::Coordinator => "coordinator",
    }
}

/// The role of this name.
pub fn role_of(name: &str) -> Option<Role> {
    [Role::FieldWorker, Role::Checker, Role::Coordinator].into_iter().find(|role| role_name(*role) == name)
}

fn role_in(row: &Row, column: usize) -> rusqlite::Result<Role> {
    let name: String = row.get(column)?;
    role_of(&name).ok_or(rusqlite::Error::InvalidColumnType(column, name, rusqlite::types::Type::Text))
}

/// Opens it, and says which schema it had. The file is its owner's alone: names, and the key of the sessions. `synchronous=FULL` makes what is acknowledged outlive a power cut.
fn connect(file: &Path) -> rusqlite::Result<(Connection, usize)> {
    private().create(true).truncate(false).open(file).map_err(|_| rusqlite::Error::InvalidPath(file.to_owned()))?;
    let mut connection = Connection::open(file)?;
    connection.busy_timeout(PATIENCE)?;
    connection.pragma_update(None, "journal_mode", "WAL")?;
    connection.execute_batch("PRAGMA foreign_keys = ON; PRAGMA synchronous = FULL;")?;
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let found = transaction.query_row("PRAGMA user_version", [], |row| row.get::<_, u32>(0))? as usize;
    for (migration, number) in MIGRATIONS.iter().zip(1u32..).skip(found) {
        transaction.execute_batch(migration)?;
        transaction.pragma_update(None, "user_version", number)?;
    }
    transaction.commit()?;
    Ok((connection, found))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_newer_programs_database_is_left_alone() {
        let dir = tempfile::tempdir().unwrap();
        State::open(dir.path()).unwrap();
        Connection::open(dir.path().join("service.sqlite")).unwrap().pragma_update(None, "user_version", 9).unwrap();
        let refused = State::open(dir.path()).err().unwrap().to_string();
        assert!(refused.contains("schema 9") && refused.contains("newer Rakelight"), "{refused}");
    }
}
