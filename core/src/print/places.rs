//! Points marked in one photograph as places in the scale's plane, with what ties their uncertainties together.

use super::measure::{MeasureError, Request, Warning, check};
use super::seen::Seen;
use crate::photo::Photo;
use crate::scale::{Points, ScaleError};

/// Where marked points lie in the plane of a photograph's scale.
#[derive(Debug, Clone)]
pub struct Places {
    /// In the order of their names; x right, y down as the scale lies, seen from above. From all but the scale's own length.
    pub points: Points,
    /// Relative standard uncertainty of the scale's own length.
    pub u_scale: f64,
    /// What is known of that scale: photographs that give the same were measured by the same thing, or by one made alike.
    pub scale: String,
    /// What is known of the lens: photographs that give the same may be by one lens.
    pub lens: String,
    /// What to know about the photograph.
    pub warnings: Vec<Warning>,
}

/// Places the freely named points (`request.landmarks.photos`) of one photograph.
///
/// # Errors
/// As [`super::measure`]'s; and a point that lies beyond the plane's horizon.
pub fn places(photo: &Photo, request: &Request) -> Result<Places, MeasureError> {
    let (width, height) = (photo.luma.width, photo.luma.height);
    check(request)?;
    request.landmarks.check(width, height)?;
    let seen = Seen::of(photo, request)?;
    let px: Vec<[f64; 2]> = request.landmarks.photos.iter().flat_map(|photo| photo.points.values().copied()).collect();
    let points = seen.ruler(request)?.places(&px).ok_or_else(|| ScaleError::Unusable {
        detail: "a marked point lies beyond the plane's horizon: photograph more from above".into(),
    })?;
    let check_line = request.check_line.map(|line| line.value.to_string()).unwrap_or_default();
    let scale = format!("{} {} {check_line}", request.scale.name(), seen.card.map_or("", |card| card.name));
    let lens = format!("{} × {}", width.max(height), width.min(height));
    Ok(Places { points, u_scale: seen.u_own, scale, lens, warnings: seen.warnings })
}
