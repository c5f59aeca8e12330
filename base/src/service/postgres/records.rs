//! What the base has of each log, and what of it another store lacks, as `core/src/store/heads.rs` says of a folder's store.

use std::collections::{BTreeMap, HashMap, HashSet};

use postgres::types::ToSql;
use postgres::{GenericClient, Row};
use rakelight_core::exchange::wire::Accepted;
use rakelight_core::store::{
    Admission, Body, DeviceId, Digest, Header, Heads, HybridTime, Packet, StoreError, Tip, read_sequence, sort_out,
};
use ring::signature::{Ed25519KeyPair, KeyPair};

use super::accept::{accept_log, erase_withdrawn};
use super::{Database, DatabaseError, Failure, bytes};
use crate::service::records::Records;
use crate::service::state::State;
use crate::service::{Id, ServiceError, id_of, random};

/// So many hollow entries are asked for at once.
const HOLLOW: usize = 500;
/// So many entries are fetched at once: of the largest, some hundred megabytes.
const PAGE: usize = 128;

impl Records for Database {
    /// That of the key in the settings.
    fn device(&self) -> Result<String, ServiceError> {
        let fresh: [u8; 32] = random().map_err(|_| ServiceError::Randomness)?;
        let secret = self.setting("device_key", &fresh)?;
        let key = Ed25519KeyPair::from_seed_unchecked(&secret).map_err(|_| ServiceError::DeviceKey)?;
        Ok(hex::encode(key.public_key()))
    }

    fn heads(&self) -> Result<Heads, ServiceError> {
        let mut heads = Heads::default();
        for (device, tips) in self.tips()? {
            let tip =
                |(number, digest): (i64, Digest)| Tip { number: number.unsigned_abs(), digest: hex::encode(digest) };
            heads.logs.insert(hex::encode(device), tips.into_iter().map(tip).collect());
        }
        let sql = "SELECT device, number FROM hollow ORDER BY device, number LIMIT $1";
        heads.hollow = self.run(|client| {
            let place = |row: &Row| (hex::encode(row.get::<_, &[u8]>(0)), row.get::<_, i64>(1).unsigned_abs());
            Ok(client.query(sql, &[&(HOLLOW as i64)])?.iter().map(place).collect())
        })?;
        Ok(heads)
    }

    fn lacking(&self, theirs: &Heads, limit: usize) -> Result<Vec<u8>, ServiceError> {
        let mut sequence = Vec::new();
        for (device, number) in theirs.hollow.iter().take(HOLLOW) {
            let device = id(device)?;
            let number = i64::try_from(*number).unwrap_or(i64::MAX);
            let which = "device = $1 AND number = $2 AND salt IS NOT NULL";
            self.run(|client| packets(client, which, &[&&device[..], &number]))?
                .iter()
                .for_each(|packet| packet.write(&mut sequence));
            if sequence.len() >= limit {
                return Ok(sequence);
            }
        }
        let ours = self.tips()?;
        let shared = self.shared(&ours, theirs)?;
        for (device, ours) in ours {
            let theirs = theirs.logs.get(&hex::encode(device)).map_or(&[][..], Vec::as_slice);
            let (shared, foreign): (Vec<_>, Vec<_>) = numbered(theirs)?
                .into_iter()
                .partition(|(number, digest)| shared.contains(&(device, *number, *digest)));
            if ours.iter().all(|tip| shared.contains(tip)) {
                continue;
            }
            let after = shared.iter().map(|(number, _)| *number).max().unwrap_or(0);
            match ours[..] {
                // They are further on the same way, as far as can be seen from here. If it is another way, they see it from there.
                [(last, _)] if after == 0 && foreign.iter().any(|(number, _)| *number > last) => {}
                [_] => self.add_after(&mut sequence, &device, after, limit)?,
                _ => self.add_branches(&mut sequence, &device, &ours, &shared, limit)?,
            }
            if sequence.len() >= limit {
                break;
            }
        }
        Ok(sequence)
    }

    /// One log after the other, each in a transaction of its own.
    fn accept(&self, entries: &[u8], may_write: &dyn Fn(&str) -> Admission) -> Result<Accepted, ServiceError> {
        let (packets, mut accepted) = sort_out(read_sequence(entries));
        for (device, packets) in packets {
            let admission = may_write(&hex::encode(device));
            let of_log = self.write(|transaction| accept_log(transaction, &device, packets.clone(), admission))?;
            accepted.taken += of_log.taken;
            accepted.known += of_log.known;
            accepted.waiting += of_log.waiting;
            accepted.refused.extend(of_log.refused);
            accepted.reached.extend(of_log.reached);
        }
        Ok(accepted)
    }

    fn wanted(&self, limit: usize) -> Result<Vec<String>, ServiceError> {
        let sql = "SELECT sha256 FROM wanted_photographs LIMIT $1";
        let limit = i64::try_from(limit).unwrap_or(i64::MAX);
        Ok(self.run(|client| {
            Ok(client.query(sql, &[&limit])?.iter().map(|row| hex::encode(row.get::<_, &[u8]>(0))).collect())
        })?)
    }

    fn wants(&self, sha256: &str) -> Result<bool, ServiceError> {
        let sha256 = id(sha256)?;
        let sql = "SELECT 1 FROM wanted_photographs WHERE sha256 = $1";
        Ok(self.run(|client| Ok(client.query_opt(sql, &[&&sha256[..]])?.is_some()))?)
    }

    fn trust(&self, devices: &[String]) -> Result<(), ServiceError> {
        let ids = devices.iter().map(|device| id(device)).collect::<Result<Vec<_>, _>>()?;
        let ids: Vec<&[u8]> = ids.iter().map(|id| &id[..]).collect();
        let sql = "INSERT INTO trusted SELECT * FROM unnest($1::bytea[]) ON CONFLICT DO NOTHING";
        Ok(self.write(|transaction| {
            if transaction.execute(sql, &[&ids])? > 0 {
                erase_withdrawn(transaction)?;
            }
            Ok(())
        })?)
    }

    fn forks(&self) -> Result<Vec<String>, ServiceError> {
        let forked = self.tips()?.into_iter().filter(|(_, tips)| tips.len() > 1);
        Ok(forked.map(|(device, _)| hex::encode(device)).collect())
    }

    fn check(&self) -> Result<(), ServiceError> {
        Ok(self.run(|client| Ok(client.query("SELECT 1 FROM settings LIMIT 1", &[]).map(drop)?))?)
    }
}

/// The ends of a log's branches.
type Tips = Vec<(i64, Digest)>;

impl Database {
    fn tips(&self) -> Result<BTreeMap<DeviceId, Tips>, DatabaseError> {
        self.run(|client| {
            let mut tips = BTreeMap::<_, Tips>::new();
            for row in client.query("SELECT device, number, digest FROM heads ORDER BY device, number, digest", &[])? {
                tips.entry(bytes(&row, 0)?).or_default().push((row.get(1), bytes(&row, 2)?));
            }
            Ok(tips)
        })
    }

    /// Which of their tips are here, of the logs that are.
    fn shared(
        &self,
        ours: &BTreeMap<DeviceId, Tips>,
        theirs: &Heads,
    ) -> Result<HashSet<(DeviceId, i64, Digest)>, ServiceError> {
        let (mut devices, mut numbers, mut digests) = (Vec::new(), Vec::new(), Vec::new());
        for device in ours.keys() {
            for (number, digest) in numbered(theirs.logs.get(&hex::encode(device)).map_or(&[], Vec::as_slice))? {
                devices.push(&device[..]);
                numbers.push(number);
                digests.push(digest.to_vec());
            }
        }
        let sql = "SELECT device, number, digest FROM entries
                   JOIN unnest($1::bytea[], $2::bigint[], $3::bytea[]) AS asked (device, number, digest) USING (device, number, digest)";
        let place = |row: &Row| Ok((bytes(row, 0)?, row.get(1), bytes(row, 2)?));
        Ok(self.run(|client| client.query(sql, &[&devices, &numbers, &digests])?.iter().map(place).collect())?)
    }

    /// The entries after a number of a log that hasn't forked, up to the first signature after `limit` bytes.
    fn add_after(
        &self,
        sequence: &mut Vec<u8>,
        device: &DeviceId,
        mut after: i64,
        limit: usize,
    ) -> Result<(), DatabaseError> {
        loop {
            let which = format!("device = $1 AND number > $2 ORDER BY number LIMIT {PAGE}");
            let page = self.run(|client| packets(client, &which, &[&&device[..], &after]))?;
            let Some(last) = page.last() else { return Ok(()) };
            after = last.header.number;
            if add(sequence, &page, limit) {
                return Ok(());
            }
        }
    }

    /// Of a forked log one branch after the other, each from where it leaves what they have.
    fn add_branches(
        &self,
        sequence: &mut Vec<u8>,
        device: &DeviceId,
        ours: &[(i64, Digest)],
        shared: &[(i64, Digest)],
        limit: usize,
    ) -> Result<(), DatabaseError> {
        let sql = "SELECT digest, previous FROM entries WHERE device = $1";
        let log: HashMap<Digest, Digest> = self.run(|client| {
            let rows = client.query(sql, &[&&device[..]])?;
            rows.iter().map(|row| Ok((bytes(row, 0)?, bytes(row, 1)?))).collect()
        })?;
        let mut had = HashSet::new();
        let mut branch_to = |tip: Digest| {
            let (mut branch, mut next) = (Vec::new(), tip);
            while let Some(previous) = log.get(&next).filter(|_| had.insert(next)) {
                branch.push(next);
                next = *previous;
            }
            branch.reverse();
            branch
        };
        shared.iter().for_each(|(_, digest)| drop(branch_to(*digest)));
        let branches: Vec<Digest> = ours.iter().flat_map(|(_, digest)| branch_to(*digest)).collect();
        for page in branches.chunks(PAGE) {
            let digests: Vec<&[u8]> = page.iter().map(|digest| &digest[..]).collect();
            let which = "device = $1 AND digest = ANY($2)";
            let mut found = self.run(|client| packets(client, which, &[&&device[..], &digests]))?;
            let at: HashMap<&Digest, usize> = page.iter().zip(0..).collect();
            found.sort_by_key(|packet| at.get(&packet.digest).copied());
            if add(sequence, &found, limit) {
                break;
            }
        }
        Ok(())
    }
}

/// Adds packets up to the first signature after `limit` bytes; whether that was reached.
fn add(sequence: &mut Vec<u8>, packets: &[Packet], limit: usize) -> bool {
    packets.iter().any(|packet| {
        packet.write(sequence);
        sequence.len() >= limit && packet.signature.is_some()
    })
}

fn numbered(tips: &[Tip]) -> Result<Tips, StoreError> {
    tips.iter().map(|tip| Ok((i64::try_from(tip.number).unwrap_or(i64::MAX), id(&tip.digest)?))).collect()
}

fn id(text: &str) -> Result<Id, StoreError> {
    id_of(text).ok_or_else(|| StoreError::NotAnId { given: text.to_owned() })
}

fn packets(
    client: &mut impl GenericClient,
    which: &str,
    params: &[&(dyn ToSql + Sync)],
) -> Result<Vec<Packet>, Failure> {
    let sql = format!(
        "SELECT device, number, wall_ms, counter, kind, visit, subject, author_digest, payload_digest, previous, digest, signature,
                salt, author, payload FROM entries WHERE {which}"
    );
    client.query(&sql, params)?.iter().map(packet).collect()
}

fn packet(row: &Row) -> Result<Packet, Failure> {
    let text = |column| String::from_utf8(row.get(column)).map_err(|_| Failure::Foreign("an entry that isn't UTF-8"));
    let is = |column| row.get::<_, Option<&[u8]>>(column).is_some();
    let header = Header {
        device: bytes(row, 0)?,
        number: row.get(1),
        time: HybridTime {
            wall_ms: row.get(2),
            counter: u32::try_from(row.get::<_, i64>(3)).map_err(|_| Failure::Foreign("a counter that is none"))?,
        },
        kind: text(4)?,
        visit: text(5)?,
        subject: text(6)?,
        author_digest: bytes(row, 7)?,
        payload_digest: bytes(row, 8)?,
        previous: bytes(row, 9)?,
    };
    let signature = if is(11) { Some(bytes(row, 11)?) } else { None };
    let body = if is(12) { Some(Body { salt: bytes(row, 12)?, author: text(13)?, payload: text(14)? }) } else { None };
    Ok(Packet { header, digest: bytes(row, 10)?, signature, body })
}
