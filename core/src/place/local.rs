//! A plane that touches the earth near some place: metres for a few kilometres around.

use super::Position;

/// WGS84.
const SEMI_MAJOR_M: f64 = 6_378_137.0;
const ECCENTRICITY_SQUARED: f64 = 0.006_694_379_990_14;

/// Radii of curvature of WGS84 at a latitude, m: along the meridian, and across it.
pub(super) fn radii_m(lat: f64) -> [f64; 2] {
    let w = (1.0 - ECCENTRICITY_SQUARED * lat.to_radians().sin().powi(2)).sqrt();
    [SEMI_MAJOR_M * (1.0 - ECCENTRICITY_SQUARED) / w.powi(3), SEMI_MAJOR_M / w]
}

/// A plane with its origin on the earth: x east, y north. Lengths in it are right to a few parts in a hundred thousand within 5 km.
#[derive(Debug, Clone, Copy)]
pub struct LocalPlane {
    lat: f64,
    lon: f64,
    m_per_deg: [f64; 2],
}

impl LocalPlane {
    /// ```
    /// use rakelight_core::place::{LocalPlane, Position};
    /// let plane = LocalPlane::at(&Position::new(53.0, 9.0, None)?);
    /// let [x, y] = plane.metres(53.001, 9.001);
    /// assert!((x - 67.1).abs() < 0.1 && (y - 111.3).abs() < 0.1);
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    pub fn at(origin: &Position) -> Self {
        let [meridian, across] = radii_m(origin.lat);
        let m_per_deg = [across * origin.lat.to_radians().cos(), meridian].map(|radius| radius.to_radians());
        Self { lat: origin.lat, lon: origin.lon, m_per_deg }
    }

    /// Where a place lies in it, m.
    pub fn metres(&self, lat: f64, lon: f64) -> [f64; 2] {
        // Across the date line the shorter way.
        let east = (lon - self.lon + 540.0).rem_euclid(360.0) - 180.0;
        [east * self.m_per_deg[0], (lat - self.lat) * self.m_per_deg[1]]
    }
}
