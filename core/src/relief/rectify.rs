//! A piece of the ground as seen from straight above, in linear light, without the scale card.

use crate::photo::Luma;
use crate::scale::card::Layout;
use crate::scale::{Plane, light};

/// Where and how finely the ground is looked at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Window {
    /// Middle, mm in the scale's plane.
    pub centre_mm: [f64; 2],
    /// Width and height, mm.
    pub size_mm: [f64; 2],
    /// Direction of the window's x axis, degrees clockwise from the plane's +x.
    pub turn_deg: f64,
    /// Pixels a millimetre.
    pub px_per_mm: f64,
}

/// Pixels a millimetre of what people look at.
pub const VIEW_PX_PER_MM: f64 = 3.0;
/// How much of the ground around a ruler's picture is looked at, mm; and around the open quarter of the card, where the print lies.
const AROUND_MM: f64 = 180.0;
/// The card's edge throws a narrow shadow and its paper isn't cut exactly: this much beside it is left out, mm.
pub(crate) const CARD_MARGIN_MM: f64 = 2.5;

impl Window {
    /// The open quarter of a card's L with what lies close around it.
    pub fn beside(card: &Layout) -> Self {
        let [inner_x, inner_y] = card.inner_corner_mm();
        let (left, right) = (inner_x - 4.0, card.size_mm[0] + 24.0);
        let (top, bottom) = (-24.0, inner_y + 4.0);
        Self::new([(left + right) / 2.0, (top + bottom) / 2.0], [right - left, bottom - top])
    }

    /// The ground around a place, mm.
    pub fn around(centre_mm: [f64; 2]) -> Self {
        Self::new(centre_mm, [AROUND_MM; 2])
    }

    fn new(centre_mm: [f64; 2], size_mm: [f64; 2]) -> Self {
        Self { centre_mm, size_mm, turn_deg: 0.0, px_per_mm: VIEW_PX_PER_MM }
    }

    /// The smallest window with this turn around all of this one.
    pub fn turned(&self, turn_deg: f64, px_per_mm: f64) -> Self {
        let (sin, cos) = (turn_deg - self.turn_deg).to_radians().sin_cos();
        let [w, h] = self.size_mm;
        let size_mm = [w * cos.abs() + h * sin.abs(), w * sin.abs() + h * cos.abs()];
        Self { size_mm, turn_deg, px_per_mm, ..*self }
    }

    /// Columns and rows.
    pub fn size(&self) -> [usize; 2] {
        self.size_mm.map(|mm| (mm * self.px_per_mm).round().max(1.0) as usize)
    }

    /// The place in the plane of a column and row, mm.
    pub fn to_mm(&self, [column, row]: [f64; 2]) -> [f64; 2] {
        let [w, h] = self.size().map(|n| (n as f64 - 1.0) / 2.0);
        let (x, y) = ((column - w) / self.px_per_mm, (row - h) / self.px_per_mm);
        let (sin, cos) = self.turn_deg.to_radians().sin_cos();
        [self.centre_mm[0] + x * cos - y * sin, self.centre_mm[1] + x * sin + y * cos]
    }

    /// The column and row of a place in the plane, mm.
    pub fn of_mm(&self, mm: [f64; 2]) -> [f64; 2] {
        let [w, h] = self.size().map(|n| (n as f64 - 1.0) / 2.0);
        let (dx, dy) = (mm[0] - self.centre_mm[0], mm[1] - self.centre_mm[1]);
        let (sin, cos) = self.turn_deg.to_radians().sin_cos();
        [w + (dx * cos + dy * sin) * self.px_per_mm, h + (dy * cos - dx * sin) * self.px_per_mm]
    }

    fn holds(&self, mm: [f64; 2]) -> bool {
        let at = self.of_mm(mm);
        (0..2).all(|k| at[k] > -0.5 && at[k] < self.size()[k] as f64 - 0.5)
    }
}

/// The ground within a [`Window`].
#[derive(Debug, Clone)]
pub struct Rectified {
    /// What is shown.
    pub window: Window,
    /// Columns and rows.
    pub size: [usize; 2],
    /// Linear light (0–1), row by row; 0 where there is no ground.
    pub light: Vec<f32>,
    /// 1 where ground is seen; 0 on the card, outside the picture, or outside what was asked for.
    pub ground: Vec<f32>,
}

impl Rectified {
    /// Resamples a picture onto the plane of its scale. `part` limits a turned window to the one that it was turned from;
    /// the card is left out where one lies there.
    pub fn of(luma: &Luma, plane: &Plane, window: Window, part: &Window, card: Option<&Layout>) -> Self {
        let size = window.size();
        let mut rectified =
            Self { window, size, light: vec![0.0; size[0] * size[1]], ground: vec![0.0; size[0] * size[1]] };
        let spread = plane.px_per_mm(plane.px(window.centre_mm)) / window.px_per_mm;
        for row in 0..size[1] {
            for column in 0..size[0] {
                let mm = window.to_mm([column as f64, row as f64]);
                if !part.holds(mm) || card.is_some_and(|card| card.is_near(mm, CARD_MARGIN_MM)) {
                    continue;
                }
                if let Some(value) = mean_light(luma, plane.px(mm), spread) {
                    let at = row * size[0] + column;
                    (rectified.light[at], rectified.ground[at]) = (value as f32, 1.0);
                }
            }
        }
        rectified
    }

    /// Mean light of the ground; zero where there is none.
    pub fn mean(&self) -> f32 {
        let seen: f32 = self.ground.iter().sum();
        self.light.iter().sum::<f32>() / seen.max(1.0)
    }
}

/// Light around a point of the picture, averaged over a square `spread` pixels wide; `None` outside.
pub(crate) fn mean_light(luma: &Luma, [x, y]: [f64; 2], spread: f64) -> Option<f64> {
    let n = (spread.ceil() as usize).clamp(1, 8);
    let offset = |k: usize| ((k as f64 + 0.5) / n as f64 - 0.5) * spread;
    let mut sum = 0.0;
    for k in 0..n * n {
        sum += light::at(luma, x + offset(k % n), y + offset(k / n))?;
    }
    Some(sum / (n * n) as f64)
}
