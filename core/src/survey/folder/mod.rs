//! From a folder of photographs, a track and `visit.toml` to a visit.

mod photographs;
mod signs;
mod trails;

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use chrono::{DateTime, FixedOffset};
use serde::Serialize;

use super::protocol::{Protocol, ProtocolError};
use super::record::{Closed, Opened, StretchWalked, TrackPiece};
use super::visit::Visit;
use super::visit_file::{Line, VisitFile, VisitFileError};
use crate::identify::{Facts, FactsError};
use crate::photo::Photo;
use crate::place::{Fix, PlaceError, Position, Track, TrackError};
use crate::plan::{Between, TideTable};
use crate::trail::TrailError;
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
    /// The tide table.
    #[error("{file}: {detail}")]
    TideTable {
        /// Which.
        file: String,
        /// What is wrong.
        detail: String,
    },
    /// The team's own protocol.
    #[error(transparent)]
    Protocol(#[from] ProtocolError),
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
        visit: Visit::open(opened(folder, &file)?),
        file: &file,
        track,
        facts: facts_of(folder, &file)?,
        held: BTreeMap::new(),
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
    reader.together()?;
    reader.name_missing_files(&pictures);
    for (done, sign) in file.sign.iter().enumerate() {
        step(pictures.len() + done, &sign.id)?;
        reader.sign(sign)?;
    }
    step(of, "")?;
    reader.visit.samples = file.sample.clone();
    reader.visit.closed = file.visit.end.map(|end| Closed { end });
    let FolderVisitParts { files, left_out, warnings } = reader.out;
    Ok(FolderVisit { visit: reader.visit, files, left_out, warnings })
}

fn opened(folder: &Path, file: &VisitFile) -> Result<Opened, FolderError> {
    let head = file.visit.clone();
    let protocol_rules = match &head.protocol {
        None => None,
        Some(own) if own.ends_with(".toml") => {
            Some(Protocol::from_toml(&String::from_utf8_lossy(&read(folder, own)?))?)
        }
        Some(name) => Protocol::builtin()?.into_iter().find(|protocol| protocol.id == *name),
    };
    let mut conditions = file.conditions.clone();
    if conditions.last_high_water.is_none()
        && let Some(name) = &head.tide_table
    {
        conditions.last_high_water = Some(last_high_water(folder, name, head.start)?);
    }
    Ok(Opened {
        purpose: head.purpose,
        targets: head.targets,
        protocol: protocol_rules.as_ref().map(|rules| rules.id.clone()).or(head.protocol),
        protocol_rules: protocol_rules.map(Box::new),
        detection: head.detection,
        experience_seasons: head.experience_seasons,
        start: head.start,
        people: head.people,
        place_name: head.place_name,
        landowner: head.landowner,
        consent: head.consent,
        sensitivity_category: head.sensitivity_category,
        notice: head.notice,
        conditions,
    })
}

/// The last high water before the visit, by a tide table that lies in the folder.
fn last_high_water(
    folder: &Path,
    name: &str,
    start: DateTime<FixedOffset>,
) -> Result<DateTime<FixedOffset>, FolderError> {
    let wrong = |detail: String| FolderError::TideTable { file: name.into(), detail };
    let text = String::from_utf8_lossy(&read(folder, name)?).into_owned();
    let table = TideTable::from_csv(&text, Between::Cosine).map_err(|error| wrong(error.to_string()))?;
    let missing = || wrong("it has no high water before the visit's start: add the one before it".into());
    let high_water = table.last_high_water(start.to_utc()).ok_or_else(missing)?;
    Ok(high_water.utc.with_timezone(start.offset()))
}

/// The built-in facts, with the region's list where the visit names one.
fn facts_of(folder: &Path, file: &VisitFile) -> Result<Cow<'static, Facts>, FolderError> {
    let facts = Facts::builtin()?;
    let Some(region) = &file.visit.region else { return Ok(Cow::Borrowed(facts)) };
    let list = String::from_utf8_lossy(&read(folder, region)?).into_owned();
    Ok(Cow::Owned(facts.clone().with_region(region, &list)?))
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
    facts: Cow<'a, Facts>,
    visit: Visit,
    /// Photographs that are measured together, by the first one's name.
    held: BTreeMap<String, Vec<(String, Photo)>>,
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
