//! Whether the histories could have come from the fitted model: Pearson's statistic against those of histories simulated from it (MacKenzie & Bailey
//! 2004, J. Agric. Biol. Environ. Stat. 9:300–318).

use std::collections::HashMap;

use super::estimate::Estimate;
use super::histories::Histories;
use super::newton::{NEAR, climb};
use crate::chance::uniform;

/// What is compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Statistic {
    /// Pearson's χ² over all histories that could be, among places with the same visits made.
    PearsonOverHistories,
    /// Pearson's χ² over the number of visits on which it was found at a place: where there are too many histories for their numbers to say much.
    PearsonOverCounts,
}

/// How well the model fits.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct FitTest {
    /// What is compared.
    pub statistic: Statistic,
    /// Its value.
    pub value: f64,
    /// Its mean over the simulations.
    pub simulated_mean: f64,
    /// The one over the other: above 1, histories scatter more than the model says.
    pub c_hat: f64,
    /// The share of simulations at least as far off, these histories counted among them (Davison & Hinkley 1997, Bootstrap Methods, 4.11).
    pub p_value: f64,
    /// How many simulations counted.
    pub simulations: usize,
    /// Those in which nothing was found anywhere, so that nothing could be fitted.
    pub left_out: usize,
    /// What the course of chance began with.
    pub seed: u64,
}

/// Histories of more visits than this have too many forms (2 to that power).
const MOST_VISITS: usize = 10;

type Found<'a> = &'a [Option<bool>];

/// Places with the same visits made, and how often each history is among them.
type Cohort<'a> = (Vec<usize>, HashMap<Found<'a>, f64>);

/// Simulates `simulations` times from the estimate, fits the same model to each, and compares.
pub fn fit_test(histories: &Histories, estimate: &Estimate, simulations: usize, seed: u64) -> FitTest {
    let statistic =
        if histories.visits() <= MOST_VISITS { Statistic::PearsonOverHistories } else { Statistic::PearsonOverCounts };
    let truth = Probabilities::of(histories, estimate, &estimate.peak.theta);
    let observed: Vec<Found> = histories.places().iter().map(|place| &place.visits[..]).collect();
    let value = truth.pearson(statistic, &observed);
    // Back from the edge, where the likelihood is flat.
    let start: Vec<f64> = estimate.peak.theta.iter().map(|t| t.clamp(-4.0, 4.0)).collect();
    let (mut state, mut simulated, mut left_out) = (seed, Vec::with_capacity(simulations), 0);
    for _ in 0..simulations {
        let drawn = truth.draw(&observed, &mut state);
        if !drawn.iter().flatten().any(|found| *found == Some(true)) {
            left_out += 1;
            continue;
        }
        let drawn: Vec<Found> = drawn.iter().map(Vec::as_slice).collect();
        let peak = climb(&estimate.design.likelihood(drawn.iter().copied()), &start, None, NEAR);
        simulated.push(Probabilities::of(histories, estimate, &peak.theta).pearson(statistic, &drawn));
    }
    let simulated_mean = simulated.iter().sum::<f64>() / simulated.len().max(1) as f64;
    // A statistic of nothing but rounding is as far off as any other such.
    let as_far = simulated.iter().filter(|other| **other >= value * (1.0 - 1e-9)).count();
    FitTest {
        statistic,
        value,
        simulated_mean,
        c_hat: if simulated_mean > 0.0 { value / simulated_mean } else { 1.0 },
        p_value: (as_far + 1) as f64 / (simulated.len() + 1) as f64,
        simulations: simulated.len(),
        left_out,
        seed,
    }
}

/// ψ of every place and p of every visit to it; places alike are kept once.
struct Probabilities {
    psi: Vec<f64>,
    p: Vec<Vec<f64>>,
    /// Of each place, which of these.
    kind: Vec<usize>,
}

impl Probabilities {
    fn of(histories: &Histories, estimate: &Estimate, theta: &[f64]) -> Self {
        let design = &estimate.design;
        let (beta, alpha) = theta.split_at(design.kx);
        let at = |row: &[f64], theta: &[f64]| {
            super::estimate::inverse_logit(row.iter().zip(theta).map(|(a, b)| a * b).sum())
        };
        let mut made = Self { psi: vec![], p: vec![], kind: vec![] };
        let constant = !estimate.psi_by_place() && !design.p_by_place;
        for place in 0..histories.places().len() {
            if !constant || place == 0 {
                made.psi.push(at(design.x(place), beta));
                made.p.push((0..histories.visits()).map(|visit| at(design.z(place, visit), alpha)).collect());
            }
            made.kind.push(made.psi.len() - 1);
        }
        made
    }

    /// New histories, with the same visits made.
    fn draw(&self, observed: &[Found], state: &mut u64) -> Vec<Vec<Option<bool>>> {
        let place = |(visits, kind): (&Found, &usize)| {
            let occupied = uniform(state) <= self.psi[*kind];
            let visit = |(found, p): (&Option<bool>, &f64)| found.map(|_| occupied && uniform(state) <= *p);
            visits.iter().zip(&self.p[*kind]).map(visit).collect()
        };
        observed.iter().zip(&self.kind).map(place).collect()
    }

    fn pearson(&self, statistic: Statistic, observed: &[Found]) -> f64 {
        match statistic {
            Statistic::PearsonOverHistories => self.over_histories(observed),
            Statistic::PearsonOverCounts => self.over_counts(observed),
        }
    }

    /// Of places with the same visits made, Σ (O−E)²/E over all histories; those that weren't observed add their E, which is what the places have
    /// left over.
    fn over_histories(&self, observed: &[Found]) -> f64 {
        let mut cohorts: HashMap<Vec<bool>, Cohort> = HashMap::new();
        for (place, visits) in observed.iter().enumerate().filter(|(_, visits)| visits.iter().any(Option::is_some)) {
            let made = visits.iter().map(Option::is_some).collect();
            let (places, counts) = cohorts.entry(made).or_default();
            places.push(place);
            *counts.entry(visits).or_default() += 1.0;
        }
        // In a fixed order, so that the sums are the same in every run.
        let mut sums: Vec<f64> = cohorts
            .values()
            .map(|(places, counts)| {
                let mut kinds: HashMap<usize, f64> = HashMap::new();
                places.iter().for_each(|place| *kinds.entry(self.kind[*place]).or_default() += 1.0);
                let mut kinds: Vec<_> = kinds.into_iter().collect();
                kinds.sort_by_key(|(kind, _)| *kind);
                let mut counts: Vec<_> = counts.iter().collect();
                counts.sort_by_key(|(visits, _)| **visits);
                let (mut sum, mut expected_of_observed) = (0.0, 0.0);
                for (visits, count) in counts {
                    let expected: f64 = kinds.iter().map(|(kind, n)| n * self.of_history(*kind, visits)).sum();
                    sum += (count - expected).powi(2) / expected.max(f64::MIN_POSITIVE);
                    expected_of_observed += expected;
                }
                sum + (places.len() as f64 - expected_of_observed).max(0.0)
            })
            .collect();
        sums.sort_by(f64::total_cmp);
        sums.iter().sum()
    }

    /// The probability of a history.
    fn of_history(&self, kind: usize, visits: Found) -> f64 {
        let psi = self.psi[kind];
        let visit = |(found, p): (&Option<bool>, &f64)| found.map_or(1.0, |found| if found { *p } else { 1.0 - p });
        let there = psi * visits.iter().zip(&self.p[kind]).map(visit).product::<f64>();
        if visits.contains(&Some(true)) { there } else { there + 1.0 - psi }
    }

    /// Σ (O−E)²/E over how many places were found on none, one, two … visits.
    fn over_counts(&self, observed: &[Found]) -> f64 {
        let most = observed.first().map_or(0, |visits| visits.len());
        let (mut counted, mut expected) = (vec![0.0; most + 1], vec![0.0; most + 1]);
        for (visits, kind) in observed.iter().zip(&self.kind).filter(|(visits, _)| visits.iter().any(Option::is_some)) {
            counted[visits.iter().filter(|found| **found == Some(true)).count()] += 1.0;
            let mut chances = vec![0.0; most + 1];
            chances[0] = 1.0;
            for (p, _) in self.p[*kind].iter().zip(*visits).filter(|(_, found)| found.is_some()) {
                for n in (0..most).rev() {
                    chances[n + 1] = chances[n + 1] * (1.0 - p) + chances[n] * p;
                }
                chances[0] *= 1.0 - p;
            }
            let psi = self.psi[*kind];
            expected.iter_mut().zip(&chances).for_each(|(sum, chance)| *sum += psi * chance);
            expected[0] += 1.0 - psi;
        }
        let of = |(o, e): (&f64, &f64)| (o - e).powi(2) / e.max(f64::MIN_POSITIVE);
        counted.iter().zip(&expected).filter(|(o, e)| **e > 0.0 || **o > 0.0).map(of).sum()
    }
}
