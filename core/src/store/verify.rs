//! Checking everything in a store against its digests and signatures.

use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::path::Path;

use rusqlite::types::ValueRef;
use rusqlite::{Connection, Row};

use super::encoding::{DeviceId, Digest, Header, NO_PREVIOUS, Salt, head_is_signed, salted};
use super::heads::header_of;
use super::packet::read_sequence;
use super::{Damage, HybridTime, MIGRATIONS, READING, Store, StoreError, Verified, files, photographs, rebuild};

impl Store {
    /// Checks the database, the chain, digests and signatures of every log, and every photograph. Reads all of it; changes nothing.
    ///
    /// # Errors
    /// Another process keeps the store locked. Whatever else is wrong is in the answer.
    pub fn verify(&self) -> Result<Verified, StoreError> {
        // One reading transaction, so that all checks see the same entries while another process appends.
        let snapshot = self.connection.unchecked_transaction().map_err(|e| self.failed(e))?;
        let mut verified = Verified { entries: 0, erased: 0, photographs: 0, damage: Vec::new() };
        for check in [check_database, check_schema, check_logs, check_reading, check_waiting, check_photographs] {
            let Err(e) = check(&snapshot, &self.dir, &mut verified) else { continue };
            let detail = e.to_string();
            match self.failed(e) {
                busy @ StoreError::Busy { .. } => return Err(busy),
                _ => verified.damage.push(Damage::Database { detail }),
            }
        }
        Ok(verified)
    }
}

fn check_database(snapshot: &Connection, _: &Path, verified: &mut Verified) -> rusqlite::Result<()> {
    let mut query = snapshot.prepare("PRAGMA integrity_check")?;
    let mut lines = query.query([])?;
    while let Some(line) = lines.next()? {
        let detail = String::from_utf8_lossy(line.get_ref(0)?.as_bytes()?).into_owned();
        if detail != "ok" {
            verified.damage.push(Damage::Database { detail });
        }
    }
    Ok(())
}

/// Tables, views and guards must be those that the migrations make: a changed view would show a reader something else.
fn check_schema(snapshot: &Connection, _: &Path, verified: &mut Verified) -> rusqlite::Result<()> {
    let fresh = Connection::open_in_memory()?;
    MIGRATIONS.iter().try_for_each(|migration| fresh.execute_batch(migration))?;
    fresh.execute_batch(READING)?;
    let (expected, found) = (schema_of(&fresh)?, schema_of(snapshot)?);
    for (name, _) in expected.symmetric_difference(&found).map(|(name, sql)| (name, sql)).collect::<BTreeMap<_, _>>() {
        verified.damage.push(Damage::Schema { name: name.clone() });
    }
    Ok(())
}

/// The name of each table, index, view and trigger, with all that is kept about it.
fn schema_of(connection: &Connection) -> rusqlite::Result<BTreeSet<(String, String)>> {
    let sql = "SELECT CAST(name AS TEXT), concat_ws('|', type, tbl_name, sql) FROM sqlite_schema";
    connection.prepare(sql)?.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?.collect()
}

fn check_logs(snapshot: &Connection, _: &Path, verified: &mut Verified) -> rusqlite::Result<()> {
    let mut query = snapshot.prepare(
        "SELECT device, number, wall_ms, counter, kind, visit, subject, author_digest, payload_digest, previous, digest,
                signature, salt, author, payload FROM entries ORDER BY device, number, digest",
    )?;
    let mut rows = query.query([])?;
    let mut log: Option<Log> = None;
    while let Some(row) = rows.next()? {
        let device: DeviceId = row.get(0)?;
        let mut current = match log.take() {
            Some(log) if log.device == device => log,
            ended => {
                ended.into_iter().for_each(|log| log.end(verified));
                Log::start(device)
            }
        };
        current.check(row, verified)?;
        log = Some(current);
    }
    log.into_iter().for_each(|log| log.end(verified));
    Ok(())
}

/// One device's log as far as it has been walked: the entries of the last number, and those of the one before it that may go on.
struct Log {
    device: DeviceId,
    number: i64,
    before: Vec<Walked>,
    last: Vec<Walked>,
}

/// An entry that others may follow from.
struct Walked {
    digest: Digest,
    time: Option<HybridTime>,
    /// Up to which number a signature covers the way to it.
    signed: i64,
    followed: bool,
}

impl Log {
    fn start(device: DeviceId) -> Self {
        Self { device, number: 0, before: vec![], last: vec![] }
    }

    fn check(&mut self, row: &Row, verified: &mut Verified) -> rusqlite::Result<()> {
        let (device, number) = (hex::encode(self.device), row.get::<_, i64>(1)?);
        let digest: Digest = row.get(10)?;
        verified.entries += 1;
        let gap = number > self.number + 1;
        if gap {
            verified.damage.push(Damage::Gap { device: device.clone(), missing: self.number + 1, number });
        }
        self.go_to(number, gap, verified);
        let damage = &mut verified.damage;
        let header = header_of(row).ok().filter(|header| header.digest() == digest);
        match &header {
            None => damage.push(Damage::EntryChanged { device: device.clone(), number }),
            Some(header) => match payload_fits(row, header)? {
                Payload::Fits => {}
                Payload::Erased => verified.erased += 1,
                Payload::Changed => damage.push(Damage::PayloadChanged { device: device.clone(), number }),
            },
        }
        let previous: Digest = row.get(9)?;
        let mut walked = Walked { digest, time: header.map(|header| header.time), signed: 0, followed: false };
        match self.before.iter_mut().find(|before| before.digest == previous) {
            Some(before) => {
                before.followed = true;
                walked.signed = before.signed;
                if walked.time.is_some_and(|time| before.time.is_some_and(|before| time <= before)) {
                    damage.push(Damage::TimeWentBack { device: device.clone(), number });
                }
                walked.time = walked.time.or(before.time);
            }
            None if gap || number == 1 && previous == NO_PREVIOUS => {}
            None => damage.push(Damage::ChainBroken { device: device.clone(), number }),
        }
        match row.get_ref(11)? {
            ValueRef::Null => {}
            ValueRef::Blob(signature) if head_is_signed(&self.device, &digest, signature) => walked.signed = number,
            _ => damage.push(Damage::BadSignature { device, number }),
        }
        self.last.push(walked);
        Ok(())
    }

    /// On to this number: what nothing followed from was the end of its branch.
    fn go_to(&mut self, number: i64, gap: bool, verified: &mut Verified) {
        if number == self.number {
            return;
        }
        let ended = std::mem::replace(&mut self.before, std::mem::take(&mut self.last));
        self.ended(&ended, self.number - 1, verified);
        if gap {
            // Whatever followed is missing, signatures and all.
            self.before.clear();
        }
        self.number = number;
    }

    fn end(mut self, verified: &mut Verified) {
        let (before, last) = (std::mem::take(&mut self.before), std::mem::take(&mut self.last));
        self.ended(&before, self.number - 1, verified);
        self.ended(&last, self.number, verified);
    }

    fn ended(&self, walked: &[Walked], number: i64, verified: &mut Verified) {
        for branch in walked.iter().filter(|walked| !walked.followed && walked.signed < number) {
            let device = hex::encode(self.device);
            verified.damage.push(Damage::Unsigned { device, number: branch.signed + 1 });
        }
    }
}

enum Payload {
    Fits,
    Changed,
    Erased,
}

fn payload_fits(row: &Row, header: &Header) -> rusqlite::Result<Payload> {
    let (salt, author, payload) = (row.get_ref(12)?, row.get_ref(13)?, row.get_ref(14)?);
    if [salt, author, payload] == [ValueRef::Null; 3] {
        return Ok(Payload::Erased);
    }
    let fits = |salt: &Salt| {
        author.as_bytes().is_ok_and(|author| salted(salt, author) == header.author_digest)
            && payload.as_bytes().is_ok_and(|payload| salted(salt, payload) == header.payload_digest)
    };
    let salt = salt.as_bytes().ok().and_then(|salt| salt.try_into().ok());
    Ok(if salt.is_some_and(fits) { Payload::Fits } else { Payload::Changed })
}

fn check_reading(snapshot: &Connection, _: &Path, verified: &mut Verified) -> rusqlite::Result<()> {
    verified.damage.extend(rebuild::check(snapshot)?);
    Ok(())
}

fn check_waiting(snapshot: &Connection, _: &Path, verified: &mut Verified) -> rusqlite::Result<()> {
    let mut query = snapshot.prepare("SELECT device, number, digest, packet FROM waiting")?;
    let mut rows = query.query([])?;
    while let Some(row) = rows.next()? {
        let place: (DeviceId, i64, Digest) = (row.get(0)?, row.get(1)?, row.get(2)?);
        let packets = read_sequence(row.get_ref(3)?.as_blob()?);
        if !matches!(&packets[..], [Ok(packet)] if packet.place() == place) {
            verified.damage.push(Damage::Waiting { device: hex::encode(place.0), number: place.1 });
        }
    }
    Ok(())
}

fn check_photographs(snapshot: &Connection, dir: &Path, verified: &mut Verified) -> rusqlite::Result<()> {
    let mut query = snapshot.prepare("SELECT sha256, bytes, ending FROM photographs")?;
    let mut rows = query.query([])?;
    while let Some(row) = rows.next()? {
        let (digest, bytes, ending): (Digest, i64, String) = (row.get(0)?, row.get(1)?, row.get(2)?);
        verified.photographs += 1;
        let sha256 = hex::encode(digest);
        match files::digest_file(&photographs::path_of(dir, &digest, &ending)) {
            Ok((found, length)) if found == digest && i64::try_from(length) == Ok(bytes) => {}
            Ok(_) => verified.damage.push(Damage::PhotographChanged { sha256 }),
            Err(e) if e.kind() == io::ErrorKind::NotFound => {
                verified.damage.push(Damage::PhotographMissing { sha256 });
            }
            Err(e) => verified.damage.push(Damage::PhotographUnreadable { sha256, detail: e.to_string() }),
        }
    }
    Ok(())
}
