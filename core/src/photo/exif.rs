//! What the camera wrote beside the pixels. Damaged or odd EXIF gives what can still be read.

use ::exif::{Exif, In, Rational, Reader, Tag, Value};
use chrono::{DateTime, FixedOffset, NaiveDate, NaiveDateTime, NaiveTime, TimeDelta};

use super::Orientation;
use crate::place::Position;

/// How the offset from UTC of a photograph's time is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Clock {
    /// The camera wrote it.
    Stated,
    /// From the satellite time written beside the local time.
    FromSatellites,
    /// Nothing told it; the time is taken as UTC.
    AssumedUtc,
}

/// When and where and how a photograph was taken, as far as its EXIF tells.
#[derive(Debug, Clone)]
pub struct Taken {
    /// The camera's time, and how its offset is known.
    pub time: Option<(DateTime<FixedOffset>, Clock)>,
    /// WGS84, with the 68 % radius where the camera gives one.
    pub position: Option<Position>,
    /// By how much the camera's axis was off straight down, degrees, where the camera wrote how it stood to gravity.
    pub camera_tilt_deg: Option<f64>,
    /// How to turn the stored pixels.
    pub orientation: Option<Orientation>,
    /// `FocalLengthIn35mmFilm`, mm, where it holds for the picture; by the frame's diagonal of 43.27 mm.
    pub focal_35_mm: Result<f64, NoFocal>,
}

/// Why a picture's focal length isn't known. Cameras differ in whether the one that they state allows for digital zoom, and none of them
/// knows what was cropped away later.
#[derive(Debug, Clone, Copy, PartialEq, Default, thiserror::Error)]
pub enum NoFocal {
    /// The file doesn't say.
    #[default]
    #[error("the photograph doesn't state its focal length")]
    NotStated,
    /// `DigitalZoomRatio` is above one.
    #[error("the photograph was taken with digital zoom ({ratio:.1} ×), so its stated focal length may not hold")]
    Zoomed {
        /// How much larger things are shown.
        ratio: f64,
    },
    /// `PixelXDimension` and `PixelYDimension` aren't the picture's.
    #[error(
        "the photograph was cropped or made smaller after it was taken (from {width_px} × {height_px} pixels), so its stated focal length may not hold"
    )]
    Resized {
        /// As the camera wrote it.
        width_px: u32,
        /// As the camera wrote it.
        height_px: u32,
    },
    /// The pixels don't fill the frame for which the focal length is stated.
    #[error(
        "the photograph shows only a part of what its camera sees (or was made smaller), so its stated focal length may not hold"
    )]
    OtherFrame,
}

const FULL_FRAME_DIAGONAL_MM: f64 = 43.27;

impl Default for Taken {
    fn default() -> Self {
        Self {
            time: None,
            position: None,
            camera_tilt_deg: None,
            orientation: None,
            focal_35_mm: Err(NoFocal::NotStated),
        }
    }
}

impl Taken {
    /// Reads a TIFF structure as it stands in a JPEG's EXIF segment; what can't be read is left out. The picture is stored this large.
    pub(super) fn read(tiff: &[u8], size_px: [usize; 2]) -> Self {
        let read = Reader::new().continue_on_error(true).read_raw(tiff.to_vec());
        match read.or_else(|e| e.distill_partial_result(|_| ())) {
            Ok(exif) => Self {
                time: time(&exif),
                position: position(&exif),
                camera_tilt_deg: camera_tilt_deg(&exif),
                orientation: uint(&exif, Tag::Orientation).map(Orientation::from_exif),
                focal_35_mm: focal_35_mm(&exif, size_px),
            },
            Err(_) => Self::default(),
        }
    }

    /// The focal length in pixels of a picture this large. EXIF's number is whole, so it is known to ±2 % at best.
    pub fn focal_px(&self, width_px: usize, height_px: usize) -> Result<f64, NoFocal> {
        let diagonal_px = (width_px as f64).hypot(height_px as f64);
        self.focal_35_mm.map(|mm| mm / FULL_FRAME_DIAGONAL_MM * diagonal_px)
    }
}

/// The stated focal length, unless there is reason to doubt that it is this picture's.
fn focal_35_mm(exif: &Exif, size_px: [usize; 2]) -> Result<f64, NoFocal> {
    // Half a per cent is what rounding does.
    const NO_ZOOM: f64 = 1.005;
    let stated = uint(exif, Tag::FocalLengthIn35mmFilm).filter(|&f| f > 0).map(f64::from).ok_or(NoFocal::NotStated)?;
    if let Some(ratio) = rational(exif, Tag::DigitalZoomRatio).filter(|ratio| *ratio > NO_ZOOM) {
        return Err(NoFocal::Zoomed { ratio });
    }
    let sides = [Tag::PixelXDimension, Tag::PixelYDimension].map(|tag| uint(exif, tag).filter(|&px| px > 0));
    if let [Some(width_px), Some(height_px)] = sides {
        // A program that turned the pixels may have left the sides as they were.
        let (stated, is) = ([width_px as usize, height_px as usize], size_px);
        if stated != is && stated != [is[1], is[0]] {
            return Err(NoFocal::Resized { width_px, height_px });
        }
    }
    match frame_diagonal_mm(exif, size_px).zip(rational(exif, Tag::FocalLength)) {
        Some((diagonal_mm, focal_mm)) if !fills_frame(diagonal_mm, focal_mm, stated) => Err(NoFocal::OtherFrame),
        _ => Ok(stated),
    }
}

/// The picture's diagonal on the sensor, from how closely its pixels lie there.
fn frame_diagonal_mm(exif: &Exif, size_px: [usize; 2]) -> Option<f64> {
    let unit_mm = match uint(exif, Tag::FocalPlaneResolutionUnit).unwrap_or(2) {
        2 => 25.4,
        3 => 10.0,
        4 => 1.0,
        5 => 0.001,
        _ => return None,
    };
    let [across, down] = [Tag::FocalPlaneXResolution, Tag::FocalPlaneYResolution].map(|tag| rational(exif, tag));
    let side_mm = |px: usize, per_unit: f64| (per_unit > 0.0).then(|| px as f64 / per_unit * unit_mm);
    Some(side_mm(size_px[0], across?)?.hypot(side_mm(size_px[1], down?)?))
}

/// Whether a picture has the diagonal for which its focal length and the stated equivalent were written. They may differ by a whole
/// number's rounding (2 %), by a lens's nominal length (1 %, assumed) and where a maker goes by the width (4 % at 4:3); a 16:9 cut out of 4:3 by 8 %.
fn fills_frame(diagonal_mm: f64, focal_mm: f64, stated_35_mm: f64) -> bool {
    const MOST_OFF: f64 = 0.06;
    let off = (diagonal_mm * stated_35_mm / (focal_mm * FULL_FRAME_DIAGONAL_MM)).ln().abs();
    !off.is_finite() || off < MOST_OFF
}

fn uint(exif: &Exif, tag: Tag) -> Option<u32> {
    exif.get_field(tag, In::PRIMARY)?.value.get_uint(0)
}

/// `CameraElevationAngle` is the axis' angle above the horizontal, so straight down is −90 (Exif 2.31, 4.6.5).
fn camera_tilt_deg(exif: &Exif) -> Option<f64> {
    match &exif.get_field(Tag::CameraElevationAngle, In::PRIMARY)?.value {
        Value::SRational(angle) => angle.first().map(|a| (a.to_f64() + 90.0).abs()).filter(|deg| deg.is_finite()),
        _ => None,
    }
}

fn ascii(exif: &Exif, tag: Tag) -> Option<String> {
    match &exif.get_field(tag, In::PRIMARY)?.value {
        Value::Ascii(parts) => {
            let text = String::from_utf8_lossy(parts.first()?).trim_matches(['\0', ' ']).to_owned();
            (!text.is_empty()).then_some(text)
        }
        _ => None,
    }
}

fn rationals(exif: &Exif, tag: Tag) -> Option<&[Rational]> {
    match &exif.get_field(tag, In::PRIMARY)?.value {
        Value::Rational(values) => Some(values),
        _ => None,
    }
}

fn rational(exif: &Exif, tag: Tag) -> Option<f64> {
    rationals(exif, tag)?.first().filter(|r| r.denom > 0).map(Rational::to_f64)
}

/// Local time with its offset: written beside it, or by the satellites' time, or else taken as UTC.
fn time(exif: &Exif) -> Option<(DateTime<FixedOffset>, Clock)> {
    let tags = [Tag::DateTimeOriginal, Tag::DateTimeDigitized, Tag::DateTime];
    let local = tags
        .into_iter()
        .filter_map(|tag| ascii(exif, tag))
        .find_map(|text| NaiveDateTime::parse_from_str(&text, "%Y:%m:%d %H:%M:%S").ok())?;
    let stated = [Tag::OffsetTimeOriginal, Tag::OffsetTimeDigitized, Tag::OffsetTime]
        .into_iter()
        .filter_map(|tag| ascii(exif, tag))
        .find_map(|text| text.parse::<FixedOffset>().ok());
    let (offset, clock) = match (stated, satellite_time(exif)) {
        (Some(offset), _) => (offset, Clock::Stated),
        (None, Some(utc)) => (nearest_quarter_hour(local - utc)?, Clock::FromSatellites),
        (None, None) => (FixedOffset::east_opt(0)?, Clock::AssumedUtc),
    };
    Some((local.and_local_timezone(offset).single()?, clock))
}

/// GPSDateStamp and GPSTimeStamp, which are in UTC.
fn satellite_time(exif: &Exif) -> Option<NaiveDateTime> {
    let date = NaiveDate::parse_from_str(&ascii(exif, Tag::GPSDateStamp)?, "%Y:%m:%d").ok()?;
    let &[hour, minute, second] = rationals(exif, Tag::GPSTimeStamp)? else { return None };
    let whole = |r: Rational| (r.denom > 0).then(|| r.num / r.denom);
    Some(date.and_time(NaiveTime::from_hms_opt(whole(hour)?, whole(minute)?, whole(second)?.min(59))?))
}

/// Zones lie on quarter hours and within 14 hours of UTC; a satellite fix may be minutes old.
fn nearest_quarter_hour(difference: TimeDelta) -> Option<FixedOffset> {
    let quarters = (difference.num_seconds() as f64 / 900.0).round() as i32;
    (quarters.abs() <= 56).then(|| FixedOffset::east_opt(quarters * 900)).flatten()
}

fn position(exif: &Exif) -> Option<Position> {
    let lat = degrees(rationals(exif, Tag::GPSLatitude)?)? * sign(exif, Tag::GPSLatitudeRef, "S");
    let lon = degrees(rationals(exif, Tag::GPSLongitude)?)? * sign(exif, Tag::GPSLongitudeRef, "W");
    let radius = rationals(exif, Tag::GPSHPositioningError).and_then(|r| r.first()).map(Rational::to_f64);
    // (0, 0) is what cameras write that found no satellites.
    Position::new(lat, lon, radius.filter(|r| r.is_finite() && *r > 0.0)).ok().filter(|_| (lat, lon) != (0.0, 0.0))
}

/// Degrees, minutes and seconds; the last two may be missing.
fn degrees(parts: &[Rational]) -> Option<f64> {
    let known = parts.iter().map(|r| if r.denom == 0 { 0.0 } else { r.to_f64() });
    (parts.first()?.denom > 0).then(|| known.zip([1.0, 60.0, 3600.0]).map(|(value, per)| value / per).sum())
}

fn sign(exif: &Exif, tag: Tag, negative: &str) -> f64 {
    if ascii(exif, tag).is_some_and(|reference| reference.eq_ignore_ascii_case(negative)) { -1.0 } else { 1.0 }
}
