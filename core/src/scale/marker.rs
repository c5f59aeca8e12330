//! Which marker of ours a quadrilateral is, and which of its corners is the top left one.

use nalgebra::{Matrix3, Vector3};

use super::card;
use super::light;
use super::plane::through_four;
use super::quad::{self, Quad};
use crate::photo::Luma;

/// A marker of ours in the picture.
#[derive(Debug, Clone, Copy)]
pub(super) struct Found {
    pub id: u32,
    /// Top left, top right, bottom right, bottom left of the marker as drawn; px.
    pub corners_px: [[f64; 2]; 4],
    /// Standard uncertainty of each coordinate, px.
    pub u_px: f64,
}

impl Found {
    /// Whether both are one marker in the picture, seen twice.
    pub fn is_at(&self, other: &Self) -> bool {
        let side = (self.corners_px[0][0] - self.corners_px[2][0]).hypot(self.corners_px[0][1] - self.corners_px[2][1]);
        let apart = |i: usize| {
            (self.corners_px[i][0] - other.corners_px[i][0]).hypot(self.corners_px[i][1] - other.corners_px[i][1])
        };
        (0..4).all(|i| apart(i) < side / 8.0)
    }
}

/// What a quadrilateral holds.
pub(super) enum Reading {
    Ours(Found),
    /// One of ours in a mirror.
    Mirrored,
}

/// Cells that may be read wrong; the family's codes differ in 11, so up to 2 is safe.
const MOST_WRONG: u32 = 2;
/// How far from the border's darkness to the ground's lightness a cell still counts as black.
const BLACK_TO_GROUND: f64 = 0.7;

/// Reads the marker near a rough outline.
pub(super) fn read(luma: &Luma, rough: [[f64; 2]; 4], start_px: f64) -> Option<Reading> {
    // Most dark blobs are no markers: a look at the rough outline is enough to pass them over.
    let first = identify(luma, &rough, 2 * MOST_WRONG)?;
    let Quad { corners, u_px } = quad::refine(luma, rough, start_px)?;
    let (id, turns, mirrored) = identify(luma, &corners, MOST_WRONG).filter(|second| second.0 == first.0)?;
    if mirrored {
        return Some(Reading::Mirrored);
    }
    Some(Reading::Ours(Found { id, corners_px: std::array::from_fn(|i| corners[(i + turns) % 4]), u_px }))
}

/// Which of our codes stands within an outline, by how many corners the outline is turned, and whether it is mirrored.
fn identify(luma: &Luma, corners: &[[f64; 2]; 4], most_wrong: u32) -> Option<(u32, usize, bool)> {
    let cells = Cells::sample(luma, corners)?;
    [cells.by_planes(), cells.by_ratio()].into_iter().flatten().find_map(|bits| matching(bits, most_wrong))
}

/// A marker's light, cell by cell.
struct Cells {
    /// The inner 6 × 6 cells, row by row from the outline's first corner.
    inner: [f64; 36],
    /// Cells of the black border: x, y (in cells) and light.
    border: [(f64, f64, f64); 28],
    /// The ground around it, alike.
    ground: [(f64, f64, f64); 28],
}

impl Cells {
    fn sample(luma: &Luma, corners: &[[f64; 2]; 4]) -> Option<Self> {
        let to_px = through_four(&[[0.0, 0.0], [8.0, 0.0], [8.0, 8.0], [0.0, 8.0]], corners)?;
        // A dark patch of mud is dark all over, a marker has cells that are lighter than the ground: a quick look tells.
        let brightest = (0..36)
            .map(|i| at(luma, &to_px, (i % 6) as f64 + 1.5, (i / 6) as f64 + 1.5))
            .try_fold(0.0, |b, l| Some(l?.max(b)));
        let darkest = (0..4)
            .map(|i| ring(7 * i + 3, -0.6, 8.6))
            .map(|(x, y)| at(luma, &to_px, x, y))
            .try_fold(1.0, |d, l| Some(l?.min(d)));
        if brightest? <= darkest? {
            return None;
        }
        let cell = |x: f64, y: f64| {
            let spots = [(-0.2, -0.2), (0.2, -0.2), (0.0, 0.0), (-0.2, 0.2), (0.2, 0.2)];
            let total: Option<f64> = spots.iter().map(|(dx, dy)| at(luma, &to_px, x + dx, y + dy)).sum();
            total.map(|light| light / spots.len() as f64)
        };
        let mut cells = Self { inner: [0.0; 36], border: [(0.0, 0.0, 0.0); 28], ground: [(0.0, 0.0, 0.0); 28] };
        for (i, light) in cells.inner.iter_mut().enumerate() {
            *light = cell((i % 6) as f64 + 1.5, (i / 6) as f64 + 1.5)?;
        }
        for i in 0..28 {
            let ((bx, by), (gx, gy)) = (ring(i, 0.5, 7.5), ring(i, -0.6, 8.6));
            cells.border[i] = (bx, by, cell(bx, by)?);
            cells.ground[i] = (gx, gy, cell(gx, gy)?);
        }
        Some(cells)
    }

    /// White = 1 where a cell is lighter than most of the way from the border's black to the ground, each a plane over the
    /// marker: light may fall unevenly, and blur may mix neighbours.
    fn by_planes(&self) -> Option<u64> {
        let (black, ground) = (Shade::fit(&self.border), Shade::fit(&self.ground));
        self.bits(|x, y| {
            let (dark, light) = (black.at(x, y), ground.at(x, y));
            (light > dark).then_some(dark + BLACK_TO_GROUND * (light - dark))
        })
    }

    /// White = 1 above the geometric middle of the darkest and the lightest cell: a shadow's edge may cross the marker, as long
    /// as it is weaker than the print (white is about twenty times as light as black).
    fn by_ratio(&self) -> Option<u64> {
        let all = || self.inner.iter().copied().chain(self.border.iter().map(|cell| cell.2));
        let (darkest, lightest) = (all().fold(f64::INFINITY, f64::min), all().fold(0.0, f64::max));
        self.bits(|_, _| (lightest > 4.0 * darkest.max(1e-4)).then_some((darkest.max(1e-4) * lightest).sqrt()))
    }

    fn bits(&self, limit: impl Fn(f64, f64) -> Option<f64>) -> Option<u64> {
        self.inner.iter().enumerate().try_fold(0, |bits, (i, light)| {
            let limit = limit((i % 6) as f64 + 1.5, (i / 6) as f64 + 1.5)?;
            Some(bits << 1 | u64::from(*light > limit))
        })
    }
}

/// The `i`th of 28 places along a square ring from `low` to `high`.
fn ring(i: usize, low: f64, high: f64) -> (f64, f64) {
    let t = low + (high - low) * (i % 7) as f64 / 7.0;
    let back = high + low - t;
    match i / 7 {
        0 => (t, low),
        1 => (high, t),
        2 => (back, high),
        _ => (low, back),
    }
}

fn at(luma: &Luma, to_px: &Matrix3<f64>, x: f64, y: f64) -> Option<f64> {
    let p = to_px * Vector3::new(x, y, 1.0);
    light::at(luma, p.x / p.z, p.y / p.z)
}

/// Light as a plane over the marker's cells: a + b (x − 4) + c (y − 4). The ring is even, so the sums stand alone.
struct Shade {
    a: f64,
    b: f64,
    c: f64,
}

impl Shade {
    fn fit(samples: &[(f64, f64, f64)]) -> Self {
        let [mut light, mut xx, mut yy, mut xl, mut yl] = [0.0; 5];
        for (x, y, l) in samples {
            let (x, y) = (x - 4.0, y - 4.0);
            light += l;
            xx += x * x;
            yy += y * y;
            xl += x * l;
            yl += y * l;
        }
        Self { a: light / samples.len() as f64, b: xl / xx, c: yl / yy }
    }

    fn at(&self, x: f64, y: f64) -> f64 {
        self.a + self.b * (x - 4.0) + self.c * (y - 4.0)
    }
}

/// Our block of the family: the cards' markers.
const OUR_IDS: std::ops::RangeInclusive<u32> = 520..=527;

/// Which of our codes these cells are, by how many corners the outline is turned, and whether they are mirrored.
fn matching(mut bits: u64, most_wrong: u32) -> Option<(u32, usize, bool)> {
    for turns in 0..4 {
        for id in OUR_IDS {
            let code = card::codes()[id as usize];
            if (bits ^ code).count_ones() <= most_wrong {
                return Some((id, turns, false));
            }
            if (mirror(bits) ^ code).count_ones() <= most_wrong {
                return Some((id, turns, true));
            }
        }
        bits = turn(bits);
    }
    None
}

/// The cells as they stand when the outline's next corner is the top left one.
fn turn(bits: u64) -> u64 {
    rearrange(bits, |row, column| (column, 5 - row))
}

fn mirror(bits: u64) -> u64 {
    rearrange(bits, |row, column| (row, 5 - column))
}

fn rearrange(bits: u64, from: impl Fn(usize, usize) -> (usize, usize)) -> u64 {
    (0..36).fold(0, |new, i| {
        let (row, column) = from(i / 6, i % 6);
        new << 1 | bits >> (35 - (row * 6 + column)) & 1
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A marker of the family as the card shows it (black on grey ground, its cells white), seen aslant, with its corners in the order drawn.
    fn marker(id: u32, turned_deg: f64) -> (Luma, [[f64; 2]; 4]) {
        const SIDE: usize = 96;
        let (sin, cos) = turned_deg.to_radians().sin_cos();
        // The farther edge looks shorter.
        let corners_px = [[-25.0, -24.0], [25.0, -24.0], [28.0, 26.0], [-28.0, 26.0]]
            .map(|[x, y]| [47.5 + x * cos - y * sin, 47.5 + x * sin + y * cos]);
        let to_cells = through_four(&corners_px, &[[0.0, 0.0], [8.0, 0.0], [8.0, 8.0], [0.0, 8.0]]).unwrap();
        let light = |x: f64, y: f64| {
            let p = to_cells * Vector3::new(x, y, 1.0);
            let (column, row) = ((p.x / p.z).floor(), (p.y / p.z).floor());
            match (0.0..8.0).contains(&column) && (0.0..8.0).contains(&row) {
                true if card::cell_is_white(id, row as usize, column as usize) => 0.85,
                true => 0.04,
                false => card::GROUND_GREY,
            }
        };
        let pixel = |at: usize| {
            let (x, y) = ((at % SIDE) as f64, (at / SIDE) as f64);
            let mean =
                [-0.25, 0.25].iter().flat_map(|dy| [-0.25, 0.25].map(|dx| light(x + dx, y + dy))).sum::<f64>() / 4.0;
            (light::encode(mean) * 255.0).round() as u8
        };
        (Luma { width: SIDE, height: SIDE, pixels: (0..SIDE * SIDE).map(pixel).collect() }, corners_px)
    }

    /// Which code of the whole family stands within an outline, by how many corners the outline is turned.
    fn any_id(bits: u64) -> Option<(u32, usize)> {
        let mut turned = bits;
        for turns in 0..4 {
            if let Some(id) = card::codes().iter().position(|code| *code == turned) {
                return Some((id as u32, turns));
            }
            turned = turn(turned);
        }
        None
    }

    #[test]
    fn every_code_of_the_family_is_read_with_the_corner_that_comes_first() {
        for id in 0..card::codes().len() as u32 {
            let turned = usize::try_from(id % 4).unwrap();
            let (luma, corners_px) = marker(id, f64::from(id * 37 % 360));
            // A rough outline that starts at another corner, as blobs give it.
            let rough = std::array::from_fn(|i| corners_px[(i + turned) % 4].map(|c| c + 0.8));
            let outline = quad::refine(&luma, rough, 1.5).unwrap().corners;
            let cells = Cells::sample(&luma, &outline).unwrap();
            for bits in [cells.by_planes(), cells.by_ratio()] {
                let (read, turns) = any_id(bits.unwrap()).unwrap();
                assert_eq!((read, (turns + turned) % 4), (id, 0));
                let [x, y] = outline[turns];
                assert!((x - corners_px[0][0]).hypot(y - corners_px[0][1]) < 0.5, "{id}");
            }
        }
    }

    #[test]
    fn the_family_holds_our_markers_and_only_they_are_taken() {
        for id in 0..card::codes().len() as u32 {
            let (luma, corners_px) = marker(id, 20.0);
            let read = read(&luma, corners_px, 1.5);
            match read {
                Some(Reading::Ours(found)) => assert_eq!((found.id, OUR_IDS.contains(&id)), (id, true)),
                Some(Reading::Mirrored) => panic!("{id} isn't mirrored"),
                None => assert!(!OUR_IDS.contains(&id), "{id}"),
            }
        }
    }
}
