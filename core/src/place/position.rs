//! A position on the earth.

/// Why a position can't be.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PlaceError {
    /// Outside the earth's range, or not a number.
    #[error(
        "latitude {lat}, longitude {lon} is no position: latitudes run from -90 to 90 and longitudes from -180 to 180 degrees"
    )]
    OffTheEarth {
        /// Degrees.
        lat: f64,
        /// Degrees.
        lon: f64,
    },
    /// Too far away for a grid.
    #[error("latitude {lat}, longitude {lon} lies outside of this grid")]
    OffTheGrid {
        /// Degrees.
        lat: f64,
        /// Degrees.
        lon: f64,
    },
    /// The data that is built in.
    #[error("the national grids can't be read: {detail}")]
    BuiltIn {
        /// What is wrong.
        detail: String,
    },
}

/// WGS84 (EPSG:4326), degrees.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Position {
    /// Degrees, north positive, -90 to 90.
    pub lat: f64,
    /// Degrees, east positive, -180 to 180.
    pub lon: f64,
    /// The radius that holds the truth with 68 %, m, where the device gives one.
    pub radius_68_m: Option<f64>,
}

impl Position {
    /// Refuses what lies off the earth.
    ///
    /// ```
    /// use rakelight_core::place::Position;
    /// assert!(Position::new(53.9, 8.2, None).is_ok());
    /// assert!(Position::new(8.2, 253.9, None).is_err());
    /// ```
    pub fn new(lat: f64, lon: f64, radius_68_m: Option<f64>) -> Result<Self, PlaceError> {
        if lat.abs() <= 90.0 && lon.abs() <= 180.0 {
            Ok(Self { lat, lon, radius_68_m })
        } else {
            Err(PlaceError::OffTheEarth { lat, lon })
        }
    }

    /// As a point of the library geo: x longitude, y latitude.
    pub fn point(&self) -> geo::Point {
        geo::Point::new(self.lon, self.lat)
    }
}
