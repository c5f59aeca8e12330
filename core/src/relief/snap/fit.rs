//! The fit: pits are looked for one after another and refined among each other by least squares.

use nalgebra::{DMatrix, Matrix6};

use super::Fit;
use super::patch::{Compared, Patch, drawn};
use super::pit::{Pit, Prior, overlap};

/// The pad that was touched and its neighbours.
const MOST_PITS: usize = 4;
/// What one more pit has to explain, as logarithm of the likelihood.
const ONE_MORE: f64 = 5.0;
/// Before its neighbours are known, a pad has to be this much nearer to what is usual.
const STIFF: f64 = 1.6;

impl Patch {
    /// One pit among others, refined; `stiff` makes the usual shape count more.
    pub(super) fn refine(
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

/// The same ground coarsely, to search, and finely, to fit.
pub(super) struct Search {
    pub(super) coarse: Patch,
    pub(super) fine: Patch,
}

impl Search {
    /// The better of two readings: one that starts from a toe's pit, one from a larger pad's.
    pub(super) fn best(&self) -> Option<Fit> {
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
