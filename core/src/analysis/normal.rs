//! The standard normal distribution.

use std::f64::consts::SQRT_2;

/// The probability beyond z.
pub fn beyond(z: f64) -> f64 {
    0.5 * libm::erfc(z / SQRT_2)
}

/// What is exceeded with this probability (above 0, below 1).
pub fn exceeded_with(probability: f64) -> f64 {
    let (mut low, mut high) = (-39.0, 39.0);
    for _ in 0..100 {
        let middle = (low + high) / 2.0;
        if beyond(middle) > probability { low = middle } else { high = middle }
    }
    (low + high) / 2.0
}

/// By how many standard deviations an interval of this level reaches to each side.
///
/// ```
/// // JCGM 100:2008, table G.1: 95 % and 99 %.
/// use rakelight_core::analysis::reach;
/// assert!((reach(0.95) - 1.960).abs() < 5e-4 && (reach(0.99) - 2.576).abs() < 5e-4);
/// ```
pub fn reach(level: f64) -> f64 {
    exceeded_with((1.0 - level) / 2.0)
}
