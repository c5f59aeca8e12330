//! Our own printed scale cards: an L that lies around a print, with markers of the open family tag36h11.
//!
//! Millimetres; x right, y down, the origin at the outline's top left corner. The print lies in the L's open quarter.

use std::sync::LazyLock;

use serde::Serialize;

/// The marker family that the codes come from.
pub const FAMILY: &str = "tag36h11";
/// Reflectance (0–1, linear) of the ground: grey, so that neither snow nor sun burns it out.
pub const GROUND_GREY: f64 = 0.5;
/// What the check line on every card measures where it was printed at true size, mm.
pub const CHECK_LINE_MM: f64 = 100.0;
/// A check line is read, or trusted where nobody read it, to within 0.2 mm (rectangle: / √3; assumed).
pub const U_CHECK_LINE_MM: f64 = 0.2 / 1.732;

/// The measures of one of our cards, mm.
#[derive(Debug, PartialEq)]
pub struct Layout {
    /// `standard` or `small`.
    pub name: &'static str,
    /// A change of any measure makes a new version, with other marker numbers.
    pub version: u32,
    /// The L's outer width and height.
    pub size_mm: [f64; 2],
    /// The width of both legs.
    pub leg_mm: f64,
    /// The side of a marker's black border.
    pub marker_side_mm: f64,
    /// The markers' numbers, from our block of the family, and the top left corner of each one's black border: down the long leg,
    /// then along the short one.
    pub markers: &'static [(u32, [f64; 2])],
}

/// The card for open ground.
pub static STANDARD: Layout = Layout {
    name: "standard",
    version: 1,
    size_mm: [152.0, 200.0],
    leg_mm: 38.0,
    marker_side_mm: 24.0,
    markers: &[(520, [6.0, 6.0]), (521, [6.0, 88.0]), (522, [6.0, 170.0]), (523, [64.0, 170.0]), (524, [122.0, 170.0])],
};

/// The card for narrow places, between stones and on ledges.
pub static SMALL: Layout = Layout {
    name: "small",
    version: 1,
    size_mm: [86.0, 120.0],
    leg_mm: 28.0,
    marker_side_mm: 16.0,
    markers: &[(525, [5.0, 5.0]), (526, [5.0, 99.0]), (527, [65.0, 99.0])],
};

/// All of them.
pub static LAYOUTS: [&Layout; 2] = [&STANDARD, &SMALL];

/// One marker on a card.
#[derive(Debug, Clone, Serialize)]
pub struct Marker {
    /// `tag36h11`.
    pub family: &'static str,
    /// The number within the family.
    pub id: u32,
    /// The black border's corners, mm: top left, top right, bottom right, bottom left of the marker as drawn.
    pub corners_mm: [[f64; 2]; 4],
}

/// A card as data, as `rakelight card --json` prints it.
#[derive(Debug, Clone, Serialize)]
pub struct Card {
    /// See [`Layout::name`].
    pub size: &'static str,
    /// See [`Layout::version`].
    pub version: u32,
    /// The outer polygon, mm, clockwise.
    pub outline_mm: Vec<[f64; 2]>,
    /// Polygons cut out of it, mm; the L has none.
    pub holes_mm: Vec<Vec<[f64; 2]>>,
    /// The markers.
    pub markers: Vec<Marker>,
    /// See [`GROUND_GREY`].
    pub ground_grey: f64,
}

impl Layout {
    /// The card as data.
    ///
    /// ```
    /// let card = rakelight_core::scale::card::STANDARD.card();
    /// assert_eq!(card.markers.len(), 5);
    /// assert_eq!(card.markers[0].corners_mm[2], [30.0, 30.0]);
    /// ```
    pub fn card(&self) -> Card {
        let ([width, height], [inner_x, inner_y]) = (self.size_mm, self.inner_corner_mm());
        Card {
            size: self.name,
            version: self.version,
            outline_mm: vec![
                [0.0, 0.0],
                [inner_x, 0.0],
                [inner_x, inner_y],
                [width, inner_y],
                [width, height],
                [0.0, height],
            ],
            holes_mm: vec![],
            markers: self.markers.iter().map(|&(id, at)| self.marker(id, at)).collect(),
            ground_grey: GROUND_GREY,
        }
    }

    /// Where the legs' inner edges meet.
    pub fn inner_corner_mm(&self) -> [f64; 2] {
        [self.leg_mm, self.size_mm[1] - self.leg_mm]
    }

    /// The corners of one of its markers, mm.
    pub fn corners_mm(&self, id: u32) -> Option<[[f64; 2]; 4]> {
        self.markers.iter().find(|marker| marker.0 == id).map(|&(id, at)| self.marker(id, at).corners_mm)
    }

    fn marker(&self, id: u32, [x, y]: [f64; 2]) -> Marker {
        let (right, bottom) = (x + self.marker_side_mm, y + self.marker_side_mm);
        Marker { family: FAMILY, id, corners_mm: [[x, y], [right, y], [right, bottom], [x, bottom]] }
    }

    /// Whether a place (mm in the card's plane) lies on the card or at most this far beside it, mm.
    pub fn is_near(&self, [x, y]: [f64; 2], margin_mm: f64) -> bool {
        let ([width, height], [inner_x, inner_y]) = (self.size_mm, self.inner_corner_mm());
        let in_box = |right: f64, top: f64| {
            (-margin_mm..=right + margin_mm).contains(&x) && (top - margin_mm..=height + margin_mm).contains(&y)
        };
        in_box(inner_x, 0.0) || in_box(width, inner_y)
    }
}

/// The codes of the whole family: the inner 6 × 6 cells row by row from the top left, white = 1, most significant first.
pub fn codes() -> &'static [u64] {
    static CODES: LazyLock<Vec<u64>> = LazyLock::new(|| {
        include_str!("../../data/tag36h11.txt")
            .lines()
            .filter(|line| !line.starts_with('#'))
            .filter_map(|line| u64::from_str_radix(line, 16).ok())
            .collect()
    });
    &CODES
}

/// Whether the cell of a marker (8 × 8 with its black border, row and column from the top left) is white.
pub fn cell_is_white(id: u32, row: usize, column: usize) -> bool {
    let inner = |i: usize| (1..7).contains(&i);
    inner(row) && inner(column) && codes()[id as usize] >> (35 - ((row - 1) * 6 + column - 1)) & 1 == 1
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_family_has_587_codes_that_differ_in_at_least_11_cells_however_they_are_turned() {
        // The family's name: 36 cells, Hamming distance 11.
        assert_eq!(codes().len(), 587);
        let nearest =
            codes().iter().enumerate().flat_map(|(i, a)| codes()[..i].iter().map(move |b| (a ^ b).count_ones()));
        assert_eq!(nearest.min(), Some(11));
    }

    #[test]
    fn every_marker_has_a_quiet_zone_of_one_cell_inside_its_card() {
        for layout in LAYOUTS {
            let cell = layout.marker_side_mm / 8.0;
            let ([width, height], [inner_x, inner_y]) = (layout.size_mm, layout.inner_corner_mm());
            for marker in layout.card().markers {
                let [[left, top], _, [right, bottom], _] = marker.corners_mm;
                assert!(left >= cell && bottom <= height - cell && top >= cell && right <= width - cell);
                assert!(right <= inner_x - cell || top >= inner_y + cell, "marker {}", marker.id);
            }
        }
    }

    #[test]
    fn no_marker_number_is_used_twice() {
        let mut ids: Vec<u32> = LAYOUTS.iter().flat_map(|layout| layout.markers).map(|marker| marker.0).collect();
        ids.dedup();
        assert_eq!(ids, (520..528).collect::<Vec<_>>());
    }
}
