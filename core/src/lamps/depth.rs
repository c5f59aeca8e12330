//! From slopes to heights: the surface whose slopes are nearest to the measured ones, each weighted by how well it is known.
//!
//! Least squares over the differences between neighbours, the discrete form of the Poisson equation with free borders (Horn & Brooks
//! 1986; without weights and with periodic borders it is what Frankot & Chellappa 1988 solve). Conjugate gradients (Hestenes & Stiefel
//! 1952) from coarse to fine.

/// Slopes of a surface, and how much each counts.
#[derive(Debug, Clone)]
pub(super) struct Slopes {
    pub size: [usize; 2],
    /// By how much the surface rises from a pixel to the next along x and along y.
    pub rise: Vec<[f64; 2]>,
    /// 0 where there is no surface.
    pub weight: Vec<f64>,
}

/// The coarsest grid has fewer pixels on a side than this.
const COARSEST: usize = 24;
/// Rounds on each grid; the coarse ones leave little to the fine.
const ROUNDS: usize = 150;
/// What is left of the residual when it is good enough.
const LEFT: f64 = 1e-5;

/// Heights in units of a pixel's rise; zero mean over the surface, zero where there is none.
pub(super) fn heights(slopes: &Slopes) -> Vec<f64> {
    let [width, height] = slopes.size;
    let mut start = vec![0.0; width * height];
    if width.min(height) >= 2 * COARSEST {
        let coarse = slopes.halved();
        let found = heights(&coarse);
        for (at, value) in start.iter_mut().enumerate() {
            *value = between(&found, coarse.size, at % width, at / width);
        }
    }
    let edges = Edges::of(slopes);
    edges.solve(&mut start);
    let (sum, n) =
        start.iter().zip(&slopes.weight).filter(|(_, w)| **w > 0.0).fold((0.0, 0.0), |(s, n), (h, _)| (s + h, n + 1.0));
    start
        .iter_mut()
        .zip(&slopes.weight)
        .for_each(|(h, w)| *h = if *w > 0.0 { *h - sum / f64::max(n, 1.0) } else { 0.0 });
    start
}

/// The coarse height at a fine pixel (bilinear): four fine pixels lie around the middle of a coarse one.
fn between(coarse: &[f64], [width, height]: [usize; 2], column: usize, row: usize) -> f64 {
    let along = |fine: usize, n: usize| {
        let t = (fine as f64 / 2.0 - 0.25).clamp(0.0, (n - 1) as f64);
        let low = (t as usize).min(n.saturating_sub(2));
        (low, (low + 1).min(n - 1), t - low as f64)
    };
    let ((c0, c1, fx), (r0, r1, fy)) = (along(column, width), along(row, height));
    let line = |r: usize| coarse[r * width + c0] * (1.0 - fx) + coarse[r * width + c1] * fx;
    line(r0) * (1.0 - fy) + line(r1) * fy
}

impl Slopes {
    /// Half as fine: means of four, whose steps are twice as long.
    fn halved(&self) -> Self {
        let size = self.size.map(|n| n.div_ceil(2));
        let mut half = Self { size, rise: vec![[0.0; 2]; size[0] * size[1]], weight: vec![0.0; size[0] * size[1]] };
        for (at, (rise, weight)) in self.rise.iter().zip(&self.weight).enumerate() {
            let to = at / self.size[0] / 2 * size[0] + at % self.size[0] / 2;
            (0..2).for_each(|k| half.rise[to][k] += rise[k] * weight);
            half.weight[to] += weight;
        }
        for (rise, weight) in half.rise.iter_mut().zip(&mut half.weight) {
            *rise = if *weight > 0.0 { rise.map(|r| 2.0 * r / *weight) } else { [0.0; 2] };
            *weight /= 4.0;
        }
        half
    }
}

/// Differences between neighbours: how much each should be, and how much it counts.
struct Edges {
    size: [usize; 2],
    /// To the right and downward; the weight is zero where there is no neighbour.
    rise: Vec<[f64; 2]>,
    weight: Vec<[f64; 2]>,
}

impl Edges {
    fn of(slopes: &Slopes) -> Self {
        let [width, height] = slopes.size;
        let edge = |at: usize, k: usize| {
            let next = if k == 0 { at + 1 } else { at + width };
            let there = if k == 0 { at % width + 1 < width } else { at / width + 1 < height };
            if !there {
                return (0.0, 0.0);
            }
            (0.5 * (slopes.rise[at][k] + slopes.rise[next][k]), slopes.weight[at].min(slopes.weight[next]))
        };
        let (rise, weight) = (0..width * height)
            .map(|at| {
                let ((rx, wx), (ry, wy)) = (edge(at, 0), edge(at, 1));
                ([rx, ry], [wx, wy])
            })
            .unzip();
        Self { size: slopes.size, rise, weight }
    }

    /// Each pixel's sum over its edges of weight times what `f` says of the edge's two ends (first from, then to).
    fn gather(&self, into: &mut [f64], f: impl Fn(usize, usize, usize) -> f64) {
        into.fill(0.0);
        let [width, height] = self.size;
        for at in 0..width * height {
            for (k, step) in [(0, 1), (1, width)] {
                if self.weight[at][k] > 0.0 {
                    let flow = self.weight[at][k] * f(at, at + step, k);
                    into[at] -= flow;
                    into[at + step] += flow;
                }
            }
        }
    }

    fn solve(&self, x: &mut [f64]) {
        let n = x.len();
        let mut diagonal = vec![0.0; n];
        for at in 0..n {
            for (k, step) in [(0, 1), (1, self.size[0])] {
                if self.weight[at][k] > 0.0 {
                    diagonal[at] += self.weight[at][k];
                    diagonal[at + step] += self.weight[at][k];
                }
            }
        }
        let (mut residual, mut image) = (vec![0.0; n], vec![0.0; n]);
        // What the rises ask for, less what the start gives.
        self.gather(&mut residual, |a, b, k| self.rise[a][k] - (x[b] - x[a]));
        let mut asked = vec![0.0; n];
        self.gather(&mut asked, |a, _, k| self.rise[a][k]);
        let size =
            |v: &[f64]| v.iter().zip(&diagonal).map(|(v, d)| if *d > 0.0 { v * v / d } else { 0.0 }).sum::<f64>();
        let enough = LEFT * LEFT * size(&asked);
        let smooth = |r: &[f64], z: &mut [f64]| {
            z.iter_mut().zip(r).zip(&diagonal).for_each(|((z, r), d)| *z = if *d > 0.0 { r / d } else { 0.0 });
        };
        let mut z = vec![0.0; n];
        smooth(&residual, &mut z);
        let mut way = z.clone();
        let mut power = size(&residual);
        for _ in 0..ROUNDS {
            if power <= enough || power == 0.0 {
                break;
            }
            self.gather(&mut image, |a, b, _| way[b] - way[a]);
            let bend: f64 = way.iter().zip(&image).map(|(w, i)| w * i).sum();
            let step = power / bend.max(f64::MIN_POSITIVE);
            x.iter_mut().zip(&way).for_each(|(x, w)| *x += step * w);
            residual.iter_mut().zip(&image).for_each(|(r, i)| *r -= step * i);
            smooth(&residual, &mut z);
            let next = size(&residual);
            let keep = next / power;
            power = next;
            way.iter_mut().zip(&z).for_each(|(w, z)| *w = z + keep * *w);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Slopes of a height function over a grid whose pixels are one long.
    fn slopes(size: [usize; 2], slope: impl Fn(f64, f64) -> [f64; 2], weight: impl Fn(f64, f64) -> f64) -> Slopes {
        let places: Vec<(f64, f64)> =
            (0..size[0] * size[1]).map(|at| ((at % size[0]) as f64, (at / size[0]) as f64)).collect();
        Slopes {
            size,
            rise: places.iter().map(|(x, y)| slope(*x, *y)).collect(),
            weight: places.iter().map(|(x, y)| weight(*x, *y)).collect(),
        }
    }

    /// Largest distance from the true heights after their mean was taken away, over pixels that count in full.
    fn off(slopes: &Slopes, truth: impl Fn(f64, f64) -> f64) -> f64 {
        let found = heights(slopes);
        let known: Vec<(f64, f64)> = (0..found.len())
            .filter(|at| slopes.weight[*at] > 0.5)
            .map(|at| (found[at], truth((at % slopes.size[0]) as f64, (at / slopes.size[0]) as f64)))
            .collect();
        let mean = known.iter().map(|(f, t)| f - t).sum::<f64>() / known.len() as f64;
        known.iter().map(|(f, t)| (f - t - mean).abs()).fold(0.0, f64::max)
    }

    #[test]
    fn a_plane_comes_back_flat_and_a_paraboloid_to_a_thousandth_of_its_height() {
        assert!(off(&slopes([90, 70], |_, _| [0.0, 0.0], |_, _| 1.0), |_, _| 0.0) < 1e-12);
        // z = ((x − 100)² + 2 (y − 80)²) / 400: 57 high over the grid. Means of neighbours' slopes are exact for it.
        let bowl = |x: f64, y: f64| ((x - 100.0).powi(2) + 2.0 * (y - 80.0).powi(2)) / 400.0;
        let slopes = slopes([210, 170], |x, y| [(x - 100.0) / 200.0, (y - 80.0) / 100.0], |_, _| 1.0);
        assert!(off(&slopes, bowl) < 0.057, "{}", off(&slopes, bowl));
    }

    #[test]
    fn a_spherical_cap_comes_back_to_two_hundredths_of_its_height_around_a_card_that_covers_a_corner() {
        // A sphere of radius 60 up to 45 from its axis: 20.3 high, with level ground around it.
        let from_axis = |x: f64, y: f64| ((x - 150.0).powi(2) + (y - 90.0).powi(2)).sqrt();
        let cap = |x: f64, y: f64| (3600.0 - from_axis(x, y).min(45.0).powi(2)).sqrt() - 1575.0_f64.sqrt();
        let slope = |x: f64, y: f64| {
            let under = from_axis(x, y);
            if under < 45.0 { [150.0 - x, 90.0 - y].map(|d| d / (3600.0 - under * under).sqrt()) } else { [0.0; 2] }
        };
        let ground = |x: f64, y: f64| if x < 60.0 && y > 120.0 { 0.0 } else { 1.0 };
        let slopes = slopes([240, 180], slope, ground);
        assert!(off(&slopes, cap) < 0.4, "{}", off(&slopes, cap));
    }

    #[test]
    fn slopes_that_count_little_bend_the_surface_little() {
        // A hole in what is known, filled with nonsense that counts for nothing.
        let tilted = |x: f64, y: f64| 0.1 * x - 0.05 * y;
        let hole = |x: f64, y: f64| (x - 60.0).hypot(y - 50.0) < 15.0;
        let rough = slopes(
            [120, 100],
            |x, y| if hole(x, y) { [2.0, -3.0] } else { [0.1, -0.05] },
            |x, y| if hole(x, y) { 1e-9 } else { 1.0 },
        );
        assert!(off(&rough, tilted) < 0.02, "{}", off(&rough, tilted));
    }
}
