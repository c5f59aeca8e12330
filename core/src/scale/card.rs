//! Our own printed scale card: an L that lies around a print, with five markers of the open family tag36h11.
//!
//! Millimetres; x right, y down, the origin at the outline's top left corner. The print lies in the L's open quarter.

use std::sync::LazyLock;

use serde::Serialize;

/// The card's version; a change of any measure below makes a new one, with other marker numbers.
pub const VERSION: u32 = 1;
/// The marker family that the codes come from.
pub const FAMILY: &str = "tag36h11";
/// The side of a marker's black border, mm.
pub const MARKER_SIDE_MM: f64 = 24.0;
/// The markers' numbers: our block of the family, in the order of [`MARKER_ORIGINS_MM`].
pub const MARKER_IDS: [u32; 5] = [520, 521, 522, 523, 524];
/// The top left corner of each marker's black border, mm: long leg's end, its middle, the L's corner, the short leg's middle, its end.
pub const MARKER_ORIGINS_MM: [[f64; 2]; 5] = [[6.0, 6.0], [6.0, 88.0], [6.0, 170.0], [64.0, 170.0], [122.0, 170.0]];
/// The width of both legs, mm.
pub const LEG_WIDTH_MM: f64 = 38.0;
/// The L's outer measures, mm.
pub const WIDTH_MM: f64 = 152.0;
/// See [`WIDTH_MM`].
pub const HEIGHT_MM: f64 = 200.0;
/// Reflectance (0–1, linear) of the ground: grey, so that neither snow nor sun burns it out.
pub const GROUND_GREY: f64 = 0.5;

/// One marker on the card.
#[derive(Debug, Clone, Serialize)]
pub struct Marker {
    /// `tag36h11`.
    pub family: &'static str,
    /// The number within the family.
    pub id: u32,
    /// The black border's corners, mm: top left, top right, bottom right, bottom left of the marker as drawn.
    pub corners_mm: [[f64; 2]; 4],
}

/// The card as data, as `rakelight card --json` prints it.
#[derive(Debug, Clone, Serialize)]
pub struct Card {
    /// See [`VERSION`].
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

/// The standard card.
///
/// ```
/// let card = rakelight_core::scale::card::standard();
/// assert_eq!(card.markers.len(), 5);
/// assert_eq!(card.markers[0].corners_mm[2], [30.0, 30.0]);
/// ```
pub fn standard() -> Card {
    let (inner_x, inner_y) = (LEG_WIDTH_MM, HEIGHT_MM - LEG_WIDTH_MM);
    Card {
        version: VERSION,
        outline_mm: vec![
            [0.0, 0.0],
            [inner_x, 0.0],
            [inner_x, inner_y],
            [WIDTH_MM, inner_y],
            [WIDTH_MM, HEIGHT_MM],
            [0.0, HEIGHT_MM],
        ],
        holes_mm: vec![],
        markers: MARKER_IDS.into_iter().zip(MARKER_ORIGINS_MM).map(|(id, at)| marker(id, at)).collect(),
        ground_grey: GROUND_GREY,
    }
}

/// The number of the marker whose top left corner is here, mm.
pub fn marker_at(corner_mm: [f64; 2]) -> Option<u32> {
    MARKER_IDS.into_iter().zip(MARKER_ORIGINS_MM).find(|(_, at)| *at == corner_mm).map(|(id, _)| id)
}

fn marker(id: u32, [x, y]: [f64; 2]) -> Marker {
    let (right, bottom) = (x + MARKER_SIDE_MM, y + MARKER_SIDE_MM);
    Marker { family: FAMILY, id, corners_mm: [[x, y], [right, y], [right, bottom], [x, bottom]] }
}

/// Whether a place (mm in the card's plane) lies on the card or at most this far beside it, mm.
pub fn is_near([x, y]: [f64; 2], margin_mm: f64) -> bool {
    let in_box = |right: f64, top: f64| {
        (-margin_mm..=right + margin_mm).contains(&x) && (top - margin_mm..=HEIGHT_MM + margin_mm).contains(&y)
    };
    in_box(LEG_WIDTH_MM, 0.0) || in_box(WIDTH_MM, HEIGHT_MM - LEG_WIDTH_MM)
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
    fn every_marker_has_a_quiet_zone_of_one_cell_inside_the_card() {
        let cell = MARKER_SIDE_MM / 8.0;
        for marker in standard().markers {
            let [[left, top], _, [right, bottom], _] = marker.corners_mm;
            assert!(left >= cell && bottom <= HEIGHT_MM - cell && top >= cell && right <= WIDTH_MM - cell);
            assert!(right <= LEG_WIDTH_MM - cell || top >= HEIGHT_MM - LEG_WIDTH_MM + cell, "marker {}", marker.id);
        }
    }
}
