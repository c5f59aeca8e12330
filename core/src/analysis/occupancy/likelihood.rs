//! The likelihood of histories (MacKenzie et al. 2002, Ecology 83(8):2248–2255), with its gradient and Hessian.
//!
//! A place is occupied with ψ = logit⁻¹(x·β); where it is, visit j finds the animal with pⱼ = logit⁻¹(zⱼ·α). With q = Π(1−pⱼ) over the visits made,
//! a place where it was found gives ψ·Π pʸ(1−p)¹⁻ʸ, one where it wasn't gives ψq + 1 − ψ. For the latter let w = ψq/(ψq + 1 − ψ), the
//! probability that it is occupied all the same, and s = −Σ pⱼzⱼ; then
//!
//! - ∂/∂β = (w − ψ)x, ∂/∂α = w·s,
//! - ∂²/∂β² = (w(1−w) − ψ(1−ψ))xxᵀ, ∂²/∂β∂α = w(1−w)xsᵀ, ∂²/∂α² = w(1−w)ssᵀ − w Σ pⱼ(1−pⱼ)zⱼzⱼᵀ.
//!
//! Visits to one place with the same z count together (found on d of n), and so do places alike in everything: these are sufficient.

use std::collections::HashMap;
use std::ops::Range;

use nalgebra::{DMatrix, DVector};

/// Some visits to a place with the same z.
#[derive(Debug, Clone, Copy)]
struct Visits {
    z: usize,
    found: f64,
    made: f64,
}

/// Places that are alike.
#[derive(Debug, Clone)]
struct Alike {
    places: f64,
    x: usize,
    found: bool,
    visits: Range<usize>,
}

/// Of so many places it is seen whether any are alike.
const FIRST: usize = 200;

/// The log likelihood as a function of β, then α.
#[derive(Debug, Clone)]
pub struct Likelihood {
    kx: usize,
    kz: usize,
    x: Vec<f64>,
    z: Vec<f64>,
    visits: Vec<Visits>,
    alike: Vec<Alike>,
}

/// Its value with its first and second derivatives.
pub struct Value {
    pub log: f64,
    pub gradient: DVector<f64>,
    pub hessian: DMatrix<f64>,
}

impl Likelihood {
    pub fn new(kx: usize, kz: usize) -> Self {
        Self { kx, kz, x: vec![], z: vec![], visits: vec![], alike: vec![] }
    }

    /// From each place's x and its visits as z and found.
    pub fn of<'a>(kx: usize, kz: usize, places: impl Iterator<Item = (&'a [f64], Vec<(&'a [f64], bool)>)>) -> Self {
        let mut made = Self::new(kx, kz);
        let mut known: HashMap<Vec<u64>, usize> = HashMap::new();
        let mut kinds: Vec<(&[f64], usize, usize)> = Vec::new();
        let mut some_are_alike = true;
        for (number, (x, place)) in places.filter(|(_, place)| !place.is_empty()).enumerate() {
            // Where the first ones all differ, hardly any are alike.
            some_are_alike &= number != FIRST || known.len() < FIRST;
            kinds.clear();
            for (z, found) in place {
                let found = usize::from(found);
                match kinds.iter_mut().find(|(other, ..)| *other == z) {
                    Some((_, d, n)) => (*d, *n) = (*d + found, *n + 1),
                    None => kinds.push((z, found, 1)),
                }
            }
            if !some_are_alike {
                made.push(x, &kinds);
                continue;
            }
            let bits = |row: &[f64]| row.iter().map(|v| v.to_bits()).collect::<Vec<_>>();
            let mut key = bits(x);
            kinds.iter().for_each(|(z, d, n)| {
                key.extend(bits(z));
                key.extend([*d as u64, *n as u64]);
            });
            match known.get(&key) {
                Some(at) => made.alike[*at].places += 1.0,
                None => {
                    known.insert(key, made.alike.len());
                    made.push(x, &kinds);
                }
            }
        }
        made
    }

    fn push(&mut self, x: &[f64], kinds: &[(&[f64], usize, usize)]) {
        let (at, from) = (self.x.len(), self.visits.len());
        self.x.extend(x);
        for (z, d, n) in kinds {
            self.visits.push(Visits { z: self.z.len(), found: *d as f64, made: *n as f64 });
            self.z.extend(*z);
        }
        let found = kinds.iter().any(|(_, d, _)| *d > 0);
        self.alike.push(Alike { places: 1.0, x: at, found, visits: from..self.visits.len() });
    }

    /// Of every nth kind of place, about `most` of them: to find where the summit is. `None` where there are hardly more, or too few among them where
    /// it was found or where it wasn't.
    pub fn thinned(&self, most: usize) -> Option<Self> {
        let step = self.alike.len() / most;
        let alike: Vec<Alike> = self.alike.iter().step_by(step.max(1)).cloned().collect();
        let found = alike.iter().filter(|place| place.found).count();
        let enough = step > 1 && found.min(alike.len() - found) * 20 > alike.len();
        enough.then(|| Self { alike, ..self.clone() })
    }

    /// How many coefficients there are.
    pub fn dimension(&self) -> usize {
        self.kx + self.kz
    }

    /// The value at these coefficients.
    pub fn at(&self, theta: &[f64]) -> Value {
        let (kx, kz, k) = (self.kx, self.kz, self.dimension());
        let (beta, alpha) = theta.split_at(kx);
        let mut log = 0.0;
        let mut gradient = vec![0.0; k];
        // Row by row, the upper half.
        let mut hessian = vec![0.0; k * k];
        let mut s = vec![0.0; k];
        let mut curvature = vec![0.0; kz * kz];
        for place in &self.alike {
            let x = &self.x[place.x..place.x + kx];
            let eta = dot(x, beta);
            let (psi, small) = inverse_logit(eta);
            s[kx..].fill(0.0);
            curvature.fill(0.0);
            let mut of_visits = 0.0;
            // The product of 1 + e^−|ζ| over visits: one logarithm for all of them.
            let mut grown = 1.0;
            for visits in &self.visits[place.visits.clone()] {
                let z = &self.z[visits.z..visits.z + kz];
                let zeta = dot(z, alpha);
                let (p, small_z) = inverse_logit(zeta);
                of_visits += visits.found * zeta - visits.made * zeta.max(0.0);
                if visits.made == 1.0 && grown < 1e250 {
                    grown *= 1.0 + small_z;
                } else {
                    of_visits -= visits.made * small_z.ln_1p();
                }
                let (slope, bend) = (visits.found - visits.made * p, visits.made * p * (1.0 - p));
                for (a, za) in z.iter().enumerate() {
                    s[kx + a] += slope * za;
                    for (b, zb) in z.iter().enumerate().skip(a) {
                        curvature[a * kz + b] += bend * za * zb;
                    }
                }
            }
            // w is 1 where it was found; elsewhere its log odds are those of ψ and of finding nothing.
            let (w, of_place) = if place.found {
                (1.0, eta.min(0.0) + of_visits - (grown * (1.0 + small)).ln())
            } else {
                let odds = eta + of_visits - grown.ln();
                let (w, beyond) = inverse_logit(odds);
                (w, -eta.max(0.0) + odds.max(0.0) + ((1.0 + beyond) / (1.0 + small)).ln())
            };
            let weight = place.places;
            log += weight * of_place;
            let mixed = w * (1.0 - w);
            s[..kx].copy_from_slice(x);
            for (a, sa) in s.iter().enumerate() {
                let slope = if a < kx { w - psi } else { w };
                gradient[a] += weight * slope * sa;
                for (b, sb) in s.iter().enumerate().skip(a) {
                    hessian[a * k + b] += weight * mixed * sa * sb;
                }
            }
            let bent = weight * psi * (1.0 - psi);
            for (a, xa) in x.iter().enumerate() {
                for (b, xb) in x.iter().enumerate().skip(a) {
                    hessian[a * k + b] -= bent * xa * xb;
                }
            }
            for a in 0..kz {
                for b in a..kz {
                    hessian[(kx + a) * k + kx + b] -= weight * w * curvature[a * kz + b];
                }
            }
        }
        let hessian = DMatrix::from_fn(k, k, |a, b| hessian[a.min(b) * k + a.max(b)]);
        Value { log, gradient: DVector::from_vec(gradient), hessian }
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// p = logit⁻¹(η), exact also next to 0 and 1, and e^−|η|: ln p = min(η, 0) − ln(1 + e^−|η|), and ln(1−p) = ln p − η.
fn inverse_logit(eta: f64) -> (f64, f64) {
    let small = (-eta.abs()).exp();
    (if eta >= 0.0 { 1.0 / (1.0 + small) } else { small / (1.0 + small) }, small)
}
