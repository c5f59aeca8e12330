//! Intervals by the profile of the likelihood: where the highest likelihood with one coefficient held falls by half the square of the normal's reach
//! (Venzon & Moolgavkar 1988, Applied Statistics 37:87–94).

use super::likelihood::Likelihood;
use super::newton::{NEAR, Peak, climb};

/// Beyond this, on the logit scale, an end isn't there.
const FURTHEST: f64 = 40.0;
const NEAR_ENOUGH: f64 = 1e-7;

/// Both ends for coefficient `i`, `None` where the likelihood never falls so far; `scale` is about its standard error.
pub fn profile(likelihood: &Likelihood, peak: &Peak, i: usize, scale: f64, reach: f64) -> [Option<f64>; 2] {
    [-1.0, 1.0].map(|side| end(likelihood, peak, i, side * scale * reach, reach))
}

/// The root of √(2·fall) − reach, which is nearly straight in the coefficient: first bracketed, then by the Illinois rule.
fn end(likelihood: &Likelihood, peak: &Peak, i: usize, step: f64, reach: f64) -> Option<f64> {
    let mut theta = peak.theta.clone();
    let mut beyond = |at: f64| {
        theta[i] = at;
        let held = climb(likelihood, &theta, Some(i), NEAR);
        theta.clone_from(&held.theta);
        (2.0 * (peak.log - held.log).max(0.0)).sqrt() - reach
    };
    let (mut near, mut low) = (peak.theta[i], -reach);
    let mut far = near + step;
    let mut high = beyond(far);
    while high < 0.0 {
        if (far - peak.theta[i]).abs() > FURTHEST + peak.theta[i].abs() {
            return None;
        }
        (near, low) = (far, high);
        far = peak.theta[i] + 2.0 * (far - peak.theta[i]);
        high = beyond(far);
    }
    for _ in 0..60 {
        let at = (near * high - far * low) / (high - low);
        let height = beyond(at);
        if height.abs() < NEAR_ENOUGH {
            return Some(at);
        }
        if (height < 0.0) == (low < 0.0) {
            (near, low) = (at, height);
            high /= 2.0;
        } else {
            (far, high) = (near, low);
            (near, low) = (at, height);
        }
    }
    Some(near)
}
