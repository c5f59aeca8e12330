//! From a photograph to the scale in it and the measures of a print.

use std::path::Path;

use chrono::{DateTime, FixedOffset};
use rakelight_core::measured::Measured;
use rakelight_core::photo::{self, Photo};
use rakelight_core::print::{self, Landmarks, Measurement, PrintMarks, Request};
use rakelight_core::scale::card::U_CHECK_LINE_MM;
use rakelight_core::survey::{Clock, PhotoAttached, PlacedBy, PrintMeasured, Record};

use crate::{Foot, Length, Moment, Point, ShellError, Side, Workspace};

/// A photograph of a visit.
#[derive(Debug, Clone, uniffi::Record)]
pub struct PhotoAdded {
    /// Its name in the store.
    pub sha256: String,
    /// Where the store keeps it, as it was taken; for showing.
    pub path: String,
    /// Of the upright picture, px.
    pub width_px: i32,
    /// Of the upright picture, px.
    pub height_px: i32,
    /// When it was taken, where the camera wrote it.
    pub taken: Option<Moment>,
    /// Whether the camera wrote a position.
    pub has_place: bool,
}

/// The scale in a photograph.
#[derive(Debug, Clone, uniffi::Record)]
pub struct Scale {
    /// The card's outline in the picture.
    pub outline: Vec<Point>,
    /// The corners of the markers that were found, four each.
    pub corners: Vec<Point>,
    /// In the middle of the picture.
    pub px_per_mm: f64,
    /// How far from straight down the camera looked, where it is known, degrees.
    pub tilt_deg: Option<f64>,
    /// What the worker should know, in words.
    pub warnings: Vec<String>,
}

/// One landmark.
#[derive(Debug, Clone, uniffi::Record)]
pub struct Mark {
    /// `toe_N_tip`, `toe_N_rear`, `claw_N` (1 is the inner toe), `widest_left`, `widest_right`, `pad_rear`, `heel_rear`.
    pub name: String,
    /// Where.
    pub at: Point,
}

/// A print as it was marked.
#[derive(Debug, Clone, uniffi::Record)]
pub struct Marks {
    /// Its name within the photograph.
    pub print: String,
    /// Fore or hind.
    pub foot: Foot,
    /// Left or right.
    pub side: Side,
    /// The points.
    pub points: Vec<Mark>,
    /// How well they were marked: the standard uncertainty of each coordinate, px.
    pub u_px: f64,
    /// What the check line of the card in the photograph measures, mm, where someone measured it; true to size otherwise.
    #[uniffi(default = None)]
    pub check_line_mm: Option<f64>,
}

/// A measured print.
#[derive(Debug, Clone, uniffi::Record)]
pub struct PrintReading {
    /// Between the outer edges of the toe pads.
    pub width: Option<Length>,
    /// Foremost toe to the rear edge of the pad.
    pub length_without_heel: Option<Length>,
    /// Foremost toe to the rear edge of the heel.
    pub length_with_heel: Option<Length>,
    /// The scale it was measured by.
    pub scale: Scale,
}

#[uniffi::export]
impl Workspace {
    /// Takes a photograph (a JPEG or PNG file) into the store, byte by byte the same, and attaches it to a visit.
    pub fn add_photo(&self, visit: String, path: String, now: Moment) -> Result<PhotoAdded, ShellError> {
        let visit = self.visit(&visit)?;
        let path = Path::new(&path);
        let photo = read(path)?;
        self.store().add_photo(path)?;
        let time = photo.taken.time.map(|(time, clock)| {
            let clock = match clock {
                photo::Clock::Stated => Clock::Camera,
                photo::Clock::FromSatellites => Clock::Satellites,
                photo::Clock::AssumedUtc => Clock::AssumedUtc,
            };
            (time, clock)
        });
        let place = photo.taken.position.map(|position| [position.lat, position.lon]);
        let attached = PhotoAttached {
            file: path.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned()),
            sha256: photo.sha256.clone(),
            taken: time.map(|(time, _)| time),
            clock: time.map(|(_, clock)| clock),
            place,
            placed_by: place.map(|_| PlacedBy::Camera),
            shows: None,
        };
        self.write(&visit, vec![Record::PhotographAttached(attached)], now.utc()?)?;
        let path = self.photo_file(&photo.sha256)?;
        Ok(PhotoAdded::new(&photo, &path))
    }

    /// A photograph that was added before.
    pub fn photo(&self, sha256: String) -> Result<PhotoAdded, ShellError> {
        let path = self.photo_file(&sha256)?;
        Ok(PhotoAdded::new(&read(&path)?, &path))
    }

    /// Finds the scale card in a photograph of the store.
    pub fn find_scale(&self, sha256: String) -> Result<Scale, ShellError> {
        let photo = read(&self.photo_file(&sha256)?)?;
        Ok(self.scale(&print::measure(&photo, &Request::default())?))
    }

    /// Measures a print that was marked in a photograph of a visit.
    pub fn measure(
        &self,
        visit: String,
        sha256: String,
        marks: Marks,
        now: Moment,
    ) -> Result<PrintReading, ShellError> {
        let visit = self.visit(&visit)?;
        let photo = read(&self.photo_file(&sha256)?)?;
        let attached = visit.photos.iter().find(|photo| photo.sha256 == sha256);
        let file = attached.map(|photo| photo.file.clone());
        let file =
            file.ok_or_else(|| ShellError::NotFound { what: "photograph of this visit".into(), id: sha256.clone() })?;
        let landmarks = landmarks(&marks, &file);
        let check_line = marks.check_line_mm.map(|value| Measured { value, u: U_CHECK_LINE_MM });
        let request = Request { check_line, landmarks: landmarks.clone(), ..Request::default() };
        let measurement = print::measure(&photo, &request)?;
        let print = measurement.prints.first().ok_or_else(|| ShellError::internal("no print came back"))?;
        let length = |dimension: Option<print::Dimension>| dimension.map(|d| Length::from(d.mm));
        let reading = PrintReading {
            width: length(print.width),
            length_without_heel: length(print.length_without_heel),
            length_with_heel: length(print.length_with_heel),
            scale: self.scale(&measurement),
        };
        let measurement = measurement.to_json(&photo, &self.words);
        let record = Record::PrintMeasured(PrintMeasured { file, sha256, landmarks, measurement });
        self.write(&visit, vec![record], now.utc()?)?;
        Ok(reading)
    }
}

impl Workspace {
    fn scale(&self, measurement: &Measurement) -> Scale {
        let [width, height] = measurement.size_px;
        let outline = measurement.card.map(|card| card.card().outline_mm).unwrap_or_default();
        Scale {
            outline: outline.into_iter().map(|mm| measurement.plane.px(mm).into()).collect(),
            corners: measurement.corners_px.iter().map(|corner| (*corner).into()).collect(),
            px_per_mm: measurement.plane.px_per_mm([width as f64 / 2.0, height as f64 / 2.0]),
            tilt_deg: measurement.stance.map(|stance| stance.tilt_deg),
            warnings: measurement.warnings.iter().map(|warning| warning.say(&self.words)).collect(),
        }
    }
}

impl PhotoAdded {
    fn new(photo: &Photo, path: &Path) -> Self {
        let moment = |time: DateTime<FixedOffset>| Moment {
            utc_ms: time.timestamp_millis(),
            offset_minutes: time.offset().local_minus_utc() / 60,
        };
        Self {
            sha256: photo.sha256.clone(),
            path: path.display().to_string(),
            width_px: photo.luma.width as i32,
            height_px: photo.luma.height as i32,
            taken: photo.taken.time.map(|(time, _)| moment(time)),
            has_place: photo.taken.position.is_some(),
        }
    }
}

pub(crate) fn read(path: &Path) -> Result<Photo, ShellError> {
    let bytes = std::fs::read(path).map_err(|e| ShellError::BadPhoto { detail: format!("{}: {e}", path.display()) })?;
    Ok(Photo::read(&bytes)?)
}

fn landmarks(marks: &Marks, file: &str) -> Landmarks {
    let points = marks.points.iter().map(|mark| (mark.name.clone(), [mark.at.x, mark.at.y])).collect();
    let photo = Some(file.to_owned());
    let print = PrintMarks { id: marks.print.clone(), foot: marks.foot, side: marks.side, photo, round: None, points };
    Landmarks { u_px: Some(marks.u_px), prints: vec![print], ..Landmarks::default() }
}
