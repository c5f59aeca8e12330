//! What two sides say to each other over HTTP, as JSON. Entries travel as they are (see [`crate::store`]), photographs by tus 1.0.0.
//!
//! | request | who may | body → answer |
//! |---|---|---|
//! | `GET /v1/challenge` | anyone | → [`Challenge`] |
//! | `POST /v1/join` | who has an invitation | [`Join`] → [`Session`] |
//! | `POST /v1/session` | a device that has joined | [`Proof`] → [`Session`] |
//! | `GET /v1/heads` | a session | → [`Heads`](crate::store::Heads) |
//! | `POST /v1/entries/lacking` | a session | [`Heads`](crate::store::Heads) → entries that those heads lack, as many as fit; 204 where there are none |
//! | `POST /v1/entries` | a session | entries → [`Accepted`] |
//! | `GET /v1/photographs/wanted` | a session | → [`Wanted`] |
//! | `GET`, `HEAD /v1/photographs/{sha256}` | a session | → the photograph; `Range`, `If-Range` |
//! | `OPTIONS`, `POST /v1/uploads`, `HEAD`, `PATCH`, `DELETE /v1/uploads/{id}` | a session | tus 1.0.0: creation, checksum, termination |
//!
//! A session goes into `Authorization: Bearer …` (RFC 6750). Errors are problem+json (RFC 9457). Bodies carry `Repr-Digest` (RFC 9530).

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::store::Tip;

/// The version of the exchange. The first message either way carries it; a side that doesn't know it says so and ends.
pub const PROTOCOL: u32 = 1;
/// The media type of entries on their way: a CBOR sequence (RFC 8742).
pub const ENTRIES: &str = "application/cbor-seq";
/// At most so many bytes of entries go in one body.
pub const ENTRIES_BYTES: usize = 4 << 20;
/// At most so many bytes of a photograph go in one PATCH.
pub const PIECE_BYTES: usize = 4 << 20;

/// The type of the problem (RFC 9457) by which a base refuses a photograph for good: it is no picture, or too large. Any other refusal may pass.
pub const NOT_A_PHOTOGRAPH: &str = "urn:rakelight:not_a_photograph";

/// How a base greets whoever asks.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Challenge {
    /// [`PROTOCOL`].
    pub protocol: u32,
    /// The base's own device id.
    pub base: String,
    /// To be signed; good for two minutes.
    pub challenge: String,
}

/// A device shows that it has its key.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Proof {
    /// [`PROTOCOL`].
    pub protocol: u32,
    /// The device id.
    pub device: String,
    /// The base's, as it came.
    pub challenge: String,
    /// By [`crate::store::Prover::prove`], 128 hexadecimal digits.
    pub signature: String,
}

/// A device joins.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Join {
    /// The invitation's code.
    pub code: String,
    /// That it has its key.
    #[serde(flatten)]
    pub proof: Proof,
}

/// What a member may do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Records, and gets the team's records.
    FieldWorker,
    /// Also checks others' identifications.
    Checker,
    /// Also invites, bars, and erases what others wrote.
    Coordinator,
}

/// A session has begun.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Session {
    /// For `Authorization: Bearer`.
    pub token: String,
    /// How long it is good for.
    pub seconds: u64,
    /// What the device may do.
    pub role: Role,
    /// The base's own device id and those of coordinators: whose withdrawals of others' entries hold.
    pub trusted: Vec<String>,
}

/// Photographs that entries speak of and that aren't there; not all where there are many, so ask again when these are done.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Wanted {
    /// Their digests.
    pub sha256: Vec<String>,
}

/// What became of entries that were handed over.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Accepted {
    /// So many are new here.
    pub taken: usize,
    /// So many were here already.
    pub known: usize,
    /// So many wait for entries before them, or for the signature after them.
    pub waiting: usize,
    /// What can't be taken. Nothing of it was kept.
    pub refused: Vec<Refused>,
    /// By device, the furthest of these entries that is here now, with all before it.
    pub reached: BTreeMap<String, Tip>,
}

/// An entry that can't be taken.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Refused {
    /// Whose log, where that can be read.
    pub device: Option<String>,
    /// Where in it.
    pub number: Option<u64>,
    /// Why.
    pub reason: Reason,
}

/// Why an entry can't be taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Reason {
    /// It can't be read: torn, changed on its way, or not an entry.
    Unreadable,
    /// It is of a newer format: this side needs a newer program.
    NewerFormat,
    /// Larger than an entry may be.
    TooLarge,
    /// Its digests don't fit what it says.
    Changed,
    /// It doesn't follow from the one before it.
    ChainBroken,
    /// The signature isn't the device's own.
    BadSignature,
    /// Nobody here knows the device: it has to be invited first.
    UnknownDevice,
    /// The device is barred, and this is newer than what was there before.
    BarredDevice,
    /// Too much waits already for what comes before it.
    TooFarAhead,
}
