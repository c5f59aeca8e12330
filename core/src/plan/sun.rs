//! Where the sun stands: NREL's Solar Position Algorithm (Reda and Andreas 2004, Solar Energy 76:577–589; ±0.0003°).

use chrono::{DateTime, Datelike, Utc};
use serde::Serialize;
use solar_positioning::{Location, RefractionCorrection, SolarPositions, delta_t};

use super::PlanError;
use crate::place::Position;

/// The air that bends the light near the horizon.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Air {
    /// Not reduced to sea level, hPa.
    pub pressure_hpa: f64,
    /// °C.
    pub temperature_c: f64,
}

impl Default for Air {
    /// The standard atmosphere's pressure at sea level, and 12 °C.
    fn default() -> Self {
        Self { pressure_hpa: 1013.25, temperature_c: 12.0 }
    }
}

/// The sun's place in the sky.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Sun {
    /// From north, eastward, degrees.
    pub azimuth_deg: f64,
    /// From straight above, without refraction, degrees.
    pub zenith_deg: f64,
    /// As it is seen through the air, degrees; below the horizon the same.
    pub apparent_zenith_deg: f64,
}

impl Sun {
    /// Above the horizon as it is seen, degrees.
    pub fn elevation_deg(&self) -> f64 {
        90.0 - self.apparent_zenith_deg
    }
}

/// Where the sun stands at a place and time.
///
/// `elevation_m` is the place's height above the sea; `delta_t_s` the difference between terrestrial time and UT1, see [`delta_t_s`].
///
/// ```
/// use rakelight_core::place::Position;
/// use rakelight_core::plan::{Air, sun};
/// // The example of NREL's report TP-560-34302.
/// let golden = Position::new(39.742476, -105.1786, None)?;
/// let air = Air { pressure_hpa: 820.0, temperature_c: 11.0 };
/// let sun = sun(golden, "2003-10-17T19:30:30Z".parse()?, 1830.14, air, 67.0)?;
/// assert!((sun.apparent_zenith_deg - 50.11162).abs() < 1e-5 && (sun.azimuth_deg - 194.34024).abs() < 1e-5);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// The air or the year can't be (years −2000 to 6000).
pub fn sun(place: Position, at: DateTime<Utc>, elevation_m: f64, air: Air, delta_t_s: f64) -> Result<Sun, PlanError> {
    let moment = SolarPositions::new().for_time(&at, delta_t_s)?;
    let seen_through = RefractionCorrection::new(air.pressure_hpa, air.temperature_c)?;
    let true_sun = moment.at(location(place), elevation_m, None)?;
    let apparent = moment.at(location(place), elevation_m, Some(seen_through))?;
    Ok(Sun {
        azimuth_deg: true_sun.azimuth(),
        zenith_deg: true_sun.zenith_angle(),
        apparent_zenith_deg: apparent.zenith_angle(),
    })
}

/// The difference between terrestrial time and UT1 as it is reckoned for a time, s.
///
/// # Errors
/// For years that it isn't known for.
pub fn delta_t_s(at: DateTime<Utc>) -> Result<f64, PlanError> {
    let year = f64::from(at.year()) + (f64::from(at.month()) - 0.5) / 12.0;
    Ok(delta_t::estimate(year)?)
}

pub(super) fn location(place: Position) -> Location {
    Location { latitude: place.lat, longitude: place.lon }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::parse_time;

    #[test]
    fn the_sun_stands_where_a_reference_library_has_it() {
        let file = include_str!("../../../fixtures/reference/sun_pvlib.csv");
        for line in file.lines().filter(|line| !line.starts_with('#')).skip(1) {
            let row: Vec<&str> = line.split(',').collect();
            let number = |i: usize| row[i].parse::<f64>().unwrap();
            let place = Position::new(number(1), number(2), None).unwrap();
            let at = parse_time(&row[3].replace('Z', ":00Z")).unwrap().to_utc();
            let sun = sun(place, at, 0.0, Air::default(), 69.2).unwrap();
            assert!((sun.zenith_deg - number(4)).abs() < 5e-4, "{line}: {sun:?}");
            assert!((sun.apparent_zenith_deg - number(5)).abs() < 5e-4, "{line}: {sun:?}");
            assert!((sun.azimuth_deg - number(6)).abs() < 5e-4, "{line}: {sun:?}");
        }
    }
}
