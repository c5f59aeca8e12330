//! The passkeys by which people log in.

use rusqlite::{OptionalExtension, Row, params};

use super::{PersonId, ServiceError, Sqlite};

/// A passkey, as far as a base knows it.
pub struct Passkey {
    pub credential: Vec<u8>,
    pub person: PersonId,
    /// The name under which the base was reached when it was made.
    pub host: String,
    /// What the person calls it.
    pub label: String,
    /// How a browser may reach it, as the library writes that.
    pub transports: u8,
    /// Its public key and what never changes.
    pub lasting: Vec<u8>,
    /// What each log-in may change.
    pub changing: [u8; 7],
    pub made_ms: i64,
    pub used_ms: Option<i64>,
}

const PASSKEYS: &str =
    "SELECT credential, person, host, label, transports, lasting, changing, made_ms, used_ms FROM passkeys";

impl Sqlite {
    /// Keeps a new passkey; whether it was new.
    pub fn add_passkey(&self, passkey: &Passkey) -> Result<bool, ServiceError> {
        let sql = "INSERT INTO passkeys (credential, person, host, label, transports, lasting, changing, made_ms)
                   VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8) ON CONFLICT DO NOTHING";
        let Passkey { credential, person, host, label, transports, lasting, changing, made_ms, .. } = passkey;
        let values = params![credential, person, host, label, transports, lasting, changing, made_ms];
        self.run(|connection| connection.execute(sql, values).map(|written| written > 0))
    }

    /// A person's passkeys, the oldest first.
    pub fn passkeys(&self, person: &PersonId) -> Result<Vec<Passkey>, ServiceError> {
        let sql = format!("{PASSKEYS} WHERE person = ?1 ORDER BY made_ms");
        self.run(|connection| connection.prepare(&sql)?.query_map([person], passkey_in)?.collect())
    }

    /// The passkey with this credential id, if it is good for this name of the base.
    pub fn passkey(&self, credential: &[u8], host: &str) -> Result<Option<Passkey>, ServiceError> {
        let sql = format!("{PASSKEYS} WHERE credential = ?1 AND host = ?2");
        self.run(|connection| connection.query_row(&sql, params![credential, host], passkey_in).optional())
    }

    /// Somebody logged in with it.
    pub fn used_passkey(&self, passkey: &Passkey, now_ms: i64) -> Result<(), ServiceError> {
        let sql = "UPDATE passkeys SET changing = ?2, used_ms = ?3 WHERE credential = ?1";
        let values = params![passkey.credential, passkey.changing, now_ms];
        self.run(|connection| connection.execute(sql, values).map(drop))
    }

    /// Takes a passkey of a person away.
    pub fn remove_passkey(&self, person: &PersonId, credential: &[u8]) -> Result<(), ServiceError> {
        let sql = "DELETE FROM passkeys WHERE person = ?1 AND credential = ?2";
        self.run(|connection| connection.execute(sql, params![person, credential]).map(drop))
    }
}

fn passkey_in(row: &Row) -> rusqlite::Result<Passkey> {
    Ok(Passkey {
        credential: row.get(0)?,
        person: row.get(1)?,
        host: row.get(2)?,
        label: row.get(3)?,
        transports: row.get(4)?,
        lasting: row.get(5)?,
        changing: row.get(6)?,
        made_ms: row.get(7)?,
        used_ms: row.get(8)?,
    })
}
