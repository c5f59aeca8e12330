//! From a photograph to the scale in it and the measures of a print.

use std::path::Path;
use std::sync::{Arc, PoisonError};

use chrono::{DateTime, FixedOffset};
use rakelight_core::measured::Measured;
use rakelight_core::photo::{self, Photo};
use rakelight_core::print::{
    self, Landmarks, Measurement, PrintMarks, Request, SheetCorners, StatedScale, proposed_landmarks,
};
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

/// What gives a photograph's scale.
#[derive(Debug, Clone, uniffi::Enum)]
pub enum ScaleBy {
    /// Our card, found in the picture.
    Card {
        /// What its check line measures, mm, where someone measured it; true to size otherwise.
        check_line_mm: Option<f64>,
    },
    /// Two points on a ruler.
    #[allow(missing_docs)]
    Ruler { from: Point, to: Point, length_mm: f64 },
    /// A bank card by its corners, clockwise from any.
    #[allow(missing_docs)]
    BankCard { corners: Vec<Point> },
    /// A sheet of A4 by its corners, clockwise from any.
    #[allow(missing_docs)]
    SheetA4 { corners: Vec<Point> },
    /// A sheet of A5 by its corners, clockwise from any.
    #[allow(missing_docs)]
    SheetA5 { corners: Vec<Point> },
}

impl ScaleBy {
    /// What the core is asked for.
    fn request(&self) -> Result<Request, ShellError> {
        let at = |point: &Point| [point.x, point.y];
        let four = |corners: &[Point]| {
            let taps: Vec<[f64; 2]> = corners.iter().map(at).collect();
            let corners_px = taps.try_into();
            let corners_px = corners_px.map_err(|_| ShellError::BadMarks { detail: "a sheet has four corners".into() });
            Ok::<_, ShellError>(SheetCorners { corners_px: corners_px? })
        };
        let stated = match self {
            Self::Card { .. } => StatedScale::Card,
            Self::Ruler { from, to, length_mm } => {
                StatedScale::Ruler { from_px: at(from), to_px: at(to), length_mm: *length_mm }
            }
            Self::BankCard { corners } => StatedScale::Id1(four(corners)?),
            Self::SheetA4 { corners } => StatedScale::A4(four(corners)?),
            Self::SheetA5 { corners } => StatedScale::A5(four(corners)?),
        };
        let scale = stated.kind().map_err(|error| ShellError::BadMarks { detail: error.to_string() })?;
        let check_line_mm = if let Self::Card { check_line_mm } = self { *check_line_mm } else { None };
        let check_line = check_line_mm.map(|value| Measured { value, u: U_CHECK_LINE_MM });
        Ok(Request { scale, check_line, ..Request::default() })
    }
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

    /// Finds the scale in a photograph of the store.
    pub fn find_scale(&self, sha256: String, by: ScaleBy) -> Result<Scale, ShellError> {
        let photo = self.on_the_table(&sha256)?;
        Ok(self.scale(&print::measure(&photo, &by.request()?)?))
    }

    /// Where the landmarks of the print around a point may be, by the pads that the ground shows; empty where they don't tell which way the foot
    /// points. No measure until a person confirms them.
    pub fn propose_marks(
        &self,
        sha256: String,
        by: ScaleBy,
        middle: Point,
        reach_px: f64,
    ) -> Result<Vec<Mark>, ShellError> {
        let photo = self.on_the_table(&sha256)?;
        let request = Request { look_at_ground: true, ..by.request()? };
        let ground = print::measure(&photo, &request)?.ground;
        let pads = ground.map(|ground| ground.proposals).unwrap_or_default();
        let marks = proposed_landmarks(&pads, [middle.x, middle.y], reach_px);
        Ok(marks.into_iter().map(|(name, at)| Mark { name, at: at.into() }).collect())
    }

    /// What a print that is marked in a photograph measures, without writing anything: for marks that are still being moved.
    pub fn would_measure(&self, sha256: String, by: ScaleBy, marks: Marks) -> Result<PrintReading, ShellError> {
        let photo = self.on_the_table(&sha256)?;
        let request = Request { landmarks: landmarks(&marks, &sha256), ..by.request()? };
        self.reading(&print::measure(&photo, &request)?)
    }

    /// Measures a print that was marked in a photograph of a visit, and writes it to the visit.
    pub fn measure(
        &self,
        visit: String,
        sha256: String,
        by: ScaleBy,
        marks: Marks,
        now: Moment,
    ) -> Result<PrintReading, ShellError> {
        let visit = self.visit(&visit)?;
        let photo = self.on_the_table(&sha256)?;
        let attached = visit.photos.iter().find(|photo| photo.sha256 == sha256);
        let file = attached.map(|photo| photo.file.clone());
        let file =
            file.ok_or_else(|| ShellError::NotFound { what: "photograph of this visit".into(), id: sha256.clone() })?;
        let landmarks = landmarks(&marks, &file);
        let measurement = print::measure(&photo, &Request { landmarks: landmarks.clone(), ..by.request()? })?;
        let reading = self.reading(&measurement)?;
        let measurement = measurement.to_json(&photo, &self.words);
        let record = Record::PrintMeasured(PrintMeasured { file, sha256, landmarks, measurement });
        self.write(&visit, vec![record], now.utc()?)?;
        Ok(reading)
    }
}

impl Workspace {
    /// A photograph of the store, decoded; the last one stays, since a print is looked at and marked again and again.
    pub(crate) fn on_the_table(&self, sha256: &str) -> Result<Arc<Photo>, ShellError> {
        let mut table = self.table.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(photo) = table.as_ref().filter(|photo| photo.sha256 == sha256) {
            return Ok(Arc::clone(photo));
        }
        let photo = Arc::new(read(&self.photo_file(sha256)?)?);
        *table = Some(Arc::clone(&photo));
        Ok(photo)
    }

    fn reading(&self, measurement: &Measurement) -> Result<PrintReading, ShellError> {
        let print = measurement.prints.first().ok_or_else(|| ShellError::internal("no print came back"))?;
        let length = |dimension: Option<print::Dimension>| dimension.map(|d| Length::from(d.mm));
        Ok(PrintReading {
            width: length(print.width),
            length_without_heel: length(print.length_without_heel),
            length_with_heel: length(print.length_with_heel),
            scale: self.scale(measurement),
        })
    }

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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::{START, workspace};

    fn marks(points: Vec<Mark>) -> Marks {
        Marks { print: "h1".into(), foot: Foot::Hind, side: Side::Left, points, u_px: 1.5 }
    }

    fn two_sides() -> Marks {
        let mark = |name: &str, x: f64| Mark { name: name.into(), at: Point { x, y: 600.0 } };
        marks(vec![mark("widest_left", 1000.0), mark("widest_right", 1300.0)])
    }

    #[test]
    fn a_card_printed_too_small_is_set_right_by_its_check_line() {
        let folder = tempfile::tempdir().unwrap();
        let (core, visit, sha256) = workspace(folder.path());
        let width = |check_line_mm: Option<f64>| {
            let by = ScaleBy::Card { check_line_mm };
            core.measure(visit.clone(), sha256.clone(), by, two_sides(), START).map(|reading| reading.width.unwrap().mm)
        };
        let (usual, small) = (width(None).unwrap(), width(Some(97.0)).unwrap());
        assert!((small / usual - 0.97).abs() < 1e-6, "{small} {usual}");
        assert!(width(Some(9.7)).is_err());
    }

    #[test]
    fn marks_that_are_still_being_moved_are_measured_alike_and_leave_nothing_in_the_visit() {
        let folder = tempfile::tempdir().unwrap();
        let (core, visit, sha256) = workspace(folder.path());
        let by = || ScaleBy::Card { check_line_mm: None };
        let tried = core.would_measure(sha256.clone(), by(), two_sides()).unwrap();
        assert!(core.visit(&visit).unwrap().measured.is_empty());
        let written = core.measure(visit.clone(), sha256, by(), two_sides(), START).unwrap();
        assert_eq!(tried.width, written.width);
        assert_eq!(core.visit(&visit).unwrap().measured.len(), 1);
    }

    #[test]
    fn a_ruler_and_a_sheet_give_the_scale_too_and_three_corners_are_no_sheet() {
        let folder = tempfile::tempdir().unwrap();
        let (core, _, sha256) = workspace(folder.path());
        let at = |x: f64, y: f64| Point { x, y };
        let ruler = ScaleBy::Ruler { from: at(400.0, 400.0), to: at(900.0, 400.0), length_mm: 50.0 };
        let scale = core.find_scale(sha256.clone(), ruler).unwrap();
        assert!((scale.px_per_mm - 10.0).abs() < 0.1 && !scale.warnings.is_empty(), "{scale:?}");
        let three = ScaleBy::BankCard { corners: vec![at(0.0, 0.0), at(856.0, 0.0), at(856.0, 540.0)] };
        assert!(matches!(core.find_scale(sha256, three), Err(ShellError::BadMarks { .. })));
    }

    #[test]
    fn the_demos_hind_print_is_proposed_where_it_was_marked() {
        let folder = tempfile::tempdir().unwrap();
        let (core, _, sha256) = workspace(folder.path());
        let file = concat!(env!("CARGO_MANIFEST_DIR"), "/../fixtures/demo-visit/IMG_0101.landmarks.json");
        let marked: Landmarks = serde_json::from_str(&std::fs::read_to_string(file).unwrap()).unwrap();
        let marked = &marked.prints[0].points;
        let by = || ScaleBy::Card { check_line_mm: None };
        let px_per_mm = core.find_scale(sha256.clone(), by()).unwrap().px_per_mm;
        let between = |i: usize| (marked["widest_left"][i] + marked["widest_right"][i]) / 2.0;
        let middle = Point { x: between(0), y: between(1) };
        let proposed = core.propose_marks(sha256.clone(), by(), middle, 85.0 * px_per_mm).unwrap();
        // Its central pad hardly shows: its rear edge is the worker's to mark.
        assert_eq!(proposed.len(), 3, "{proposed:?}");
        for mark in &proposed {
            let name = mark.name.as_str();
            let [x, y] = marked[name];
            let off_mm = (mark.at.x - x).hypot(mark.at.y - y) / px_per_mm;
            println!("{name}: {off_mm:.1} mm off");
            assert!(off_mm < 8.0, "{name} is proposed {off_mm} mm off");
        }
        let elsewhere = core.propose_marks(sha256, by(), Point { x: 10.0, y: 10.0 }, 20.0 * px_per_mm).unwrap();
        assert!(elsewhere.is_empty());
    }
}
