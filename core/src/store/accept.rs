//! Taking in entries of other stores, in any order, twice or torn.

use std::collections::BTreeMap;

use rusqlite::{Transaction, params};

use super::encoding::DeviceId;
use super::insert::{Age, Inserting, erase_withdrawn};
use super::link::{Here, Linked, Waiting, Waits, link, wait};
use super::packet::{BadPacket, Packet, read_sequence};
use super::{Failure, HybridTime, Store, StoreError, Tip, device};
use crate::exchange::wire::{Accepted, Reason, Refused};

/// Whether a device's entries are taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Admission {
    /// They are.
    Welcome,
    /// Nobody knows the device.
    Unknown,
    /// It was barred: what is here stays, nothing new is taken.
    Barred,
}

impl Store {
    /// Takes entries in as they travel (a CBOR sequence): what follows from the log that is here up to a signature; the rest waits for what is missing. What is here already changes nothing.
    /// When this returns, what was taken is on the disk.
    ///
    /// # Errors
    /// The store can't be written. Entries that can't be taken are in the answer.
    pub fn accept(&mut self, sequence: &[u8], admission: &dyn Fn(&str) -> Admission) -> Result<Accepted, StoreError> {
        let (packets, mut accepted) = sort_out(read_sequence(sequence));
        let own = device::id_of_key(&self.dir)?;
        let withdrew = self.write(|transaction, dir| {
            let mut withdrew = false;
            for (device, packets) in packets {
                let admission = admission(&hex::encode(device));
                let taken = accept_log(transaction, device, packets, admission, &mut accepted)?;
                withdrew |= taken.withdrew;
                if taken.any && own == Some(device) {
                    // Somebody else went on with this device's log: in a copy of this store, or this one is the copy.
                    device::retire(dir)?;
                }
            }
            if withdrew {
                erase_withdrawn(transaction, dir)?;
            }
            Ok(withdrew)
        })?;
        if withdrew {
            // Another reader may hold the bytes back for a while; they go with the next checkpoint then.
            _ = self.cut_write_ahead_log();
        }
        Ok(accepted)
    }
}

/// What was read, by device, and the first word on what can't be read.
pub fn sort_out(read: Vec<Result<Packet, BadPacket>>) -> (BTreeMap<DeviceId, Vec<Packet>>, Accepted) {
    let (mut packets, mut accepted) = (BTreeMap::<_, Vec<_>>::new(), Accepted::default());
    for packet in read {
        match packet {
            Ok(packet) => packets.entry(packet.header.device).or_default().push(packet),
            Err(BadPacket { place, reason }) => accepted.refused.push(refused(place, reason)),
        }
    }
    (packets, accepted)
}

/// An entry that can't be taken: its device and number where they are known, and why.
pub fn refused(place: Option<(DeviceId, i64)>, reason: Reason) -> Refused {
    let (device, number) = place.unzip();
    Refused { device: device.map(hex::encode), number: number.map(i64::unsigned_abs), reason }
}

/// What taking one log's packets brought.
#[derive(Default)]
struct Taken {
    any: bool,
    withdrew: bool,
}

fn accept_log(
    transaction: &Transaction,
    device: DeviceId,
    mut packets: Vec<Packet>,
    admission: Admission,
    accepted: &mut Accepted,
) -> Result<Taken, Failure> {
    let here = here(transaction, &packets)?;
    if admission != Admission::Welcome {
        let reason = if admission == Admission::Barred { Reason::BarredDevice } else { Reason::UnknownDevice };
        let (known, new): (Vec<_>, Vec<_>) = packets.into_iter().partition(|p| here.contains_key(&p.digest));
        accepted.known += known.len();
        accepted.refused.extend(new.iter().map(|p| refused(Some((device, p.header.number)), reason)));
        return Ok(Taken::default());
    }
    let waited = waiting(transaction, device)?;
    packets.extend(waited.values().cloned());
    let here = if waited.is_empty() { here } else { self::here(transaction, &packets)? };
    let Linked { taken, known, waiting, refused: mut bad } = link(packets, &here);
    let mut withdrew = write(transaction, &taken)?;
    for packet in &known {
        withdrew |= fill(transaction, packet)? && packet.header.kind == super::kind::WITHDRAWAL;
    }
    accepted.taken += taken.len();
    accepted.known += known.len();
    if let Some(furthest) = taken.iter().chain(&known).max_by_key(|packet| packet.header.number) {
        let tip = Tip { number: furthest.header.number.unsigned_abs(), digest: hex::encode(furthest.digest) };
        accepted.reached.insert(hex::encode(device), tip);
    }
    accepted.waiting += keep_waiting(transaction, device, wait(waited, waiting), &mut bad)?;
    accepted.refused.extend(bad.iter().map(|(packet, reason)| refused(Some((device, packet.header.number)), *reason)));
    Ok(Taken { any: !taken.is_empty(), withdrew })
}

/// What of this log is here around the numbers of the packets.
fn here(transaction: &Transaction, packets: &[Packet]) -> rusqlite::Result<Here> {
    let numbers = packets.iter().map(|packet| packet.header.number);
    let (Some(first), Some(last), Some(packet)) = (numbers.clone().min(), numbers.max(), packets.first()) else {
        return Ok(Here::new());
    };
    let sql = "SELECT digest, number, wall_ms, counter FROM entries WHERE device = ?1 AND number BETWEEN ?2 AND ?3";
    let mut query = transaction.prepare_cached(sql)?;
    let read = |row: &rusqlite::Row| {
        Ok((row.get(0)?, (row.get(1)?, HybridTime { wall_ms: row.get(2)?, counter: row.get(3)? })))
    };
    query.query_map(params![packet.header.device, first - 1, last], read)?.collect()
}

/// Writes packets that follow without a gap; says whether one of them withdraws something.
fn write(transaction: &Transaction, taken: &[Packet]) -> rusqlite::Result<bool> {
    let mut inserting = Inserting::begin(transaction)?;
    for packet in taken {
        inserting.entry(packet, Age::Any)?;
    }
    // Each piece of the chain that runs on without a fork moves one head.
    for run in taken.chunk_by(|before, after| after.header.previous == before.digest) {
        if let (Some(first), Some(last)) = (run.first(), run.last()) {
            let before = (first.header.number - 1, first.header.previous);
            inserting.head(&first.header.device, before, (last.header.number, last.digest))?;
        }
    }
    inserting.end()?;
    Ok(taken.iter().any(|packet| packet.header.kind == super::kind::WITHDRAWAL))
}

/// Puts back what is missing behind an entry's digests, unless it was withdrawn; says whether there was something to put back.
fn fill(transaction: &Transaction, packet: &Packet) -> rusqlite::Result<bool> {
    let Some(body) = &packet.body else { return Ok(false) };
    let (device, number, digest) = packet.place();
    let sql = "UPDATE entries SET salt = ?4, author = ?5, payload = ?6
               WHERE device = ?1 AND number = ?2 AND digest = ?3 AND id IN (SELECT entry FROM hollow) RETURNING id";
    let filled = transaction
        .prepare_cached(sql)?
        .query_map(params![device, number, digest, body.salt, body.author, body.payload], |row| row.get(0))?
        .collect::<rusqlite::Result<Vec<i64>>>()?;
    for id in &filled {
        transaction.execute("DELETE FROM hollow WHERE entry = ?1", [id])?;
        Inserting::begin(transaction)?.follow_up(&packet.header.kind, *id)?;
    }
    Ok(!filled.is_empty())
}

/// What of a log waits, by number and digest.
fn waiting(transaction: &Transaction, device: DeviceId) -> rusqlite::Result<Waiting> {
    let mut query = transaction.prepare_cached("SELECT packet FROM waiting WHERE device = ?1")?;
    let mut rows = query.query([device])?;
    let mut waiting = Waiting::new();
    while let Some(row) = rows.next()? {
        // One that the disk has damaged is as good as gone; it comes again.
        let packets = read_sequence(row.get_ref(0)?.as_blob()?);
        waiting.extend(packets.into_iter().flatten().map(|packet| ((packet.header.number, packet.digest), packet)));
    }
    Ok(waiting)
}

/// What waits now takes the place of what waited; says how much is new. What is too much for the disk is refused.
fn keep_waiting(
    transaction: &Transaction,
    device: DeviceId,
    Waits { new, gone, too_much }: Waits,
    refused: &mut Vec<(Packet, Reason)>,
) -> rusqlite::Result<usize> {
    for (packet, bytes) in &new {
        let row = params![device, packet.header.number, packet.digest, bytes];
        transaction.prepare_cached("INSERT INTO waiting VALUES (?1, ?2, ?3, ?4)")?.execute(row)?;
    }
    for (number, digest) in gone {
        let sql = "DELETE FROM waiting WHERE device = ?1 AND number = ?2 AND digest = ?3";
        transaction.prepare_cached(sql)?.execute(params![device, number, digest])?;
    }
    refused.extend(too_much.into_iter().map(|packet| (packet, Reason::TooFarAhead)));
    Ok(new.len())
}
