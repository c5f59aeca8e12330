//! A visit as it leaves the house: what all formats are written from. Nothing that may not leave is in it, so that no format can let it out.

use chrono::{DateTime, FixedOffset};

use super::data::Taxon;
use crate::measured::Measured;

/// One visit.
#[derive(Debug, Clone)]
pub(super) struct Leaving {
    /// The visit itself, then its stretches, then the places of its signs.
    pub events: Vec<Event>,
    pub survey: Survey,
    /// What was found; then, where enough was searched, what was looked for and not found.
    pub occurrences: Vec<Occurrence>,
    /// Photographs of what was found.
    pub photos: Vec<Picture>,
    pub generalised: String,
    pub withheld: String,
}

/// Something that took place somewhere.
#[derive(Debug, Clone)]
pub(super) struct Event {
    pub id: String,
    pub parent: Option<String>,
    pub kind: EventKind,
    pub start: DateTime<FixedOffset>,
    pub end: Option<DateTime<FixedOffset>>,
    pub protocol: String,
    /// How much of the bank was searched, m.
    pub searched_m: Option<f64>,
    pub effort: Option<String>,
    pub location: Option<String>,
    pub locality: Option<String>,
    pub habitat: Option<String>,
    pub spot: Option<Spot>,
    /// WGS84 longitude and latitude, degrees; exact, so seldom there.
    pub line: Option<Vec<[f64; 2]>>,
    pub remarks: Option<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum EventKind {
    Visit,
    Stretch,
    Sign,
}

impl EventKind {
    /// A value of `dwc:eventType`.
    pub fn term(self) -> &'static str {
        match self {
            Self::Visit => "siteVisit",
            Self::Stretch => "transect",
            Self::Sign => "observation",
        }
    }
}

/// Where, as it may be told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Spot {
    pub lat: f64,
    pub lon: f64,
    /// The radius that holds all of it, m; never zero.
    pub uncertainty_m: f64,
    /// Decimals of a degree that mean something.
    pub decimals: usize,
}

impl Spot {
    /// Latitude and longitude with the decimals that they have.
    pub fn degrees(&self) -> [String; 2] {
        [self.lat, self.lon].map(|degrees| format!("{degrees:.*}", self.decimals))
    }

    pub fn precision(&self) -> String {
        format!("{:.*}", self.decimals, 0.1_f64.powi(self.decimals as i32))
    }
}

/// What the search was: a row of the Humboldt extension.
#[derive(Debug, Clone)]
pub(super) struct Survey {
    pub targets: Vec<String>,
    /// Of these; none where too little was searched to say so.
    pub absent: Vec<String>,
    /// Found without being looked for.
    pub others: Vec<String>,
    /// Metres of bank.
    pub searched_m: Option<f64>,
    pub minutes: Option<i64>,
    pub protocol_source: Option<String>,
    pub samples: bool,
    pub people: Option<String>,
    pub weather: Option<String>,
    pub extreme: Option<String>,
}

/// A track maker, found or not.
#[derive(Debug, Clone)]
pub(super) struct Occurrence {
    pub id: String,
    /// The event that it belongs to, by its place among them.
    pub event: usize,
    pub found: bool,
    pub taxon: Taxon,
    pub name: String,
    pub verbatim: Option<String>,
    pub qualifier: Option<String>,
    pub identified_by: Option<String>,
    pub identified_on: Option<DateTime<FixedOffset>>,
    pub verification: &'static str,
    pub remarks: Option<String>,
    pub quantity: Option<(usize, &'static str)>,
    pub people: Option<String>,
    /// What kind of sign, how fresh, notes.
    pub sign: Option<String>,
    pub measures: Vec<Measure>,
}

/// A measure in millimetres.
#[derive(Debug, Clone)]
pub(super) struct Measure {
    pub id: String,
    pub what: String,
    pub mm: Measured,
    pub method: String,
}

impl Measure {
    pub fn value(&self) -> String {
        format!("{:.1}", self.mm.value)
    }

    /// Expanded uncertainty (JCGM 100:2008, 7.2).
    pub fn accuracy(&self) -> String {
        format!("U = {:.1} mm, k = 1.960 (95 %)", self.mm.half_width_95().max(0.1))
    }
}

/// A photograph of what was found, by a name that tells nothing.
#[derive(Debug, Clone)]
pub(super) struct Picture {
    pub id: String,
    /// Its name in the store, which stays there.
    pub sha256: String,
    /// Indices of what it shows.
    pub of: Vec<usize>,
    pub taken: Option<DateTime<FixedOffset>>,
    pub shows: Option<String>,
}

impl Picture {
    pub fn file(&self) -> String {
        format!("{}.jpg", self.id)
    }
}

impl Leaving {
    pub fn visit(&self) -> &Event {
        &self.events[0]
    }

    pub fn event_of(&self, occurrence: &Occurrence) -> &Event {
        &self.events[occurrence.event]
    }
}

impl Event {
    /// A time, or from when to when (ISO 8601-1:2019), with the offset of the place.
    pub fn date(&self) -> String {
        match self.end.filter(|end| *end > self.start) {
            Some(end) => format!("{}/{}", local(self.start), local(end)),
            None => local(self.start),
        }
    }
}

pub(super) fn local(time: DateTime<FixedOffset>) -> String {
    time.to_rfc3339_opts(chrono::SecondsFormat::Secs, true)
}
