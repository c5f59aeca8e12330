//! UTM and MGRS: a zone's metres, and the same as one word.
//!
//! Source: NGA.STND.0037 (Universal Grids), from memory; checked against pyproj and mgrs. The polar regions, which have grids of their own, are left out.

use serde::Serialize;

use super::projected::projected;
use super::{PlaceError, Position};

/// A place in UTM on WGS84.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Utm {
    /// 1 to 60.
    pub zone: u8,
    /// `N` or `S`.
    pub hemisphere: char,
    /// m.
    pub easting_m: f64,
    /// m; south of the equator with 10,000 km added.
    pub northing_m: f64,
    #[serde(skip)]
    band: char,
}

/// Of 8° each from 80° S on, the last one of 12°; I and O are left out.
const BANDS: &[u8; 20] = b"CDEFGHJKLMNPQRSTUVWX";
/// Of 100 km each, from the equator on; they come again every 2,000 km.
const ROWS: &[u8; 20] = b"ABCDEFGHJKLMNPQRSTUV";
/// Of 100 km each; the zones take them in turn.
const COLUMNS: [&[u8; 8]; 3] = [b"ABCDEFGH", b"JKLMNPQR", b"STUVWXYZ"];

impl Utm {
    /// ```
    /// use rakelight_core::place::{Position, Utm};
    /// let bergen = Utm::of(&Position::new(60.39, 5.32, None)?)?;
    /// assert_eq!((bergen.zone, bergen.mgrs().as_str()), (32, "32VKN9723000510"));
    /// assert!(Utm::of(&Position::new(88.0, 0.0, None)?).is_err());
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    ///
    /// # Errors
    /// North of 84° N or south of 80° S.
    pub fn of(place: &Position) -> Result<Self, PlaceError> {
        if !(-80.0..=84.0).contains(&place.lat) {
            return Err(PlaceError::OffTheGrid { lat: place.lat, lon: place.lon });
        }
        let band = char::from(BANDS[(((place.lat + 80.0) / 8.0) as usize).min(19)]);
        let zone = zone(place.lon, band);
        let (hemisphere, false_northing_m) = if place.lat < 0.0 { ('S', 10_000_000) } else { ('N', 0) };
        let middle = 6 * i32::from(zone) - 183;
        let onto =
            format!("+proj=tmerc +lat_0=0 +lon_0={middle} +k=0.9996 +x_0=500000 +y_0={false_northing_m} +ellps=WGS84");
        let [easting_m, northing_m] = projected(place, "+ellps=WGS84", &onto)?;
        Ok(Self { zone, hemisphere, easting_m, northing_m, band })
    }

    /// The square of 1 m that it lies in: zone, band, square of 100 km, metres; digits are cut off, never rounded.
    pub fn mgrs(&self) -> String {
        let hundreds = |metres: f64| (metres / 100_000.0).floor() as usize;
        let metres = |metres: f64| (metres.floor() as u64) % 100_000;
        let zone = usize::from(self.zone);
        let column = char::from(COLUMNS[(zone - 1) % 3][(hundreds(self.easting_m).clamp(1, 8)) - 1]);
        let row = char::from(ROWS[(hundreds(self.northing_m) + if zone % 2 == 0 { 5 } else { 0 }) % 20]);
        let (band, east, north) = (self.band, metres(self.easting_m), metres(self.northing_m));
        format!("{zone:02}{band}{column}{row}{east:05}{north:05}")
    }
}

/// Of 6° each, but for the west of Norway (32V) and Spitsbergen (31X to 37X, of which the even ones are left out).
fn zone(lon: f64, band: char) -> u8 {
    match (band, lon) {
        ('V', lon) if (3.0..12.0).contains(&lon) => 32,
        ('X', lon) if (0.0..42.0).contains(&lon) => [31, 33, 35, 37][((lon + 3.0) / 12.0) as usize],
        _ => ((lon + 180.0) / 6.0).floor().rem_euclid(60.0) as u8 + 1,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn rows(file: &str) -> impl Iterator<Item = Vec<&str>> {
        file.lines().filter(|line| !line.starts_with('#')).skip(1).map(|line| line.split(',').collect())
    }

    fn at(row: &[&str], from: usize) -> [f64; 2] {
        [row[from].parse().unwrap(), row[from + 1].parse().unwrap()]
    }

    fn check(place: [f64; 2], zone: &str, metres: [f64; 2], mgrs: &str) {
        let ours = Utm::of(&Position::new(place[0], place[1], None).unwrap()).unwrap();
        assert_eq!(ours.zone.to_string(), zone);
        assert!((ours.easting_m - metres[0]).abs() < 0.001 && (ours.northing_m - metres[1]).abs() < 0.001, "{ours:?}");
        assert_eq!(ours.mgrs(), mgrs);
    }

    #[test]
    fn zones_metres_and_words_are_those_of_reference_libraries() {
        for row in rows(include_str!("../../../fixtures/reference/coordinates_pyproj.csv")) {
            check(at(&row, 1), row[3], at(&row, 4), row[11]);
        }
        for row in rows(include_str!("../../../fixtures/reference/utm_mgrs.csv")) {
            check(at(&row, 0), row[2], at(&row, 4), row[6]);
        }
    }

    proptest! {
        #[test]
        fn every_place_between_the_polar_regions_has_a_word(lat in -80.0..84.0_f64, lon in -180.0..=180.0_f64) {
            let utm = Utm::of(&Position::new(lat, lon, None).unwrap()).unwrap();
            prop_assert_eq!(utm.mgrs().len(), 15);
            prop_assert!((100_000.0..900_000.0).contains(&utm.easting_m));
        }
    }
}
