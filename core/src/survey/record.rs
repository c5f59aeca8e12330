//! What is written down on a visit, record by record: each becomes one entry of the store.

use std::collections::BTreeMap;

use chrono::{DateTime, FixedOffset, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;

use super::absence::Detection;
use super::later::{Check, Correction, LandownerConsent, Note, Withdrawal};
use super::protocol::Protocol;
use super::season::{PlaceGiven, PlacePlanned};
use crate::identify::{Evidence, Identification};
use crate::place::Category;
use crate::print::Landmarks;
use crate::trail::{TrailPhotos, TrailPrints};

/// One record. Its kind's name is that of the store's entry.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", content = "payload", rename_all = "snake_case")]
pub enum Record {
    /// The visit's head.
    VisitOpened(Opened),
    /// A length of bank.
    StretchWalked(StretchWalked),
    /// Where the worker walked.
    TrackPiece(TrackPiece),
    /// A photograph in the store.
    PhotographAttached(PhotoAttached),
    /// The measures of a photograph.
    PrintMeasured(PrintMeasured),
    /// A trail and its reading.
    TrailMeasured(TrailMeasured),
    /// A sign.
    SignNoted(SignNoted),
    /// Who made a sign.
    Identification(Identified),
    /// A part of a sign that was taken along.
    SampleTaken(SampleTaken),
    /// The visit's end.
    VisitClosed(Closed),
    /// A second person's view of an identification.
    Check(Check),
    /// A record said right.
    Correction(Correction),
    /// A record taken back.
    Withdrawal(Withdrawal),
    /// What the landowner agreed to later.
    LandownerConsent(LandownerConsent),
    /// Something worth keeping that is no sign.
    Note(Note),
    /// A place that is to be visited; of a season, not of a visit.
    PlacePlanned(PlacePlanned),
    /// A place given to people; of a season.
    PlaceGiven(PlaceGiven),
}

/// A person's name.
pub type Person = String;

/// Who is doing what, where, for whom.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Opened {
    /// What the visit is for.
    pub purpose: String,
    /// The track makers that are looked for, by name as in the species facts.
    pub targets: Vec<String>,
    /// The protocol that is followed: its name, or in words.
    pub protocol: Option<String>,
    /// Its rules as they were then, where it is a built-in one or the team's own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub protocol_rules: Option<Box<Protocol>>,
    /// How likely one such visit finds sign where the track maker lives, by its name: as the team chose it, with its source.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub detection: BTreeMap<String, Detection>,
    /// How many seasons of sign surveys the most experienced of the people has behind them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub experience_seasons: Option<u32>,
    /// When it began.
    pub start: DateTime<FixedOffset>,
    /// Who was there.
    pub people: Vec<Person>,
    /// The place's name.
    pub place_name: String,
    /// Whose land it is.
    pub landowner: Option<Person>,
    /// What the landowner agreed to.
    pub consent: Consent,
    /// How sensitive the records are (Chapman 2020).
    pub sensitivity_category: Category,
    /// What every reader should know, such as that all of it is invented.
    pub notice: Option<String>,
    /// Weather, water and light.
    pub conditions: Conditions,
}

#[cfg(test)]
impl Opened {
    /// A survey for the otter that somebody invented for a test.
    pub(crate) fn invented(place_name: &str, start: DateTime<FixedOffset>, people: &[&str]) -> Self {
        Self {
            purpose: "otter survey".into(),
            targets: vec!["lutra_lutra".into()],
            protocol: None,
            protocol_rules: None,
            detection: BTreeMap::new(),
            experience_seasons: None,
            start,
            people: people.iter().map(|name| (*name).to_owned()).collect(),
            place_name: place_name.into(),
            landowner: None,
            consent: Consent::None,
            sensitivity_category: Category::STRICTEST,
            notice: None,
            conditions: Conditions::default(),
        }
    }
}

/// What a landowner agreed to be shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Consent {
    /// Nothing was agreed: the summary names no place on the land.
    #[default]
    None,
    /// A summary without exact places.
    SummaryOnly,
    /// The owner may see exact places on their own land.
    ExactOnOwnLand,
}

/// What the day was like; each in the observer's words, as far as it was noted.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Conditions {
    /// Whole days since it last rained.
    #[serde(default)]
    pub days_without_rain: Option<u32>,
    /// Low, normal, high, flood.
    #[serde(default)]
    pub water_level: Option<String>,
    /// The share of the ground that can hold prints, 0 to 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub holds_prints_share: Option<f64>,
    /// Falling, low, rising, high.
    #[serde(default)]
    pub tide: Option<String>,
    /// The last high water.
    #[serde(default, deserialize_with = "super::visit_file::optional_time")]
    pub last_high_water: Option<DateTime<FixedOffset>>,
    /// What light there was.
    #[serde(default)]
    pub light: Option<String>,
    /// Anything else.
    #[serde(default)]
    pub note: Option<String>,
}

/// Which bank, looking downstream.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Bank {
    /// The left one.
    Left,
    /// The right one.
    Right,
    /// Both.
    Both,
}

/// A length of bank that was walked.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StretchWalked {
    /// Its name.
    pub name: String,
    /// Which bank.
    pub bank: Option<Bank>,
    /// WGS84 longitude and latitude, degrees, from the start on.
    pub line: Vec<[f64; 2]>,
    /// How much of it was searched, m.
    pub searched_m: Option<f64>,
}

/// A piece of the worker's track.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrackPiece {
    /// Time, latitude and longitude (WGS84, degrees), in order of time.
    pub fixes: Vec<(DateTime<Utc>, f64, f64)>,
}

/// How a photograph's time is known to lie in the world's.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Clock {
    /// The camera wrote the offset from UTC.
    Camera,
    /// From the satellites' time.
    Satellites,
    /// Nothing told the offset: taken as UTC.
    AssumedUtc,
    /// Set right by the visit's clock offset.
    Corrected,
    /// Typed in the visit's file.
    Typed,
}

/// How a photograph's or sign's position is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PlacedBy {
    /// The camera wrote it.
    Camera,
    /// From the track, by time.
    Track,
    /// The phone's own position when it was noted.
    Phone,
    /// Typed.
    Typed,
}

/// A photograph that belongs to the visit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PhotoAttached {
    /// Its name in the folder.
    pub file: String,
    /// Its name in the store.
    pub sha256: String,
    /// When it was taken.
    pub taken: Option<DateTime<FixedOffset>>,
    /// How that is known.
    pub clock: Option<Clock>,
    /// WGS84 latitude and longitude, degrees.
    pub place: Option<[f64; 2]>,
    /// How that is known.
    pub placed_by: Option<PlacedBy>,
    /// What it shows, in a word.
    pub shows: Option<String>,
}

/// What was measured in a photograph.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PrintMeasured {
    /// The photograph's name in the folder.
    pub file: String,
    /// The photograph's name in the store.
    pub sha256: String,
    /// The points that were marked.
    pub landmarks: Landmarks,
    /// The document of `rakelight measure`.
    pub measurement: Value,
}

/// A trail and how it reads.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrailMeasured {
    /// Its name within the visit.
    pub id: String,
    /// The prints; those of photographs by their places in the first one's plane.
    pub prints: TrailPrints,
    /// As they were marked in photographs, where they were.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub photos: Option<TrailPhotos>,
    /// The document of `rakelight trail`.
    pub reading: Value,
}

/// What kind of sign.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs)]
pub enum SignKind {
    Print,
    Trail,
    Dropping,
    FeedingRemains,
    RestingPlace,
    Slide,
    Hair,
    Sighting,
    DeadAnimal,
}

/// A sign as the worker noted it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SignNoted {
    /// Its name within the visit.
    pub id: String,
    /// What it is.
    pub sign: SignKind,
    /// Photographs of it, by their names in the folder.
    pub photos: Vec<String>,
    /// The trail it belongs to.
    pub trail: Option<String>,
    /// WGS84 latitude and longitude, degrees.
    pub place: Option<[f64; 2]>,
    /// How that is known.
    pub placed_by: Option<PlacedBy>,
    /// The radius that holds the true place with 68 %, m, where the phone said it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub radius_68_m: Option<f64>,
    /// The track maker that the worker took it for, by its name: of an animal that was seen, alive or dead.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub taken_for: Option<String>,
    /// When it was noted.
    pub time: Option<DateTime<FixedOffset>>,
    /// By appearance, never in days.
    pub freshness: Option<String>,
    /// Whether the tide washes over its place.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub below_high_water: Option<bool>,
    /// Anything else.
    pub note: Option<String>,
}

/// A part of a sign that was taken along, in a pot of its own. Written again when it changes hands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SampleTaken {
    /// What is written on the pot.
    pub pot: String,
    /// The sign that it was taken from.
    pub sign: String,
    /// Who holds it.
    pub held_by: Person,
    /// Since when.
    #[serde(deserialize_with = "super::visit_file::time")]
    pub since: DateTime<FixedOffset>,
    /// What it is, or under which permit.
    #[serde(default)]
    pub note: Option<String>,
}

/// Who made a sign, by the core.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Identified {
    /// The sign.
    pub sign: String,
    /// All that was known of it.
    pub evidence: Evidence,
    /// The answer.
    pub result: Identification,
    /// The core's version.
    pub core_version: String,
    /// The species facts' SHA-256.
    pub facts_digest: String,
}

/// The visit's end.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Closed {
    /// When it ended.
    pub end: DateTime<FixedOffset>,
}

impl Record {
    /// Its kind's name, that of the store's entry.
    pub fn kind(&self) -> &'static str {
        match self {
            Self::VisitOpened(_) => "visit_opened",
            Self::StretchWalked(_) => "stretch_walked",
            Self::TrackPiece(_) => "track_piece",
            Self::PhotographAttached(_) => "photograph_attached",
            Self::PrintMeasured(_) => "print_measured",
            Self::TrailMeasured(_) => "trail_measured",
            Self::SignNoted(_) => "sign_noted",
            Self::Identification(_) => "identification",
            Self::SampleTaken(_) => "sample_taken",
            Self::VisitClosed(_) => "visit_closed",
            Self::Check(_) => "check",
            Self::Correction(_) => "correction",
            Self::Withdrawal(_) => "withdrawal",
            Self::LandownerConsent(_) => "landowner_consent",
            Self::Note(_) => "note",
            Self::PlacePlanned(_) => "place_planned",
            Self::PlaceGiven(_) => "place_given",
        }
    }

    /// What it is about: a newer record of the same kind and subject takes the older one's place.
    pub fn subject(&self) -> String {
        match self {
            Self::VisitOpened(_) | Self::VisitClosed(_) | Self::LandownerConsent(_) => String::new(),
            Self::StretchWalked(stretch) => stretch.name.clone(),
            Self::TrackPiece(piece) => piece.fixes.first().map_or_else(String::new, |fix| super::utc_text(fix.0)),
            Self::PhotographAttached(photo) => photo.sha256.clone(),
            Self::PrintMeasured(measured) => measured.sha256.clone(),
            Self::TrailMeasured(trail) => trail.id.clone(),
            Self::SignNoted(sign) => sign.id.clone(),
            Self::Identification(identified) => identified.sign.clone(),
            Self::SampleTaken(sample) => sample.pot.clone(),
            Self::Check(check) => format!("{}/{}", check.sign, super::utc_text(check.at)),
            Self::Correction(correction) => format!("{}/{}", correction.of_kind, correction.of_subject),
            Self::Withdrawal(withdrawal) => match withdrawal.erased.first() {
                Some((device, number)) => format!("{device}/{number}"),
                None => format!("{}/{}", withdrawal.of_kind, withdrawal.of_subject),
            },
            Self::Note(note) => super::utc_text(note.at),
            Self::PlacePlanned(place) => super::season::subject_of(&place.name),
            Self::PlaceGiven(given) => format!("{}/{}", super::season::subject_of(&given.place), given.from),
        }
    }
}
