//! What was found when a store was checked.

use serde::Serialize;

use crate::words::Words;

/// The outcome of a check of the whole store.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Verified {
    /// How many entries were checked.
    pub entries: usize,
    /// In how many of these the payload was erased.
    pub erased: usize,
    /// How many photographs were checked.
    pub photographs: usize,
    /// What is damaged; empty where all is well.
    pub damage: Vec<Damage>,
}

/// One thing that is damaged. `device` is 64 hexadecimal digits, `number` the place in that device's log.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(tag = "what", rename_all = "snake_case")]
pub enum Damage {
    /// The database file itself.
    Database {
        /// What SQLite says.
        detail: String,
    },
    /// A table, index, view or guard of the database isn't the one that the program made.
    Schema {
        /// Its name.
        name: String,
    },
    /// An entry isn't what its digest says.
    EntryChanged {
        /// Whose log.
        device: String,
        /// Where in it.
        number: i64,
    },
    /// Payload or author of an entry aren't what their salted digests say.
    PayloadChanged {
        /// Whose log.
        device: String,
        /// Where in it.
        number: i64,
    },
    /// Entries are missing before this one.
    Gap {
        /// Whose log.
        device: String,
        /// The first that is missing.
        missing: i64,
        /// The first that is there again.
        number: i64,
    },
    /// An entry doesn't follow from the one before it.
    ChainBroken {
        /// Whose log.
        device: String,
        /// Where in it.
        number: i64,
    },
    /// An entry's time isn't after that of the one before it.
    TimeWentBack {
        /// Whose log.
        device: String,
        /// Where in it.
        number: i64,
    },
    /// The signature isn't the device's own over this head.
    BadSignature {
        /// Whose log.
        device: String,
        /// Where in it.
        number: i64,
    },
    /// Nobody signed for the log's last entries; a reader doesn't take them.
    Unsigned {
        /// Whose log.
        device: String,
        /// The first such entry.
        number: i64,
    },
    /// A table for reading doesn't say what the entries say; it can be built again.
    Reading {
        /// Which.
        table: String,
    },
    /// What waits for entries before it isn't what its digest says; it comes again.
    Waiting {
        /// Whose log.
        device: String,
        /// Where in it.
        number: i64,
    },
    /// A photograph isn't there.
    PhotographMissing {
        /// Its digest.
        sha256: String,
    },
    /// A photograph isn't what its digest says.
    PhotographChanged {
        /// Its digest.
        sha256: String,
    },
    /// A photograph can't be read.
    PhotographUnreadable {
        /// Its digest.
        sha256: String,
        /// What the system says.
        detail: String,
    },
}

impl Damage {
    /// This damage in words.
    pub fn say(&self, words: &Words) -> String {
        let in_log = |key: &str, device: &str, number: &i64| {
            words.fill(key, &[("device", device), ("number", &number.to_string())])
        };
        match self {
            Self::Database { detail } => words.fill("store.damage.database", &[("detail", detail)]),
            Self::Schema { name } => words.fill("store.damage.schema", &[("name", name)]),
            Self::EntryChanged { device, number } => in_log("store.damage.entry_changed", device, number),
            Self::PayloadChanged { device, number } => in_log("store.damage.payload_changed", device, number),
            Self::Gap { device, missing, number } => words.fill(
                "store.damage.gap",
                &[("device", device), ("missing", &missing.to_string()), ("number", &number.to_string())],
            ),
            Self::ChainBroken { device, number } => in_log("store.damage.chain_broken", device, number),
            Self::TimeWentBack { device, number } => in_log("store.damage.time_went_back", device, number),
            Self::BadSignature { device, number } => in_log("store.damage.bad_signature", device, number),
            Self::Unsigned { device, number } => in_log("store.damage.unsigned", device, number),
            Self::Reading { table } => words.fill("store.damage.reading", &[("table", table)]),
            Self::Waiting { device, number } => in_log("store.damage.waiting", device, number),
            Self::PhotographMissing { sha256 } => words.fill("store.damage.photograph_missing", &[("sha256", sha256)]),
            Self::PhotographChanged { sha256 } => words.fill("store.damage.photograph_changed", &[("sha256", sha256)]),
            Self::PhotographUnreadable { sha256, detail } => {
                words.fill("store.damage.photograph_unreadable", &[("sha256", sha256), ("detail", detail)])
            }
        }
    }
}
