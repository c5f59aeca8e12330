//! Connections that requests share, and beginning again what met another process's work.

use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use postgres::config::Host;
use postgres::error::SqlState;
use postgres::{Client, Config, NoTls};

use super::{DatabaseError, Failure};
use crate::service::random;

/// So many connections of one process at once: three processes leave room in PostgreSQL's own hundred.
const CONNECTIONS: usize = 16;
/// How long to wait for one of them.
const PATIENCE: Duration = Duration::from_secs(30);
/// So often something is tried: some seconds, all in all.
const TRIES: u32 = 16;
/// Between two tries at most so long.
const LONGEST_PAUSE_MS: u64 = 500;

pub struct Pool {
    config: Config,
    /// Where it is, without a password.
    name: String,
    held: Mutex<Held>,
    given_back: Condvar,
}

#[derive(Default)]
struct Held {
    idle: Vec<Client>,
    in_use: usize,
}

impl Pool {
    pub fn new(address: &str) -> Result<Self, DatabaseError> {
        let mut config: Config = address.parse().map_err(DatabaseError::Address)?;
        if config.get_password().is_none()
            && let Ok(password) = std::env::var("PGPASSWORD")
        {
            config.password(password);
        }
        config.application_name("rakelight");
        config.connect_timeout(Duration::from_secs(10)).tcp_user_timeout(Duration::from_secs(30));
        Ok(Self { name: name_of(&config), config, held: Mutex::default(), given_back: Condvar::new() })
    }

    /// Does `work` over a connection; again where another process was in its way, or where the connection broke.
    pub fn with<T>(&self, work: impl Fn(&mut Client) -> Result<T, Failure>) -> Result<T, DatabaseError> {
        for attempt in 0..TRIES {
            match self.attempt(&work) {
                Ok(done) => return Ok(done),
                Err((failure, again)) if !again => return Err(self.told(failure)),
                Err((failure, _)) if attempt + 1 == TRIES => return Err(self.told(failure)),
                Err(_) => pause(attempt),
            }
        }
        Err(DatabaseError::Busy { database: self.name.clone() })
    }

    /// Once; where it fails, whether another time is worth it.
    fn attempt<T>(&self, work: impl Fn(&mut Client) -> Result<T, Failure>) -> Result<T, (Failure, bool)> {
        let mut place = self.place().ok_or((Failure::NoConnection, false))?;
        let mut client = match place.client.take() {
            Some(client) => client,
            None => self.connect().map_err(|error| {
                let again = error.code().is_none_or(|code| *code == SqlState::CANNOT_CONNECT_NOW);
                (error.into(), again)
            })?,
        };
        let done = work(&mut client);
        if client.is_closed() {
            // Those that wait were most likely cut by the same.
            let idle = std::mem::take(&mut self.lock().idle);
            drop(idle);
            return done.map_err(|failure| (failure, true));
        }
        // A client that panicked in use never gets here, and isn't used again.
        place.client = Some(client);
        done.map_err(|failure| {
            // Looked at again, one comes after the other.
            let again =
                matches!(&failure, Failure::Postgres(error) if is_one_of(error, &MET) || is_one_of(error, &MADE));
            (failure, again)
        })
    }

    fn connect(&self) -> Result<Client, postgres::Error> {
        let mut client = self.config.connect(NoTls)?;
        client.batch_execute("SET statement_timeout = '60s'")?;
        Ok(client)
    }

    /// A place among the connections, with one that is open where there is one.
    fn place(&self) -> Option<Place<'_>> {
        let held = self.lock();
        let full = |held: &mut Held| held.in_use >= CONNECTIONS;
        let waited = self.given_back.wait_timeout_while(held, PATIENCE, full);
        let (mut held, _) = waited.unwrap_or_else(PoisonError::into_inner);
        if full(&mut held) {
            return None;
        }
        held.in_use += 1;
        Some(Place { client: held.idle.pop(), pool: self })
    }

    fn lock(&self) -> MutexGuard<'_, Held> {
        self.held.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn told(&self, failure: Failure) -> DatabaseError {
        let database = self.name.clone();
        match failure {
            Failure::Postgres(error) if is_one_of(&error, &MET) => DatabaseError::Busy { database },
            Failure::Postgres(source) => DatabaseError::Failed { database, source },
            Failure::Withdrawal(error) => DatabaseError::Withdrawal(error),
            Failure::Newer(found) => DatabaseError::Newer { database, found },
            Failure::Foreign(what) => DatabaseError::Foreign { database, what },
            Failure::NoConnection => DatabaseError::NoConnection { database },
        }
    }
}

/// A connection waits while it is closed, which threads that answer must not do.
impl Drop for Pool {
    fn drop(&mut self) {
        let idle = std::mem::take(&mut self.lock().idle);
        _ = std::thread::spawn(|| drop(idle)).join();
    }
}

/// Until it is dropped.
struct Place<'p> {
    pool: &'p Pool,
    client: Option<Client>,
}

impl Drop for Place<'_> {
    fn drop(&mut self) {
        let mut held = self.pool.lock();
        held.in_use -= 1;
        held.idle.extend(self.client.take());
        self.pool.given_back.notify_one();
    }
}

/// Two transactions met.
const MET: [SqlState; 2] = [SqlState::T_R_SERIALIZATION_FAILURE, SqlState::T_R_DEADLOCK_DETECTED];
/// Two wrote the same row, or made the same table.
const MADE: [SqlState; 3] = [SqlState::UNIQUE_VIOLATION, SqlState::DUPLICATE_OBJECT, SqlState::DUPLICATE_TABLE];

fn is_one_of(error: &postgres::Error, codes: &[SqlState]) -> bool {
    error.code().is_some_and(|code| codes.contains(code))
}

/// Longer each time and by chance, so that the two don't meet again.
fn pause(attempt: u32) {
    let most_ms = (4u64 << attempt.min(16)).min(LONGEST_PAUSE_MS);
    let chance = random::<8>().map_or(most_ms, u64::from_le_bytes);
    std::thread::sleep(Duration::from_millis(chance % most_ms + 1));
}

fn name_of(config: &Config) -> String {
    let host = match config.get_hosts().first() {
        Some(Host::Tcp(host)) => host.clone(),
        #[cfg(unix)]
        Some(Host::Unix(path)) => path.display().to_string(),
        None => "localhost".into(),
    };
    let port = config.get_ports().first().map_or_else(String::new, |port| format!(":{port}"));
    format!("the database {} at {host}{port}", config.get_dbname().unwrap_or_default())
}
