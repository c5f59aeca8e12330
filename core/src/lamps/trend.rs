//! What changes slowly: a fit that stray values don't pull.

use nalgebra::{SMatrix, SVector};

/// Rounds of the fit, each with the weights that the last one's residuals give.
const ROUNDS: usize = 20;

/// The coefficients of least squares with Tukey's weights (Beaton & Tukey 1974; c = 4.685, scale by the median of the absolute
/// residuals); `None` where the rows don't span them.
pub(super) fn robust<const N: usize>(rows: &[SVector<f64, N>], values: &[f64]) -> Option<SVector<f64, N>> {
    let mut weights = vec![1.0; rows.len()];
    let mut found = SVector::<f64, N>::zeros();
    for _ in 0..ROUNDS {
        let mut normal = SMatrix::<f64, N, N>::zeros();
        let mut right = SVector::<f64, N>::zeros();
        for ((row, value), weight) in rows.iter().zip(values).zip(&weights) {
            normal += row * row.transpose() * *weight;
            right += row * (value * weight);
        }
        found = normal.cholesky()?.solve(&right);
        let off: Vec<f64> = rows.iter().zip(values).map(|(row, value)| value - row.dot(&found)).collect();
        let mut sizes: Vec<f64> = off.iter().map(|o| o.abs()).collect();
        let middle = sizes.len() / 2;
        let reach = 4.685 * 1.4826 * sizes.select_nth_unstable_by(middle, f64::total_cmp).1.max(1e-6);
        weights = off.iter().map(|o| (1.0 - (o / reach).powi(2)).max(0.0).powi(2)).collect();
    }
    found.iter().all(|v| v.is_finite()).then_some(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_found_though_a_fifth_of_the_values_lies_off_it() {
        let rows: Vec<_> = (0..90).map(|k| SVector::<f64, 2>::new(1.0, f64::from(k))).collect();
        let values: Vec<f64> = (0..90)
            .map(|k| 3.0 + 0.5 * f64::from(k) + if k % 5 == 0 { 40.0 } else { 0.01 * f64::from(k % 7) })
            .collect();
        let found = robust(&rows, &values).unwrap();
        assert!((found[0] - 3.03).abs() < 0.02 && (found[1] - 0.5).abs() < 1e-3, "{found}");
    }
}
