//! Positions of sensitive sites leave the house rounded to a grid, never displaced at random.
//!
//! Chapman 2020 (doi 10.15468/doc-5jp4-5g10), table 7: 0.1°, 0.01° and 0.001° for categories 2 to 4; category 1 isn't released
//! nearer than 1°. The uncertainty that rounding adds is the diagonal of the grid cell (Chapman & Wieczorek 2020,
//! "metric uncertainty due to precision").

use serde::{Deserialize, Serialize};

use super::Position;

/// How sensitive a record is, by a team's documented answers: 1 is extreme, 4 is low.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(try_from = "u8", into = "u8")]
pub struct Category(u8);

impl TryFrom<u8> for Category {
    type Error = String;

    fn try_from(number: u8) -> Result<Self, String> {
        if (1..=4).contains(&number) {
            Ok(Self(number))
        } else {
            Err(format!("sensitivity category {number} is not in 1 (extreme) to 4 (low)"))
        }
    }
}

impl From<Category> for u8 {
    fn from(category: Category) -> Self {
        category.0
    }
}

/// A rounded position that says how far it may be off.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Generalised {
    /// Degrees.
    pub lat: f64,
    /// Degrees.
    pub lon: f64,
    /// The radius that holds the truth, m.
    pub uncertainty_m: f64,
}

impl Category {
    /// The strictest: what holds where nobody has answered the questions yet.
    pub const STRICTEST: Self = Self(1);

    /// The grid's width, degrees.
    pub fn grid_deg(self) -> f64 {
        1.0 / self.cells_per_degree()
    }

    /// Decimals of a degree that are left.
    pub fn decimals(self) -> usize {
        usize::from(self.0) - 1
    }

    fn cells_per_degree(self) -> f64 {
        [1.0, 10.0, 100.0, 1000.0][self.decimals()]
    }

    /// The position rounded to this category's grid.
    ///
    /// ```
    /// use rakelight_core::place::{Category, Position};
    /// let near_severn = Position::new(51.56037, -2.66512, Some(5.0)).expect("on the earth");
    /// let public = Category::try_from(2).expect("1 to 4").generalise(&near_severn);
    /// assert_eq!((public.lat, public.lon), (51.6, -2.7));
    /// ```
    pub fn generalise(self, exact: &Position) -> Generalised {
        let n = self.cells_per_degree();
        // Not -0, which would tell on which side of the line it lies.
        let round = |degrees: f64| (degrees * n).round() / n + 0.0;
        let (lat, lon) = (round(exact.lat), round(exact.lon));
        let uncertainty_m = self.largest_diagonal_m(lat) + exact.radius_68_m.map_or(0.0, to_95_percent);
        Generalised { lat, lon, uncertainty_m: uncertainty_m.ceil() }
    }

    /// That of a cell where it is nearest to the equator, so widest. It follows from the rounded latitude alone: the diagonal at the exact one would give that
    /// away to some hundred metres.
    fn largest_diagonal_m(self, rounded_lat: f64) -> f64 {
        self.cell_diagonal_m((rounded_lat.abs() - self.grid_deg() / 2.0).max(0.0))
    }

    /// The diagonal of a grid cell at this latitude on WGS84, m, from the radii of curvature.
    fn cell_diagonal_m(self, lat: f64) -> f64 {
        let [meridian, normal] = super::local::radii_m(lat);
        let cos = lat.to_radians().cos();
        (meridian.hypot(normal * cos)) * self.grid_deg().to_radians()
    }
}

/// A phone's 68 % radius as a 95 % one (circular normal: × √(ln 0.05 / ln 0.32)).
pub(crate) fn to_95_percent(radius_68_m: f64) -> f64 {
    radius_68_m * (0.05_f64.ln() / 0.32_f64.ln()).sqrt()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn category(number: u8) -> Category {
        Category::try_from(number).unwrap()
    }

    #[test]
    fn a_position_is_rounded_as_chapman_2020_table_7_has_it() {
        let exact = Position::new(51.56037, -2.66512, None).unwrap();
        for (number, lat, lon) in [(2, 51.6, -2.7), (3, 51.56, -2.67), (4, 51.560, -2.665)] {
            let public = category(number).generalise(&exact);
            assert_eq!((public.lat, public.lon), (lat, lon), "category {number}");
        }
    }

    #[test]
    fn the_uncertainty_is_the_cells_diagonal_of_chapman_and_wieczorek_2020() {
        // Their table: latitude, then 0.1° and 0.001°, m.
        let rows = [(0.0, 15_691.0, 157.0), (30.0, 14_697.0, 147.0), (60.0, 12_461.0, 125.0), (85.0, 11_211.0, 112.0)];
        for (lat, tenth, thousandth) in rows {
            assert!((category(2).cell_diagonal_m(lat) - tenth).abs() < 1.0, "{lat}");
            assert!((category(4).cell_diagonal_m(lat) - thousandth).abs() < 1.0, "{lat}");
        }
    }

    #[test]
    fn a_phones_68_percent_radius_grows_to_95_percent() {
        assert!((to_95_percent(1.0) - 1.62).abs() < 0.005);
    }

    proptest! {
        #[test]
        fn places_that_are_rounded_alike_cannot_be_told_apart(lat in -89.0..89.0_f64, lon in -179.0..179.0_f64, number in 1_u8..=4, [x, y] in [-0.49..0.49_f64, -0.49..0.49]) {
            let category = category(number);
            let public = category.generalise(&Position::new(lat, lon, Some(7.0)).unwrap());
            let other = [public.lat + x * category.grid_deg(), public.lon + y * category.grid_deg()];
            let other = Position::new(other[0].clamp(-90.0, 90.0), other[1], Some(7.0)).unwrap();
            prop_assert_eq!(category.generalise(&other), public);
            prop_assert!(public.uncertainty_m >= category.cell_diagonal_m(lat).floor());
        }
    }

    #[test]
    fn there_are_four_categories() {
        assert!(Category::try_from(0).is_err() && Category::try_from(5).is_err());
    }
}
