//! The most likely coefficients: Newton's method with the exact Hessian, made safe.

use nalgebra::{DMatrix, DVector};

use super::likelihood::{Likelihood, Value};

/// Where the likelihood is highest.
#[derive(Debug, Clone)]
pub struct Peak {
    pub theta: Vec<f64>,
    pub log: f64,
    /// Minus the Hessian there.
    pub information: DMatrix<f64>,
    pub converged: bool,
}

/// The log likelihood still to be gained, by its quadratic model, at which one more step reaches the top: so near, Newton's step squares the distance. Where an
/// estimate runs to the edge the gain falls as e^−η, so it ends there too.
pub const NEAR: f64 = 1e-9;
/// Near enough to tell which of two summits is higher.
pub const IN_SIGHT: f64 = 1e-2;
const MOST_STEPS: usize = 200;
/// No coefficient of a standardised covariate moves further in one step.
const LONGEST_STEP: f64 = 5.0;

/// Uphill from a start until no more than `near` is to be gained; the coefficient `held` stays as it is.
pub fn climb(likelihood: &Likelihood, start: &[f64], held: Option<usize>, near: f64) -> Peak {
    let free: Vec<usize> = (0..start.len()).filter(|i| Some(*i) != held).collect();
    let mut theta = start.to_vec();
    let mut value = likelihood.at(&theta);
    let mut converged = free.is_empty();
    let mut steps = 0;
    while !converged && steps < MOST_STEPS {
        steps += 1;
        let Some((step, gain)) = uphill(&value, &free) else { break };
        if gain < near {
            converged = true;
            // So near the top the model says what the step gains, and the curvature is the same.
            theta = moved(&theta, &free, &step, 1.0);
            value.log += gain;
        } else if let Some(higher) = walk(likelihood, &theta, &free, &step, value.log, gain) {
            (theta, value) = higher;
        } else {
            break;
        }
    }
    Peak { theta, log: value.log, information: -value.hessian, converged }
}

/// A step that the quadratic model says goes uphill, and what it gains. Where minus the Hessian isn't positive definite, as much is added to its
/// diagonal as makes it so (Levenberg 1944; Nocedal & Wright 2006, Numerical Optimization, 3.4).
fn uphill(value: &Value, free: &[usize]) -> Option<(DVector<f64>, f64)> {
    let gradient = DVector::from_fn(free.len(), |i, _| value.gradient[free[i]]);
    let bent = DMatrix::from_fn(free.len(), free.len(), |i, j| -value.hessian[(free[i], free[j])]);
    let size = bent.diagonal().amax().max(1e-8);
    let mut added = 0.0;
    for _ in 0..40 {
        let mut tried = bent.clone();
        (0..free.len()).for_each(|i| tried[(i, i)] += added);
        if let Some(factor) = tried.cholesky() {
            let step = factor.solve(&gradient);
            let gain = gradient.dot(&step) / 2.0;
            if gain.is_finite() && step.iter().all(|s| s.is_finite()) {
                let longest = step.amax();
                return Some((if longest > LONGEST_STEP { step * (LONGEST_STEP / longest) } else { step }, gain));
            }
        }
        added = (4.0 * added).max(1e-4 * size);
    }
    None
}

/// Along a step as far as it gains enough (Armijo 1966).
fn walk(
    likelihood: &Likelihood,
    theta: &[f64],
    free: &[usize],
    step: &DVector<f64>,
    log: f64,
    gain: f64,
) -> Option<(Vec<f64>, Value)> {
    let mut share = 1.0;
    for _ in 0..40 {
        let further = moved(theta, free, step, share);
        let value = likelihood.at(&further);
        if value.log.is_finite() && value.log >= log + 1e-4 * share * gain.min(1.0) {
            return Some((further, value));
        }
        share /= 2.0;
    }
    None
}

fn moved(theta: &[f64], free: &[usize], step: &DVector<f64>, share: f64) -> Vec<f64> {
    let mut theta = theta.to_vec();
    free.iter().zip(step.iter()).for_each(|(i, s)| theta[*i] += share * s);
    theta
}
