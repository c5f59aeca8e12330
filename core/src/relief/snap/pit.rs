//! What a pit is: an ellipse with a rounded floor and a wall, and what is usual for pads.

use nalgebra::Vector6;

/// A pit's wall is about this wide, mm (assumed: a little more than half of what a pad of 5 mm is pressed in).
pub(super) const WALL_MM: f64 = 2.4;
/// Share of its depth that a pit has at the foot of its wall; the floor's rounding is the rest (assumed).
const AT_EDGE: f64 = 0.62;
/// Pits side by side stand at least their half axes apart; nearer by this share is a standard deviation off.
const OVERLAP: f64 = 0.12;

/// What is usual for a pad, as mean and standard deviation: place about the touch (mm), logarithm of its mean half axis (mm),
/// elongation (half the logarithm of the axes' ratio, as a vector of twice the direction), logarithm of the length of the shadow that its depth throws (mm).
pub(super) const USUAL: [(f64, f64); 6] = [(0.0, 2.8), (0.0, 2.8), (1.7, 0.32), (0.0, 0.16), (0.0, 0.16), (2.1, 0.7)];

/// A pit: place (mm), logarithm of its mean half axis, elongation as a vector of twice the direction, logarithm of its shadow's length.
pub(super) type Pit = Vector6<f64>;

/// An ellipse in the light's frame.
pub(super) struct Oval {
    pub(super) centre: [f64; 2],
    pub(super) half_axes: [f64; 2],
    pub(super) way: [f64; 2],
}

impl Oval {
    pub(super) fn of(p: &Pit) -> Self {
        let longer = p[3].hypot(p[4]);
        let angle = 0.5 * p[4].atan2(p[3]);
        Self {
            centre: [p[0], p[1]],
            half_axes: [(p[2] + longer).exp(), (p[2] - longer).exp()],
            way: [angle.cos(), angle.sin()],
        }
    }

    pub(super) fn point(&self, angle: f64) -> [f64; 2] {
        let (s, c) = angle.sin_cos();
        let [a, b] = [self.half_axes[0] * c, self.half_axes[1] * s];
        [self.centre[0] + a * self.way[0] - b * self.way[1], self.centre[1] + a * self.way[1] + b * self.way[0]]
    }

    /// Depth of a pit of depth one at a place, and how far the place is within it (0–1).
    pub(super) fn pit(&self, [x, y]: [f64; 2]) -> (f64, f64) {
        let (dx, dy) = (x - self.centre[0], y - self.centre[1]);
        let [a, b] = self.half_axes;
        let (u, v) = ((dx * self.way[0] + dy * self.way[1]) / a, (dy * self.way[0] - dx * self.way[1]) / b);
        let square = u * u + v * v;
        if square <= 1.0 {
            return (AT_EDGE + (1.0 - AT_EDGE) * (1.0 - square), 1.0);
        }
        let f = square.sqrt();
        // First-order distance to the outline.
        let out = (f - 1.0) * f / (u / a).hypot(v / b);
        let t = (out / WALL_MM).min(1.0);
        let wall = 1.0 - t * t * (3.0 - 2.0 * t);
        (AT_EDGE * wall, wall)
    }
}

pub(super) struct Prior<'a> {
    pub(super) middle: [f64; 2],
    pub(super) stiff: f64,
    pub(super) others: &'a [Pit],
}

impl Prior<'_> {
    /// How many standard deviations a parameter is off, and the standard deviation.
    pub(super) fn off(&self, pit: &Pit, k: usize) -> (f64, f64) {
        let (mean, sd) = if k < 2 { (self.middle[k], USUAL[k].1) } else { (USUAL[k].0, USUAL[k].1 / self.stiff) };
        ((pit[k] - mean) / sd, sd)
    }

    pub(super) fn place(&self, pit: &Pit) -> f64 {
        (0..2).map(|k| 0.5 * self.off(pit, k).0.powi(2)).sum()
    }

    pub(super) fn cost(&self, pit: &Pit) -> f64 {
        let overlaps: f64 = self.others.iter().map(|other| 0.5 * overlap(pit, other).powi(2)).sum();
        (0..6).map(|k| 0.5 * self.off(pit, k).0.powi(2)).sum::<f64>() + overlaps
    }
}

/// How far two pits lie within each other, in standard deviations of what is usual.
pub(super) fn overlap(a: &Pit, b: &Pit) -> f64 {
    let apart = (a[0] - b[0]).hypot(a[1] - b[1]) / (a[2].exp() + b[2].exp());
    (1.0 - apart).max(0.0) / OVERLAP
}
