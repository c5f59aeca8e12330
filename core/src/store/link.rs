//! Which of the entries that came in follow from what is here, up to the last signature over them. Pure: the store says what it has.

use std::collections::{BTreeMap, HashMap, HashSet};

use super::HybridTime;
use super::encoding::{Digest, NO_PREVIOUS, head_is_signed};
use super::packet::Packet;
use crate::exchange::wire::Reason;

/// How much of one device's log may wait for what comes before it: a bound on what a foreign hand could fill the disk with.
const WAITING_BYTES: usize = 16 << 20;

/// What of one device's log is here already, around the numbers that came: digest → number and time.
pub type Here = HashMap<Digest, (i64, HybridTime)>;

/// What became of one device's packets.
#[derive(Debug, Default)]
pub struct Linked {
    /// To be written, in this order.
    pub taken: Vec<Packet>,
    /// Here already, perhaps with a body that isn't.
    pub known: Vec<Packet>,
    /// Not covered by a signature yet, or something is missing before it.
    pub waiting: Vec<Packet>,
    /// Not to be kept.
    pub refused: Vec<(Packet, Reason)>,
}

/// Links the packets of one device, in any order and however often each came.
pub fn link(mut packets: Vec<Packet>, here: &Here) -> Linked {
    let mut linked = Linked::default();
    // Signed ones first among equals: the same entry may have come without its signature, which isn't part of the digest.
    packets.sort_by_key(|p| (p.header.number, p.digest, p.signature.is_none(), p.body.is_none()));
    packets.dedup_by(|again, first| again.digest == first.digest);
    // The packets that follow without a gap, by digest: each one's place in `chain` and the time it has.
    let mut chain: Vec<Packet> = Vec::with_capacity(packets.len());
    let mut at: HashMap<Digest, usize> = HashMap::with_capacity(packets.len());
    for packet in packets {
        if here.contains_key(&packet.digest) {
            linked.known.push(packet);
            continue;
        }
        let header = &packet.header;
        let before = match here.get(&header.previous) {
            Some(&(number, time)) => Some((number, time)),
            None => at.get(&header.previous).map(|&i| (chain[i].header.number, chain[i].header.time)),
        };
        let follows = match before {
            None => header.number == 1 && header.previous == NO_PREVIOUS,
            Some((number, time)) => number + 1 == header.number && time < header.time,
        };
        let signed = |signature: &[u8; 64]| head_is_signed(&header.device, &packet.digest, signature);
        match (follows, before) {
            (true, _) if packet.signature.as_ref().is_some_and(|s| !signed(s)) => {
                linked.refused.push((packet, Reason::BadSignature));
            }
            (true, _) => {
                at.insert(packet.digest, chain.len());
                chain.push(packet);
            }
            // One that claims to be the first of a log can't be waiting for anything.
            (false, None) if header.number > 1 && header.previous != NO_PREVIOUS => linked.waiting.push(packet),
            (false, _) => linked.refused.push((packet, Reason::ChainBroken)),
        }
    }
    let covered = covered(&chain, &at);
    for packet in chain {
        let to = if covered.contains(&packet.digest) { &mut linked.taken } else { &mut linked.waiting };
        to.push(packet);
    }
    linked
}

/// What of a log waits, by number and digest.
pub type Waiting = BTreeMap<(i64, Digest), Packet>;

/// How what waits changes.
#[derive(Debug, Default)]
pub struct Waits {
    /// What waits from now on, as it travels.
    pub new: Vec<(Packet, Vec<u8>)>,
    /// What doesn't wait any more.
    pub gone: Vec<(i64, Digest)>,
    /// What would be too much for the disk.
    pub too_much: Vec<Packet>,
}

/// What waits now takes the place of what waited.
pub fn wait(mut waited: Waiting, waiting: Vec<Packet>) -> Waits {
    let (mut waits, mut total) = (Waits::default(), 0);
    for packet in waiting {
        let mut bytes = Vec::new();
        packet.write(&mut bytes);
        total += bytes.len();
        let known = waited.remove(&(packet.header.number, packet.digest)).is_some();
        if !known && total > WAITING_BYTES {
            waits.too_much.push(packet);
        } else if !known {
            waits.new.push((packet, bytes));
        }
    }
    waits.gone = waited.into_keys().collect();
    waits
}

/// All packets that a signature covers: the signed ones and what each follows from.
fn covered(chain: &[Packet], at: &HashMap<Digest, usize>) -> HashSet<Digest> {
    let mut covered = HashSet::with_capacity(chain.len());
    for signed in chain.iter().rev().filter(|packet| packet.signature.is_some()) {
        let mut next = Some(signed);
        while let Some(packet) = next.filter(|packet| covered.insert(packet.digest)) {
            next = at.get(&packet.header.previous).map(|&i| &chain[i]);
        }
    }
    covered
}
