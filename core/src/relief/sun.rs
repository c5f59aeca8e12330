//! Where the light comes from.
//!
//! Low light shades a rough ground by its slope along the light, so that brightness changes most along the light: for waves in all
//! directions alike, three times as strongly as across it (mean square). The direction in which it changes most is the light's axis; its
//! side can't be told from shading alone (pits lit from one side look like bumps lit from the other).

use super::field::Field;
use super::rectify::Rectified;

/// The light's axis on the ground.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Axis {
    /// Degrees clockwise from the window's +x, 0 ≤ … < 180.
    pub deg: f64,
    /// Standard uncertainty, degrees.
    pub u_deg: f64,
    /// How much more strongly brightness changes along the axis than across it: 1 is not at all.
    pub ratio: f64,
}

/// Grains and noise are blurred away, slow changes of colour are evened out, mm.
const FINE_MM: f64 = 0.7;
const COARSE_MM: f64 = 12.0;
/// The ground is taken in squares of this side; how much they disagree gives the uncertainty, mm.
const BLOCK_MM: f64 = 22.0;
/// Ripples, and shadows that end where walls do, turn the axis of all blocks alike (standard uncertainty; found on rendered pictures), degrees.
const U_COMMON_DEG: f64 = 3.0;
/// With a larger uncertainty, as under an overcast sky, no axis is told, degrees.
const U_MOST_DEG: f64 = 20.0;
/// Where brightness changes less than this share from pixel to pixel, there is nothing but a camera's rounding.
const LEAST_SLOPE: f32 = 1e-4;
/// A smaller ratio is what even light gives by chance.
const LEAST_RATIO: f64 = 1.25;

/// The light's axis from how brightness changes over the ground; `None` in even light, or where too little ground is seen.
pub fn axis(rectified: &Rectified) -> Option<Axis> {
    let px_per_mm = rectified.window.px_per_mm;
    let ground = Field::new(rectified.size, rectified.ground.clone());
    let even = evened(rectified, FINE_MM, COARSE_MM);
    let (gx, gy) = (even.slope_x(), even.slope_y());
    // Slopes at the mask's border are the border's own.
    let inner = ground.blur(2.0 * FINE_MM * px_per_mm);
    let usable = |at: usize| inner.values[at] > 0.995;
    let mut sizes: Vec<f32> =
        (0..gx.values.len()).filter(|at| usable(*at)).map(|at| gx.values[at].hypot(gy.values[at])).collect();
    if sizes.len() < 2000 {
        return None;
    }
    let rank = sizes.len() * 9 / 10;
    let strong = *sizes.select_nth_unstable_by(rank, f32::total_cmp).1;
    if strong < LEAST_SLOPE {
        return None;
    }
    let blocks = blocks(rectified, &gx, &gy, usable, strong);
    let total = sum(&blocks);
    let ratio = total.ratio();
    let others =
        blocks.iter().map(|block| total.less(block).deg() - total.deg()).map(|d| (d + 90.0).rem_euclid(180.0) - 90.0);
    // Jackknife over blocks (Efron 1982).
    let n = blocks.len() as f64;
    let spread = ((n - 1.0) / n * others.map(|d| d * d).sum::<f64>()).sqrt();
    let u_deg = spread.hypot(U_COMMON_DEG);
    (blocks.len() > 3 && u_deg < U_MOST_DEG && ratio > LEAST_RATIO).then_some(Axis {
        deg: (total.deg() + rectified.window.turn_deg).rem_euclid(180.0),
        u_deg,
        ratio,
    })
}

/// The direction along an axis that is nearer to another direction, degrees, 0 ≤ … < 360.
pub fn on_side(axis_deg: f64, towards_deg: f64) -> f64 {
    let off = (axis_deg - towards_deg + 180.0).rem_euclid(360.0) - 180.0;
    (if off.abs() <= 90.0 { axis_deg } else { axis_deg + 180.0 }).rem_euclid(360.0)
}

/// Direction towards the sun in a picture taken from above, degrees clockwise from its +x, from the sun's azimuth and the azimuth that the
/// picture's top shows (a compass's `GPSImgDirection`), both in degrees from north, eastward. A compass in a telephone is off by
/// 10° and more; that tells the side of an axis, not the axis.
pub fn towards_sun(sun_azimuth_deg: f64, top_azimuth_deg: f64) -> f64 {
    (sun_azimuth_deg - top_azimuth_deg - 90.0).rem_euclid(360.0)
}

/// Sums of squares and products of slopes.
#[derive(Debug, Clone, Copy, Default)]
struct Tensor {
    xx: f64,
    xy: f64,
    yy: f64,
}

impl Tensor {
    fn less(&self, other: &Tensor) -> Tensor {
        Tensor { xx: self.xx - other.xx, xy: self.xy - other.xy, yy: self.yy - other.yy }
    }

    /// Direction of the strongest change.
    fn deg(&self) -> f64 {
        (0.5 * (2.0 * self.xy).atan2(self.xx - self.yy)).to_degrees()
    }

    fn ratio(&self) -> f64 {
        let (mean, off) = ((self.xx + self.yy) / 2.0, ((self.xx - self.yy) / 2.0).hypot(self.xy));
        (mean + off) / (mean - off).max(1e-12)
    }
}

fn sum(blocks: &[Tensor]) -> Tensor {
    blocks.iter().fold(Tensor::default(), |s, b| Tensor { xx: s.xx + b.xx, xy: s.xy + b.xy, yy: s.yy + b.yy })
}

/// The slopes of each square; a slope counts at most as `strong`, so that a stone's edge doesn't outweigh the ground.
fn blocks(rectified: &Rectified, gx: &Field, gy: &Field, usable: impl Fn(usize) -> bool, strong: f32) -> Vec<Tensor> {
    let [width, height] = rectified.size;
    let side = (BLOCK_MM * rectified.window.px_per_mm) as usize;
    let across = width.div_ceil(side);
    let mut blocks = vec![(Tensor::default(), 0usize); across * height.div_ceil(side)];
    for at in (0..width * height).filter(|at| usable(*at)) {
        let (x, y) = (gx.values[at], gy.values[at]);
        let scale = f64::from((strong / x.hypot(y).max(1e-12)).min(1.0));
        let (x, y) = (f64::from(x) * scale, f64::from(y) * scale);
        let (block, n) = &mut blocks[at / width / side * across + at % width / side];
        *block = Tensor { xx: block.xx + x * x, xy: block.xy + x * y, yy: block.yy + y * y };
        *n += 1;
    }
    blocks.into_iter().filter(|(_, n)| *n > side * side / 8).map(|(block, _)| block).collect()
}

/// Light as a share of the mean light around, minus one: between two blurs, mm.
pub(super) fn evened(rectified: &Rectified, fine_mm: f64, coarse_mm: f64) -> Field {
    let px_per_mm = rectified.window.px_per_mm;
    let ground = Field::new(rectified.size, rectified.ground.clone());
    let light = Field::new(rectified.size, rectified.light.clone());
    let around = light.blur_within(&ground, coarse_mm * px_per_mm);
    let fine = if fine_mm > 0.0 { light.blur_within(&ground, fine_mm * px_per_mm) } else { light };
    fine.map2(&around, |v, a| if a > 1e-6 { v / a - 1.0 } else { 0.0 }).map2(&ground, |v, g| v * g)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::relief::Window;

    /// A ground of waves in all directions, shaded by its slope along a direction.
    fn shaded(deg: f64) -> Rectified {
        let window = Window { px_per_mm: 2.0, ..Window::around([0.0, 0.0]) };
        let size = window.size();
        let waves: Vec<(f64, f64, f64)> = (0..180)
            .map(|k| (f64::from(k).to_radians() * 7.0, 0.5 + f64::from(k * 37 % 60) / 60.0, f64::from(k * 53 % 97)))
            .collect();
        let (sy, sx) = deg.to_radians().sin_cos();
        let light = (0..size[0] * size[1]).map(|at| {
            let [x, y] = window.to_mm([(at % size[0]) as f64, (at / size[0]) as f64]);
            let slope: f64 = waves
                .iter()
                .map(|(way, k, phase)| {
                    let (dy, dx) = way.sin_cos();
                    (dx * sx + dy * sy) * (k * (x * dx + y * dy) + phase).sin()
                })
                .sum();
            (0.3 + 0.01 * slope) as f32
        });
        Rectified { window, size, light: light.collect(), ground: vec![1.0; size[0] * size[1]] }
    }

    #[test]
    fn the_axis_of_a_shaded_ground_is_found_within_its_uncertainty() {
        for deg in [10.0, 75.0, 140.0] {
            let found = axis(&shaded(deg)).unwrap();
            let off = (found.deg - deg + 90.0).rem_euclid(180.0) - 90.0;
            assert!(off.abs() < 2.5 * found.u_deg, "{deg}: {found:?}");
            assert!((1.8..5.0).contains(&found.ratio), "{found:?}");
        }
    }

    #[test]
    fn a_sun_in_the_east_shines_from_the_right_of_a_picture_with_north_on_top() {
        assert_eq!(towards_sun(90.0, 0.0), 0.0);
        // Walking east, the sun in the north-east stands ahead and to the left.
        assert_eq!(towards_sun(45.0, 90.0), 225.0);
        assert_eq!(on_side(40.0, towards_sun(45.0, 90.0)), 220.0);
    }

    #[test]
    fn an_evenly_lit_plain_ground_has_no_axis() {
        let mut plain = shaded(0.0);
        plain.light.fill(0.3);
        assert_eq!(axis(&plain), None);
    }
}
