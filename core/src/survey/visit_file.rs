//! `visit.toml`: one visit in a folder of photographs, as phone, command line and demo all write it.

use std::collections::BTreeMap;
use std::path::Path;

use chrono::{DateTime, FixedOffset, NaiveDate};
use serde::{Deserialize, Deserializer, de::Error as _};
use serde_json::{Map, Value};

use super::absence::Detection;
use super::record::{Bank, Conditions, Consent, Person, SampleTaken, SignKind};
use crate::measured::Measured;
use crate::place::Category;
use crate::print::{Floor, Landmarks, StatedScale};
use crate::scale::card::U_CHECK_LINE_MM;
use crate::time::parse_time;
use crate::trail::TrailMarks;

/// The file as it stands.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct VisitFile {
    pub visit: Head,
    #[serde(default)]
    pub conditions: Conditions,
    #[serde(default)]
    pub stretch: Vec<Stretch>,
    #[serde(default)]
    pub card: Vec<Card>,
    #[serde(default)]
    pub photo: Vec<Photo>,
    #[serde(default)]
    pub trail: Vec<Trail>,
    #[serde(default)]
    pub sign: Vec<Sign>,
    #[serde(default)]
    pub sample: Vec<SampleTaken>,
}

/// `[visit]`.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Head {
    pub purpose: String,
    /// Track makers that are looked for; the otter where nothing is said.
    #[serde(default = "the_otter")]
    pub targets: Vec<String>,
    /// A built-in one's name, a file of the team's own (`NAME.toml`), or in words.
    #[serde(default)]
    pub protocol: Option<String>,
    /// By track maker: how likely one such visit finds sign where it lives, with the source.
    #[serde(default)]
    pub detection: BTreeMap<String, Detection>,
    #[serde(default)]
    pub experience_seasons: Option<u32>,
    /// A file of high and low waters beside this one (CSV: utc, height_m, type), where `last_high_water` isn't typed.
    #[serde(default)]
    pub tide_table: Option<String>,
    #[serde(deserialize_with = "time")]
    pub start: DateTime<FixedOffset>,
    #[serde(default, deserialize_with = "optional_time")]
    pub end: Option<DateTime<FixedOffset>>,
    pub people: Vec<Person>,
    pub place_name: String,
    #[serde(default)]
    pub landowner: Option<Person>,
    #[serde(default)]
    pub consent: Consent,
    #[serde(default = "strictest")]
    pub sensitivity_category: Category,
    #[serde(default)]
    pub notice: Option<String>,
    /// A file that lists which track makers live in the region, are rare or absent there.
    #[serde(default)]
    pub region: Option<String>,
    /// Seconds to add to the camera's times.
    #[serde(default)]
    pub clock_offset_s: Option<i64>,
    /// Or a photograph of a clock, from which the offset follows.
    #[serde(default)]
    pub clock_photo: Option<ClockPhoto>,
}

/// A photograph of a clock that goes right.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ClockPhoto {
    /// Its base name.
    pub file: String,
    /// What the clock shows.
    #[serde(deserialize_with = "time")]
    pub shows: DateTime<FixedOffset>,
}

/// `[[stretch]]`.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Stretch {
    pub name: String,
    #[serde(default)]
    pub bank: Option<Bank>,
    pub line: Line,
    #[serde(default)]
    pub searched_m: Option<f64>,
}

/// Coordinates, or a GeoJSON file that holds one line.
#[derive(Debug, Clone, Deserialize)]
#[serde(untagged)]
pub enum Line {
    /// WGS84 longitude and latitude, degrees.
    Points(Vec<[f64; 2]>),
    /// A file's base name.
    File(String),
}

/// `[[card]]`: one of our scale cards, by the number that is written on it.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Card {
    pub number: String,
    /// What its check line of 100 mm measures.
    pub check_line_mm: f64,
    #[serde(default = "usual_reading")]
    pub u_check_line_mm: f64,
}

fn usual_reading() -> f64 {
    U_CHECK_LINE_MM
}

/// `[[photo]]`.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Photo {
    pub file: String,
    #[serde(default)]
    pub shows: Option<String>,
    /// When it was taken, where the file doesn't say.
    #[serde(default, deserialize_with = "optional_time")]
    pub taken: Option<DateTime<FixedOffset>>,
    /// `card`, or a sheet's corners, a coin's outline, or a ruler's two points and length.
    #[serde(default)]
    pub scale: Option<StatedScale>,
    /// The number of the card in it, where the visit has several.
    #[serde(default)]
    pub card: Option<String>,
    /// The first photograph of the same card, which lay still in between: both are measured together.
    #[serde(default)]
    pub card_as_in: Option<String>,
    #[serde(default)]
    pub landmarks: Option<LandmarksIn>,
    #[serde(default)]
    pub depth_mm: Option<f64>,
    #[serde(default)]
    pub u_depth_mm: Option<f64>,
    #[serde(default)]
    pub floor_up_to_mm: Option<f64>,
}

/// Landmarks in a file or in place.
#[derive(Debug, Clone, Deserialize)]
#[serde(untagged)]
pub enum LandmarksIn {
    /// A JSON file's base name.
    File(String),
    /// The landmarks themselves.
    Here(Landmarks),
}

/// `[[trail]]`: its id, and its prints along a tape or marked in photographs of the visit.
#[derive(Debug, Clone, Deserialize)]
#[serde(try_from = "toml::Table")]
#[allow(missing_docs)]
pub struct Trail {
    pub id: String,
    pub marks: TrailMarks,
}

impl TryFrom<toml::Table> for Trail {
    type Error = String;

    fn try_from(mut table: toml::Table) -> Result<Self, String> {
        let Some(toml::Value::String(id)) = table.remove("id") else {
            return Err("a [[trail]] has no id: give it a name, such as id = \"t1\"".into());
        };
        let marks = table.try_into().map_err(|error| format!("trail {id}: {}", error.message()))?;
        Ok(Self { id, marks })
    }
}

/// `[[sign]]`. Prints, trail, droppings and feeding remains are those of an identification's evidence; a print may be taken `from` a measured
/// photograph as `FILE#PRINT`.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Sign {
    pub id: String,
    pub kind: SignKind,
    #[serde(default)]
    pub photos: Vec<String>,
    /// WGS84 longitude and latitude, degrees.
    #[serde(default)]
    pub place: Option<[f64; 2]>,
    #[serde(default, deserialize_with = "optional_time")]
    pub time: Option<DateTime<FixedOffset>>,
    #[serde(default)]
    pub taken_for: Option<String>,
    #[serde(default)]
    pub freshness: Option<String>,
    #[serde(default)]
    pub below_high_water: Option<bool>,
    #[serde(default)]
    pub substrate: Option<String>,
    #[serde(default)]
    pub setting: Option<Value>,
    #[serde(default)]
    pub prints: Vec<Map<String, Value>>,
    #[serde(default)]
    pub trail: Option<String>,
    #[serde(default)]
    pub droppings: Vec<Value>,
    #[serde(default)]
    pub feeding_remains: Vec<String>,
    #[serde(default)]
    pub note: Option<String>,
}

/// Why a visit's file can't be used.
#[derive(Debug, thiserror::Error)]
pub enum VisitFileError {
    /// There is none.
    #[error(
        "{folder} has no visit.toml, which says who, when and where: write one as DEVELOPERS.md and fixtures/demo-visit/visit.toml show"
    )]
    Missing {
        /// The folder.
        folder: String,
    },
    /// Not the shape that is expected.
    #[error("visit.toml can't be read: {detail}")]
    Unreadable {
        /// What and where.
        detail: String,
    },
    /// Two things that contradict each other, or a value out of range.
    #[error("visit.toml: {detail}")]
    Wrong {
        /// What and what to do.
        detail: String,
    },
}

impl Photo {
    /// Where the prints' floor lies below the scale; `None` where that is stated by halves.
    pub(super) fn floor(&self) -> Option<Floor> {
        match (self.depth_mm, self.u_depth_mm, self.floor_up_to_mm) {
            (None, None, None) => Some(Floor::InPlane),
            (Some(depth_mm), Some(u_depth_mm), None) => Some(Floor::At { depth_mm, u_depth_mm }),
            (None, None, Some(depth_mm)) => Some(Floor::UpTo { depth_mm }),
            _ => None,
        }
    }
}

impl VisitFile {
    /// Reads a folder's `visit.toml`.
    pub fn in_folder(folder: &Path) -> Result<Self, VisitFileError> {
        match std::fs::read_to_string(folder.join("visit.toml")) {
            Ok(text) => Self::from_toml(&text),
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => {
                Err(VisitFileError::Missing { folder: folder.display().to_string() })
            }
            Err(e) => Err(VisitFileError::Unreadable { detail: e.to_string() }),
        }
    }

    /// Reads the text of a `visit.toml`; an unknown key is an error that names it and its line.
    ///
    /// ```
    /// use rakelight_core::survey::VisitFile;
    /// let text = "[visit]\npurpose = 'otter'\nstart = 2026-10-03T07:10:00+02:00\npeople = ['Ada Holm']\nplace_name = 'Mill weir'";
    /// assert_eq!(VisitFile::from_toml(text).unwrap().visit.targets, ["lutra_lutra"]);
    /// let refused = VisitFile::from_toml(&format!("{text}\nweather = 'fine'")).unwrap_err().to_string();
    /// assert!(refused.contains("weather") && refused.contains("line 6"));
    /// let trail = "[[trail]]\nid = 't1'\nu_position_cm = 1\ntravle = 'forwards'\nprints = [{ along_cm = 0, offset_cm = 3 }]";
    /// let refused = VisitFile::from_toml(&format!("{text}\n{trail}")).unwrap_err().to_string();
    /// assert!(refused.contains("travle") && refused.contains("trail t1"));
    /// ```
    pub fn from_toml(text: &str) -> Result<Self, VisitFileError> {
        let file: Self = toml::from_str(text).map_err(|e| VisitFileError::Unreadable { detail: e.to_string() })?;
        file.check().map_err(|detail| VisitFileError::Wrong { detail })?;
        Ok(file)
    }

    /// What is said of a photograph.
    pub(super) fn photo(&self, file: &str) -> Option<&Photo> {
        self.photo.iter().find(|photo| photo.file == file)
    }

    /// The first of the photographs that are measured together with this one, which may be itself.
    pub(super) fn first_of_card(&self, file: &str) -> Option<&str> {
        let first = self.photo(file).and_then(|photo| photo.card_as_in.as_deref());
        first.or_else(|| self.photo.iter().filter_map(|other| other.card_as_in.as_deref()).find(|first| *first == file))
    }

    /// What the check line of a photograph's card measures, where someone measured it: that of the card that the photograph names,
    /// or of the visit's only one.
    pub(super) fn check_line(&self, photo: Option<&Photo>) -> Option<Measured> {
        let number = photo.and_then(|photo| photo.card.as_ref());
        let named = self.card.iter().find(|card| number == Some(&card.number));
        let only = self.card.first().filter(|_| self.card.len() == 1 && number.is_none());
        named.or(only).map(|card| Measured { value: card.check_line_mm, u: card.u_check_line_mm })
    }

    fn check(&self) -> Result<(), String> {
        for photo in &self.photo {
            if let Some(number) = photo.card.as_ref().filter(|n| !self.card.iter().any(|card| card.number == **n)) {
                let file = &photo.file;
                return Err(format!("photo {file} names the card {number:?}, but no [[card]] has that number: add it"));
            }
        }
        for (photo, first) in self.photo.iter().filter_map(|photo| Some((photo, photo.card_as_in.as_ref()?))) {
            let wrong = |why: &str| Err(format!("photo {}: card_as_in {why}", photo.file));
            match self.photo(first) {
                None => return wrong(&format!("names {first}, which has no [[photo]]: add it")),
                Some(first) if first.card_as_in.is_some() || first.file == photo.file => {
                    return wrong(&format!("must name the first photograph of the card, not {}", first.file));
                }
                Some(_) if [photo.depth_mm, photo.u_depth_mm, photo.floor_up_to_mm].iter().any(Option::is_some) => {
                    return wrong(&format!("leaves depth and floor to {first}: say them there"));
                }
                Some(_) if photo.scale.is_some() || photo.card.is_some() => {
                    return wrong(&format!("leaves scale and card to {first}: say them there"));
                }
                Some(_) => {}
            }
        }
        let head = &self.visit;
        if head.people.iter().all(|person| person.trim().is_empty()) {
            return Err("people is empty: name at least one person who was there".into());
        }
        if head.end.is_some_and(|end| end < head.start) {
            return Err("end lies before start: check both times and their offsets from UTC".into());
        }
        if let Some(share) = self.conditions.holds_prints_share.filter(|share| !(0.0..=1.0).contains(share)) {
            return Err(format!("holds_prints_share = {share} can't be: give a share from 0 to 1"));
        }
        let classes = super::classes().map_err(|error| error.to_string())?;
        for (sign, class) in self.sign.iter().filter_map(|sign| Some((sign, sign.freshness.as_ref()?))) {
            if classes.iter().all(|known| known.id != *class) {
                let known = classes.iter().map(|known| known.id.as_str()).collect::<Vec<_>>().join(", ");
                return Err(format!(
                    "sign {}: the freshness {class:?} isn't a class of appearance; there are: {known}",
                    sign.id
                ));
            }
        }
        if head.clock_offset_s.is_some() && head.clock_photo.is_some() {
            return Err("clock_offset_s and clock_photo are both given: keep one of them".into());
        }
        doubled("stretch", self.stretch.iter().map(|s| &s.name))?;
        doubled("card", self.card.iter().map(|c| &c.number))?;
        doubled("photo", self.photo.iter().map(|p| &p.file))?;
        doubled("trail", self.trail.iter().map(|t| &t.id))?;
        doubled("sign", self.sign.iter().map(|s| &s.id))?;
        doubled("sample", self.sample.iter().map(|s| &s.pot))?;
        if let Some(sample) = self.sample.iter().find(|sample| self.sign.iter().all(|sign| sign.id != sample.sign)) {
            return Err(format!("sample {}: there is no [[sign]] with id {:?}", sample.pot, sample.sign));
        }
        let trail_of = |sign: &Sign| sign.trail.clone().filter(|id| !self.trail.iter().any(|trail| trail.id == *id));
        if let Some((sign, trail)) = self.sign.iter().find_map(|sign| Some((sign, trail_of(sign)?))) {
            return Err(format!("sign {}: there is no [[trail]] with id {trail:?}", sign.id));
        }
        Ok(())
    }
}

fn doubled<'a>(what: &str, names: impl Iterator<Item = &'a String>) -> Result<(), String> {
    let mut seen = std::collections::BTreeSet::new();
    for name in names {
        if !seen.insert(name) {
            return Err(format!("two [[{what}]] are called {name:?}: give each its own name"));
        }
    }
    Ok(())
}

fn the_otter() -> Vec<String> {
    vec!["lutra_lutra".into()]
}

fn strictest() -> Category {
    Category::STRICTEST
}

/// A TOML date-time or a text that holds a time.
pub(super) fn time<'de, D: Deserializer<'de>>(from: D) -> Result<DateTime<FixedOffset>, D::Error> {
    optional_time(from)?.ok_or_else(|| D::Error::custom("a time is missing"))
}

/// The same where it may be missing.
pub(super) fn optional_time<'de, D: Deserializer<'de>>(from: D) -> Result<Option<DateTime<FixedOffset>>, D::Error> {
    let Some(text) = text_of_time(from)? else { return Ok(None) };
    let unreadable = || D::Error::custom(format!("{text:?} is no time: write it like 2026-10-03T07:41:10+02:00"));
    parse_time(&text).map(Some).ok_or_else(unreadable)
}

/// A TOML date or a text that holds one.
pub(super) fn date<'de, D: Deserializer<'de>>(from: D) -> Result<NaiveDate, D::Error> {
    optional_date(from)?.ok_or_else(|| D::Error::custom("a date is missing"))
}

/// The same where it may be missing.
pub(super) fn optional_date<'de, D: Deserializer<'de>>(from: D) -> Result<Option<NaiveDate>, D::Error> {
    let Some(text) = text_of_time(from)? else { return Ok(None) };
    let unreadable = |_| D::Error::custom(format!("{text:?} is no date: write it like 2026-10-03"));
    text.trim().parse().map(Some).map_err(unreadable)
}

fn text_of_time<'de, D: Deserializer<'de>>(from: D) -> Result<Option<String>, D::Error> {
    #[derive(Deserialize)]
    #[serde(untagged)]
    enum Time {
        Toml(toml::value::Datetime),
        Text(String),
    }
    Ok(Option::<Time>::deserialize(from)?.map(|time| match time {
        Time::Toml(time) => time.to_string(),
        Time::Text(text) => text,
    }))
}
