//! The European grid: ETRS89-LAEA (EPSG:3035) and the names of its squares as the European Environment Agency writes them.

use super::projected::projected;
use super::{PlaceError, Position};

/// A place in ETRS89-LAEA (EPSG:3035). WGS84 is taken as ETRS89: they differ by less than 1 m.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Epsg3035 {
    /// m.
    pub easting_m: f64,
    /// m.
    pub northing_m: f64,
}

impl Epsg3035 {
    /// ```
    /// use rakelight_core::place::{Epsg3035, Position};
    /// // IOGP Guidance Note 7-2: 50° N, 5° E.
    /// let place = Epsg3035::of(&Position::new(50.0, 5.0, None)?)?;
    /// assert!((place.easting_m - 3962799.45).abs() < 0.01 && (place.northing_m - 2999718.85).abs() < 0.01);
    /// assert_eq!(place.cell(10), "10kmE396N299");
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    ///
    /// # Errors
    /// The projection doesn't reach there.
    pub fn of(place: &Position) -> Result<Self, PlaceError> {
        let laea = "+proj=laea +lat_0=52 +lon_0=10 +x_0=4321000 +y_0=3210000 +ellps=GRS80";
        let [easting_m, northing_m] = projected(place, "+ellps=GRS80", laea)?;
        Ok(Self { easting_m, northing_m })
    }

    /// The same within the grid's area of use, 35.58° W to 44.83° E and 24.6 to 84.73° N (EPSG); `None` outside.
    pub fn in_europe(place: &Position) -> Option<Self> {
        let within = (-35.58..=44.83).contains(&place.lon) && (24.6..=84.73).contains(&place.lat);
        within.then(|| Self::of(place).ok()).flatten()
    }

    /// The square of this width (km) that it lies in, by its lower left corner.
    pub fn cell(&self, width_km: u32) -> String {
        let corner = |metres: f64| (metres / (1000.0 * f64::from(width_km))).floor();
        format!("{width_km}kmE{}N{}", corner(self.easting_m), corner(self.northing_m))
    }

    /// Which quarter of that square: south-west, south-east, north-west, north-east (0 to 3).
    pub fn quarter(&self, width_km: u32) -> usize {
        let half = |metres: f64| ((metres / (500.0 * f64::from(width_km))).floor().rem_euclid(2.0)) as usize;
        half(self.easting_m) + 2 * half(self.northing_m)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_and_squares_are_those_of_a_reference_library() {
        let file = include_str!("../../../fixtures/reference/coordinates_pyproj.csv");
        for line in file.lines().filter(|line| !line.starts_with('#')).skip(1) {
            let row: Vec<&str> = line.split(',').collect();
            let number = |i: usize| row[i].parse::<f64>().unwrap();
            let ours = Epsg3035::of(&Position::new(number(1), number(2), None).unwrap()).unwrap();
            assert!((ours.easting_m - number(6)).abs() < 0.001, "{line}: {ours:?}");
            assert!((ours.northing_m - number(7)).abs() < 0.001, "{line}: {ours:?}");
            assert_eq!([ours.cell(1), ours.cell(10), ours.cell(100)], [row[8], row[9], row[10]]);
        }
    }

    #[test]
    fn a_square_has_four_quarters() {
        let at = |easting_m, northing_m| Epsg3035 { easting_m, northing_m }.quarter(10);
        assert_eq!([at(1.0, 1.0), at(5001.0, 1.0), at(1.0, 5001.0), at(9999.0, 9999.0)], [0, 1, 2, 3]);
    }
}
