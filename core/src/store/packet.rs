//! An entry as it travels from store to store: all that its device signed, and what stands behind the digests unless that was erased.

use ciborium::Value;
use serde::{Deserialize, Serialize};

use super::HybridTime;
use super::encoding::{Cbor, DeviceId, Digest, Header, Salt, salted};
use crate::exchange::wire::Reason;

/// At most so many bytes an entry may have as it travels.
pub(super) const ENTRY_BYTES: usize = 1 << 20;
/// No clock is set later than this (3000-01-01): a log that begins there could go on nowhere.
const LAST_MS: i64 = 32_503_680_000_000;
/// Kinds, visits and subjects are identifiers.
pub(super) const NAME_BYTES: usize = 512;
/// What is left of an entry for author and payload.
pub(super) const PAYLOAD_BYTES: usize = ENTRY_BYTES - (4 << 10);

/// What can be erased.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Body {
    /// What stands before author and payload where they are digested.
    pub salt: Salt,
    /// Who wrote it.
    pub author: String,
    /// What it says: a JSON document.
    pub payload: String,
}

/// One entry, whole, as it travels.
#[derive(Debug, Clone)]
pub struct Packet {
    /// What the chain runs over.
    pub header: Header,
    /// The header's digest, by which others follow from it.
    pub digest: Digest,
    /// The device's signature, where a batch ended here.
    pub signature: Option<[u8; 64]>,
    /// `None` where it was erased.
    pub body: Option<Body>,
}

/// `[header, signature, salt, author, payload]`: byte strings, null where there is none.
#[derive(Serialize, Deserialize)]
struct Travelling(Bytes, Option<Bytes>, Option<Bytes>, Option<Bytes>, Option<Bytes>);

type Bytes = serde_bytes::ByteBuf;

/// The header's array, as [`Header::to_cbor`] writes it.
type HeaderFields = (u8, Bytes, i64, i64, u32, String, String, String, Bytes, Bytes, Bytes);

impl Packet {
    /// Adds its bytes to a CBOR sequence (RFC 8742).
    pub fn write(&self, sequence: &mut Vec<u8>) {
        let mut packet = Cbor::array(sequence, 5);
        packet.bytes(&self.header.to_cbor());
        packet.bytes_or_null(self.signature.as_ref().map(|signature| &signature[..]));
        packet.bytes_or_null(self.body.as_ref().map(|body| &body.salt[..]));
        packet.bytes_or_null(self.body.as_ref().map(|body| body.author.as_bytes()));
        packet.bytes_or_null(self.body.as_ref().map(|body| body.payload.as_bytes()));
    }

    /// Where it stands among all entries: the later one counts.
    pub fn place(&self) -> (DeviceId, i64, Digest) {
        (self.header.device, self.header.number, self.digest)
    }
}

/// A packet that can't be taken, and as much as is known of it.
#[derive(Debug)]
pub struct BadPacket {
    /// Its device and number, where they can be read.
    pub place: Option<(DeviceId, i64)>,
    /// Why.
    pub reason: Reason,
}

/// The packets of a CBOR sequence, each held to its digests; signatures are [`link`](super::link())'s. What comes after a torn or foreign piece can't be read any more.
pub fn read_sequence(mut sequence: &[u8]) -> Vec<Result<Packet, BadPacket>> {
    let mut packets = Vec::new();
    while !sequence.is_empty() {
        let before = sequence.len();
        let unreadable = BadPacket { place: None, reason: Reason::Unreadable };
        match ciborium::de::from_reader_with_recursion_limit::<Travelling, _>(&mut sequence, 8) {
            Ok(_) if before - sequence.len() > ENTRY_BYTES => {
                packets.push(Err(BadPacket { reason: Reason::TooLarge, ..unreadable }));
            }
            Ok(travelling) => packets.push(packet(travelling)),
            Err(_) => {
                packets.push(Err(unreadable));
                break;
            }
        }
    }
    packets
}

fn packet(Travelling(header, signature, salt, author, payload): Travelling) -> Result<Packet, BadPacket> {
    let bytes = header;
    let header = read_header(&bytes).map_err(|reason| BadPacket { place: None, reason })?;
    let place = Some((header.device, header.number));
    let bad = |reason| BadPacket { place, reason };
    let signature = match signature {
        None => None,
        Some(bytes) => Some(bytes.into_vec().try_into().map_err(|_| bad(Reason::BadSignature))?),
    };
    let body = match (salt, author, payload) {
        (None, None, None) => None,
        (Some(salt), Some(author), Some(payload)) => {
            let fits = |salt: &Salt| {
                salted(salt, &author) == header.author_digest && salted(salt, &payload) == header.payload_digest
            };
            let salt: Salt = salt.into_vec().try_into().map_err(|_| bad(Reason::Changed))?;
            if !fits(&salt) {
                return Err(bad(Reason::Changed));
            }
            let text = |bytes: Bytes| String::from_utf8(bytes.into_vec()).map_err(|_| bad(Reason::Unreadable));
            Some(Body { salt, author: text(author)?, payload: text(payload)? })
        }
        _ => return Err(bad(Reason::Changed)),
    };
    let digest = header.digest();
    Ok(Packet { header, digest, signature, body })
}

/// A header in its one encoding.
fn read_header(bytes: &[u8]) -> Result<Header, Reason> {
    let Ok(fields) = ciborium::de::from_reader_with_recursion_limit::<HeaderFields, _>(bytes, 4) else {
        return Err(format_of(bytes));
    };
    let (_, device, number, wall_ms, counter, kind, visit, subject, author_digest, payload_digest, previous) = fields;
    let id = |bytes: Bytes| <[u8; 32]>::try_from(bytes.into_vec()).map_err(|_| Reason::Unreadable);
    let header = Header {
        device: id(device)?,
        number,
        time: HybridTime { wall_ms, counter },
        kind,
        visit,
        subject,
        author_digest: id(author_digest)?,
        payload_digest: id(payload_digest)?,
        previous: id(previous)?,
    };
    let names = [&header.kind, &header.visit, &header.subject];
    let sane = number >= 1 && (0..LAST_MS).contains(&wall_ms) && names.iter().all(|name| name.len() <= NAME_BYTES);
    if !sane || header.to_cbor() != bytes {
        return Err(format_of(bytes));
    }
    Ok(header)
}

/// Why a header can't be read: of another format, or none at all.
fn format_of(bytes: &[u8]) -> Reason {
    let fields = ciborium::de::from_reader_with_recursion_limit::<Vec<Value>, _>(bytes, 8).unwrap_or_default();
    match fields.first() {
        Some(Value::Integer(format)) if *format != super::encoding::FORMAT.into() => Reason::NewerFormat,
        _ => Reason::Unreadable,
    }
}
