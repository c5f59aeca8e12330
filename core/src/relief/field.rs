//! Numbers on a grid, and the few filters that are needed: blur, slope, curvature, running sum.

/// Wider blurs than this are made of running means, px.
const WIDE_PX: f64 = 8.0;

/// One number a pixel, row by row.
#[derive(Debug, Clone)]
pub(crate) struct Field {
    pub size: [usize; 2],
    pub values: Vec<f32>,
}

impl Field {
    pub fn new(size: [usize; 2], values: Vec<f32>) -> Self {
        Self { size, values }
    }

    pub fn map2(&self, other: &Field, f: impl Fn(f32, f32) -> f32) -> Field {
        let values = self.values.iter().zip(&other.values).map(|(a, b)| f(*a, *b)).collect();
        Field { size: self.size, values }
    }

    /// Gaussian blur; beyond the edge lies zero. A wide one is three running means (Wells 1986), which takes no longer the wider it is.
    pub fn blur(&self, sigma_px: f64) -> Field {
        if sigma_px > WIDE_PX {
            let half = (((4.0 * sigma_px * sigma_px + 1.0).sqrt() - 1.0) / 2.0).round() as usize;
            return (0..3).fold(self.clone(), |field, _| field.running_mean(half));
        }
        let weights = gauss(sigma_px);
        let reach = weights.len() - 1;
        let [width, height] = self.size;
        let mut along = vec![0.0_f32; self.values.len()];
        let mut padded = vec![0.0_f32; width + 2 * reach];
        for (from, to) in self.values.chunks_exact(width).zip(along.chunks_exact_mut(width)) {
            padded[reach..reach + width].copy_from_slice(from);
            for (k, weight) in weights.iter().enumerate() {
                add(to, &padded[reach + k..reach + k + width], *weight);
                if k > 0 {
                    add(to, &padded[reach - k..reach - k + width], *weight);
                }
            }
        }
        let mut values = vec![0.0_f32; self.values.len()];
        for (row, to) in values.chunks_exact_mut(width).enumerate() {
            for from in row.saturating_sub(reach)..(row + reach + 1).min(height) {
                add(to, &along[from * width..(from + 1) * width], weights[from.abs_diff(row)]);
            }
        }
        Field { size: self.size, values }
    }

    /// Mean over squares of `half` pixels to each side.
    fn running_mean(&self, half: usize) -> Field {
        let [width, height] = self.size;
        let share = 1.0 / (2 * half + 1) as f64;
        let mut along = vec![0.0_f32; self.values.len()];
        for (from, to) in self.values.chunks_exact(width).zip(along.chunks_exact_mut(width)) {
            let mut sum: f64 = from.iter().take(half).map(|v| f64::from(*v)).sum();
            for (column, mean) in to.iter_mut().enumerate() {
                sum += from.get(column + half).map_or(0.0, |v| f64::from(*v));
                *mean = (sum * share) as f32;
                sum -= column.checked_sub(half).map_or(0.0, |gone| f64::from(from[gone]));
            }
        }
        let line = |row: usize| &along[row * width..(row + 1) * width];
        let mut sums = vec![0.0_f64; width];
        (0..half.min(height)).for_each(|row| sums.iter_mut().zip(line(row)).for_each(|(s, v)| *s += f64::from(*v)));
        let mut values = Vec::with_capacity(self.values.len());
        for row in 0..height {
            if row + half < height {
                sums.iter_mut().zip(line(row + half)).for_each(|(s, v)| *s += f64::from(*v));
            }
            values.extend(sums.iter().map(|s| (s * share) as f32));
            if let Some(gone) = row.checked_sub(half) {
                sums.iter_mut().zip(line(gone)).for_each(|(s, v)| *s -= f64::from(*v));
            }
        }
        Field { size: self.size, values }
    }

    /// Blur that takes only what the mask shows (0–1) into its means; where it shows nothing near, the result is zero.
    pub fn blur_within(&self, mask: &Field, sigma_px: f64) -> Field {
        let masked = self.map2(mask, |v, m| v * m);
        masked.blur(sigma_px).map2(&mask.blur(sigma_px), |v, m| if m > 1e-3 { v / m } else { 0.0 })
    }

    /// What is `picked` (the lower, the higher) of all values over a disc.
    fn over_disc(&self, radius_px: f64, picked: fn(f32, f32) -> f32) -> Field {
        let [width, height] = self.size;
        let reach = radius_px as isize;
        let mut values = self.values.clone();
        for (row, to) in values.chunks_exact_mut(width).enumerate() {
            for dy in -reach..=reach {
                let from = (row as isize + dy).clamp(0, height as isize - 1) as usize;
                let from = &self.values[from * width..(from + 1) * width];
                let half = (radius_px * radius_px - (dy * dy) as f64).sqrt() as usize;
                for dx in 0..=half.min(width - 1) {
                    to[dx..].iter_mut().zip(from).for_each(|(t, f)| *t = picked(*t, *f));
                    to.iter_mut().zip(&from[dx..]).for_each(|(t, f)| *t = picked(*t, *f));
                }
            }
        }
        Field { size: self.size, values }
    }

    /// Without the dark parts that a disc of this radius doesn't fit into (a grey closing, Serra 1982).
    pub fn without_narrow_dark(&self, radius_px: f64) -> Field {
        self.over_disc(radius_px, f32::max).over_disc(radius_px, f32::min)
    }

    /// Value of a pixel; beyond the edge that of the edge.
    pub fn at(&self, column: isize, row: isize) -> f32 {
        let within = |v: isize, n: usize| v.clamp(0, n as isize - 1) as usize;
        self.values[within(row, self.size[1]) * self.size[0] + within(column, self.size[0])]
    }

    /// Value between pixels (bilinear).
    pub fn between(&self, [x, y]: [f64; 2]) -> f32 {
        let (column, row) = (x.floor(), y.floor());
        let (fx, fy) = ((x - column) as f32, (y - row) as f32);
        let (c, r) = (column as isize, row as isize);
        let upper = self.at(c, r) * (1.0 - fx) + self.at(c + 1, r) * fx;
        let lower = self.at(c, r + 1) * (1.0 - fx) + self.at(c + 1, r + 1) * fx;
        upper * (1.0 - fy) + lower * fy
    }

    fn stencil(&self, f: impl Fn(&[f32], &[f32], &[f32], usize, usize, usize) -> f32) -> Field {
        let [width, height] = self.size;
        let mut values = Vec::with_capacity(self.values.len());
        let line = |row: usize| &self.values[row * width..(row + 1) * width];
        for row in 0..height {
            let (above, here, below) = (line(row.saturating_sub(1)), line(row), line((row + 1).min(height - 1)));
            values.extend((0..width).map(|c| f(above, here, below, c.saturating_sub(1), c, (c + 1).min(width - 1))));
        }
        Field { size: self.size, values }
    }

    /// Slope along x, a pixel.
    pub fn slope_x(&self) -> Field {
        self.stencil(|_, here, _, left, _, right| 0.5 * (here[right] - here[left]))
    }

    /// Slope along y, a pixel.
    pub fn slope_y(&self) -> Field {
        self.stencil(|above, _, below, _, c, _| 0.5 * (below[c] - above[c]))
    }

    /// How much it is a bowl: the Laplacian, a pixel squared, times a factor; less `trough` times the difference of the two principal
    /// curvatures, which furrows have and bowls have not.
    pub fn bowl(&self, factor: f64, trough: f64) -> Field {
        let (factor, trough) = (factor as f32, trough as f32);
        self.stencil(|above, here, below, left, c, right| {
            let (xx, yy) = (here[left] + here[right] - 2.0 * here[c], above[c] + below[c] - 2.0 * here[c]);
            let xy = 0.25 * (above[left] + below[right] - above[right] - below[left]);
            factor * (xx + yy) - trough * factor.abs() * ((xx - yy) * (xx - yy) + 4.0 * xy * xy).sqrt()
        })
    }

    /// Running sum along x that forgets over `reach_px`, from both ends, so that it drifts to neither.
    pub fn sum_along_x(&self, reach_px: f64) -> Field {
        let keep = (1.0 - 1.0 / reach_px) as f32;
        let mut values = vec![0.0; self.values.len()];
        let width = self.size[0];
        for (from, to) in self.values.chunks_exact(width).zip(values.chunks_exact_mut(width)) {
            let (mut forth, mut back) = (0.0, 0.0);
            for (v, sum) in from.iter().zip(to.iter_mut()) {
                forth = forth * keep + v;
                *sum += 0.5 * (forth - 0.5 * v);
            }
            for (v, sum) in from.iter().zip(to.iter_mut()).rev() {
                back = back * keep + v;
                *sum -= 0.5 * (back - 0.5 * v);
            }
        }
        Field { size: self.size, values }
    }
}

fn add(to: &mut [f32], from: &[f32], weight: f32) {
    to.iter_mut().zip(from).for_each(|(t, f)| *t += weight * f);
}

/// Half a Gaussian's weights, from its middle outward; the whole sums to one.
fn gauss(sigma: f64) -> Vec<f32> {
    let reach = (3.0 * sigma).ceil() as usize;
    let raw: Vec<f64> = (0..=reach).map(|k| (-0.5 * (k as f64 / sigma.max(1e-6)).powi(2)).exp()).collect();
    let sum = 2.0 * raw.iter().sum::<f64>() - raw[0];
    raw.iter().map(|w| (w / sum) as f32).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_blurred_point_keeps_its_sum_and_has_the_gaussians_height() {
        let mut point = Field::new([61, 61], vec![0.0; 61 * 61]);
        point.values[30 * 61 + 30] = 1.0;
        let blurred = point.blur(3.0);
        assert!((blurred.values.iter().sum::<f32>() - 1.0).abs() < 1e-4);
        // 1 / (2 π σ²) with its tails cut at 3 σ.
        assert!((blurred.at(30, 30) - 0.017_684 * 1.005).abs() < 1e-4, "{}", blurred.at(30, 30));
    }

    #[test]
    fn a_narrow_dark_line_goes_and_a_wide_one_stays_as_it_was() {
        let dark = |x: usize| (10..13).contains(&x) || (30..41).contains(&x);
        let lines = Field::new([60, 60], (0..3600).map(|at| if dark(at % 60) { -1.0 } else { 0.0 }).collect());
        let left = lines.without_narrow_dark(4.0);
        assert!((0..60).all(|x| left.at(x, 30) == if (30..41).contains(&x) { -1.0 } else { 0.0 }));
    }

    #[test]
    fn the_running_sum_undoes_the_slope() {
        let bump: Vec<f32> = (0..200).map(|x| (-((x as f32 - 90.0) / 9.0).powi(2)).exp()).collect();
        let bump = Field::new([200, 1], bump);
        let again = bump.slope_x().sum_along_x(500.0);
        assert!((again.at(90, 0) - again.at(140, 0) - 1.0).abs() < 0.05);
    }
}
