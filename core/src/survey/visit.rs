//! A visit put together from its records.

use chrono::{DateTime, FixedOffset};
use geo::{Closest, HaversineClosestPoint, Length, LineLocatePoint, LineString, Point};
use sha2::{Digest, Sha256};

use super::later::{Check, Correction, LandownerConsent, Note, Verdict, Withdrawal};
use super::record::{
    Closed, Consent, Identified, Opened, PhotoAttached, PrintMeasured, Record, SampleTaken, SignNoted, StretchWalked,
    TrackPiece, TrailMeasured,
};
use super::season::PlacePlanned;
use super::utc_text;

/// All that is known of one visit.
#[derive(Debug, Clone, PartialEq)]
#[allow(missing_docs)]
pub struct Visit {
    /// Made from its start, place and people: the same visit has the same id on every machine.
    pub id: String,
    pub opened: Opened,
    pub stretches: Vec<StretchWalked>,
    pub track: Vec<TrackPiece>,
    pub photos: Vec<PhotoAttached>,
    pub measured: Vec<PrintMeasured>,
    pub trails: Vec<TrailMeasured>,
    pub signs: Vec<SignNoted>,
    pub identified: Vec<Identified>,
    pub samples: Vec<SampleTaken>,
    pub closed: Option<Closed>,
    pub checks: Vec<Check>,
    pub notes: Vec<Note>,
    /// What the landowner agreed to after the visit was opened; [`Visit::consent`] is what counts.
    pub consented: Option<LandownerConsent>,
    /// Those whose records stand corrected above, and those that name no record here.
    pub corrections: Vec<Correction>,
    pub withdrawals: Vec<Withdrawal>,
}

impl Visit {
    /// A visit of which nothing but its head is known yet.
    pub fn open(opened: Opened) -> Self {
        let name = format!("{}|{}|{}", utc_text(opened.start), opened.place_name, opened.people.join("|"));
        let id = hex::encode(&Sha256::digest(name)[..16]);
        Self {
            id,
            opened,
            stretches: vec![],
            track: vec![],
            photos: vec![],
            measured: vec![],
            trails: vec![],
            signs: vec![],
            identified: vec![],
            samples: vec![],
            closed: None,
            checks: vec![],
            notes: vec![],
            consented: None,
            corrections: vec![],
            withdrawals: vec![],
        }
    }

    /// Adds one record.
    pub fn add(&mut self, record: Record) {
        match record {
            Record::VisitOpened(opened) => self.opened = opened,
            Record::StretchWalked(stretch) => self.stretches.push(stretch),
            Record::TrackPiece(piece) => self.track.push(piece),
            Record::PhotographAttached(photo) => self.photos.push(photo),
            Record::PrintMeasured(measured) => self.measured.push(measured),
            Record::TrailMeasured(trail) => self.trails.push(trail),
            Record::SignNoted(sign) => self.signs.push(sign),
            Record::Identification(identified) => self.identified.push(identified),
            Record::SampleTaken(sample) => self.samples.push(sample),
            Record::VisitClosed(closed) => self.closed = Some(closed),
            Record::Check(check) => self.checks.push(check),
            Record::Note(note) => self.notes.push(note),
            Record::LandownerConsent(consent) => self.consented = Some(consent),
            Record::Correction(correction) => self.corrections.push(correction),
            Record::Withdrawal(withdrawal) => self.withdrawals.push(withdrawal),
            // Of a season.
            Record::PlacePlanned(_) | Record::PlaceGiven(_) => {}
        }
    }

    /// Its records, head first.
    pub fn records(&self) -> Vec<Record> {
        let mut records = vec![Record::VisitOpened(self.opened.clone())];
        records.extend(self.stretches.iter().cloned().map(Record::StretchWalked));
        records.extend(self.track.iter().cloned().map(Record::TrackPiece));
        records.extend(self.photos.iter().cloned().map(Record::PhotographAttached));
        records.extend(self.measured.iter().cloned().map(Record::PrintMeasured));
        records.extend(self.trails.iter().cloned().map(Record::TrailMeasured));
        records.extend(self.signs.iter().cloned().map(Record::SignNoted));
        records.extend(self.identified.iter().cloned().map(Record::Identification));
        records.extend(self.samples.iter().cloned().map(Record::SampleTaken));
        records.extend(self.closed.iter().cloned().map(Record::VisitClosed));
        records.extend(self.checks.iter().cloned().map(Record::Check));
        records.extend(self.notes.iter().cloned().map(Record::Note));
        records.extend(self.consented.iter().cloned().map(Record::LandownerConsent));
        records.extend(self.corrections.iter().cloned().map(Record::Correction));
        records.extend(self.withdrawals.iter().cloned().map(Record::Withdrawal));
        records
    }

    /// Who writes its records down: the first of its people.
    pub fn author(&self) -> &str {
        self.opened.people.first().map_or("", String::as_str)
    }

    /// What the landowner agreed to be shown: what they said last, nothing where that was withdrawn or erased, else what the visit was opened with.
    /// A head that is written again doesn't bring back what was taken back since.
    pub fn consent(&self) -> Consent {
        let withdrawn = || self.withdrawals.iter().any(|withdrawal| withdrawal.of_kind == "landowner_consent");
        match &self.consented {
            Some(later) => later.consent,
            None if withdrawn() => Consent::None,
            None => self.opened.consent,
        }
    }

    /// When somebody was last seen there: at its end, or at the last thing that was noted.
    pub fn last_seen(&self) -> DateTime<FixedOffset> {
        let end = self.closed.as_ref().map(|closed| closed.end);
        let noted = || {
            let fixes = self.track.iter().flat_map(|piece| piece.fixes.last()).map(|fix| fix.0.fixed_offset());
            let others = self
                .signs
                .iter()
                .filter_map(|sign| sign.time)
                .chain(self.photos.iter().filter_map(|photo| photo.taken));
            fixes.chain(others).max().unwrap_or(self.opened.start)
        };
        end.unwrap_or_else(noted).max(self.opened.start)
    }

    /// Its stretches; before one is written down, that of its place, as it is planned.
    pub fn stretches_or_planned(&self, place: Option<&PlacePlanned>) -> Vec<StretchWalked> {
        match &self.stretches[..] {
            [] => place.and_then(PlacePlanned::as_stretch).into_iter().collect(),
            walked => walked.to_vec(),
        }
    }

    /// The photograph of this name in the folder.
    pub fn photo(&self, file: &str) -> Option<&PhotoAttached> {
        self.photos.iter().find(|photo| photo.file == file)
    }

    /// What a second person decided of a sign last: whether it fits or not; what is open or asked decides nothing.
    pub fn verdict(&self, sign: &str) -> Option<&Check> {
        let decides =
            |check: &&Check| check.sign == sign && matches!(check.verdict, Verdict::Fits | Verdict::DoesNotFit);
        self.checks.iter().filter(decides).max_by_key(|check| check.at)
    }

    /// Who made a sign.
    pub fn identification(&self, sign: &str) -> Option<&Identified> {
        self.identified.iter().find(|identified| identified.sign == sign)
    }
}

impl TrackPiece {
    /// Its length on WGS84, m.
    pub fn length_m(&self) -> f64 {
        geo::Geodesic.length(&self.fixes.iter().map(|(_, lat, lon)| Point::new(*lon, *lat)).collect::<LineString>())
    }
}

impl StretchWalked {
    fn line(&self) -> LineString {
        self.line.iter().copied().map(Point::from).collect()
    }

    /// Its length on WGS84, m.
    pub fn length_m(&self) -> f64 {
        geo::Geodesic.length(&self.line())
    }

    /// How far along the stretch (0–1) the point of it lies that is nearest to a position (latitude, longitude), and how far
    /// away that is, m.
    pub fn locate(&self, [lat, lon]: [f64; 2]) -> Option<(f64, f64)> {
        let (line, point) = (self.line(), Point::new(lon, lat));
        let nearest = match line.haversine_closest_point(&point) {
            Closest::Intersection(nearest) | Closest::SinglePoint(nearest) => nearest,
            Closest::Indeterminate => return None,
        };
        let away_m = geo::Distance::distance(&geo::Haversine, point, nearest);
        Some((line.line_locate_point(&nearest)?, away_m))
    }
}
