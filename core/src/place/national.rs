//! The national grids that a place lies in.

use serde::{Deserialize, Serialize};

use super::projected::projected;
use super::{PlaceError, Position};

/// A place in a national grid.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NationalGrid {
    /// The grid's code in the EPSG data set.
    pub epsg: u32,
    /// Its name there.
    pub name: String,
    /// m.
    pub easting_m: f64,
    /// m.
    pub northing_m: f64,
    /// How good the step from WGS84 is, m.
    pub accuracy_m: f64,
    /// The square of 100 m that it lies in, as the country writes it with letters: `TG514131`.
    pub square_100m: Option<String>,
}

#[derive(Deserialize)]
struct Data {
    grid: Vec<Grid>,
}

#[derive(Deserialize)]
struct Grid {
    epsg: u32,
    name: String,
    /// West, south, east, north, degrees.
    area: [f64; 4],
    projected: String,
    accuracy_m: f64,
    #[serde(default)]
    british_letters: bool,
}

impl NationalGrid {
    /// The place in every national grid of `core/data/national_grids.toml` that is meant for where it lies; near a border there are several.
    ///
    /// ```
    /// use rakelight_core::place::{NationalGrid, Position};
    /// let grids = NationalGrid::all_of(&Position::new(52.225, 5.21, None)?)?;
    /// assert_eq!((grids[0].epsg, grids[0].easting_m.round()), (28992, 142892.0));
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    ///
    /// # Errors
    /// The projection doesn't reach there, or the data can't be read: a mistake in the build.
    pub fn all_of(place: &Position) -> Result<Vec<Self>, PlaceError> {
        let data: Data = toml::from_str(include_str!("../../data/national_grids.toml"))
            .map_err(|error| PlaceError::BuiltIn { detail: error.to_string() })?;
        data.grid.iter().filter(|grid| grid.has(place)).map(|grid| grid.of(place)).collect()
    }
}

impl Grid {
    fn has(&self, place: &Position) -> bool {
        let [west, south, east, north] = self.area;
        (west..=east).contains(&place.lon) && (south..=north).contains(&place.lat)
    }

    fn of(&self, place: &Position) -> Result<NationalGrid, PlaceError> {
        // Without a step between datums, the degrees are taken on the grid's own ellipsoid.
        let from = if self.projected.contains("+towgs84") { "+datum=WGS84" } else { "+ellps=GRS80" };
        let [easting_m, northing_m] = projected(place, from, &self.projected)?;
        Ok(NationalGrid {
            epsg: self.epsg,
            name: self.name.clone(),
            easting_m,
            northing_m,
            accuracy_m: self.accuracy_m,
            square_100m: self.british_letters.then(|| british(easting_m, northing_m)).flatten(),
        })
    }
}

/// A square of 100 m in British letters: first of the square of 500 km, then of the one of 100 km in it, rows from the north, without I; the false origin
/// of the letters lies 1000 km west and 500 km south of the grid's (Ordnance Survey, "A guide to coordinate systems in Great Britain", section 7).
fn british(easting_m: f64, northing_m: f64) -> Option<String> {
    let [east, north] = [easting_m + 1_000_000.0, northing_m + 500_000.0].map(|metres| (metres / 100.0).floor());
    if !(0.0..25_000.0).contains(&east) || !(0.0..25_000.0).contains(&north) {
        return None;
    }
    let [east, north] = [east as usize, north as usize];
    let letter = |side: usize| {
        let (column, row) = (east / side % 5, 4 - north / side % 5);
        b"ABCDEFGHJKLMNOPQRSTUVWXYZ".get(5 * row + column).map(|letter| char::from(*letter))
    };
    Some(format!("{}{}{:03}{:03}", letter(5000)?, letter(1000)?, east % 1000, north % 1000))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_grid_is_that_of_a_reference_library() {
        let file = include_str!("../../../fixtures/reference/national_grids_pyproj.csv");
        let rows = file.lines().filter(|line| !line.starts_with('#')).skip(1);
        let rows: Vec<Vec<f64>> = rows.map(|line| line.split(',').map(|n| n.parse().unwrap()).collect()).collect();
        for row in &rows {
            let grids = NationalGrid::all_of(&Position::new(row[1], row[2], None).unwrap()).unwrap();
            let ours = grids.iter().find(|grid| f64::from(grid.epsg) == row[0]).unwrap();
            assert!(
                (ours.easting_m - row[3]).abs() < 0.001 && (ours.northing_m - row[4]).abs() < 0.001,
                "{ours:?} {row:?}"
            );
        }
        let data: Data = toml::from_str(include_str!("../../data/national_grids.toml")).unwrap();
        assert_eq!(rows.len(), 2 * data.grid.len());
    }

    #[test]
    fn british_squares_are_those_of_ordnance_surveys_guide() {
        // The guide's worked example, TG 51409 13177; the others are corners that the letters' scheme gives: Land's End's square, the Isle of Man's, Orkney's.
        assert_eq!(british(651_409.903, 313_177.270).as_deref(), Some("TG514131"));
        let corners = [(0.0, 0.0, "SV000000"), (134_250.0, 25_050.0, "SW342250"), (240_000.0, 480_000.0, "SC400800")];
        for (easting_m, northing_m, square) in corners {
            assert_eq!(british(easting_m, northing_m).as_deref(), Some(square));
        }
        assert_eq!(british(345_000.0, 1_010_000.0).as_deref(), Some("HY450100"));
        assert_eq!(british(f64::NAN, 0.0).or(british(-2e6, 0.0)).or(british(2e6, 0.0)), None);
    }

    #[test]
    fn at_sea_there_is_no_national_grid() {
        assert_eq!(NationalGrid::all_of(&Position::new(30.0, -40.0, None).unwrap()).unwrap(), vec![]);
    }
}
