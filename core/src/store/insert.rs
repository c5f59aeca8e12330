//! Writing entries, and keeping the tables for reading in step with them.

use std::collections::{HashMap, HashSet};
use std::path::Path;

use rusqlite::{Transaction, params};

use super::encoding::{DeviceId, Digest};
use super::packet::Packet;
use super::{Failure, photographs};

/// Writes entries that follow from what is there, in their order. `log` entries of other devices may be older than what counts already.
pub(super) struct Inserting<'t> {
    transaction: &'t Transaction<'t>,
    /// By visit: its latest time and how many entries it gained.
    visits: HashMap<String, (i64, i64)>,
    /// Whether anything at all was withdrawn; as a rule nothing was.
    any_withdrawn: bool,
}

/// Whether an entry is certainly the newest of all, as an own one is.
#[derive(Clone, Copy, PartialEq)]
pub(super) enum Age {
    Newest,
    Any,
}

impl<'t> Inserting<'t> {
    pub fn begin(transaction: &'t Transaction<'t>) -> rusqlite::Result<Self> {
        let any =
            transaction.prepare_cached("SELECT EXISTS (SELECT 1 FROM withdrawn)")?.query_row([], |row| row.get(0))?;
        Ok(Self { transaction, visits: HashMap::new(), any_withdrawn: any })
    }

    pub fn entry(&mut self, packet: &Packet, age: Age) -> rusqlite::Result<()> {
        let Packet { header, digest, signature, .. } = packet;
        let withdrawn = age == Age::Any && self.any_withdrawn && self.is_withdrawn(packet)?;
        // A withdrawal can't be withdrawn, in whatever order the two come.
        let body = packet.body.as_ref().filter(|_| !withdrawn || header.kind == super::kind::WITHDRAWAL);
        let sql = "INSERT INTO entries (device, number, wall_ms, counter, kind, visit, subject, author_digest, payload_digest,
                   previous, digest, signature, salt, author, payload)
                   VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15)";
        self.transaction.prepare_cached(sql)?.execute(params![
            header.device,
            header.number,
            header.time.wall_ms,
            header.time.counter,
            header.kind,
            header.visit,
            header.subject,
            header.author_digest,
            header.payload_digest,
            header.previous,
            digest,
            signature,
            body.map(|b| b.salt),
            body.map(|b| &b.author),
            body.map(|b| &b.payload),
        ])?;
        let id = self.transaction.last_insert_rowid();
        self.counts(packet, id, age)?;
        if body.is_none() && !withdrawn {
            self.run("INSERT OR IGNORE INTO hollow VALUES (?1)", [id])?;
        }
        self.follow_up(&header.kind, id)?;
        if !self.visits.contains_key(&header.visit) {
            self.visits.insert(header.visit.clone(), (0, 0));
        }
        if let Some((latest, entries)) = self.visits.get_mut(&header.visit) {
            (*latest, *entries) = ((*latest).max(header.time.wall_ms), *entries + 1);
        }
        Ok(())
    }

    /// A log's head moves on from one entry to another: their numbers and digests.
    pub fn head(&self, device: &DeviceId, from: (i64, Digest), to: (i64, Digest)) -> rusqlite::Result<()> {
        let before = params![device, from.0, from.1];
        self.run("DELETE FROM heads WHERE device = ?1 AND number = ?2 AND digest = ?3", before)?;
        self.run("INSERT INTO heads VALUES (?1, ?2, ?3)", params![device, to.0, to.1])
    }

    /// The visits' lines.
    pub fn end(self) -> rusqlite::Result<()> {
        for (visit, (wall_ms, entries)) in &self.visits {
            let sql = "INSERT INTO visits VALUES (?1, ?2, ?3) ON CONFLICT (visit) DO UPDATE
                       SET wall_ms = max(wall_ms, excluded.wall_ms), entries = entries + excluded.entries";
            self.run(sql, params![visit, wall_ms, entries])?;
        }
        Ok(())
    }

    /// Whether it is the one that counts of its visit, kind and subject.
    fn counts(&self, packet: &Packet, id: i64, age: Age) -> rusqlite::Result<()> {
        let set = "INSERT INTO newest VALUES (?1, ?2, ?3, ?4) ON CONFLICT (visit, kind, subject) DO UPDATE SET entry = excluded.entry";
        let if_newer = "INSERT INTO newest VALUES (?1, ?2, ?3, ?4) ON CONFLICT (visit, kind, subject) DO UPDATE SET entry = excluded.entry
             WHERE (SELECT wall_ms, counter, device, number, digest FROM entries WHERE id = excluded.entry)
                 > (SELECT wall_ms, counter, device, number, digest FROM entries WHERE id = newest.entry)";
        let header = &packet.header;
        let sql = if age == Age::Newest { set } else { if_newer };
        self.run(sql, params![header.visit, header.kind, header.subject, id])
    }

    /// What an entry of this kind brings about beside itself.
    pub fn follow_up(&self, kind: &str, id: i64) -> rusqlite::Result<()> {
        match kind {
            super::kind::PHOTOGRAPH_ATTACHED => self.run(
                "INSERT OR IGNORE INTO wanted_photographs SELECT sha256 FROM photographs_of_entries
                 WHERE entry = ?1 AND sha256 NOT IN (SELECT sha256 FROM photographs)",
                [id],
            ),
            super::kind::WITHDRAWAL => {
                self.run("INSERT OR IGNORE INTO withdrawn SELECT device, number, by FROM withdrawals_of_entries WHERE entry = ?1", [id])
            }
            _ => Ok(()),
        }
    }

    fn is_withdrawn(&self, packet: &Packet) -> rusqlite::Result<bool> {
        let sql = "SELECT EXISTS (SELECT 1 FROM withdrawn WHERE device = ?1 AND number = ?2
                                  AND (by = device OR by IN (SELECT device FROM trusted)))";
        let place = params![packet.header.device, packet.header.number];
        self.transaction.prepare_cached(sql)?.query_row(place, |row| row.get(0))
    }

    fn run(&self, sql: &str, params: impl rusqlite::Params) -> rusqlite::Result<()> {
        self.transaction.prepare_cached(sql)?.execute(params).map(drop)
    }
}

/// Erases what withdrawals that hold ask for, photographs with the entries that alone spoke of them; says how many entries that was.
pub(super) fn erase_withdrawn(transaction: &Transaction, dir: &Path) -> Result<usize, Failure> {
    let spoken_of: HashSet<Digest> = photographs_spoken_of(transaction)?;
    let erased = transaction.execute(
        "UPDATE entries SET salt = NULL, author = NULL, payload = NULL
         WHERE salt IS NOT NULL AND id IN (
             SELECT e.id FROM withdrawn AS w CROSS JOIN entries AS e ON e.device = w.device AND e.number = w.number
             WHERE (w.by = w.device OR w.by IN (SELECT device FROM trusted)) AND e.kind <> 'withdrawal')",
        [],
    )?;
    // Copies that still wait come again, without what was withdrawn.
    transaction.execute(
        "DELETE FROM waiting WHERE EXISTS (SELECT 1 FROM withdrawn AS w WHERE w.device = waiting.device AND w.number = waiting.number
             AND (w.by = w.device OR w.by IN (SELECT device FROM trusted)))",
        [],
    )?;
    for sha256 in spoken_of.difference(&photographs_spoken_of(transaction)?) {
        photographs::erase(transaction, dir, sha256)?;
    }
    transaction.execute_batch(
        "DELETE FROM hollow; INSERT INTO hollow SELECT * FROM hollow_of_entries;
         DELETE FROM wanted_photographs; INSERT INTO wanted_photographs SELECT * FROM wanted_photographs_of_entries;",
    )?;
    Ok(erased)
}

/// Photographs that an entry attaches that nobody withdrew.
fn photographs_spoken_of(transaction: &Transaction) -> rusqlite::Result<HashSet<Digest>> {
    let mut query = transaction.prepare_cached("SELECT DISTINCT sha256 FROM photographs_of_entries")?;
    query.query_map([], |row| row.get(0))?.collect()
}
