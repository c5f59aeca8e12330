//! What one store has, and from that what it can give another.

use std::collections::{BTreeMap, HashMap, HashSet};

use rusqlite::{Row, params};
use serde::{Deserialize, Serialize};

use super::encoding::{DeviceId, Digest, Header};
use super::packet::{Body, Packet};
use super::read::id_of;
use super::{HybridTime, Store, StoreError};
use crate::exchange::wire::Accepted;

/// What a store has: how far each log goes. It grows with the number of devices, not with what is in their logs.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Heads {
    /// By device id, the last entry of its log; of each branch where the log has forked.
    pub logs: BTreeMap<String, Vec<Tip>>,
    /// Entries whose payload never came though nobody withdrew it: device and number. Empty, as a rule.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub hollow: Vec<(String, u64)>,
}

/// The last entry of a log, or of a branch of it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tip {
    /// Its place in the log.
    pub number: u64,
    /// Its digest, 64 hexadecimal digits.
    pub digest: String,
}

/// So many hollow entries are asked for at once.
const HOLLOW: usize = 500;

impl Store {
    /// What this store has.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn heads(&self) -> Result<Heads, StoreError> {
        let mut logs: BTreeMap<String, Vec<Tip>> = BTreeMap::new();
        for (device, number, digest) in self.query("SELECT device, number, digest FROM heads", [], tip)? {
            let tip = Tip { number: number.unsigned_abs(), digest: hex::encode(digest) };
            logs.entry(hex::encode(device)).or_default().push(tip);
        }
        let sql = "SELECT device, number FROM hollow CROSS JOIN entries ON id = entry ORDER BY device, number LIMIT ?1";
        let place = |row: &Row| Ok((hex::encode(row.get::<_, DeviceId>(0)?), row.get::<_, i64>(1)?.unsigned_abs()));
        Ok(Heads { logs, hollow: self.query(sql, [HOLLOW as i64], place)? })
    }

    /// The devices whose log was written on in two places.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn forks(&self) -> Result<Vec<String>, StoreError> {
        let sql = "SELECT device FROM heads GROUP BY device HAVING count(*) > 1 ORDER BY device";
        self.query(sql, [], |row| Ok(hex::encode(row.get::<_, DeviceId>(0)?)))
    }

    /// Whether this entry is here.
    ///
    /// # Errors
    /// `device` or `digest` isn't 64 hexadecimal digits, or the store can't be read.
    pub fn has(&self, device: &str, number: u64, digest: &str) -> Result<bool, StoreError> {
        let place = params![id_of(device)?, i64::try_from(number).unwrap_or(i64::MAX), id_of(digest)?];
        let sql = "SELECT 1 FROM entries WHERE device = ?1 AND number = ?2 AND digest = ?3";
        Ok(!self.query(sql, place, |_| Ok(()))?.is_empty())
    }

    /// Entries that a store with the heads `theirs` lacks, as they travel (a CBOR sequence), up to the first signature after `limit` bytes; empty
    /// where it lacks nothing that is here.
    ///
    /// # Errors
    /// Something in `theirs` isn't 64 hexadecimal digits, or the store can't be read.
    pub fn lacking(&self, theirs: &Heads, limit: usize) -> Result<Vec<u8>, StoreError> {
        let mut sequence = Vec::new();
        for (device, number) in theirs.hollow.iter().take(HOLLOW) {
            let number = i64::try_from(*number).unwrap_or(i64::MAX);
            let sql = format!("SELECT {PACKET} FROM entries WHERE device = ?1 AND number = ?2 AND salt IS NOT NULL");
            for packet in self.query(&sql, params![id_of(device)?, number], packet)? {
                packet.write(&mut sequence);
            }
            if sequence.len() >= limit {
                return Ok(sequence);
            }
        }
        let mut ours: BTreeMap<DeviceId, Vec<(i64, Digest)>> = BTreeMap::new();
        for (device, number, digest) in self.query("SELECT device, number, digest FROM heads", [], tip)? {
            ours.entry(device).or_default().push((number, digest));
        }
        for (device, ours) in ours {
            let theirs = theirs.logs.get(&hex::encode(device)).map_or(&[][..], Vec::as_slice);
            self.add_lacking(&mut sequence, device, &ours, theirs, limit)?;
            if sequence.len() >= limit {
                break;
            }
        }
        Ok(sequence)
    }

    /// What of one log they lack.
    fn add_lacking(
        &self,
        sequence: &mut Vec<u8>,
        device: DeviceId,
        ours: &[(i64, Digest)],
        theirs: &[Tip],
        limit: usize,
    ) -> Result<(), StoreError> {
        let (mut shared, mut foreign) = (Vec::new(), 0);
        for tip in theirs {
            let number = i64::try_from(tip.number).unwrap_or(i64::MAX);
            match self.has(&hex::encode(device), tip.number, &tip.digest)? {
                true => shared.push((number, id_of(&tip.digest)?)),
                false => foreign = foreign.max(number),
            }
        }
        if ours.iter().all(|tip| shared.contains(tip)) {
            return Ok(());
        }
        let after = shared.iter().map(|(number, _)| *number).max().unwrap_or(0);
        if let [(last, _)] = ours {
            // They are further on the same way, as far as can be seen from here. If it is another way, they see it from there.
            let further = after == 0 && foreign > *last;
            return if further { Ok(()) } else { self.add_after(sequence, device, after, limit) };
        }
        self.add_branches(sequence, device, ours, &shared, limit)
    }

    /// The entries after a number of a log that hasn't forked.
    fn add_after(&self, sequence: &mut Vec<u8>, device: DeviceId, after: i64, limit: usize) -> Result<(), StoreError> {
        let sql = format!("SELECT {PACKET} FROM entries WHERE device = ?1 AND number > ?2 ORDER BY number");
        let mut read = || -> rusqlite::Result<()> {
            let mut query = self.connection.prepare_cached(&sql)?;
            let mut rows = query.query(params![device, after])?;
            while let Some(row) = rows.next()? {
                let packet = packet(row)?;
                packet.write(sequence);
                if sequence.len() >= limit && packet.signature.is_some() {
                    break;
                }
            }
            Ok(())
        };
        read().map_err(|e| self.failed(e))
    }

    /// Of a forked log one branch after the other, each from where it leaves what they have.
    fn add_branches(
        &self,
        sequence: &mut Vec<u8>,
        device: DeviceId,
        ours: &[(i64, Digest)],
        shared: &[(i64, Digest)],
        limit: usize,
    ) -> Result<(), StoreError> {
        let sql = "SELECT digest, previous, id FROM entries WHERE device = ?1";
        let read = |row: &Row| Ok((row.get(0)?, (row.get(1)?, row.get(2)?)));
        let log: HashMap<Digest, (Digest, i64)> = self.query(sql, [device], read)?.into_iter().collect();
        let mut had = HashSet::new();
        let mut branch_to = |tip: Digest| {
            let (mut branch, mut next) = (Vec::new(), tip);
            while let Some((previous, id)) = log.get(&next).filter(|_| had.insert(next)) {
                branch.push(*id);
                next = *previous;
            }
            branch.reverse();
            branch
        };
        shared.iter().for_each(|(_, digest)| drop(branch_to(*digest)));
        let branches: Vec<i64> = ours.iter().flat_map(|(_, digest)| branch_to(*digest)).collect();
        let sql = format!("SELECT {PACKET} FROM entries WHERE id = ?1");
        for id in branches {
            for packet in self.query(&sql, [id], packet)? {
                packet.write(sequence);
                if sequence.len() >= limit && packet.signature.is_some() {
                    return Ok(());
                }
            }
        }
        Ok(())
    }
}

impl Heads {
    /// Adds what the other side said it has after it took entries in.
    pub fn learn(&mut self, accepted: &Accepted) {
        for (device, tip) in &accepted.reached {
            let tips = self.logs.entry(device.clone()).or_default();
            if !tips.contains(tip) {
                tips.push(tip.clone());
            }
        }
        // What was hollow there has been sent, as far as it is here.
        self.hollow.clear();
    }
}

fn tip(row: &Row) -> rusqlite::Result<(DeviceId, i64, Digest)> {
    Ok((row.get(0)?, row.get(1)?, row.get(2)?))
}

/// The columns of a packet.
const PACKET: &str = "device, number, wall_ms, counter, kind, visit, subject, author_digest, payload_digest, previous, digest, signature,
                      salt, author, payload";

fn packet(row: &Row) -> rusqlite::Result<Packet> {
    let salt: Option<_> = row.get(12)?;
    let body = match salt {
        Some(salt) => Some(Body { salt, author: row.get(13)?, payload: row.get(14)? }),
        None => None,
    };
    Ok(Packet { header: header_of(row)?, digest: row.get(10)?, signature: row.get(11)?, body })
}

/// The header in the first ten of the columns of a packet.
pub(super) fn header_of(row: &Row) -> rusqlite::Result<Header> {
    Ok(Header {
        device: row.get(0)?,
        number: row.get(1)?,
        time: HybridTime { wall_ms: row.get(2)?, counter: row.get(3)? },
        kind: row.get(4)?,
        visit: row.get(5)?,
        subject: row.get(6)?,
        author_digest: row.get(7)?,
        payload_digest: row.get(8)?,
        previous: row.get(9)?,
    })
}
