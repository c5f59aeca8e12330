//! The photographs of a folder: when and where they were taken, and what is measured in them.

use std::path::Path;

use chrono::{DateTime, FixedOffset, TimeDelta};

use super::super::record::{Clock, PhotoAttached, PlacedBy, PrintMeasured};
use super::super::visit_file::{self, LandmarksIn, VisitFileError};
use super::{FolderError, FolderVisitParts, LeftOut, Reader, read};
use crate::photo::{self, Photo};
use crate::print::{self, Landmarks, Request, ScaleKind, StatedScale};

/// A photograph this long before or after the visit shows a camera whose clock is wrong.
const BESIDE_THE_VISIT: TimeDelta = TimeDelta::hours(2);

impl Reader<'_> {
    /// What to add to the camera's times: typed, or from a photograph of a clock.
    pub(super) fn clock_offset(&self, pictures: &[&String]) -> Result<TimeDelta, FolderError> {
        let head = &self.file.visit;
        let Some(clock) = &head.clock_photo else {
            return Ok(TimeDelta::seconds(head.clock_offset_s.unwrap_or(0)));
        };
        let wrong = |detail: String| VisitFileError::Wrong { detail };
        if !pictures.iter().any(|name| **name == clock.file) {
            return Err(wrong(format!("clock_photo: there is no {} in the folder", clock.file)).into());
        }
        let photo = Photo::read(&read(self.folder, &clock.file)?)
            .map_err(|error| wrong(format!("clock_photo: {}: {error}", clock.file)))?;
        let Some((camera, _)) = photo.taken.time else {
            return Err(wrong(format!("clock_photo: {} doesn't say when its camera thought it was", clock.file)).into());
        };
        Ok(clock.shows - camera)
    }

    pub(super) fn photograph(&mut self, name: &str, offset: TimeDelta) -> Result<(), FolderError> {
        let entry = self.file.photo.iter().find(|photo| photo.file == name);
        let bytes = read(self.folder, name)?;
        let leave_out = |out: &mut FolderVisitParts, reason: String| {
            out.left_out.push(LeftOut { file: name.into(), reason });
        };
        let photo = match Photo::read(&bytes) {
            Ok(photo) => photo,
            Err(error) => {
                leave_out(&mut self.out, error.to_string());
                return Ok(());
            }
        };
        if let Some(twin) = self.visit.photos.iter().find(|other| other.sha256 == photo.sha256) {
            leave_out(&mut self.out, self.words.fill("folder.twin", &[("file", &twin.file)]));
            return Ok(());
        }
        let Some((taken, clock)) = when(&photo, entry, offset) else {
            let key = if photo.has_exif { "folder.no_time" } else { "folder.no_exif" };
            leave_out(&mut self.out, self.words.say(key).into());
            return Ok(());
        };
        let (place, placed_by) = self.whereabouts(&photo, taken);
        self.doubt_the_clock(name, taken);
        let attached = PhotoAttached {
            file: name.into(),
            sha256: photo.sha256.clone(),
            taken: Some(taken),
            clock: Some(clock),
            place,
            placed_by,
            shows: entry.and_then(|entry| entry.shows.clone()),
        };
        if place.is_none() {
            self.warn("folder.no_place", &[("file", name)]);
        }
        self.out.files.insert(photo.sha256.clone(), self.folder.join(name));
        self.visit.photos.push(attached);
        match self.file.first_of_card(name) {
            Some(first) => self.held.entry(first.into()).or_default().push((name.into(), photo)),
            None if entry.is_some_and(|entry| entry.landmarks.is_some() || entry.scale.is_some()) => {
                self.measure(&[(name.into(), photo)])?;
            }
            None => {}
        }
        Ok(())
    }

    /// The camera's position, or the track's at that time.
    fn whereabouts(&self, photo: &Photo, taken: DateTime<FixedOffset>) -> (Option<[f64; 2]>, Option<PlacedBy>) {
        let camera = photo.taken.position.map(|position| (position, PlacedBy::Camera));
        let found = camera.or_else(|| Some((self.track.at(taken.to_utc())?, PlacedBy::Track)));
        found.map_or((None, None), |(position, by)| (Some([position.lat, position.lon]), Some(by)))
    }

    fn doubt_the_clock(&mut self, name: &str, taken: DateTime<FixedOffset>) {
        let start = self.visit.opened.start;
        let end = self.file.visit.end.unwrap_or(start + TimeDelta::hours(12));
        if taken < start - BESIDE_THE_VISIT || taken > end + BESIDE_THE_VISIT {
            self.warn("folder.clock", &[("file", name), ("taken", &taken.to_rfc3339())]);
        }
    }

    fn warn(&mut self, key: &str, values: &[(&str, &str)]) {
        self.out.warnings.push(self.words.fill(key, values));
    }

    /// Measures the photographs of one card that were held until all of them were there.
    pub(super) fn together(&mut self) -> Result<(), FolderError> {
        for (first, mut photos) in std::mem::take(&mut self.held) {
            photos.sort_by_key(|(name, _)| *name != first);
            self.measure(&photos)?;
        }
        Ok(())
    }

    /// Measures what is marked in a photograph, or in several that show one card which lay still between them.
    fn measure(&mut self, photos: &[(String, Photo)]) -> Result<(), FolderError> {
        let [(name, photo), ..] = photos else { return Ok(()) };
        let mut not_measured = |detail: &str| {
            self.out.warnings.push(self.words.fill("folder.not_measured", &[("file", name), ("why", detail)]));
            Ok(())
        };
        let Some(first) = self.file.photo(name) else { return Ok(()) };
        let mut landmarks = Landmarks::default();
        for entry in photos.iter().filter_map(|(name, _)| self.file.photo(name)) {
            match landmarks_of(self.folder, entry) {
                Ok(marked) => landmarks.add(if photos.len() > 1 { marked.in_photo(&entry.file) } else { marked }),
                Err(detail) => return not_measured(&detail),
            }
        }
        let scale = match first.scale.as_ref().map_or(Ok(ScaleKind::Card), StatedScale::kind) {
            Ok(scale) => scale,
            Err(error) => return not_measured(&error.to_string()),
        };
        let Some(floor) = first.floor() else { return not_measured(self.words.say("folder.depth_pair")) };
        let check_line = self.file.check_line(Some(first)).filter(|_| scale == ScaleKind::Card);
        let request = Request { scale, check_line, landmarks: landmarks.clone(), floor, ..Request::default() };
        let measurement =
            if photos.len() > 1 { print::measure_together(photos, &request) } else { print::measure(photo, &request) };
        match measurement {
            Err(error) => not_measured(&error.to_string()),
            Ok(measurement) => {
                self.visit.measured.push(PrintMeasured {
                    file: name.clone(),
                    sha256: photo.sha256.clone(),
                    landmarks,
                    measurement: measurement.to_json(photo, self.words),
                });
                Ok(())
            }
        }
    }

    /// Photographs that visit.toml names but the folder hasn't.
    pub(super) fn name_missing_files(&mut self, pictures: &[&String]) {
        let missing = self.file.photo.iter().filter(|photo| !pictures.iter().any(|name| **name == photo.file));
        let reason = self.words.say("folder.missing").to_owned();
        self.out.left_out.extend(missing.map(|photo| LeftOut { file: photo.file.clone(), reason: reason.clone() }));
    }
}

/// What is marked in a photograph.
fn landmarks_of(folder: &Path, entry: &visit_file::Photo) -> Result<Landmarks, String> {
    let marked = match &entry.landmarks {
        None => Landmarks::default(),
        Some(LandmarksIn::Here(landmarks)) => landmarks.clone(),
        Some(LandmarksIn::File(file)) => {
            let text = read(folder, file).map_err(|error| error.to_string())?;
            Landmarks::from_json(&String::from_utf8_lossy(&text)).map_err(|error| format!("{file}: {error}"))?
        }
    };
    Ok(marked.of_photo(&entry.file))
}

/// The time of a photograph in the world, and how that is known.
fn when(photo: &Photo, entry: Option<&visit_file::Photo>, offset: TimeDelta) -> Option<(DateTime<FixedOffset>, Clock)> {
    if let Some(typed) = entry.and_then(|entry| entry.taken) {
        return Some((typed, Clock::Typed));
    }
    let (camera, clock) = photo.taken.time?;
    let clock = match clock {
        _ if !offset.is_zero() => Clock::Corrected,
        photo::Clock::Stated => Clock::Camera,
        photo::Clock::FromSatellites => Clock::Satellites,
        photo::Clock::AssumedUtc => Clock::AssumedUtc,
    };
    Some((camera + offset, clock))
}
