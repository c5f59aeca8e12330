//! People who use the pages, and the links that were given out.

use rakelight_core::exchange::wire::Role;
use rusqlite::{OptionalExtension, Row, params};

use super::sqlite::{Sqlite, role_in};
use super::{Id, ServiceError, role_name};

/// A random name of 128 bits.
pub type PersonId = [u8; 16];

/// Someone who may log in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Person {
    pub id: PersonId,
    pub name: String,
    pub role: Role,
    /// Argon2's own text of the password, where there is one.
    pub password: Option<String>,
    /// Sessions of an earlier era are over.
    pub era: i64,
    pub barred: bool,
    pub seen_ms: Option<i64>,
}

/// A link to one summary.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SummaryLink {
    pub token_sha256: Id,
    pub visit: String,
    pub lang: String,
    /// Exact places may be shown, where the landowner agreed to that.
    pub exact: bool,
    pub given_by: String,
    pub given_ms: i64,
    pub expires_ms: i64,
}

const PEOPLE: &str = "SELECT id, name, role, password, era, barred, seen_ms FROM people";
const LINKS: &str = "SELECT token_sha256, visit, lang, exact, given_by, given_ms, expires_ms FROM summary_links";

impl Sqlite {
    /// Gives someone a link that logs in once; they are made where they aren't known, and take this role.
    pub fn give_log_in(
        &self,
        new: &PersonId,
        name: &str,
        role: Role,
        token_sha256: &Id,
        [now_ms, expires_ms]: [i64; 2],
    ) -> Result<(), ServiceError> {
        self.write(|transaction| {
            transaction.execute("DELETE FROM log_in_links WHERE expires_ms < ?1", [now_ms])?;
            let sql = "INSERT INTO people (id, name, role) VALUES (?1, ?2, ?3)
                       ON CONFLICT (name) DO UPDATE SET role = excluded.role";
            transaction.execute(sql, params![new, name, role_name(role)])?;
            let sql = "INSERT INTO log_in_links (token_sha256, person, expires_ms)
                       SELECT ?1, id, ?2 FROM people WHERE name = ?3";
            transaction.execute(sql, params![token_sha256, expires_ms, name]).map(drop)
        })
    }

    /// Whose link this is, while it is good and wasn't used.
    pub fn log_in_link(&self, token_sha256: &Id, now_ms: i64) -> Result<Option<Person>, ServiceError> {
        let sql = format!(
            "{PEOPLE} WHERE NOT barred AND id =
             (SELECT person FROM log_in_links WHERE token_sha256 = ?1 AND expires_ms > ?2)"
        );
        self.run(|connection| connection.query_row(&sql, params![token_sha256, now_ms], person_in).optional())
    }

    /// Uses a link: whoever comes second gets nobody.
    pub fn use_log_in_link(&self, token_sha256: &Id, now_ms: i64) -> Result<Option<Person>, ServiceError> {
        self.write(|transaction| {
            let sql = "DELETE FROM log_in_links WHERE token_sha256 = ?1 AND expires_ms > ?2 RETURNING person";
            let of = transaction.query_row(sql, params![token_sha256, now_ms], |row| row.get(0)).optional()?;
            let Some(id): Option<PersonId> = of else { return Ok(None) };
            let sql = format!("{PEOPLE} WHERE NOT barred AND id = ?1");
            transaction.query_row(&sql, [id], person_in).optional()
        })
    }

    /// The person with this id.
    pub fn person(&self, id: &PersonId) -> Result<Option<Person>, ServiceError> {
        let sql = format!("{PEOPLE} WHERE id = ?1");
        self.run(|connection| connection.prepare_cached(&sql)?.query_row([id], person_in).optional())
    }

    /// The person of this name.
    pub fn person_named(&self, name: &str) -> Result<Option<Person>, ServiceError> {
        let sql = format!("{PEOPLE} WHERE name = ?1");
        self.run(|connection| connection.query_row(&sql, [name], person_in).optional())
    }

    /// All people by name.
    pub fn people(&self) -> Result<Vec<Person>, ServiceError> {
        let sql = format!("{PEOPLE} ORDER BY name");
        self.run(|connection| connection.prepare_cached(&sql)?.query_map([], person_in)?.collect())
    }

    /// Sets a password, which ends all sessions that were begun before.
    pub fn set_password(&self, id: &PersonId, password: &str) -> Result<(), ServiceError> {
        let sql = "UPDATE people SET password = ?2, era = era + 1 WHERE id = ?1";
        self.run(|connection| connection.execute(sql, params![id, password]).map(drop))
    }

    /// Ends all sessions.
    pub fn end_sessions(&self, id: &PersonId) -> Result<(), ServiceError> {
        self.run(|connection| connection.execute("UPDATE people SET era = era + 1 WHERE id = ?1", [id]).map(drop))
    }

    /// Bars a person, which ends their sessions and links, or lets them in again.
    pub fn bar_person(&self, id: &PersonId, barred: bool) -> Result<(), ServiceError> {
        self.write(|transaction| {
            transaction.execute("DELETE FROM log_in_links WHERE person = ?1", [id])?;
            let sql = "UPDATE people SET barred = ?2, era = era + 1 WHERE id = ?1";
            transaction.execute(sql, params![id, barred]).map(drop)
        })
    }

    /// A person asked for a page now; written once a minute at most.
    pub fn seen(&self, id: &PersonId, now_ms: i64) -> Result<(), ServiceError> {
        let sql = "UPDATE people SET seen_ms = ?2 WHERE id = ?1 AND coalesce(seen_ms, 0) < ?2 - 60000";
        self.run(|connection| connection.execute(sql, params![id, now_ms]).map(drop))
    }

    /// Notes that a person has seen what was made of a visit's signs.
    pub fn show_findings(&self, person: &PersonId, visit: &str) -> Result<(), ServiceError> {
        let sql = "INSERT INTO shown_findings (person, visit) VALUES (?1, ?2) ON CONFLICT DO NOTHING";
        self.run(|connection| connection.execute(sql, params![person, visit]).map(drop))
    }

    /// Whether they have.
    pub fn were_shown_findings(&self, person: &PersonId, visit: &str) -> Result<bool, ServiceError> {
        let sql = "SELECT EXISTS (SELECT 1 FROM shown_findings WHERE person = ?1 AND visit = ?2)";
        self.run(|connection| connection.query_row(sql, params![person, visit], |row| row.get(0)))
    }

    /// Gives a link to a summary.
    pub fn give_summary(&self, link: &SummaryLink) -> Result<(), ServiceError> {
        let sql = "INSERT INTO summary_links (token_sha256, visit, lang, exact, given_by, given_ms, expires_ms)
                   VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)";
        let SummaryLink { token_sha256, visit, lang, exact, given_by, given_ms, expires_ms } = link;
        let values = params![token_sha256, visit, lang, exact, given_by, given_ms, expires_ms];
        self.run(|connection| connection.execute(sql, values).map(drop))
    }

    /// The summary that a link leads to, while it is good.
    pub fn summary_link(&self, token_sha256: &Id, now_ms: i64) -> Result<Option<SummaryLink>, ServiceError> {
        let sql = format!("{LINKS} WHERE token_sha256 = ?1 AND expires_ms > ?2");
        self.run(|connection| connection.query_row(&sql, params![token_sha256, now_ms], link_in).optional())
    }

    /// The links to a visit's summary that are good, the newest first.
    pub fn summary_links(&self, visit: &str, now_ms: i64) -> Result<Vec<SummaryLink>, ServiceError> {
        let sql = format!("{LINKS} WHERE visit = ?1 AND expires_ms > ?2 ORDER BY given_ms DESC");
        self.run(|connection| connection.prepare(&sql)?.query_map(params![visit, now_ms], link_in)?.collect())
    }

    /// Takes a link back.
    pub fn withdraw_summary(&self, token_sha256: &Id) -> Result<(), ServiceError> {
        let sql = "DELETE FROM summary_links WHERE token_sha256 = ?1";
        self.run(|connection| connection.execute(sql, [token_sha256]).map(drop))
    }
}

fn person_in(row: &Row) -> rusqlite::Result<Person> {
    Ok(Person {
        id: row.get(0)?,
        name: row.get(1)?,
        role: role_in(row, 2)?,
        password: row.get(3)?,
        era: row.get(4)?,
        barred: row.get(5)?,
        seen_ms: row.get(6)?,
    })
}

fn link_in(row: &Row) -> rusqlite::Result<SummaryLink> {
    Ok(SummaryLink {
        token_sha256: row.get(0)?,
        visit: row.get(1)?,
        lang: row.get(2)?,
        exact: row.get(3)?,
        given_by: row.get(4)?,
        given_ms: row.get(5)?,
        expires_ms: row.get(6)?,
    })
}
