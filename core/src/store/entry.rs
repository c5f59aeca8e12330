//! What a log holds, as a reader sees it.

use rusqlite::Row;
use serde_json::Value;

use super::HybridTime;

/// The kinds of entry that this program writes. A kind is text: those of newer programs are kept.
pub mod kind {
    #![allow(missing_docs, reason = "the names are the field's own words")]
    pub const VISIT_OPENED: &str = "visit_opened";
    pub const VISIT_CLOSED: &str = "visit_closed";
    pub const TRACK_PIECE: &str = "track_piece";
    pub const STRETCH_WALKED: &str = "stretch_walked";
    pub const SIGN_NOTED: &str = "sign_noted";
    pub const PHOTOGRAPH_ATTACHED: &str = "photograph_attached";
    pub const PRINT_MEASURED: &str = "print_measured";
    pub const TRAIL_MEASURED: &str = "trail_measured";
    pub const IDENTIFICATION: &str = "identification";
    /// A second person's view of an identification.
    pub const CHECK: &str = "check";
    pub const CORRECTION: &str = "correction";
    pub const WITHDRAWAL: &str = "withdrawal";
    pub const LANDOWNER_CONSENT: &str = "landowner_consent";
    pub const NOTE: &str = "note";
    /// Of a season: a place that is to be visited.
    pub const PLACE_PLANNED: &str = "place_planned";
    /// Of a season: a place given to people.
    pub const PLACE_GIVEN: &str = "place_given";
}

/// What is to be appended.
#[derive(Debug, Clone, PartialEq)]
pub struct Draft {
    /// One of [`kind`].
    pub kind: String,
    /// The visit's identifier, or `season/NAME` for what is planned. It can't be erased, so it names no person.
    pub visit: String,
    /// What of the visit this is about, an identifier that names no person either; empty for the visit itself.
    pub subject: String,
    /// Who says it. Can be erased together with the payload.
    pub author: String,
    /// What is said.
    pub payload: Value,
}

/// An entry of a log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// Whose log: the device's public key, 64 hexadecimal digits.
    pub device: String,
    /// Its place in that log, from 1.
    pub number: u64,
    /// When it was written, in an order over all devices.
    pub time: HybridTime,
    /// One of [`kind`], or one that this program doesn't know.
    pub kind: String,
    /// The visit's identifier.
    pub visit: String,
    /// What of the visit it is about; empty for the visit itself.
    pub subject: String,
    /// Who says it; `None` once erased.
    pub author: Option<String>,
    /// The JSON document as it was written; `None` once erased.
    pub payload: Option<String>,
}

impl Entry {
    /// The payload as a value; `None` where it was erased or isn't JSON.
    pub fn value(&self) -> Option<Value> {
        serde_json::from_str(self.payload.as_deref()?).ok()
    }

    /// The columns that [`Entry::of_row`] reads.
    pub(crate) const COLUMNS: &str = "device, number, wall_ms, counter, kind, visit, subject, author, payload";

    pub(crate) fn of_row(row: &Row) -> rusqlite::Result<Self> {
        Ok(Self {
            device: hex::encode(row.get_ref(0)?.as_blob()?),
            number: row.get::<_, i64>(1)?.unsigned_abs(),
            time: HybridTime { wall_ms: row.get(2)?, counter: row.get(3)? },
            kind: row.get(4)?,
            visit: row.get(5)?,
            subject: row.get(6)?,
            author: row.get(7)?,
            payload: row.get(8)?,
        })
    }
}
