//! What is said later of a visit's records: checks, corrections, withdrawals, consent, notes.

use chrono::{DateTime, FixedOffset};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use super::record::{Consent, Person, Record};

/// Somebody's view of who made a sign. Every check stays, whoever says it; the entry's author is who checked.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Check {
    /// The sign.
    pub sign: String,
    /// Whether what the core says of it holds.
    pub verdict: Verdict,
    /// The maker that it is taken for instead, by name as in the species facts.
    pub instead: Option<String>,
    /// In the checker's words.
    pub why: Option<String>,
    /// Whether the checker looked without seeing the core's answer first.
    pub blind: bool,
    /// When.
    pub at: DateTime<FixedOffset>,
}

/// A checker's verdict.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// The identification holds.
    Fits,
    /// It doesn't.
    DoesNotFit,
    /// It can't be decided from what is there.
    Open,
    /// Something is asked of those who were there.
    Question,
}

/// A record said right: it takes the other's place for readers, who find the other in its log.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Correction {
    /// The kind of the record that is corrected.
    pub of_kind: String,
    /// Its subject.
    pub of_subject: String,
    /// Why.
    pub why: String,
    /// The record as it should be: a payload of that kind, of the same subject.
    pub record: Value,
}

impl Correction {
    /// The record as it should be; `None` where it isn't one of the kind and subject that it corrects, or corrects something that isn't a
    /// record of what was seen.
    pub fn corrected(&self) -> Option<Record> {
        let record: Record = serde_json::from_value(json!({ "kind": self.of_kind, "payload": self.record })).ok()?;
        let about_records = matches!(record, Record::Correction(_) | Record::Withdrawal(_));
        (!about_records && record.subject() == self.of_subject).then_some(record)
    }
}

/// A record taken back: it isn't shown any more, this note is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Withdrawal {
    /// The kind of the record.
    pub of_kind: String,
    /// Its subject.
    pub of_subject: String,
    /// Why, without repeating what is taken back.
    pub why: String,
    /// The single entries whose payload is erased for it: device and number. Where there are any, only these are taken back, not what else
    /// was said of the same subject.
    #[serde(default)]
    pub erased: Vec<(String, u64)>,
}

/// What a landowner agreed to after the visit was opened, or took back. It counts for the summary in the place of what the visit's head says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LandownerConsent {
    /// Who.
    pub landowner: Option<Person>,
    /// To what.
    pub consent: Consent,
    /// When they said so.
    pub given: DateTime<FixedOffset>,
    /// How, or on what condition.
    pub note: Option<String>,
}

/// Something worth keeping that is no sign.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Note {
    /// In the worker's words.
    pub text: String,
    /// WGS84 latitude and longitude, degrees.
    pub place: Option<[f64; 2]>,
    /// When.
    pub at: DateTime<FixedOffset>,
}
