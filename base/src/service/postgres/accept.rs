//! Taking in one log's entries, as `core/src/store/accept.rs` and `insert.rs` do it in a folder's store: the same entries, in whatever order they
//! come, end as the same rows.

use std::collections::{BTreeMap, HashSet};

use postgres::Transaction;
use rakelight_core::exchange::wire::{Accepted, Reason};
use rakelight_core::store::{
    Admission, Body, DeviceId, Digest, Here, HybridTime, Linked, Packet, Tip, Waiting, Waits, kind, link,
    read_sequence, refused, wait,
};
use rusqlite::Connection;

use super::{Failure, bytes};
use crate::service::{Id, id_of};

/// An entry in its log.
type Place = (i64, Digest);

pub fn accept_log(
    transaction: &mut Transaction,
    device: &DeviceId,
    mut packets: Vec<Packet>,
    admission: Admission,
) -> Result<Accepted, Failure> {
    let mut accepted = Accepted::default();
    let refuse = |packet: &Packet, reason| refused(Some((*device, packet.header.number)), reason);
    if admission != Admission::Welcome {
        let here = here(transaction, device, &packets)?;
        let reason = if admission == Admission::Barred { Reason::BarredDevice } else { Reason::UnknownDevice };
        let (known, new): (Vec<_>, Vec<_>) = packets.iter().partition(|packet| here.contains_key(&packet.digest));
        accepted.known = known.len();
        accepted.refused = new.into_iter().map(|packet| refuse(packet, reason)).collect();
        return Ok(accepted);
    }
    let waited = waiting(transaction, device)?;
    packets.extend(waited.values().cloned());
    let here = here(transaction, device, &packets)?;
    let Linked { taken, known, waiting, refused: mut bad } = link(packets, &here);
    let mut withdrew = false;
    if !taken.is_empty() {
        withdrew = write(transaction, device, &taken)?;
    }
    withdrew |= fill(transaction, device, &known)?;
    accepted.taken = taken.len();
    accepted.known = known.len();
    if let Some(furthest) = taken.iter().chain(&known).max_by_key(|packet| packet.header.number) {
        let tip = Tip { number: furthest.header.number.unsigned_abs(), digest: hex::encode(furthest.digest) };
        accepted.reached.insert(hex::encode(device), tip);
    }
    accepted.waiting = keep_waiting(transaction, device, wait(waited, waiting), &mut bad)?;
    if withdrew {
        erase_withdrawn(transaction)?;
    }
    accepted.refused = bad.iter().map(|(packet, reason)| refuse(packet, *reason)).collect();
    Ok(accepted)
}

/// What of this log is here around the numbers of the packets.
fn here(transaction: &mut Transaction, device: &DeviceId, packets: &[Packet]) -> Result<Here, Failure> {
    let numbers = packets.iter().map(|packet| packet.header.number);
    let (Some(first), Some(last)) = (numbers.clone().min(), numbers.max()) else { return Ok(Here::new()) };
    let sql = "SELECT digest, number, wall_ms, counter FROM entries WHERE device = $1 AND number BETWEEN $2 AND $3";
    let rows = transaction.query(sql, &[&&device[..], &(first - 1), &last])?;
    let entry = |row: &postgres::Row| {
        let counter = u32::try_from(row.get::<_, i64>(3)).map_err(|_| Failure::Foreign("a counter that is none"))?;
        Ok((bytes(row, 0)?, (row.get(1), HybridTime { wall_ms: row.get(2), counter })))
    };
    rows.iter().map(entry).collect()
}

/// Writes packets that follow without a gap; says whether one of them withdraws something.
fn write(transaction: &mut Transaction, device: &DeviceId, taken: &[Packet]) -> Result<bool, Failure> {
    let mut beside = Beside::default();
    let mut withdrawn = withdrawn_of(transaction, device)?;
    let mut bodies = Vec::with_capacity(taken.len());
    for packet in taken {
        let is_withdrawn = withdrawn.contains(&packet.header.number);
        // A withdrawal can't be withdrawn, in whatever order the two come.
        let body = packet.body.as_ref().filter(|_| !is_withdrawn || packet.header.kind == kind::WITHDRAWAL);
        if body.is_none() && !is_withdrawn {
            beside.hollow.push((packet.header.number, packet.digest));
        }
        // A device's own withdrawals hold from here on, also for entries of its own that are still to come.
        let named = beside.follow_up(packet, body)?;
        withdrawn.extend(named.into_iter().filter(|(whose, _)| whose == device).map(|(_, number)| number));
        bodies.push(body);
    }
    insert(transaction, device, taken, &bodies)?;
    move_heads(transaction, device, taken)?;
    count(transaction, device, taken)?;
    beside.write(transaction, device)?;
    Ok(taken.iter().any(|packet| packet.header.kind == kind::WITHDRAWAL))
}

/// The numbers of a log that were withdrawn by who may.
fn withdrawn_of(transaction: &mut Transaction, device: &DeviceId) -> Result<HashSet<i64>, Failure> {
    let sql = "SELECT number FROM withdrawn WHERE device = $1 AND (by = device OR by IN (SELECT device FROM trusted))";
    Ok(transaction.query(sql, &[&&device[..]])?.iter().map(|row| row.get(0)).collect())
}

fn insert(
    transaction: &mut Transaction,
    device: &DeviceId,
    taken: &[Packet],
    bodies: &[Option<&Body>],
) -> Result<(), Failure> {
    let sql = "INSERT INTO entries (device, number, digest, wall_ms, counter, kind, visit, subject, author_digest, payload_digest, previous,
                                    signature, salt, author, payload, photograph)
               SELECT $1, * FROM unnest($2::bigint[], $3::bytea[], $4::bigint[], $5::bigint[], $6::bytea[], $7::bytea[], $8::bytea[],
                   $9::bytea[], $10::bytea[], $11::bytea[], $12::bytea[], $13::bytea[], $14::bytea[], $15::bytea[], $16::bytea[])";
    let each = |of: fn(&Packet) -> &[u8]| taken.iter().map(of).collect::<Vec<_>>();
    let number = |of: fn(&Packet) -> i64| taken.iter().map(of).collect::<Vec<_>>();
    let behind = |of: fn(&Body) -> &[u8]| bodies.iter().map(|body| body.map(of)).collect::<Vec<_>>();
    let signatures: Vec<_> = taken.iter().map(|packet| packet.signature.as_ref().map(|bytes| &bytes[..])).collect();
    let photographs: Vec<_> = taken.iter().map(|packet| photograph(packet).map(|id| id.to_vec())).collect();
    transaction.execute(
        sql,
        &[
            &&device[..],
            &number(|packet| packet.header.number),
            &each(|packet| &packet.digest),
            &number(|packet| packet.header.time.wall_ms),
            &number(|packet| packet.header.time.counter.into()),
            &each(|packet| packet.header.kind.as_bytes()),
            &each(|packet| packet.header.visit.as_bytes()),
            &each(|packet| packet.header.subject.as_bytes()),
            &each(|packet| &packet.header.author_digest),
            &each(|packet| &packet.header.payload_digest),
            &each(|packet| &packet.header.previous),
            &signatures,
            &behind(|body| &body.salt),
            &behind(|body| body.author.as_bytes()),
            &behind(|body| body.payload.as_bytes()),
            &photographs,
        ],
    )?;
    Ok(())
}

/// The log's branches end where nothing follows: not before what was taken, but at its ends.
fn move_heads(transaction: &mut Transaction, device: &DeviceId, taken: &[Packet]) -> Result<(), Failure> {
    let followed: HashSet<&Digest> = taken.iter().map(|packet| &packet.header.previous).collect();
    let ends = taken.iter().filter(|packet| !followed.contains(&packet.digest));
    let (numbers, digests): (Vec<i64>, Vec<&[u8]>) =
        ends.map(|packet| (packet.header.number, &packet.digest[..])).unzip();
    let followed: Vec<&[u8]> = followed.into_iter().map(|digest| &digest[..]).collect();
    transaction.execute("DELETE FROM heads WHERE device = $1 AND digest = ANY($2)", &[&&device[..], &followed])?;
    let sql = "INSERT INTO heads SELECT $1, * FROM unnest($2::bigint[], $3::bytea[])";
    transaction.execute(sql, &[&&device[..], &numbers, &digests])?;
    Ok(())
}

/// What counts of each visit, kind and subject, and the visits' lines.
fn count(transaction: &mut Transaction, device: &DeviceId, taken: &[Packet]) -> Result<(), Failure> {
    let age = |packet: &Packet| (packet.header.time, packet.header.number, packet.digest);
    let (mut newest, mut visits) = (BTreeMap::<_, &Packet>::new(), BTreeMap::<_, (i64, i64)>::new());
    for packet in taken {
        let header = &packet.header;
        let key = [&header.visit, &header.kind, &header.subject];
        let counts = newest.entry(key).or_insert(packet);
        if age(packet) > age(counts) {
            *counts = packet;
        }
        let (latest, entries) = visits.entry(header.visit.as_bytes()).or_default();
        (*latest, *entries) = ((*latest).max(header.time.wall_ms), *entries + 1);
    }
    let sql = "INSERT INTO newest (visit, kind, subject, device, wall_ms, counter, number, digest)
               SELECT visit, kind, subject, $1, wall_ms, counter, number, digest
               FROM unnest($2::bytea[], $3::bytea[], $4::bytea[], $5::bigint[], $6::bigint[], $7::bigint[], $8::bytea[])
                    AS new (visit, kind, subject, wall_ms, counter, number, digest)
               ON CONFLICT (visit, kind, subject) DO UPDATE SET device = excluded.device, wall_ms = excluded.wall_ms,
                   counter = excluded.counter, number = excluded.number, digest = excluded.digest
               WHERE (excluded.wall_ms, excluded.counter, excluded.device, excluded.number, excluded.digest)
                   > (newest.wall_ms, newest.counter, newest.device, newest.number, newest.digest)";
    let name = |at: usize| newest.keys().map(|key| key[at].as_bytes()).collect::<Vec<_>>();
    let number = |of: fn(&Packet) -> i64| newest.values().map(|packet| of(packet)).collect::<Vec<_>>();
    let digests: Vec<&[u8]> = newest.values().map(|packet| &packet.digest[..]).collect();
    transaction.execute(
        sql,
        &[
            &&device[..],
            &name(0),
            &name(1),
            &name(2),
            &number(|packet| packet.header.time.wall_ms),
            &number(|packet| packet.header.time.counter.into()),
            &number(|packet| packet.header.number),
            &digests,
        ],
    )?;
    let sql =
        "INSERT INTO visits SELECT * FROM unnest($1::bytea[], $2::bigint[], $3::bigint[]) ON CONFLICT (visit) DO UPDATE
               SET wall_ms = greatest(visits.wall_ms, excluded.wall_ms), entries = visits.entries + excluded.entries";
    let (latest, entries): (Vec<i64>, Vec<i64>) = visits.values().copied().unzip();
    transaction.execute(sql, &[&visits.into_keys().collect::<Vec<_>>(), &latest, &entries])?;
    Ok(())
}

/// What entries bring about beside themselves.
#[derive(Default)]
struct Beside {
    hollow: Vec<Place>,
    photographs: Vec<Id>,
    withdrawn: Vec<(Id, i64)>,
}

impl Beside {
    /// What one entry brings about, and what it withdraws.
    fn follow_up(&mut self, packet: &Packet, body: Option<&Body>) -> Result<Vec<(Id, i64)>, Failure> {
        let Some(body) = body else { return Ok(Vec::new()) };
        self.photographs.extend(photograph(packet));
        if packet.header.kind != kind::WITHDRAWAL {
            return Ok(Vec::new());
        }
        let named = named_by(&body.payload).map_err(Failure::Withdrawal)?;
        self.withdrawn.extend(&named);
        Ok(named)
    }

    fn write(self, transaction: &mut Transaction, by: &DeviceId) -> Result<(), Failure> {
        if !self.hollow.is_empty() {
            let (numbers, digests): (Vec<i64>, Vec<Vec<u8>>) =
                self.hollow.into_iter().map(|(number, digest)| (number, digest.to_vec())).unzip();
            let sql = "INSERT INTO hollow SELECT $1, * FROM unnest($2::bigint[], $3::bytea[])";
            transaction.execute(sql, &[&&by[..], &numbers, &digests])?;
        }
        if !self.photographs.is_empty() {
            let photographs: Vec<&[u8]> = self.photographs.iter().map(|id| &id[..]).collect();
            let sql = "INSERT INTO wanted_photographs SELECT sha256 FROM unnest($1::bytea[]) AS spoken_of (sha256)
                       WHERE NOT EXISTS (SELECT 1 FROM photographs AS p WHERE p.sha256 = spoken_of.sha256) ON CONFLICT DO NOTHING";
            transaction.execute(sql, &[&photographs])?;
        }
        if !self.withdrawn.is_empty() {
            let (devices, numbers): (Vec<&[u8]>, Vec<i64>) =
                self.withdrawn.iter().map(|(device, number)| (&device[..], *number)).unzip();
            let sql = "INSERT INTO withdrawn (by, device, number) SELECT $1, * FROM unnest($2::bytea[], $3::bigint[])
                       ON CONFLICT DO NOTHING";
            transaction.execute(sql, &[&&by[..], &devices, &numbers])?;
        }
        Ok(())
    }
}

/// The photograph that an entry speaks of.
fn photograph(packet: &Packet) -> Option<Id> {
    id_of(&packet.header.subject).filter(|_| packet.header.kind == kind::PHOTOGRAPH_ATTACHED)
}

/// Which entries a withdrawal names. The folder's store asks SQLite for it, and so does this: no two readers of JSON agree on everything, and what
/// one store erases all have to.
fn named_by(payload: &str) -> rusqlite::Result<Vec<(Id, i64)>> {
    let connection = Connection::open_in_memory()?;
    let mut query = connection.prepare(
        "SELECT unhex(json_extract(pair.value, '$[0]')) AS device, json_extract(pair.value, '$[1]') AS number
         FROM json_each(CASE WHEN json_valid(?1) THEN ?1 ELSE '{}' END, '$.erased') AS pair
         WHERE pair.type = 'array' AND length(unhex(json_extract(pair.value, '$[0]'))) = 32
           AND typeof(json_extract(pair.value, '$[1]')) = 'integer' AND json_type(pair.value, '$[1]') = 'integer'",
    )?;
    query.query_map([payload], |row| Ok((row.get(0)?, row.get(1)?)))?.collect()
}

/// Puts back what is missing behind entries' digests, unless it was withdrawn; says whether that withdraws something.
fn fill(transaction: &mut Transaction, device: &DeviceId, known: &[Packet]) -> Result<bool, Failure> {
    let (mut hollow, mut beside, mut withdrew) = (None, Beside::default(), false);
    for packet in known {
        let Some(body) = &packet.body else { continue };
        let hollow = match &mut hollow {
            Some(hollow) => hollow,
            None => hollow.insert(hollow_of(transaction, device)?),
        };
        let place = (packet.header.number, packet.digest);
        if !hollow.remove(&place) {
            continue;
        }
        let (number, digest) = (&place.0, &&place.1[..]);
        let sql =
            "UPDATE entries SET salt = $4, author = $5, payload = $6 WHERE device = $1 AND number = $2 AND digest = $3";
        let (author, payload) = (body.author.as_bytes(), body.payload.as_bytes());
        transaction.execute(sql, &[&&device[..], number, digest, &&body.salt[..], &author, &payload])?;
        let sql = "DELETE FROM hollow WHERE device = $1 AND number = $2 AND digest = $3";
        transaction.execute(sql, &[&&device[..], number, digest])?;
        withdrew |= !beside.follow_up(packet, Some(body))?.is_empty();
    }
    beside.write(transaction, device)?;
    Ok(withdrew)
}

fn hollow_of(transaction: &mut Transaction, device: &DeviceId) -> Result<HashSet<Place>, Failure> {
    let rows = transaction.query("SELECT number, digest FROM hollow WHERE device = $1", &[&&device[..]])?;
    rows.iter().map(|row| Ok((row.get(0), bytes(row, 1)?))).collect()
}

/// Erases what withdrawals that hold ask for, photographs with the entries that alone spoke of them. What nobody speaks of any more isn't wanted, and copies that still wait come again,
/// without what was withdrawn.
pub fn erase_withdrawn(transaction: &mut Transaction) -> Result<(), Failure> {
    const HOLDS: &str = "(w.by = w.device OR w.by IN (SELECT device FROM trusted))";
    let sql = format!(
        "UPDATE entries AS e SET salt = NULL, author = NULL, payload = NULL FROM withdrawn AS w
         WHERE e.device = w.device AND e.number = w.number AND {HOLDS} AND e.salt IS NOT NULL AND e.kind <> 'withdrawal'::bytea
         RETURNING e.photograph"
    );
    let spoken_of: Vec<Option<Vec<u8>>> = transaction.query(&sql, &[])?.iter().map(|row| row.get(0)).collect();
    let sql = "WITH gone AS (
                   DELETE FROM photographs AS p WHERE sha256 = ANY($1)
                   AND NOT EXISTS (SELECT 1 FROM entries AS e WHERE e.photograph = p.sha256 AND e.salt IS NOT NULL)
                   RETURNING sha256, ending)
               INSERT INTO erased_photographs SELECT sha256, ending FROM gone ON CONFLICT DO NOTHING";
    transaction.execute(sql, &[&spoken_of.into_iter().flatten().collect::<Vec<_>>()])?;
    transaction.batch_execute(&format!(
        "DELETE FROM waiting AS e USING withdrawn AS w WHERE e.device = w.device AND e.number = w.number AND {HOLDS};
         DELETE FROM hollow AS e USING withdrawn AS w WHERE e.device = w.device AND e.number = w.number AND {HOLDS};
         DELETE FROM wanted_photographs AS p
         WHERE NOT EXISTS (SELECT 1 FROM entries AS e WHERE e.photograph = p.sha256 AND e.salt IS NOT NULL);"
    ))?;
    Ok(())
}

/// What of a log waits.
fn waiting(transaction: &mut Transaction, device: &DeviceId) -> Result<Waiting, Failure> {
    let rows = transaction.query("SELECT packet FROM waiting WHERE device = $1", &[&&device[..]])?;
    // One that can't be read any more is as good as gone; it comes again.
    let packets = rows.iter().flat_map(|row| read_sequence(row.get(0))).flatten();
    Ok(packets.map(|packet| ((packet.header.number, packet.digest), packet)).collect())
}

/// What waits now takes the place of what waited; says how much is new. What is too much is refused.
fn keep_waiting(
    transaction: &mut Transaction,
    device: &DeviceId,
    Waits { new, gone, too_much }: Waits,
    refused: &mut Vec<(Packet, Reason)>,
) -> Result<usize, Failure> {
    if !new.is_empty() {
        let numbers: Vec<i64> = new.iter().map(|(packet, _)| packet.header.number).collect();
        let digests: Vec<&[u8]> = new.iter().map(|(packet, _)| &packet.digest[..]).collect();
        let packets: Vec<&[u8]> = new.iter().map(|(_, bytes)| &bytes[..]).collect();
        let sql = "INSERT INTO waiting SELECT $1, * FROM unnest($2::bigint[], $3::bytea[], $4::bytea[])";
        transaction.execute(sql, &[&&device[..], &numbers, &digests, &packets])?;
    }
    if !gone.is_empty() {
        let gone: Vec<&[u8]> = gone.iter().map(|(_, digest)| &digest[..]).collect();
        transaction.execute("DELETE FROM waiting WHERE device = $1 AND digest = ANY($2)", &[&&device[..], &gone])?;
    }
    refused.extend(too_much.into_iter().map(|packet| (packet, Reason::TooFarAhead)));
    Ok(new.len())
}
