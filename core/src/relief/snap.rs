//! Contour snap: from a rough touch to the pad's edge, as an ellipse.
//!
//! A pit with a rounded floor and a wall is drawn under the light (lit by its slope, dark where its own wall throws a shadow, a little darker
//! within) and compared with the ground around the touch. Its middle, size, shape and the light's lowness are fitted by least squares
//! (Levenberg 1944, Marquardt 1963) with what is usual for pads as prior; the strengths of shading and darkness are
//! solved in each step (variable projection, Golub & Pereyra 1973). The edge is where the floor ends and the wall begins.

use nalgebra::{DMatrix, DVector, Matrix6, Vector6};

use super::field::Field;
use super::pads::Towards;
use super::rectify::{Rectified, Window};
use crate::photo::Luma;
use crate::scale::Plane;
use crate::scale::card::Layout;

/// A pad's edge as an ellipse in the scale's plane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Snapped {
    /// Middle, mm.
    pub centre_mm: [f64; 2],
    /// Half axes, mm, the longer first.
    pub half_axes_mm: [f64; 2],
    /// Direction of the longer one, degrees clockwise from the plane's +x, 0 ≤ … < 180.
    pub deg: f64,
    /// Standard uncertainty of the edge's place, mm.
    pub u_edge_mm: f64,
    /// 0–1: how surely there is a pit with this edge.
    pub confidence: f64,
}

/// Pixels a millimetre in which edges are fitted, and half the side of the ground that is looked at.
const PX_PER_MM: f64 = 2.0;
const COARSE_PX_PER_MM: f64 = 1.0;
/// A shadow's edge is this soft, mm of shadow.
const PENUMBRA_MM: f64 = 0.7;
const REACH_MM: f64 = 18.0;
/// Ground counts less the further it lies from the touch: standard deviation, mm.
const WEIGHT_MM: f64 = 9.0;
/// Grains are blurred away, mm.
const FINE_MM: f64 = 0.5;
/// A pit's wall is about this wide, mm (assumed: a little more than half of what a pad of 5 mm is pressed in).
const WALL_MM: f64 = 2.4;
/// Share of its depth that a pit has at the foot of its wall; the floor's rounding is the rest (assumed).
const AT_EDGE: f64 = 0.62;
/// No wall is lit more than this many times as bright as level ground.
const BRIGHTEST: f64 = 2.6;
/// Over how many square millimetres the ground's own pattern hangs together.
const GRAIN_MM2: f64 = 8.0;

/// Strength times gain of a pit that may as well be none, and the confidence from which there is one (found on rendered pictures: 99 % of
/// pads are clearer, 99 % of touches on bare ground are not); in even light darkness alone tells it.
const CLEAR: f64 = 3.6;
const CLEAR_IN_EVEN_LIGHT: f64 = 2.25;
const LEAST_CONFIDENCE: f64 = 0.5;
/// Real pits aren't quite the drawn one: edges were this many times as far off as the fit alone says (found on rendered pictures).
const WIDENED: f64 = 2.6;
/// Pits side by side stand at least their half axes apart; nearer by this share is a standard deviation off.
const OVERLAP: f64 = 0.12;
/// The pad that was touched and its neighbours.
const MOST_PITS: usize = 4;
/// What one more pit has to explain, as logarithm of the likelihood.
const ONE_MORE: f64 = 5.0;
/// Before its neighbours are known, a pad has to be this much nearer to what is usual.
const STIFF: f64 = 1.6;

/// What is usual for a pad, as mean and standard deviation: place about the touch (mm), logarithm of its mean half axis (mm),
/// elongation (half the logarithm of the axes' ratio, as a vector of twice the direction), logarithm of the length of the shadow that its depth throws (mm).
const USUAL: [(f64, f64); 6] = [(0.0, 2.8), (0.0, 2.8), (1.7, 0.32), (0.0, 0.16), (0.0, 0.16), (2.1, 0.7)];

/// Snaps to the pad that was touched at a place of the plane; `None` where nothing like a pit is seen.
pub fn snap(
    luma: &Luma,
    plane: &Plane,
    touch_mm: [f64; 2],
    card: Option<&Layout>,
    towards: Towards,
) -> Option<Snapped> {
    let from = |deg: Option<f64>| fit_from(luma, plane, touch_mm, card, deg);
    let fitted = match towards {
        Towards::Known(deg) => from(Some(deg)),
        Towards::Even => from(None),
        Towards::EitherWay(deg) => {
            [from(Some(deg)), from(Some(deg + 180.0))].into_iter().flatten().min_by(|a, b| a.cost.total_cmp(&b.cost))
        }
    };
    fitted.map(|fit| fit.snapped()).filter(|snapped| snapped.confidence >= LEAST_CONFIDENCE)
}

/// A pit that was found roughly: its middle and mean half axis, mm.
#[derive(Debug, Clone, Copy)]
pub(super) struct Rough {
    pub at_mm: [f64; 2],
    pub radius_mm: f64,
}

/// Fits the edges of pits that were found roughly, each beside the others; `None` for one of which too little ground is seen.
pub(super) fn settle(
    luma: &Luma,
    plane: &Plane,
    card: Option<&Layout>,
    towards_deg: Option<f64>,
    pits: &[Rough],
) -> Vec<Option<Snapped>> {
    const ROUNDS: usize = 2;
    let turn_deg = towards_deg.unwrap_or(0.0);
    let (sin, cos) = turn_deg.to_radians().sin_cos();
    // One frame for all, its x axis towards the light.
    let turned = |[x, y]: [f64; 2]| [x * cos + y * sin, y * cos - x * sin];
    let size_mm = [2.0 * REACH_MM; 2];
    let patches: Vec<Option<Patch>> = pits
        .iter()
        .map(|pit| {
            let window = Window { centre_mm: pit.at_mm, size_mm, turn_deg, px_per_mm: COARSE_PX_PER_MM };
            Patch::of(&Rectified::of(luma, plane, window, &window, card), towards_deg.is_some())
        })
        .collect();
    let middles: Vec<[f64; 2]> = pits.iter().map(|pit| turned(pit.at_mm)).collect();
    let mut settled: Vec<Pit> = pits
        .iter()
        .zip(&middles)
        .map(|(pit, [x, y])| Pit::new(*x, *y, pit.radius_mm.ln(), 0.0, 0.0, USUAL[5].0))
        .collect();
    let mut fits: Vec<Option<Fit>> = pits.iter().map(|_| None).collect();
    for round in 0..ROUNDS {
        for (k, patch) in patches.iter().enumerate() {
            let Some(patch) = patch else { continue };
            let moved = |pit: &Pit, sign: f64| {
                let mut pit = *pit;
                (0..2).for_each(|axis| pit[axis] += sign * middles[k][axis]);
                pit
            };
            let mut others: Vec<Pit> = settled.iter().map(|pit| moved(pit, -1.0)).collect();
            let pit = others.remove(k);
            others.retain(|other| other[0].hypot(other[1]) < REACH_MM * 1.5);
            let (pit, compared, cost, covariance) = patch.refine(&others, pit, false, 1.0, 5);
            settled[k] = moved(&pit, 1.0);
            if round + 1 == ROUNDS {
                let gain = patch.cost_of(&patch.compare(&drawn(patch, &others))) - patch.cost_of(&compared);
                let (window, lit) = (patch.window, patch.lit);
                fits[k] = Some(Fit { window, lit, pit, covariance, cost, gain, strength: compared.strength });
            }
        }
    }
    fits.into_iter().map(|fit| fit.map(|fit| fit.snapped())).collect()
}

fn fit_from(
    luma: &Luma,
    plane: &Plane,
    touch_mm: [f64; 2],
    card: Option<&Layout>,
    towards_deg: Option<f64>,
) -> Option<Fit> {
    let patch = |px_per_mm: f64| {
        let window = Window {
            centre_mm: touch_mm,
            size_mm: [2.0 * REACH_MM; 2],
            turn_deg: towards_deg.unwrap_or(0.0),
            px_per_mm,
        };
        Patch::of(&Rectified::of(luma, plane, window, &window, card), towards_deg.is_some())
    };
    Search { coarse: patch(COARSE_PX_PER_MM)?, fine: patch(PX_PER_MM)? }.best()
}

/// A pit: place (mm), logarithm of its mean half axis, elongation as a vector of twice the direction, logarithm of its shadow's length.
type Pit = Vector6<f64>;

/// The ground around a touch, its x axis towards the light.
struct Patch {
    window: Window,
    lit: bool,
    columns: usize,
    /// Square root of each pixel's weight.
    root: Vec<f64>,
    /// Level, and slopes of brightness along both axes, weighted and orthonormal.
    plain: [DVector<f64>; 3],
    /// Light as a share of its mean, weighted, without the plain part.
    shade: DVector<f64>,
    /// Independent places of the ground within the weights.
    independent: f64,
}

/// Pits that are drawn already: how deep the ground lies (as the length of the shadow), and how much darker it is.
#[derive(Clone)]
struct Drawn {
    depth: Vec<f64>,
    dark: Vec<f64>,
}

/// A drawing compared with the ground.
struct Compared {
    left: DVector<f64>,
    /// Strengths of shading and darkness.
    strength: [f64; 2],
}

/// A fitted pit among others.
struct Fit {
    window: Window,
    lit: bool,
    pit: Pit,
    covariance: Matrix6<f64>,
    cost: f64,
    /// By how many units of logarithmic likelihood the ground is better explained with this pit than without.
    gain: f64,
    strength: [f64; 2],
}

impl Patch {
    fn of(rectified: &Rectified, lit: bool) -> Option<Self> {
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

    fn bare(&self) -> Drawn {
        Drawn { depth: vec![0.0; self.root.len()], dark: vec![0.0; self.root.len()] }
    }

    /// One more pit; of two the deeper counts.
    fn add(&self, drawn: &mut Drawn, pit: &Pit) {
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
    fn shading(&self, drawn: &Drawn) -> DVector<f64> {
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
    fn compare(&self, drawn: &Drawn) -> Compared {
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
    fn cost_of(&self, compared: &Compared) -> f64 {
        0.5 * self.independent * (compared.left.norm_squared() / self.shade.norm_squared()).max(1e-9).ln()
    }

    fn compare_with(&self, others: &Drawn, pit: &Pit) -> Compared {
        let mut drawn = others.clone();
        self.add(&mut drawn, pit);
        self.compare(&drawn)
    }

    /// One pit among others, refined; `stiff` makes the usual shape count more.
    fn refine(
        &self,
        others: &[Pit],
        start: Pit,
        near: bool,
        stiff: f64,
        most: usize,
    ) -> (Pit, Compared, f64, Matrix6<f64>) {
        const STEPS: [f64; 6] = [0.15, 0.15, 0.03, 0.03, 0.03, 0.1];
        let prior = Prior { middle: if near { [0.0, 0.0] } else { [start[0], start[1]] }, stiff, others };
        let others = &drawn(self, others);
        let mut pit = start;
        let mut compared = self.compare_with(others, &pit);
        let mut cost = self.cost_of(&compared) + prior.cost(&pit);
        let mut damping = 1e-2;
        let mut normal = Matrix6::identity();
        for _ in 0..most {
            // Squares count by what is left, and pixels hang together.
            let each = self.independent / compared.left.norm_squared().max(1e-9);
            let mut slopes = DMatrix::zeros(compared.left.len(), 6);
            for (k, step) in STEPS.iter().enumerate() {
                let moved = |by: f64| {
                    let mut pit = pit;
                    pit[k] += by;
                    self.compare_with(others, &pit).left
                };
                slopes.set_column(k, &((moved(*step) - moved(-step)) / (2.0 * step)));
            }
            let mut gradient: Pit = Pit::from_iterator(slopes.tr_mul(&compared.left).iter().map(|v| v * each));
            normal = Matrix6::from_iterator((slopes.tr_mul(&slopes) * each).iter().copied());
            for k in 0..6 {
                let (off, sd) = prior.off(&pit, k);
                normal[(k, k)] += sd.powi(-2);
                gradient[k] += off / sd;
            }
            for other in prior.others {
                let value = overlap(&pit, other);
                if value > 0.0 {
                    let slope = Pit::from_iterator((0..6).map(|k| {
                        let mut moved = pit;
                        moved[k] += 1e-4;
                        (overlap(&moved, other) - value) / 1e-4
                    }));
                    normal += slope * slope.transpose();
                    gradient += slope * value;
                }
            }
            let mut better = false;
            for _ in 0..4 {
                let mut damped = normal;
                (0..6).for_each(|k| damped[(k, k)] *= 1.0 + damping);
                let Some(step) = damped.cholesky().map(|c| c.solve(&gradient)) else { break };
                let next = pit - step;
                let next_compared = self.compare_with(others, &next);
                let next_cost = self.cost_of(&next_compared) + prior.cost(&next);
                if next_cost < cost {
                    better = cost - next_cost > 0.02;
                    (pit, compared, cost) = (next, next_compared, next_cost);
                    damping = (damping * 0.3).max(1e-4);
                    break;
                }
                damping *= 5.0;
            }
            if !better {
                break;
            }
        }
        (pit, compared, cost, normal.try_inverse().unwrap_or_else(Matrix6::identity))
    }
}

struct Prior<'a> {
    middle: [f64; 2],
    stiff: f64,
    others: &'a [Pit],
}

impl Prior<'_> {
    /// How many standard deviations a parameter is off, and the standard deviation.
    fn off(&self, pit: &Pit, k: usize) -> (f64, f64) {
        let (mean, sd) = if k < 2 { (self.middle[k], USUAL[k].1) } else { (USUAL[k].0, USUAL[k].1 / self.stiff) };
        ((pit[k] - mean) / sd, sd)
    }

    fn place(&self, pit: &Pit) -> f64 {
        (0..2).map(|k| 0.5 * self.off(pit, k).0.powi(2)).sum()
    }

    fn cost(&self, pit: &Pit) -> f64 {
        let overlaps: f64 = self.others.iter().map(|other| 0.5 * overlap(pit, other).powi(2)).sum();
        (0..6).map(|k| 0.5 * self.off(pit, k).0.powi(2)).sum::<f64>() + overlaps
    }
}

/// How far two pits lie within each other, in standard deviations of what is usual.
fn overlap(a: &Pit, b: &Pit) -> f64 {
    let apart = (a[0] - b[0]).hypot(a[1] - b[1]) / (a[2].exp() + b[2].exp());
    (1.0 - apart).max(0.0) / OVERLAP
}

/// The same ground coarsely, to search, and finely, to fit.
struct Search {
    coarse: Patch,
    fine: Patch,
}

impl Search {
    /// The better of two readings: one that starts from a toe's pit, one from a larger pad's.
    fn best(&self) -> Option<Fit> {
        let readings = [&[3.4, 4.9, 6.8][..], &[9.5, 13.0]].map(|sizes| self.read(sizes));
        let (pits, _) = readings.into_iter().min_by(|a, b| a.1.total_cmp(&b.1))?;
        self.fit(pits)
    }

    /// Pits are added one by one while each explains enough, and all are refined in turns.
    fn read(&self, sizes: &[f64]) -> (Vec<Pit>, f64) {
        let mut pits: Vec<Pit> = Vec::new();
        let mut cost = f64::MAX;
        for _ in 0..MOST_PITS {
            let start = if pits.is_empty() {
                self.find(&pits, 6.1, sizes, &[5.0, 14.0])
            } else {
                self.find(&pits, 13.0, &[4.9], &[8.0])
            };
            let (pit, ..) = self.coarse.refine(&pits, start, pits.is_empty(), STIFF, 8);
            let mut next = pits.clone();
            next.push(pit);
            for k in (0..next.len()).rev() {
                next[k] = self.again(&self.coarse, &next, k, 3).0;
            }
            let next_cost = self.cost(&next);
            if next_cost > cost {
                break;
            }
            (pits, cost) = (next, next_cost);
        }
        (pits, cost)
    }

    /// Minus the logarithm of the likelihood of some pits with their priors.
    fn cost(&self, pits: &[Pit]) -> f64 {
        let priors = pits
            .iter()
            .enumerate()
            .map(|(k, pit)| Prior { middle: [pit[0], pit[1]], stiff: 1.0, others: &pits[..k] }.cost(pit) + ONE_MORE);
        let near = pits
            .iter()
            .map(|pit| Prior { middle: [0.0; 2], stiff: 1.0, others: &[] }.place(pit))
            .fold(f64::MAX, f64::min);
        self.coarse.cost_of(&self.coarse.compare(&drawn(&self.coarse, pits))) + priors.sum::<f64>() + near
    }

    /// The pit at the touch, refined among the others.
    fn fit(&self, mut pits: Vec<Pit>) -> Option<Fit> {
        let far = |pit: &Pit| pit[0].hypot(pit[1]);
        let at = (0..pits.len()).min_by(|a, b| far(&pits[*a]).total_cmp(&far(&pits[*b])))?;
        for k in (0..pits.len()).filter(|k| *k != at) {
            pits[k] = self.again(&self.fine, &pits, k, 3).0;
        }
        let (pit, compared, cost, covariance) = self.again(&self.fine, &pits, at, 10);
        pits.remove(at);
        let without = self.fine.cost_of(&self.fine.compare(&drawn(&self.fine, &pits)));
        let gain = without - self.fine.cost_of(&compared);
        let (window, lit) = (self.fine.window, self.fine.lit);
        Some(Fit { window, lit, pit, covariance, cost, gain, strength: compared.strength })
    }

    fn again(&self, patch: &Patch, pits: &[Pit], k: usize, most: usize) -> (Pit, Compared, f64, Matrix6<f64>) {
        let mut others = pits.to_vec();
        let pit = others.remove(k);
        patch.refine(&others, pit, false, 1.0, most)
    }

    /// The best of a grid of round pits beside those that are known.
    fn find(&self, pits: &[Pit], reach_mm: f64, sizes_mm: &[f64], throws_mm: &[f64]) -> Pit {
        let patch = &self.coarse;
        let others = &drawn(patch, pits);
        let throws_mm = if patch.lit { throws_mm } else { &[8.0] };
        let mut best = (f64::MAX, Pit::zeros());
        for (dx, dy) in (-6..=6).flat_map(|i| (-6..=6).map(move |j| (f64::from(i) * 2.0, f64::from(j) * 2.0))) {
            if f64::hypot(dx, dy) > reach_mm {
                continue;
            }
            for (size, throw) in sizes_mm.iter().flat_map(|size| throws_mm.iter().map(move |throw| (size, throw))) {
                let pit = Pit::new(dx, dy, size.ln(), 0.0, 0.0, throw.ln());
                let middle = if pits.is_empty() { [0.0; 2] } else { [dx, dy] };
                let prior = Prior { middle, stiff: 1.0, others: pits };
                let cost = patch.cost_of(&patch.compare_with(others, &pit)) + prior.cost(&pit);
                if cost < best.0 {
                    best = (cost, pit);
                }
            }
        }
        best.1
    }
}

fn drawn(patch: &Patch, pits: &[Pit]) -> Drawn {
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

/// An ellipse in the light's frame.
struct Oval {
    centre: [f64; 2],
    half_axes: [f64; 2],
    way: [f64; 2],
}

impl Oval {
    fn of(p: &Pit) -> Self {
        let longer = p[3].hypot(p[4]);
        let angle = 0.5 * p[4].atan2(p[3]);
        Self {
            centre: [p[0], p[1]],
            half_axes: [(p[2] + longer).exp(), (p[2] - longer).exp()],
            way: [angle.cos(), angle.sin()],
        }
    }

    fn point(&self, angle: f64) -> [f64; 2] {
        let (s, c) = angle.sin_cos();
        let [a, b] = [self.half_axes[0] * c, self.half_axes[1] * s];
        [self.centre[0] + a * self.way[0] - b * self.way[1], self.centre[1] + a * self.way[1] + b * self.way[0]]
    }

    /// Depth of a pit of depth one at a place, and how far the place is within it (0–1).
    fn pit(&self, [x, y]: [f64; 2]) -> (f64, f64) {
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

impl Fit {
    /// In the plane.
    fn snapped(&self) -> Snapped {
        let [shading, darkness] = self.strength;
        let clear = (shading - darkness) * self.gain.max(0.0);
        let least = if self.lit { CLEAR } else { CLEAR_IN_EVEN_LIGHT };
        let confidence = clear.powi(3) / (clear.powi(3) + least.powi(3));
        let p = &self.pit;
        let oval = Oval::of(p);
        let middle = self.window.size().map(|n| (n as f64 - 1.0) / 2.0);
        let centre_mm =
            self.window.to_mm([middle[0] + p[0] * self.window.px_per_mm, middle[1] + p[1] * self.window.px_per_mm]);
        Snapped {
            centre_mm,
            half_axes_mm: oval.half_axes,
            deg: (oval.way[1].atan2(oval.way[0]).to_degrees() + self.window.turn_deg).rem_euclid(180.0),
            u_edge_mm: WIDENED * self.u_edge(),
            confidence,
        }
    }

    /// Root mean square over the edge of its standard uncertainty across itself.
    fn u_edge(&self) -> f64 {
        const POINTS: usize = 24;
        let oval = Oval::of(&self.pit);
        let mut sum = 0.0;
        for k in 0..POINTS {
            let angle = std::f64::consts::TAU * k as f64 / POINTS as f64;
            let (s, c) = angle.sin_cos();
            let [a, b] = oval.half_axes;
            let n = (c / a).hypot(s / b);
            let own = [c / a / n, s / b / n];
            let normal = [own[0] * oval.way[0] - own[1] * oval.way[1], own[0] * oval.way[1] + own[1] * oval.way[0]];
            let slope = Vector6::from_iterator((0..6).map(|k| {
                let shifted = |by: f64| {
                    let mut p = self.pit;
                    p[k] += by;
                    Oval::of(&p).point(angle)
                };
                let (up, down) = (shifted(1e-4), shifted(-1e-4));
                ((up[0] - down[0]) * normal[0] + (up[1] - down[1]) * normal[1]) / 2e-4
            }));
            sum += (slope.transpose() * self.covariance * slope)[0];
        }
        (sum / POINTS as f64).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIDE: usize = 72;

    /// Level ground with a pit, lit from the right: shaded by its slope, dark where its wall hides the light; a little rough.
    fn ground(pit: Option<Pit>) -> Rectified {
        let window = Window { centre_mm: [0.0; 2], size_mm: [2.0 * REACH_MM; 2], turn_deg: 0.0, px_per_mm: PX_PER_MM };
        let oval = pit.as_ref().map(Oval::of);
        let depth = |x: f64, y: f64| oval.as_ref().map_or(0.0, |oval| 4.0 * oval.pit([x, y]).0);
        let light = (0..SIDE * SIDE).map(|at| {
            let [x, y] = window.to_mm([(at % SIDE) as f64, (at / SIDE) as f64]);
            let slope = (depth(x + 0.1, y) - depth(x - 0.1, y)) / 0.2;
            let hidden = (1..90).any(|k| depth(x + 0.2 * f64::from(k), y) < depth(x, y) - 0.08 * f64::from(k));
            let rough = 0.02 * (x * 1.7 + y * 0.6).sin() + 0.02 * (y * 2.1 - x).sin();
            let sun = if hidden { 0.0 } else { (1.0 + 2.5 * slope).clamp(0.0, 2.5) };
            (0.1 + 0.1 * sun + 0.1 * rough) as f32
        });
        Rectified { window, size: [SIDE; 2], light: light.collect(), ground: vec![1.0; SIDE * SIDE] }
    }

    fn snapped(ground: &Rectified) -> Option<Snapped> {
        let patch = || Patch::of(ground, true).unwrap();
        let snapped = Search { coarse: patch(), fine: patch() }.best()?.snapped();
        Some(snapped).filter(|snapped| snapped.confidence >= LEAST_CONFIDENCE)
    }

    #[test]
    fn a_touch_five_millimetres_off_a_pads_middle_finds_its_edge() {
        let pit = Pit::new(3.0, -4.0, 5.6_f64.ln(), 0.0, 0.2, 0.0);
        let found = snapped(&ground(Some(pit))).unwrap();
        assert!((found.centre_mm[0] - 3.0).hypot(found.centre_mm[1] + 4.0) < 0.6, "{found:?}");
        let expected = [5.6 * 0.2_f64.exp(), 5.6 * (-0.2_f64).exp()];
        assert!((0..2).all(|k| (found.half_axes_mm[k] - expected[k]).abs() < 0.7), "{found:?}");
        assert!((found.deg - 45.0).abs() < 12.0, "{found:?}");
    }

    #[test]
    fn on_bare_ground_no_pad_is_seen() {
        assert_eq!(snapped(&ground(None)), None);
    }
}
