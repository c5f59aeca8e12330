//! A measured value with its standard uncertainty, the JCGM 100 way.

use serde::{Deserialize, Serialize};

/// A value and its standard uncertainty `u`, in the same unit. `u` is finite and above zero: zero uncertainty isn't a value.
///
/// ```
/// use rakelight_core::measured::Measured;
/// let width_mm = Measured::new(60.1, 0.9).expect("finite, and u above zero");
/// assert!((width_mm.half_width_95() - 1.764).abs() < 1e-3);
/// assert!(Measured::new(60.1, 0.0).is_none());
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Measured {
    /// The best estimate.
    pub value: f64,
    /// Its standard uncertainty.
    pub u: f64,
}

impl Measured {
    /// `None` where the value isn't finite or `u` isn't above zero.
    pub fn new(value: f64, u: f64) -> Option<Self> {
        (value.is_finite() && u.is_finite() && u > 0.0).then_some(Self { value, u })
    }

    /// Half of the interval that holds the truth with 95 % (normal; JCGM 100:2008 table G.1 gives k = 1.960).
    pub fn half_width_95(&self) -> f64 {
        1.960 * self.u
    }
}

/// The root of the sum of squares: how independent contributions to one uncertainty add up (JCGM 100:2008, 5.1.2).
///
/// ```
/// // The four first-order contributions of JCGM 100 H.1 (end gauge), in nm, give 31.7 nm.
/// let u = rakelight_core::measured::combine(&[25.0, 9.7, 2.9, 16.6]);
/// assert!((u - 31.7).abs() < 0.05);
/// // EA-4/02 S10 (vernier caliper), in µm: 33 µm.
/// assert!((rakelight_core::measured::combine(&[0.46, 2.0, 15.0, 29.0]) - 33.0).abs() < 0.5);
/// ```
pub fn combine(contributions: &[f64]) -> f64 {
    contributions.iter().map(|u| u * u).sum::<f64>().sqrt()
}
