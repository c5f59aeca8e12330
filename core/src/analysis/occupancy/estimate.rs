//! The most likely ψ and p with their uncertainty.

use nalgebra::{DMatrix, DVector, DVectorView};

use super::design::{Design, Parameter};
use super::histories::Histories;
use super::likelihood::Likelihood;
use super::newton::{IN_SIGHT, NEAR, Peak, climb};
use super::profile::profile;
use crate::analysis::normal::reach;

/// Along a direction of less information than this (of standardised coefficients; a standard error of 100) nothing is known: the estimate has run
/// to the edge.
const NO_INFORMATION: f64 = 1e-4;
/// So close to 0 or 1 it is there.
const AT_THE_EDGE: f64 = 1e-6;

/// Of so many places the summit is looked for before all of them are taken.
const FIRST_LOOK: usize = 1000;

/// A fitted model.
#[derive(Debug, Clone)]
pub struct Estimate {
    pub(super) design: Design,
    pub(super) likelihood: Likelihood,
    pub(super) peak: Peak,
    /// Of our coefficients, where there is information.
    covariance: DMatrix<f64>,
    /// The directions without.
    unknown: Vec<DVector<f64>>,
    level: f64,
    /// By how many standard errors an interval of this level reaches to each side.
    reach: f64,
    /// −2 ln L at its lowest.
    pub minus_two_log_likelihood: f64,
    /// Akaike's criterion: that, and two for each coefficient.
    pub aic: f64,
}

/// A probability with its uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Probability {
    /// The most likely value.
    pub value: f64,
    /// Its standard error by the delta method; `None` at the edge.
    pub se: Option<f64>,
    /// By the normal approximation on the logit scale; `None` at the edge.
    pub interval: Option<[f64; 2]>,
}

/// A coefficient on the logit scale, of the covariate in the user's unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Coefficient {
    /// Of what.
    pub parameter: Parameter,
    /// `intercept`, `visit_1` … or the covariate.
    pub name: String,
    /// Its most likely value.
    pub estimate: f64,
    /// Its standard error; `None` where it has run to the edge.
    pub se: Option<f64>,
    /// By the normal approximation.
    pub interval: Option<[f64; 2]>,
}

impl Estimate {
    pub(super) fn of(histories: &Histories, design: Design, level: f64) -> Self {
        let likelihood = design.likelihood(histories.places().iter().map(|place| &place.visits[..]));
        let thinned = likelihood.thinned(FIRST_LOOK);
        let look = thinned.as_ref().unwrap_or(&likelihood);
        let [first, second] = starts(histories, &design).map(|start| climb(look, &start, None, IN_SIGHT));
        let mut higher = if second.log > first.log { second } else { first }.theta;
        if thinned.is_some() {
            // Not from an edge that only the few have.
            higher.iter_mut().for_each(|theta| *theta = theta.clamp(-6.0, 6.0));
        }
        let peak = climb(&likelihood, &higher, None, NEAR);
        let k = likelihood.dimension();
        // A matrix with what is no number in it has no eigenvalues, and nothing is known.
        let is_finite = peak.information.iter().all(|value| value.is_finite());
        let eigen = if is_finite { peak.information.clone() } else { DMatrix::zeros(k, k) }.symmetric_eigen();
        let mut covariance = DMatrix::zeros(k, k);
        let mut unknown = Vec::new();
        for (value, vector) in eigen.eigenvalues.iter().zip(eigen.eigenvectors.column_iter()) {
            if *value > NO_INFORMATION {
                covariance += vector * vector.transpose() / *value;
            } else {
                unknown.push(vector.into_owned());
            }
        }
        let minus_two_log_likelihood = -2.0 * peak.log;
        let aic = minus_two_log_likelihood + 2.0 * k as f64;
        Self {
            design,
            likelihood,
            peak,
            covariance,
            unknown,
            level,
            reach: reach(level),
            minus_two_log_likelihood,
            aic,
        }
    }

    /// The level of the intervals.
    pub fn level(&self) -> f64 {
        self.level
    }

    /// Whether the highest point was reached.
    pub fn converged(&self) -> bool {
        self.peak.converged
    }

    /// Occupancy of a place.
    pub fn psi(&self, place: usize) -> Probability {
        self.probability(0, self.design.x(place))
    }

    /// Detection on a visit to a place.
    pub fn p(&self, place: usize, visit: usize) -> Probability {
        self.probability(self.design.kx, self.design.z(place, visit))
    }

    pub(super) fn psi_value(&self, place: usize) -> f64 {
        to_the_edge(inverse_logit(self.design.x(place).iter().zip(&self.peak.theta).map(|(a, b)| a * b).sum()))
    }

    pub(super) fn p_value(&self, place: usize, visit: usize) -> f64 {
        let row = self.design.z(place, visit);
        to_the_edge(inverse_logit(row.iter().zip(&self.peak.theta[self.design.kx..]).map(|(a, b)| a * b).sum()))
    }

    /// Whether ψ differs from place to place.
    pub fn psi_by_place(&self) -> bool {
        self.design.kx > 1
    }

    /// Whether p differs from place to place, and from visit to visit.
    pub fn p_by(&self) -> (bool, bool) {
        (self.design.p_by_place, self.design.p_by_visit)
    }

    /// The probability that an occupied place is found on at least one of the visits that were made to it.
    pub fn found_at_all(&self, place: usize, visits: &[Option<bool>]) -> f64 {
        let made = visits.iter().enumerate().filter(|(_, found)| found.is_some());
        1.0 - made.map(|(visit, _)| 1.0 - self.p_value(place, visit)).product::<f64>()
    }

    /// The probability that a place is occupied although it was never found there: ψ(1−p*)/(1−ψp*), p* as [`Estimate::found_at_all`].
    pub fn occupied_if_not_found(&self, place: usize, visits: &[Option<bool>]) -> f64 {
        let psi = self.psi_value(place);
        let missed = psi * (1.0 - self.found_at_all(place, visits));
        // Found for sure where it is, and there for sure: it can't be missed.
        if missed == 0.0 { 0.0 } else { missed / (1.0 - psi + missed) }
    }

    /// The coefficients, those of ψ first.
    pub fn coefficients(&self) -> Vec<Coefficient> {
        let to_user = &self.design.to_user;
        let estimates = to_user * DVector::from_column_slice(&self.peak.theta);
        let covariance = to_user * &self.covariance * to_user.transpose();
        self.design
            .names
            .iter()
            .enumerate()
            .map(|(i, (parameter, name))| {
                let row: Vec<f64> = to_user.row(i).iter().copied().collect();
                let se = self.is_known(0, &row).then(|| covariance[(i, i)].sqrt());
                let half = |se: f64| self.reach * se;
                Coefficient {
                    parameter: *parameter,
                    name: name.clone(),
                    estimate: estimates[i],
                    se,
                    interval: se.map(|se| [estimates[i] - half(se), estimates[i] + half(se)]),
                }
            })
            .collect()
    }

    /// The profile intervals of the coefficients (`None` for an end that isn't there); `None` for an intercept beside covariates, which isn't one of
    /// ours.
    pub fn profiles(&self) -> Vec<Option<[Option<f64>; 2]>> {
        let to_user = &self.design.to_user;
        let k = self.design.names.len();
        let alone = |i: usize| (0..k).all(|j| i == j || to_user[(i, j)] == 0.0);
        let profile = |i: usize| self.profile(i).map(|end| end.map(|end| end * to_user[(i, i)]));
        (0..k).map(|i| alone(i).then(|| profile(i))).collect()
    }

    /// The profile interval of one of our coefficients.
    fn profile(&self, i: usize) -> [Option<f64>; 2] {
        let mut unit = vec![0.0; self.design.names.len()];
        unit[i] = 1.0;
        let scale = if self.is_known(0, &unit) { self.covariance[(i, i)].sqrt() } else { 1.0 };
        profile(&self.likelihood, &self.peak, i, scale.clamp(1e-3, 2.0), self.reach)
    }

    /// The profile interval of ψ, where it is one for all places.
    pub fn psi_profile(&self) -> Option<[f64; 2]> {
        (!self.psi_by_place()).then(|| self.profile_of_probability(0))
    }

    /// The profile intervals of p: one where it is one for all visits, one a visit where only the visit counts.
    pub fn p_profile(&self) -> Option<Vec<[f64; 2]>> {
        let names = &self.design.names[self.design.kx..];
        let plain = names.iter().all(|(_, name)| name == "intercept" || name.starts_with("visit_"));
        (plain && !self.design.p_by_place).then(|| {
            (self.design.kx..self.design.kx + self.design.kz).map(|i| self.profile_of_probability(i)).collect()
        })
    }

    fn profile_of_probability(&self, i: usize) -> [f64; 2] {
        let [low, high] = self.profile(i);
        [low.map_or(0.0, inverse_logit), high.map_or(1.0, inverse_logit)]
    }

    fn probability(&self, from: usize, row: &[f64]) -> Probability {
        let theta = &self.peak.theta[from..from + row.len()];
        let eta: f64 = row.iter().zip(theta).map(|(a, b)| a * b).sum();
        let value = to_the_edge(inverse_logit(eta));
        if value == 0.0 || value == 1.0 || !self.is_known(from, row) {
            return Probability { value, se: None, interval: None };
        }
        let k = row.len();
        let row = DVectorView::from_slice(row, k);
        let variance = (row.transpose() * self.covariance.view((from, from), (k, k)) * row)[(0, 0)];
        let (se, half) = (variance.sqrt(), self.reach * variance.sqrt());
        Probability {
            value,
            se: Some(value * (1.0 - value) * se),
            interval: Some([inverse_logit(eta - half), inverse_logit(eta + half)]),
        }
    }

    /// Whether a combination of coefficients leans on no direction without information.
    pub(super) fn is_known(&self, from: usize, row: &[f64]) -> bool {
        let size: f64 = row.iter().map(|v| v * v).sum();
        let leans = |direction: &DVector<f64>| {
            row.iter().zip(direction.iter().skip(from)).map(|(a, b)| a * b).sum::<f64>().powi(2) > 1e-4 * size
        };
        !self.unknown.iter().any(leans)
    }
}

/// Where to begin: the naive occupancy with the detection where it was found; nearly everywhere with the detection of all visits. The likelihood
/// may have a summit near either.
fn starts(histories: &Histories, design: &Design) -> [Vec<f64>; 2] {
    let share = |part: usize, of: usize| (part as f64 / of.max(1) as f64).clamp(0.05, 0.95);
    let at_found: usize = histories.places().iter().filter(|p| p.detections() > 0).map(|p| p.visits_made()).sum();
    let found = histories.detections();
    let start = |psi: f64, p: f64| {
        let mut theta = vec![0.0; design.kx + design.kz];
        theta[0] = logit(psi);
        let of_p = design.names.iter().enumerate().skip(design.kx);
        of_p.filter(|(_, (_, name))| name == "intercept" || name.starts_with("visit_"))
            .for_each(|(i, _)| theta[i] = logit(p));
        theta
    };
    [
        start(share(histories.found_at(), histories.places_visited()), share(found, at_found)),
        start(0.95, share(found, histories.visits_made())),
    ]
}

pub(super) fn inverse_logit(eta: f64) -> f64 {
    1.0 / (1.0 + (-eta).exp())
}

fn to_the_edge(p: f64) -> f64 {
    match p {
        p if p < AT_THE_EDGE => 0.0,
        p if p > 1.0 - AT_THE_EDGE => 1.0,
        p => p,
    }
}

fn logit(p: f64) -> f64 {
    (p / (1.0 - p)).ln()
}
