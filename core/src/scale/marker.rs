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
    let first = identify(cells(luma, &rough)?, 2 * MOST_WRONG)?;
    let Quad { corners, u_px } = quad::refine(luma, rough, start_px)?;
    let (id, turns, mirrored) = identify(cells(luma, &corners)?, MOST_WRONG).filter(|second| second.0 == first.0)?;
    if mirrored {
        return Some(Reading::Mirrored);
    }
    Some(Reading::Ours(Found { id, corners_px: std::array::from_fn(|i| corners[(i + turns) % 4]), u_px }))
}

/// The inner 6 × 6 cells, white = 1, row by row from the outline's first corner.
fn cells(luma: &Luma, corners: &[[f64; 2]; 4]) -> Option<u64> {
    let to_px = through_four(&[[0.0, 0.0], [8.0, 0.0], [8.0, 8.0], [0.0, 8.0]], corners)?;
    let cell = |x: f64, y: f64| {
        let spots = [(-0.2, -0.2), (0.2, -0.2), (0.0, 0.0), (-0.2, 0.2), (0.2, 0.2)];
        let total: Option<f64> = spots.iter().map(|(dx, dy)| at(luma, &to_px, x + dx, y + dy)).sum();
        total.map(|light| light / spots.len() as f64)
    };
    // Light falls unevenly, so black and ground are each a plane over the marker.
    let black = Shade::fit((0..28).filter_map(|i| ring(i, 0.5, 7.5)).filter_map(|(x, y)| Some((x, y, cell(x, y)?))))?;
    let ground = Shade::fit((0..28).filter_map(|i| ring(i, -0.6, 8.6)).filter_map(|(x, y)| Some((x, y, cell(x, y)?))))?;
    let mut bits = 0;
    for row in 1..7 {
        for column in 1..7 {
            let (x, y) = (f64::from(column) + 0.5, f64::from(row) + 0.5);
            let (dark, light) = (black.at(x, y), ground.at(x, y));
            if light <= dark {
                return None;
            }
            bits = bits << 1 | u64::from(cell(x, y)? > dark + BLACK_TO_GROUND * (light - dark));
        }
    }
    Some(bits)
}

/// The `i`th of 28 places along a square ring from `low` to `high`.
fn ring(i: usize, low: f64, high: f64) -> Option<(f64, f64)> {
    let t = low + (high - low) * (i % 7) as f64 / 7.0;
    [(t, low), (high, t), (high + low - t, high), (low, high + low - t)].get(i / 7).copied()
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
    fn fit(samples: impl Iterator<Item = (f64, f64, f64)>) -> Option<Self> {
        let [mut n, mut light, mut xx, mut yy, mut xl, mut yl] = [0.0; 6];
        for (x, y, l) in samples {
            let (x, y) = (x - 4.0, y - 4.0);
            n += 1.0;
            light += l;
            xx += x * x;
            yy += y * y;
            xl += x * l;
            yl += y * l;
        }
        (n > 20.0).then(|| Self { a: light / n, b: xl / xx, c: yl / yy })
    }

    fn at(&self, x: f64, y: f64) -> f64 {
        self.a + self.b * (x - 4.0) + self.c * (y - 4.0)
    }
}

/// Which of our codes these cells are, by how many corners the outline is turned, and whether they are mirrored.
fn identify(bits: u64, most_wrong: u32) -> Option<(u32, usize, bool)> {
    let mut seen = bits;
    for turns in 0..4 {
        for id in card::MARKER_IDS {
            let code = card::codes()[id as usize];
            if (seen ^ code).count_ones() <= most_wrong {
                return Some((id, turns, false));
            }
            if (mirror(seen) ^ code).count_ones() <= most_wrong {
                return Some((id, turns, true));
            }
        }
        seen = turn(seen);
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
