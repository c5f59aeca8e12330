//! Points marked in one photograph as places in the scale's plane, with what ties their uncertainties together.

use nalgebra::DMatrix;

use super::measure::{MeasureError, Request, Warning, check};
use super::seen::Seen;
use crate::photo::Photo;
use crate::scale::ScaleError;

/// Where marked points lie in the plane of a photograph's scale.
#[derive(Debug, Clone)]
pub struct Places {
    /// In the order of their names, mm; x right, y down as the scale lies, seen from above.
    pub at_mm: Vec<[f64; 2]>,
    /// Of x0, y0, x1, y1, …, 2n × 2n, mm²: marking, plane, depth, tilt; all but the scale's own length.
    pub covariance_mm2: DMatrix<f64>,
    /// Relative standard uncertainty of the scale's own length.
    pub u_scale: f64,
    /// What is known of that scale: photographs that give the same were measured by the same thing, or by one made alike.
    pub scale: String,
    /// What to know about the photograph.
    pub warnings: Vec<Warning>,
}

/// Places the freely named points (`request.landmarks.photos`) of one photograph.
///
/// # Errors
/// As [`super::measure`]'s; and a point that lies beyond the plane's horizon.
pub fn places(photo: &Photo, request: &Request) -> Result<Places, MeasureError> {
    check(request)?;
    request.landmarks.check(photo.luma.width, photo.luma.height)?;
    let seen = Seen::of(photo, request)?;
    let px: Vec<[f64; 2]> = request.landmarks.photos.iter().flat_map(|photo| photo.points.values().copied()).collect();
    let (at_mm, covariance_mm2) = seen.ruler(request)?.places(&px).ok_or_else(|| ScaleError::Unusable {
        detail: "a marked point lies beyond the plane's horizon: photograph more from above".into(),
    })?;
    let check_line = request.check_line.map(|line| line.value.to_string()).unwrap_or_default();
    let scale = format!("{} {} {check_line}", request.scale.name(), seen.card.map_or("", |card| card.name));
    Ok(Places { at_mm, covariance_mm2, u_scale: seen.u_own, scale, warnings: seen.warnings })
}
