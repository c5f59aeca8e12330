//! The ground around a touch, and how well pits drawn under the light look like it.

use nalgebra::DVector;

use super::pit::{Oval, Pit, WALL_MM};
use crate::relief::field::Field;
use crate::relief::rectify::{Rectified, Window};

/// A shadow's edge is this soft, mm of shadow.
const PENUMBRA_MM: f64 = 0.7;
/// Ground counts less the further it lies from the touch: standard deviation, mm.
const WEIGHT_MM: f64 = 9.0;
/// Grains are blurred away, mm.
const FINE_MM: f64 = 0.5;
/// No wall is lit more than this many times as bright as level ground.
const BRIGHTEST: f64 = 2.6;
/// Over how many square millimetres the ground's own pattern hangs together.
const GRAIN_MM2: f64 = 8.0;

/// The ground around a touch, its x axis towards the light.
pub(super) struct Patch {
    pub(super) window: Window,
    pub(super) lit: bool,
    pub(super) columns: usize,
    /// Square root of each pixel's weight.
    pub(super) root: Vec<f64>,
    /// Level, and slopes of brightness along both axes, weighted and orthonormal.
    pub(super) plain: [DVector<f64>; 3],
    /// Light as a share of its mean, weighted, without the plain part.
    pub(super) shade: DVector<f64>,
    /// Independent places of the ground within the weights.
    pub(super) independent: f64,
}

/// Pits that are drawn already: how deep the ground lies (as the length of the shadow), and how much darker it is.
#[derive(Clone)]
pub(super) struct Drawn {
    pub(super) depth: Vec<f64>,
    pub(super) dark: Vec<f64>,
}

/// A drawing compared with the ground.
pub(super) struct Compared {
    pub(super) left: DVector<f64>,
    /// Strengths of shading and darkness.
    pub(super) strength: [f64; 2],
}

impl Patch {
    pub(super) fn of(rectified: &Rectified, lit: bool) -> Option<Self> {
        let [columns, rows] = rectified.size;
        let px_per_mm = rectified.window.px_per_mm;
        let ground = Field::new(rectified.size, rectified.ground.clone());
        let light = Field::new(rectified.size, rectified.light.clone()).blur_within(&ground, FINE_MM * px_per_mm);
        let mean = f64::from(rectified.mean()).max(1e-6);
        let place =
            |at: usize| [at % columns, at / columns].map(|k| (k as f64 - (columns as f64 - 1.0) / 2.0) / px_per_mm);
        let root: Vec<f64> = (0..columns * rows)
            .map(|at| {
                let [x, y] = place(at);
                f64::from(rectified.ground[at]) * (-0.25 * (x * x + y * y) / (WEIGHT_MM * WEIGHT_MM)).exp()
            })
            .collect();
        let seen_mm2 = root.iter().map(|r| r * r).sum::<f64>() / (px_per_mm * px_per_mm);
        if seen_mm2 < 0.3 * std::f64::consts::TAU * WEIGHT_MM.powi(2) {
            return None;
        }
        let weighted = |f: &dyn Fn(usize) -> f64| {
            DVector::from_iterator(root.len(), root.iter().enumerate().map(|(at, r)| r * f(at)))
        };
        let mut plain: Vec<DVector<f64>> = Vec::new();
        for vector in [weighted(&|_| 1.0), weighted(&|at| place(at)[0]), weighted(&|at| place(at)[1])] {
            let left = without(vector, &plain);
            plain.push(left.normalize());
        }
        let shade = without(weighted(&|at| (f64::from(light.values[at]) / mean).min(BRIGHTEST)), &plain);
        let plain = plain.try_into().ok()?;
        Some(Self { window: rectified.window, lit, columns, root, plain, shade, independent: seen_mm2 / GRAIN_MM2 })
    }

    pub(super) fn bare(&self) -> Drawn {
        Drawn { depth: vec![0.0; self.root.len()], dark: vec![0.0; self.root.len()] }
    }

    /// One more pit; of two the deeper counts.
    pub(super) fn add(&self, drawn: &mut Drawn, pit: &Pit) {
        let oval = Oval::of(pit);
        let throw = pit[5].exp();
        let px_per_mm = self.window.px_per_mm;
        let rows = self.root.len() / self.columns;
        let half = (self.columns as f64 - 1.0) / 2.0;
        let reach = oval.half_axes[0].max(oval.half_axes[1]) + WALL_MM;
        let span = |middle: f64, n: usize| {
            let at = |mm: f64| (half + mm * px_per_mm).clamp(0.0, n as f64 - 1.0);
            at(middle - reach).floor() as usize..=at(middle + reach).ceil() as usize
        };
        for row in span(pit[1], rows) {
            for column in span(pit[0], self.columns) {
                let place = [(column as f64 - half) / px_per_mm, (row as f64 - half) / px_per_mm];
                let (depth, within) = oval.pit(place);
                let at = row * self.columns + column;
                drawn.depth[at] = drawn.depth[at].max(throw * depth);
                drawn.dark[at] = drawn.dark[at].max(if self.lit { within } else { within * throw / 8.0 });
            }
        }
    }

    /// How the light shows it: level ground is 0.
    pub(super) fn shading(&self, drawn: &Drawn) -> DVector<f64> {
        let cell = 1.0 / self.window.px_per_mm;
        let mut shading = DVector::zeros(self.root.len());
        for (row, depths) in drawn.depth.chunks_exact(self.columns).enumerate() {
            // From the light's side on: the highest line of light that still passes.
            let mut line = f64::MIN;
            for column in (0..self.columns).rev() {
                let height = -depths[column];
                line = (line - cell).max(height);
                let slope =
                    (depths[column.saturating_sub(1)] - depths[(column + 1).min(self.columns - 1)]) / (2.0 * cell);
                let seen = 1.0 - ((line - height) / PENUMBRA_MM).min(1.0);
                let at = row * self.columns + column;
                shading[at] = (seen * (1.0 - slope).clamp(0.0, BRIGHTEST) - 1.0) * self.root[at];
            }
        }
        shading
    }

    /// What is left of the ground's pattern once the drawing is taken away.
    pub(super) fn compare(&self, drawn: &Drawn) -> Compared {
        let dark = DVector::from_iterator(self.root.len(), drawn.dark.iter().zip(&self.root).map(|(d, r)| d * r));
        let dark = without(dark, &self.plain);
        let (dd, dy) = (dark.norm_squared().max(1e-12), dark.dot(&self.shade));
        let (mut a, mut b) = (0.0, (dy / dd).min(0.0));
        let mut left = self.shade.clone();
        if self.lit {
            let shading = without(self.shading(drawn), &self.plain);
            let (ss, sd, sy) = (shading.norm_squared().max(1e-12), shading.dot(&dark), shading.dot(&self.shade));
            let det = ss * dd - sd * sd;
            if det > 1e-9 * ss * dd {
                let both = ((sy * dd - dy * sd) / det, (dy * ss - sy * sd) / det);
                if both.1 > 0.0 {
                    (a, b) = ((sy / ss).max(0.0), 0.0);
                } else if both.0 > 0.0 {
                    (a, b) = both;
                }
            }
            left.axpy(-a, &shading, 1.0);
        }
        left.axpy(-b, &dark, 1.0);
        Compared { left, strength: [a, b] }
    }

    /// Minus the logarithm of the likelihood.
    pub(super) fn cost_of(&self, compared: &Compared) -> f64 {
        0.5 * self.independent * (compared.left.norm_squared() / self.shade.norm_squared()).max(1e-9).ln()
    }

    pub(super) fn compare_with(&self, others: &Drawn, pit: &Pit) -> Compared {
        let mut drawn = others.clone();
        self.add(&mut drawn, pit);
        self.compare(&drawn)
    }
}

pub(super) fn drawn(patch: &Patch, pits: &[Pit]) -> Drawn {
    let mut drawn = patch.bare();
    pits.iter().for_each(|pit| patch.add(&mut drawn, pit));
    drawn
}

/// A vector less its parts along orthonormal ones.
fn without(mut vector: DVector<f64>, plain: &[DVector<f64>]) -> DVector<f64> {
    for part in plain {
        let along = vector.dot(part);
        vector.axpy(-along, part, 1.0);
    }
    vector
}
