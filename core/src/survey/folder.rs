//! From a folder of photographs, a track and `visit.toml` to a visit.

use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use chrono::{DateTime, FixedOffset, TimeDelta};
use serde::Serialize;
use serde_json::{Map, Value, json};

use super::record::{
    Clock, Closed, Identified, Opened, PhotoAttached, PlacedBy, PrintMeasured, SignNoted, StretchWalked, TrackPiece,
    TrailMeasured,
};
use super::visit::Visit;
use super::visit_file::{self, LandmarksIn, Line, Scale, VisitFile, VisitFileError};
use crate::identify::{self, Evidence, EvidenceError, Facts, FactsError};
use crate::photo::{self, Photo};
use crate::place::{Fix, PlaceError, Position, Track, TrackError};
use crate::print::{self, Floor, Landmarks, Request, ScaleKind};
use crate::trail::{self, TrailError};
use crate::words::Words;

/// A visit as a folder tells it.
#[derive(Debug)]
pub struct FolderVisit {
    /// The visit.
    pub visit: Visit,
    /// Where each attached photograph's file is, by SHA-256.
    pub files: BTreeMap<String, PathBuf>,
    /// Files that look like photographs but couldn't be used.
    pub left_out: Vec<LeftOut>,
    /// What else the worker should know.
    pub warnings: Vec<String>,
}

/// A file that was left out and why.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LeftOut {
    /// Its name in the folder.
    pub file: String,
    /// Why, and what to do.
    pub reason: String,
}

/// How far the work has come.
#[derive(Debug, Clone, Copy)]
pub struct Progress<'a> {
    /// Steps done.
    pub done: usize,
    /// All steps.
    pub of: usize,
    /// What is being worked on.
    pub now: &'a str,
}

/// Why a folder gives no visit.
#[derive(Debug, thiserror::Error)]
pub enum FolderError {
    /// The folder or a file in it can't be read.
    #[error("{path} can't be read: {source}")]
    Disk {
        /// Which.
        path: String,
        /// What the system says.
        source: std::io::Error,
    },
    /// The visit's file.
    #[error(transparent)]
    VisitFile(#[from] VisitFileError),
    /// A track.
    #[error("{file}: {source}")]
    Track {
        /// Which.
        file: String,
        /// What is wrong.
        source: TrackError,
    },
    /// A position.
    #[error("{whose}: {source}")]
    Place {
        /// Whose.
        whose: String,
        /// What is wrong.
        source: PlaceError,
    },
    /// A stretch's line.
    #[error("stretch {name}: {detail}")]
    Stretch {
        /// Which.
        name: String,
        /// What is wrong and what to do.
        detail: String,
    },
    /// A trail.
    #[error("trail {id}: {source}")]
    Trail {
        /// Which.
        id: String,
        /// What is wrong.
        source: TrailError,
    },
    /// A sign's evidence.
    #[error("sign {id}: {detail}")]
    Sign {
        /// Which.
        id: String,
        /// What is wrong and what to do.
        detail: String,
    },
    /// The species facts.
    #[error(transparent)]
    Facts(#[from] FactsError),
    /// The user stopped it.
    #[error("stopped before it was done; nothing was written")]
    Cancelled,
}

/// Files with these endings are taken for photographs; JPEG and PNG can be read, the others are told of.
const PICTURES: [&str; 20] = [
    "jpg", "jpeg", "png", "heic", "heif", "avif", "webp", "gif", "tif", "tiff", "bmp", "dng", "cr2", "cr3", "nef",
    "arw", "raf", "orf", "rw2", "pef",
];
/// A photograph this long before or after the visit shows a camera whose clock is wrong.
const BESIDE_THE_VISIT: TimeDelta = TimeDelta::hours(2);

/// Reads a folder. `progress` may stop the work; nothing is written anywhere.
pub fn read_folder(
    folder: &Path,
    words: &Words,
    progress: &mut dyn FnMut(Progress) -> ControlFlow<()>,
) -> Result<FolderVisit, FolderError> {
    let names = file_names(folder)?;
    let file = VisitFile::in_folder(folder)?;
    let track = read_tracks(folder, &names)?;
    let mut reader = Reader {
        folder,
        words,
        visit: Visit::open(opened(&file)),
        file: &file,
        track,
        facts: Facts::builtin()?,
        out: FolderVisitParts::default(),
    };
    let pictures: Vec<&String> = names.iter().filter(|name| has_ending(name, &PICTURES)).collect();
    let of = pictures.len() + file.sign.len();
    let mut step = |done: usize, now: &str| match progress(Progress { done, of, now }) {
        ControlFlow::Continue(()) => Ok(()),
        ControlFlow::Break(()) => Err(FolderError::Cancelled),
    };
    reader.stretches()?;
    reader.track_piece();
    reader.trails()?;
    let offset = reader.clock_offset(&pictures)?;
    for (done, name) in pictures.iter().enumerate() {
        step(done, name)?;
        reader.photograph(name, offset)?;
    }
    reader.name_missing_files(&pictures);
    for (done, sign) in file.sign.iter().enumerate() {
        step(pictures.len() + done, &sign.id)?;
        reader.sign(sign)?;
    }
    step(of, "")?;
    reader.visit.closed = file.visit.end.map(|end| Closed { end });
    let FolderVisitParts { files, left_out, warnings } = reader.out;
    Ok(FolderVisit { visit: reader.visit, files, left_out, warnings })
}

fn opened(file: &VisitFile) -> Opened {
    let head = file.visit.clone();
    Opened {
        purpose: head.purpose,
        targets: head.targets,
        protocol: head.protocol,
        start: head.start,
        people: head.people,
        place_name: head.place_name,
        landowner: head.landowner,
        consent: head.consent,
        sensitivity_category: head.sensitivity_category,
        notice: head.notice,
        conditions: file.conditions.clone(),
    }
}

/// The folder's files in order of their names; what lies in folders within it isn't looked at.
fn file_names(folder: &Path) -> Result<Vec<String>, FolderError> {
    let disk = |source| FolderError::Disk { path: folder.display().to_string(), source };
    let mut names = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(disk)? {
        let entry = entry.map_err(disk)?;
        if entry.path().is_file() {
            names.push(entry.file_name().to_string_lossy().into_owned());
        }
    }
    names.sort();
    Ok(names)
}

fn has_ending(name: &str, endings: &[&str]) -> bool {
    let ending = Path::new(name).extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase);
    !name.starts_with('.') && ending.is_some_and(|ending| endings.contains(&ending.as_str()))
}

fn read_tracks(folder: &Path, names: &[String]) -> Result<Track, FolderError> {
    let mut fixes: Vec<Fix> = Vec::new();
    for name in names.iter().filter(|name| has_ending(name, &["gpx"])) {
        let track = Track::from_gpx(&read(folder, name)?);
        fixes.extend(track.map_err(|source| FolderError::Track { file: name.clone(), source })?.fixes);
    }
    Ok(Track::from_fixes(fixes))
}

fn read(folder: &Path, name: &str) -> Result<Vec<u8>, FolderError> {
    let path = folder.join(name);
    std::fs::read(&path).map_err(|source| FolderError::Disk { path: path.display().to_string(), source })
}

#[derive(Default)]
struct FolderVisitParts {
    files: BTreeMap<String, PathBuf>,
    left_out: Vec<LeftOut>,
    warnings: Vec<String>,
}

struct Reader<'a> {
    folder: &'a Path,
    words: &'a Words,
    file: &'a VisitFile,
    track: Track,
    facts: &'a Facts,
    visit: Visit,
    out: FolderVisitParts,
}

impl Reader<'_> {
    fn stretches(&mut self) -> Result<(), FolderError> {
        for stretch in &self.file.stretch {
            let wrong = |detail: String| FolderError::Stretch { name: stretch.name.clone(), detail };
            let line = match &stretch.line {
                Line::Points(points) => points.clone(),
                Line::File(name) => line_in(&String::from_utf8_lossy(&read(self.folder, name)?)).map_err(wrong)?,
            };
            if line.len() < 2 {
                return Err(wrong("its line needs at least two points".into()));
            }
            for [lon, lat] in &line {
                Position::new(*lat, *lon, None).map_err(|source| wrong(source.to_string()))?;
            }
            let walked =
                StretchWalked { name: stretch.name.clone(), bank: stretch.bank, line, searched_m: stretch.searched_m };
            if let Some(searched) = stretch.searched_m.filter(|s| !(*s > 0.0 && *s <= 1.1 * walked.length_m() + 20.0)) {
                let length = walked.length_m();
                return Err(wrong(format!(
                    "searched_m is {searched}, but the line is {length:.0} m long: correct one of them"
                )));
            }
            self.visit.stretches.push(walked);
        }
        Ok(())
    }

    fn track_piece(&mut self) {
        if !self.track.fixes.is_empty() {
            let fixes = self.track.fixes.iter().map(|fix| (fix.time, fix.position.lat, fix.position.lon)).collect();
            self.visit.track.push(TrackPiece { fixes });
        }
    }

    fn trails(&mut self) -> Result<(), FolderError> {
        for trail in &self.file.trail {
            let reading =
                trail::read(&trail.prints).map_err(|source| FolderError::Trail { id: trail.id.clone(), source })?;
            let (id, prints) = (trail.id.clone(), trail.prints.clone());
            self.visit.trails.push(TrailMeasured { id, prints, reading: json!(reading) });
        }
        Ok(())
    }

    /// What to add to the camera's times: typed, or from a photograph of a clock.
    fn clock_offset(&self, pictures: &[&String]) -> Result<TimeDelta, FolderError> {
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

    fn photograph(&mut self, name: &str, offset: TimeDelta) -> Result<(), FolderError> {
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
        match entry.filter(|entry| entry.landmarks.is_some() || entry.scale.is_some()) {
            Some(entry) => self.measure(name, entry, &photo),
            None => Ok(()),
        }
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

    fn measure(&mut self, name: &str, entry: &visit_file::Photo, photo: &Photo) -> Result<(), FolderError> {
        let mut not_measured = |detail: &str| {
            self.out.warnings.push(self.words.fill("folder.not_measured", &[("file", name), ("why", detail)]));
            Ok(())
        };
        let landmarks = match &entry.landmarks {
            None => Landmarks::default(),
            Some(LandmarksIn::Here(landmarks)) => landmarks.clone(),
            Some(LandmarksIn::File(file)) => {
                match Landmarks::from_json(&String::from_utf8_lossy(&read(self.folder, file)?)) {
                    Ok(landmarks) => landmarks,
                    Err(error) => return not_measured(&format!("{file}: {error}")),
                }
            }
        }
        .of_photo(name);
        let scale = match entry.scale.as_ref().map_or(Ok(ScaleKind::Card), Scale::kind) {
            Ok(scale) => scale,
            Err(error) => return not_measured(&error.to_string()),
        };
        let floor = match (entry.depth_mm, entry.u_depth_mm, entry.floor_up_to_mm) {
            (None, None, None) => Floor::InPlane,
            (Some(depth_mm), Some(u_depth_mm), None) => Floor::At { depth_mm, u_depth_mm },
            (None, None, Some(depth_mm)) => Floor::UpTo { depth_mm },
            _ => return not_measured(self.words.say("folder.depth_pair")),
        };
        let check_line = self.file.check_line(entry).filter(|_| scale == ScaleKind::Card);
        let request = Request { scale, check_line, landmarks: landmarks.clone(), floor, ..Request::default() };
        match print::measure(photo, &request) {
            Err(error) => not_measured(&error.to_string()),
            Ok(measurement) => {
                self.visit.measured.push(PrintMeasured {
                    file: name.into(),
                    sha256: photo.sha256.clone(),
                    landmarks,
                    measurement: measurement.to_json(photo, self.words),
                });
                Ok(())
            }
        }
    }

    /// Photographs that visit.toml names but the folder hasn't.
    fn name_missing_files(&mut self, pictures: &[&String]) {
        let missing = self.file.photo.iter().filter(|photo| !pictures.iter().any(|name| **name == photo.file));
        let reason = self.words.say("folder.missing").to_owned();
        self.out.left_out.extend(missing.map(|photo| LeftOut { file: photo.file.clone(), reason: reason.clone() }));
    }

    fn sign(&mut self, sign: &visit_file::Sign) -> Result<(), FolderError> {
        let first_photo = sign.photos.iter().find_map(|file| self.visit.photo(file));
        let typed = match sign.place {
            Some([lon, lat]) => {
                let whose = format!("sign {}", sign.id);
                Position::new(lat, lon, None).map_err(|source| FolderError::Place { whose, source })?;
                Some(([lat, lon], PlacedBy::Typed))
            }
            None => None,
        };
        let time = sign.time.or_else(|| first_photo?.taken);
        let by_photo = || first_photo.and_then(|photo| photo.place.zip(photo.placed_by));
        let by_track = || {
            let position = self.track.at(time?.to_utc())?;
            Some(([position.lat, position.lon], PlacedBy::Track))
        };
        let place = typed.or_else(by_photo).or_else(by_track);
        self.visit.signs.push(SignNoted {
            id: sign.id.clone(),
            sign: sign.kind,
            photos: sign.photos.clone(),
            trail: sign.trail.clone(),
            place: place.map(|(place, _)| place),
            placed_by: place.map(|(_, by)| by),
            time,
            freshness: sign.freshness.clone(),
            note: sign.note.clone(),
        });
        self.identify(sign)
    }

    fn identify(&mut self, sign: &visit_file::Sign) -> Result<(), FolderError> {
        let wrong = |detail: String| FolderError::Sign { id: sign.id.clone(), detail };
        let evidence = self.evidence(sign).map_err(wrong)?;
        if evidence == Evidence::default() {
            return Ok(());
        }
        let result = identify::identify(&evidence, self.facts, self.words);
        let result = result.map_err(|error: EvidenceError| wrong(error.to_string()))?;
        self.visit.identified.push(Identified {
            sign: sign.id.clone(),
            evidence,
            result,
            core_version: env!("CARGO_PKG_VERSION").into(),
            facts_digest: self.facts.digest(),
        });
        Ok(())
    }

    /// All that is known of a sign: what was typed, with the measures of its photographs and its trail filled in.
    fn evidence(&self, sign: &visit_file::Sign) -> Result<Evidence, String> {
        let mut evidence = Map::new();
        let mut put = |key: &str, value: Option<Value>| value.map(|value| evidence.insert(key.into(), value));
        put("substrate", sign.substrate.as_ref().map(|s| json!(s)));
        put("setting", sign.setting.clone());
        let prints: Vec<Value> = sign.prints.iter().map(|print| self.print(print)).collect::<Result<_, _>>()?;
        put("prints", (!prints.is_empty()).then(|| json!(prints)));
        put("droppings", (!sign.droppings.is_empty()).then(|| json!(sign.droppings)));
        let trail = self.visit.trails.iter().find(|trail| sign.trail.as_ref() == Some(&trail.id));
        put("trail", trail.map(|trail| Value::Object(trail.evidence())));
        serde_json::from_value(Value::Object(evidence)).map_err(|error| error.to_string())
    }

    /// A print as typed; with `from = "FILE#PRINT"` the measures that aren't typed come from that photograph.
    fn print(&self, typed: &Map<String, Value>) -> Result<Value, String> {
        let mut print = typed.clone();
        let Some(from) = print.remove("from") else { return Ok(Value::Object(print)) };
        let from = from.as_str().ok_or("a print's `from` must be a text like \"IMG_1.jpg#h1\"")?;
        let (file, id) = from
            .split_once('#')
            .ok_or_else(|| format!("{from:?} must name a photograph and a print in it, like \"IMG_1.jpg#h1\""))?;
        let Some(measured) = self.visit.measured.iter().find(|measured| measured.file == file) else {
            // The photograph was left out or couldn't be measured, which has been told; what was typed still counts.
            return Ok(Value::Object(print));
        };
        let measures = measured.evidence(Some(id)).ok_or_else(|| format!("no print {id:?} is marked in {file}"))?;
        measures.into_iter().for_each(|(name, value)| _ = print.entry(name).or_insert(value));
        Ok(Value::Object(print))
    }
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

/// The first line of a GeoJSON file (RFC 7946: longitude, latitude).
fn line_in(text: &str) -> Result<Vec<[f64; 2]>, String> {
    let geojson: geojson::GeoJson = text.parse().map_err(|error| format!("its GeoJSON can't be read: {error}"))?;
    let geometries = match geojson {
        geojson::GeoJson::Geometry(geometry) => vec![geometry],
        geojson::GeoJson::Feature(feature) => feature.geometry.into_iter().collect(),
        geojson::GeoJson::FeatureCollection(all) => all.features.into_iter().filter_map(|f| f.geometry).collect(),
    };
    let line = geometries.into_iter().find_map(|geometry| match geometry.value {
        geojson::GeometryValue::LineString { coordinates } => Some(coordinates),
        _ => None,
    });
    let line = line.ok_or("its GeoJSON holds no LineString")?;
    line.iter()
        .map(|position| match position.as_slice() {
            [lon, lat, ..] => Ok([*lon, *lat]),
            _ => Err("a point of its GeoJSON has less than two numbers".to_owned()),
        })
        .collect()
}
