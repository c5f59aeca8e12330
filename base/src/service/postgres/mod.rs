//! Entries and members in PostgreSQL, for several processes at once; `postgres.md` says how it is run.
//!
//! All that is written is written in short SERIALIZABLE transactions, which are begun again where two of them met: whatever the processes do at
//! once, it comes out as if one had done it after the other.

mod accept;
mod photographs;
mod pool;
mod records;
mod state;

#[cfg(test)]
mod tests;

use postgres::{Client, IsolationLevel, Transaction};

use pool::Pool;

/// From each schema to the next; those that were applied stand in `migrations`.
const MIGRATIONS: [&str; 1] = [include_str!("1.sql")];

/// Why the database can't be used.
#[derive(Debug, thiserror::Error)]
pub enum DatabaseError {
    #[error("--database isn't an address of PostgreSQL, as postgres://user@host:5432/name: {0}")]
    Address(postgres::Error),
    #[error("{database}: {detail}; check that it runs, is reached and lets this user in", detail = told(source))]
    Failed { database: String, source: postgres::Error },
    #[error("{database}: other processes write the same all the time; try again")]
    Busy { database: String },
    #[error("{database}: all connections are in use; try again")]
    NoConnection { database: String },
    #[error("{database} has schema {found}, this program knows up to {known}; run a newer Rakelight", known = MIGRATIONS.len())]
    Newer { database: String, found: usize },
    #[error("{database} holds what isn't Rakelight's ({what})")]
    Foreign { database: String, what: &'static str },
    #[error("a withdrawal can't be read: {0}")]
    Withdrawal(rusqlite::Error),
}

/// What the database said. Its detail isn't told: it may hold values of rows.
fn told(error: &postgres::Error) -> String {
    if let Some(said) = error.as_db_error() {
        return format!("{} ({})", said.message(), said.code().code());
    }
    let cause = std::error::Error::source(error).map(|cause| format!(": {cause}"));
    format!("{error}{}", cause.unwrap_or_default())
}

/// What can go wrong inside a transaction.
enum Failure {
    Postgres(postgres::Error),
    Withdrawal(rusqlite::Error),
    Newer(usize),
    Foreign(&'static str),
    NoConnection,
}

impl From<postgres::Error> for Failure {
    fn from(error: postgres::Error) -> Self {
        Self::Postgres(error)
    }
}

/// The team's database.
pub struct Database {
    pool: Pool,
}

impl Database {
    /// Opens it, and makes the tables where there are none. `postgres://user@host:5432/name`; where there is no password in it, that of
    /// `PGPASSWORD` is used.
    pub fn open(address: &str) -> Result<Self, DatabaseError> {
        let database = Self { pool: Pool::new(address)? };
        database.run(|client| {
            Ok(client.batch_execute("CREATE TABLE IF NOT EXISTS migrations (number bigint PRIMARY KEY)")?)
        })?;
        database.write(migrate)?;
        Ok(database)
    }

    /// Statements that need no transaction. They may run more than once.
    fn run<T>(&self, work: impl Fn(&mut Client) -> Result<T, Failure>) -> Result<T, DatabaseError> {
        self.pool.with(work)
    }

    /// Several statements, all or none, as if nothing else were going on. They may run more than once.
    fn write<T>(&self, work: impl Fn(&mut Transaction) -> Result<T, Failure>) -> Result<T, DatabaseError> {
        self.pool.with(|client| {
            let mut transaction = client.build_transaction().isolation_level(IsolationLevel::Serializable).start()?;
            let done = work(&mut transaction)?;
            transaction.commit()?;
            Ok(done)
        })
    }
}

/// Where two processes start at once, the second one's number is there already and it looks again.
fn migrate(transaction: &mut Transaction) -> Result<(), Failure> {
    let found = transaction.query_one("SELECT count(*) FROM migrations", &[])?.get::<_, i64>(0);
    let found = usize::try_from(found).unwrap_or(usize::MAX);
    if found > MIGRATIONS.len() {
        return Err(Failure::Newer(found));
    }
    for (migration, number) in MIGRATIONS.iter().zip(1i64..).skip(found) {
        transaction.execute("INSERT INTO migrations VALUES ($1)", &[&number])?;
        transaction.batch_execute(migration)?;
    }
    Ok(())
}

/// Bytes of a fixed length out of a row.
fn bytes<const N: usize>(row: &postgres::Row, column: usize) -> Result<[u8; N], Failure> {
    row.get::<_, &[u8]>(column).try_into().map_err(|_| Failure::Foreign("a key of another length"))
}
