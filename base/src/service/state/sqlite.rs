//! In a database of SQLite beside the store.

use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use rakelight_core::exchange::wire::Role;
use rusqlite::{Connection, OptionalExtension, Row, Transaction, TransactionBehavior, params};

use super::{
    Begun, Id, Invited, Joined, Member, REMEMBERED_MS, ServiceError, State, Upload, UploadId, refusal, role_name,
    role_of,
};
use crate::service::private;

/// From each schema to the next; the number of those that were applied stands in `user_version`.
const MIGRATIONS: [&str; 3] = [include_str!("1.sql"), include_str!("2.sql"), include_str!("3.sql")];

/// How long to wait for another process that writes.
const PATIENCE: Duration = Duration::from_secs(5);

/// Why the database can't be used.
#[derive(Debug, thiserror::Error)]
pub enum StateError {
    #[error("{file}: {source}; check the disk and the rights of the file", file = .file.display())]
    Database { file: PathBuf, source: rusqlite::Error },
    #[error("{file} has schema {found}, this program knows up to {known}; run a newer Rakelight", file = .file.display(), known = MIGRATIONS.len())]
    Newer { file: PathBuf, found: usize },
}

/// The service's database, `service.sqlite` in the store's folder. Several processes may have it open.
pub struct Sqlite {
    connection: Mutex<Connection>,
    file: PathBuf,
}

/// Beside the store's own database.
pub const FILE: &str = "service.sqlite";

impl State for Sqlite {
    fn setting(&self, name: &str, new: &[u8]) -> Result<Vec<u8>, ServiceError> {
        self.write(|transaction| {
            let sql = "INSERT INTO settings (name, value) VALUES (?1, ?2) ON CONFLICT DO NOTHING";
            transaction.execute(sql, params![name, new])?;
            transaction.query_row("SELECT value FROM settings WHERE name = ?1", [name], |row| row.get(0))
        })
    }

    fn set_listen(&self, address: &str) -> Result<(), ServiceError> {
        let sql = "INSERT INTO settings (name, value) VALUES ('listen', ?1)
                   ON CONFLICT (name) DO UPDATE SET value = excluded.value";
        self.run(|connection| connection.execute(sql, [address.as_bytes()]).map(drop))
    }

    fn listen(&self) -> Result<Option<String>, ServiceError> {
        let sql = "SELECT value FROM settings WHERE name = 'listen'";
        let value = self.run(|connection| connection.query_row(sql, [], |row| row.get::<_, Vec<u8>>(0)).optional())?;
        Ok(value.and_then(|value| String::from_utf8(value).ok()))
    }

    fn invite(&self, invited: &Invited, now_ms: i64) -> Result<(), ServiceError> {
        self.write(|transaction| {
            transaction.execute("DELETE FROM invitations WHERE expires_ms < ?1", [now_ms - REMEMBERED_MS])?;
            let sql = "INSERT INTO invitations (code_sha256, name, role, expires_ms) VALUES (?1, ?2, ?3, ?4)";
            let Invited { code_sha256, name, role, expires_ms } = invited;
            transaction.execute(sql, params![code_sha256, name, role_name(*role), expires_ms]).map(drop)
        })
    }

    fn join(&self, code_sha256: &Id, device: &Id, now_ms: i64) -> Result<Joined, ServiceError> {
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
            if let Some(answer) = refusal(device, used_by, expires_ms, known, now_ms) {
                return Ok(answer);
            }
            admit(transaction, device, &name, role, now_ms)?;
            let sql = "UPDATE invitations SET used_by = ?2 WHERE code_sha256 = ?1";
            transaction.execute(sql, params![code_sha256, device])?;
            Ok(member(transaction, device)?.map_or(Joined::NoSuchCode, Joined::Member))
        })
    }

    fn admit(&self, device: &Id, name: &str, role: Role, now_ms: i64) -> Result<(), ServiceError> {
        self.write(|transaction| admit(transaction, device, name, role, now_ms))
    }

    fn member(&self, device: &Id) -> Result<Option<Member>, ServiceError> {
        self.run(|connection| member(connection, device))
    }

    fn members(&self) -> Result<Vec<Member>, ServiceError> {
        let sql = format!("{MEMBERS} ORDER BY name, device");
        self.run(|connection| connection.prepare_cached(&sql)?.query_map([], member_in)?.collect())
    }

    fn set_barred(&self, device: &Id, barred: bool) -> Result<bool, ServiceError> {
        let sql = "UPDATE members SET barred = ?2 WHERE device = ?1";
        self.run(|connection| Ok(connection.execute(sql, params![device, barred])? > 0))
    }

    fn set_role(&self, device: &Id, role: Role) -> Result<bool, ServiceError> {
        let sql = "UPDATE members SET role = ?2 WHERE device = ?1";
        self.run(|connection| Ok(connection.execute(sql, params![device, role_name(role)])? > 0))
    }

    fn exchanged(&self, device: &Id, now_ms: i64) -> Result<(), ServiceError> {
        // Within a minute it is the same exchange: nothing is written again.
        let sql =
            "UPDATE members SET last_exchange_ms = ?2 WHERE device = ?1 AND coalesce(last_exchange_ms, 0) < ?2 - 60000";
        self.run(|connection| connection.execute(sql, params![device, now_ms]).map(drop))
    }

    fn begin(&self, upload: &Upload, most: u32) -> Result<Begun, ServiceError> {
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

    fn upload(&self, id: &UploadId) -> Result<Option<Upload>, ServiceError> {
        let sql = "SELECT id, sha256, bytes, device, begun_ms, done FROM uploads WHERE id = ?1";
        let read = |row: &Row| {
            let bytes = row.get::<_, i64>(2)?.unsigned_abs();
            let (id, sha256) = (row.get(0)?, row.get(1)?);
            Ok(Upload { id, sha256, bytes, device: row.get(3)?, begun_ms: row.get(4)?, done: row.get(5)? })
        };
        self.run(|connection| connection.prepare_cached(sql)?.query_row([id], read).optional())
    }

    fn done(&self, id: &UploadId) -> Result<(), ServiceError> {
        self.run(|connection| connection.execute("UPDATE uploads SET done = 1 WHERE id = ?1", [id]).map(drop))
    }

    fn forget(&self, id: &UploadId) -> Result<(), ServiceError> {
        self.run(|connection| connection.execute("DELETE FROM uploads WHERE id = ?1", [id]).map(drop))
    }

    fn forget_before(&self, begun_ms: i64) -> Result<Vec<UploadId>, ServiceError> {
        let sql = "DELETE FROM uploads WHERE begun_ms < ?1 RETURNING id";
        self.run(|connection| connection.prepare(sql)?.query_map([begun_ms], |row| row.get(0))?.collect())
    }
}

impl Sqlite {
    /// Opens it; makes it where there is none.
    pub fn open(dir: &Path) -> Result<Self, StateError> {
        let file = dir.join(FILE);
        match connect(&file) {
            Ok((_, found)) if found > MIGRATIONS.len() => Err(StateError::Newer { file, found }),
            Ok((connection, _)) => Ok(Self { connection: Mutex::new(connection), file }),
            Err(source) => Err(StateError::Database { file, source }),
        }
    }

    /// One statement.
    pub(super) fn run<T>(&self, work: impl FnOnce(&Connection) -> rusqlite::Result<T>) -> Result<T, ServiceError> {
        work(&self.lock()).map_err(|source| self.failed(source).into())
    }

    /// Several statements, all or none.
    pub(super) fn write<T>(&self, work: impl FnOnce(&Transaction) -> rusqlite::Result<T>) -> Result<T, ServiceError> {
        let mut connection = self.lock();
        let done: rusqlite::Result<T> = (|| {
            let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let result = work(&transaction)?;
            transaction.commit()?;
            Ok(result)
        })();
        done.map_err(|source| self.failed(source).into())
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

pub(super) fn role_in(row: &Row, column: usize) -> rusqlite::Result<Role> {
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
        Sqlite::open(dir.path()).unwrap();
        Connection::open(dir.path().join("service.sqlite")).unwrap().pragma_update(None, "user_version", 9).unwrap();
        let refused = Sqlite::open(dir.path()).err().unwrap().to_string();
        assert!(refused.contains("schema 9") && refused.contains("newer Rakelight"), "{refused}");
    }
}
