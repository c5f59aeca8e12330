//! Photographs of one ground under different lamps laid over each other by the ground itself.
//!
//! The card's plane brings them together but for what lies below it: seen from another place, a print 5 mm deep is a millimetre beside. The
//! light changes from photograph to photograph, so brightness can't be compared. But shading by low light is about the height's
//! slope towards the lamp (Pentland 1990). The slope of that shading towards the other photograph's lamp is the height's mixed second
//! derivative along both lamps, which the two photographs share: it doesn't matter which derivative comes first. Speckled ground under
//! higher lamps shares its colour instead. Both are tried, by correlation from far and by Gauss and Newton's method from near (Lucas &
//! Kanade 1981), and each pair of photographs takes what correlates more; the offsets are those that agree best with all pairs.
//!
//! A flat card that is seen well lays photographs over each other better than shading does, so that an offset that may be chance is none.
//!
//! Once heights are known, a second round ([`parallax`]) also finds by how much what is deeper lies further aside (parallax): for a camera that moved
//! by a tenth of its height that is a tenth of the depth, all over the print in one direction.

use nalgebra::{DMatrix, DVector, Matrix4, Vector2, Vector4};

use crate::relief::field::Field;

/// A photograph's shading over the window: light as a share of what level ground reflects (no unit), and where ground is seen (0–1).
pub(super) struct Shading {
    pub light: Field,
    pub ground: Field,
    /// Degrees clockwise from the window's +x.
    pub azimuth_deg: f64,
}

/// Where a photograph's ground lies beside that of the first.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Offset {
    pub px: [f64; 2],
    /// Further aside for each pixel of height.
    pub by_height: [f64; 2],
    /// By how much the pairs disagree, px.
    pub u_px: f64,
    /// The best correlation with any other photograph.
    pub correlation: f64,
}

impl Offset {
    /// As the card's plane shows it.
    pub const NONE: Self = Self { px: [0.0; 2], by_height: [0.0; 2], u_px: 0.0, correlation: 1.0 };
}

/// Photographs are looked for as far apart as this, mm.
pub(super) const MOST_APART_MM: f64 = 4.0;
/// Blur of the derivatives for the search and for the fit, mm.
const COARSE_MM: f64 = 0.9;
const FINE_MM: f64 = 0.45;
/// Pairs that correlate less don't count.
pub(super) const LEAST_CORRELATION: f64 = 0.2;
/// The search looks at every so many pixels of what was blurred, and so does the fit.
const SEARCH_STEP: usize = 3;
const FIT_STEP: usize = 2;
/// With fewer pixels nothing is laid over anything.
const LEAST_PIXELS: f64 = 500.0;
/// Steps of the fit.
const STEPS: usize = 12;
/// What the fit's own residuals don't show (standard uncertainty; found on rendered pictures), px.
const U_LEAST_PX: f64 = 0.15;
/// The card is believed where the ground lies this many standard uncertainties from it at most.
const BELIEVED: f64 = 3.0;
/// How well the ground's offset is kept while parallax is looked for, px.
const U_KEPT_PX: f64 = 0.05;

/// How far a camera moves between photographs, as a share of its height (standard uncertainty beforehand; assumed).
const U_BY_HEIGHT: f64 = 0.1;

/// A pair's offset (along x and y, then by height) with its information (the inverse of its covariance).
struct Pair {
    from: usize,
    to: usize,
    offset: Vector4<f64>,
    information: Matrix4<f64>,
    correlation: f64,
}

/// The offsets of all photographs, the first one's being zero; a photograph that can't be laid over the others is an error.
pub(super) fn offsets(shadings: &[Shading], px_per_mm: f64) -> Result<Vec<Offset>, (usize, f64)> {
    let size = shadings.first().map_or([0; 2], |shading| shading.light.size);
    let flat = Field::new(size, vec![0.0; size[0] * size[1]]);
    let mut found = laid(shadings, &flat, None, px_per_mm)?;
    for offset in &mut found {
        if offset.px[0].hypot(offset.px[1]) < BELIEVED * offset.u_px {
            offset.px = [0.0; 2];
        }
    }
    Ok(found)
}

/// The same offsets with parallax; `height` is the ground's, px.
pub(super) fn parallax(
    shadings: &[Shading],
    height: &Field,
    offsets: &[Offset],
    px_per_mm: f64,
) -> Result<Vec<Offset>, (usize, f64)> {
    let found = laid(shadings, height, Some(offsets), px_per_mm)?;
    Ok(found.iter().zip(offsets).map(|(new, old)| Offset { by_height: new.by_height, ..*old }).collect())
}

fn laid(
    shadings: &[Shading],
    height: &Field,
    known: Option<&[Offset]>,
    px_per_mm: f64,
) -> Result<Vec<Offset>, (usize, f64)> {
    let n = shadings.len();
    let start = |from: usize, to: usize| known.map(|k| Vector2::from(k[to].px) - Vector2::from(k[from].px));
    let all: Vec<Pair> = (0..n)
        .flat_map(|to| (0..to).map(move |from| (from, to)))
        .filter_map(|(from, to)| {
            pair([&shadings[from], &shadings[to]], height, start(from, to), px_per_mm)
                .map(|found| found.between(from, to))
        })
        .collect();
    let correlation = |k: usize| {
        let own = all.iter().filter(|pair| pair.from == k || pair.to == k);
        own.map(|pair| pair.correlation).fold(0.0, f64::max)
    };
    let good: Vec<&Pair> = all.iter().filter(|pair| pair.correlation >= LEAST_CORRELATION).collect();
    if let Some(lost) = (0..n).find(|k| !reached(&good, n)[*k]) {
        return Err((lost, correlation(lost)));
    }
    // Least squares over the pairs (four numbers a photograph, the first one's held at zero).
    let (mut normal, mut right) = (DMatrix::<f64>::identity(4 * n, 4 * n) * 1e-9, DVector::<f64>::zeros(4 * n));
    (0..4).for_each(|k| normal[(k, k)] += 1e12);
    for pair in &good {
        let along = pair.information * pair.offset;
        for (a, sign) in [(pair.to, 1.0), (pair.from, -1.0)] {
            right.fixed_rows_mut::<4>(4 * a).axpy(sign, &along, 1.0);
            for (b, other) in [(pair.to, 1.0), (pair.from, -1.0)] {
                let mut block = normal.fixed_view_mut::<4, 4>(4 * a, 4 * b);
                block += pair.information * (sign * other);
            }
        }
    }
    let found = normal.cholesky().map(|c| c.solve(&right)).ok_or((0, 0.0))?;
    let place = |k: usize| Vector4::new(found[4 * k], found[4 * k + 1], found[4 * k + 2], found[4 * k + 3]);
    let off = |k: usize| {
        let own = good.iter().filter(|pair| pair.from == k || pair.to == k);
        let miss = |pair: &&&Pair| (place(pair.to) - place(pair.from) - pair.offset).xy().norm_squared() / 2.0;
        let squares: Vec<f64> = own.map(|pair| miss(&pair)).collect();
        (squares.iter().sum::<f64>() / squares.len().max(1) as f64).sqrt()
    };
    let offset = |k: usize| Offset {
        px: place(k).xy().into(),
        by_height: [place(k).z, place(k).w],
        u_px: off(k).hypot(U_LEAST_PX),
        correlation: correlation(k),
    };
    Ok((0..n).map(offset).collect())
}

/// Which photographs pairs lead to from the first.
fn reached(pairs: &[&Pair], n: usize) -> Vec<bool> {
    let mut reached = vec![false; n];
    reached[0] = true;
    for _ in 0..n {
        for pair in pairs {
            let either = reached[pair.from] || reached[pair.to];
            (reached[pair.from], reached[pair.to]) = (either, either);
        }
    }
    reached
}

/// What two photographs may share.
#[derive(Debug, Clone, Copy)]
enum Shares {
    /// The relief: its mixed derivative along both lamps.
    Relief,
    /// The ground's colour.
    Colour,
}

/// What was found for a pair.
struct Found {
    offset: Vector4<f64>,
    fit: Fit,
}

impl Found {
    fn between(self, from: usize, to: usize) -> Pair {
        let Fit { information, correlation, .. } = self.fit;
        Pair { from, to, offset: self.offset, information, correlation }
    }
}

fn pair(of: [&Shading; 2], height: &Field, start: Option<Vector2<f64>>, px_per_mm: f64) -> Option<Found> {
    let kinds = [Shares::Relief, Shares::Colour].into_iter();
    let tried = kinds.filter_map(|what| by(what, of, height, start, px_per_mm));
    tried.max_by(|a, b| a.fit.correlation.total_cmp(&b.fit.correlation))
}

fn by(
    what: Shares,
    [a, b]: [&Shading; 2],
    height: &Field,
    start: Option<Vector2<f64>>,
    px_per_mm: f64,
) -> Option<Found> {
    let both = |mm: f64| [a.feature(what, b, mm * px_per_mm), b.feature(what, a, mm * px_per_mm)];
    let px = start.unwrap_or_else(|| {
        let [far_a, far_b] = both(COARSE_MM);
        search(&far_a, &far_b, MOST_APART_MM * px_per_mm)
    });
    let [near_a, near_b] = both(FINE_MM);
    let [slope_x, slope_y] = [near_b.slope_x(), near_b.slope_y()];
    let mut offset = Vector4::new(px.x, px.y, 0.0, 0.0);
    let u = Vector4::new(U_KEPT_PX, U_KEPT_PX, U_BY_HEIGHT, U_BY_HEIGHT);
    let sure = u.map(|u| 1.0 / (u * u)).component_mul(&if start.is_some() {
        Vector4::repeat(1.0)
    } else {
        Vector4::new(0.0, 0.0, 1.0, 1.0)
    });
    let before = (offset, Matrix4::from_diagonal(&sure));
    let mut last = None;
    for _ in 0..STEPS {
        let fit = Fit::at(&near_a, [&near_b, &slope_x, &slope_y], height, offset, before)?;
        offset += fit.step;
        let done = fit.step.norm() < 1e-3;
        last = Some(fit);
        if done {
            break;
        }
    }
    let fit = last?;
    let near = offset.xy().norm() < (MOST_APART_MM + 0.5) * px_per_mm && fit.step.norm() < 0.05;
    near.then_some(Found { offset, fit })
}

impl Shading {
    /// What is compared with the same of another photograph. Strong values, as at the edges of shadows, are weakened. Zero where ground is
    /// missing near.
    fn feature(&self, what: Shares, other: &Shading, sigma_px: f64) -> Field {
        let smooth = self.light.blur_within(&self.ground, sigma_px);
        let raw = match what {
            Shares::Relief => {
                let (dy, dx) = other.azimuth_deg.to_radians().sin_cos();
                smooth.slope_x().map2(&smooth.slope_y(), |x, y| x * dx as f32 + y * dy as f32)
            }
            Shares::Colour => {
                let around = self.light.blur_within(&self.ground, 4.0 * sigma_px);
                smooth.map2(&around, |fine, around| fine - around)
            }
        };
        let inner = self.ground.blur(sigma_px);
        let seen = raw.map2(&inner, |v, m| if m > 0.995 { v } else { 0.0 });
        let known = seen.values.iter().filter(|v| **v != 0.0);
        let (sum, n) = known.fold((0.0_f64, 0.0), |(s, n), v| (s + f64::from(v.abs()), n + 1.0));
        let usual = (sum / f64::max(n, 1.0)).max(1e-9) as f32;
        let values = seen.values.iter().map(|v| v / (v.abs() + 2.0 * usual)).collect();
        Field::new(seen.size, values)
    }
}

/// The whole offset at which two fields correlate most.
fn search(a: &Field, b: &Field, most: f64) -> Vector2<f64> {
    let most = most.ceil() as isize;
    let [width, height] = a.size.map(|n| n as isize);
    let mut best = (f32::MIN, Vector2::zeros());
    for dy in -most..=most {
        for dx in -most..=most {
            let (mut product, mut square_a, mut square_b) = (0.0_f32, 1e-9_f32, 1e-9_f32);
            for row in ((-dy).max(0)..(height - dy).min(height)).step_by(SEARCH_STEP) {
                for column in ((-dx).max(0)..(width - dx).min(width)).step_by(SEARCH_STEP) {
                    let (va, vb) = (
                        a.values[(row * width + column) as usize],
                        b.values[((row + dy) * width + column + dx) as usize],
                    );
                    product += va * vb;
                    if va != 0.0 && vb != 0.0 {
                        square_a += va * va;
                        square_b += vb * vb;
                    }
                }
            }
            let correlation = product / (square_a * square_b).sqrt();
            if correlation > best.0 {
                best = (correlation, Vector2::new(dx as f64, dy as f64));
            }
        }
    }
    best.1
}

/// One step of Gauss and Newton's method: a(x) is best like gain · b(x + offset + height(x) · offset by height).
struct Fit {
    step: Vector4<f64>,
    information: Matrix4<f64>,
    correlation: f64,
}

impl Fit {
    /// `b` comes with its slopes along x and y; `before` is what is known beforehand, with its information.
    fn at(
        a: &Field,
        b: [&Field; 3],
        height: &Field,
        offset: Vector4<f64>,
        (before, sure): (Vector4<f64>, Matrix4<f64>),
    ) -> Option<Self> {
        let [columns, rows] = a.size;
        let [b, slope_x, slope_y] = b;
        let (mut aa, mut ab, mut bb, mut n) = (0.0, 0.0, 0.0, 0.0);
        let (mut normal, mut by_a, mut by_b) = (Matrix4::zeros(), Vector4::zeros(), Vector4::zeros());
        for row in (1..rows - 1).step_by(FIT_STEP) {
            for column in (1..columns - 1).step_by(FIT_STEP) {
                let at = row * columns + column;
                let (value, high) = (f64::from(a.values[at]), f64::from(height.values[at]));
                let [x, y] = [column as f64 + offset.x + high * offset.z, row as f64 + offset.y + high * offset.w];
                if value == 0.0 || x < 1.0 || y < 1.0 || x > (columns - 2) as f64 || y > (rows - 2) as f64 {
                    continue;
                }
                let other = f64::from(b.between([x, y]));
                if other == 0.0 {
                    continue;
                }
                let (right, down) = (f64::from(slope_x.between([x, y])), f64::from(slope_y.between([x, y])));
                let slope = Vector4::new(right, down, high * right, high * down);
                (aa, ab, bb, n) = (aa + value * value, ab + value * other, bb + other * other, n + 1.0);
                normal += slope * slope.transpose();
                by_a += slope * value;
                by_b += slope * other;
            }
        }
        let gain = ab / bb;
        if !(n > LEAST_PIXELS && gain > 0.0) {
            return None;
        }
        // Neighbours are alike over the blur, so that fewer readings are independent than there are pixels: cautiously one in eight of those
        // taken.
        let left_over = ((aa - ab * gain) / n * 8.0).max(1e-12);
        let information = normal * (gain * gain / left_over) + sure;
        let right = (by_a * gain - by_b * gain * gain) / left_over - sure * (offset - before);
        let step = information.cholesky()?.solve(&right);
        Some(Self { step: step / step.norm().max(1.0), information, correlation: ab / (aa * bb).sqrt() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PX_PER_MM: f64 = 3.0;

    /// A rough ground (waves in all directions) shaded by its slope towards a lamp, seen shifted by some pixels.
    fn shading(azimuth_deg: f64, [dx, dy]: [f64; 2], course: f64) -> Shading {
        let size = [240, 200];
        let (sy, sx) = azimuth_deg.to_radians().sin_cos();
        let light = (0..size[0] * size[1]).map(|at| {
            let (x, y) = ((at % size[0]) as f64 - dx, (at / size[0]) as f64 - dy);
            let slope: f64 = (0..60)
                .map(|k| {
                    let k = f64::from(k);
                    let (wy, wx) = (k * 0.77 * course).sin_cos();
                    let waves = 0.15 + 0.35 * (k * 0.37).fract();
                    (wx * sx + wy * sy) * (waves * (x * wx + y * wy) + k * k * course).sin()
                })
                .sum();
            (1.0 + 0.03 * slope) as f32
        });
        let light = Field::new(size, light.collect());
        Shading { light, ground: Field::new(size, vec![1.0; size[0] * size[1]]), azimuth_deg }
    }

    #[test]
    fn photographs_lit_from_opposite_sides_are_laid_over_each_other_to_a_twentieth_of_a_pixel() {
        let shifts = [[0.0, 0.0], [2.4, -1.3], [-3.7, 5.2], [0.9, 0.2]];
        let lamps = [10.0, 95.0, 190.0, 275.0];
        let shadings: Vec<_> = lamps.iter().zip(shifts).map(|(deg, shift)| shading(*deg, shift, 1.0)).collect();
        for (offset, shift) in offsets(&shadings, PX_PER_MM).unwrap().iter().zip(shifts) {
            let off = (offset.px[0] - shift[0]).hypot(offset.px[1] - shift[1]);
            assert!(off < 0.05 && offset.correlation > 0.8, "{offset:?} {shift:?}");
        }
    }

    #[test]
    fn flat_speckled_ground_is_laid_over_itself_by_its_colour() {
        let shifts = [[0.0, 0.0], [2.4, -1.3], [-3.7, 5.2]];
        // The same pattern under all lamps: shaded as by one lamp, whatever the other two are.
        let speckled = |deg: f64, shift| Shading { azimuth_deg: deg, ..shading(10.0, shift, 1.0) };
        let shadings: Vec<_> =
            [10.0, 130.0, 250.0].iter().zip(shifts).map(|(deg, shift)| speckled(*deg, shift)).collect();
        for (offset, shift) in offsets(&shadings, PX_PER_MM).unwrap().iter().zip(shifts) {
            assert!((offset.px[0] - shift[0]).hypot(offset.px[1] - shift[1]) < 0.05, "{offset:?} {shift:?}");
        }
    }

    #[test]
    fn what_may_be_chance_is_left_to_the_card() {
        let shadings: Vec<_> = [(10.0, [0.0, 0.0]), (130.0, [0.2, -0.1]), (250.0, [0.1, 0.1])]
            .map(|(deg, shift)| shading(deg, shift, 1.0))
            .into();
        assert!(offsets(&shadings, PX_PER_MM).unwrap().iter().all(|offset| offset.px == [0.0; 2]));
    }

    #[test]
    fn a_camera_that_moved_sees_deep_ground_aside() {
        // A plain that falls from 6 px above the card to 6 px below it, from the left to the right, seen by a camera that moved by a twentieth
        // of its height: what is deeper is stretched aside.
        let height = |x: f64| 6.0 - 0.05 * x;
        let ramp = (0..240 * 200).map(|at| height(f64::from(at % 240)) as f32).collect();
        let ramp = Field::new([240, 200], ramp);
        let (first, mut second) = (shading(10.0, [0.0; 2], 1.0), shading(130.0, [0.0; 2], 1.0));
        let still = second.light.clone();
        for at in 0..240 * 200 {
            // x' = x + 0.05 height(x)
            let (seen_x, y) = ((at % 240) as f64, (at / 240) as f64);
            let x = (seen_x - 0.05 * 6.0) / (1.0 - 0.05 * 0.05);
            second.light.values[at] = still.between([x, y]);
        }
        let shadings = [first, second];
        let found = parallax(&shadings, &ramp, &offsets(&shadings, PX_PER_MM).unwrap(), PX_PER_MM).unwrap();
        let [x, y] = found[1].by_height;
        assert!((x - 0.05).abs() < 0.015 && y.abs() < 0.015, "{found:?}");
    }

    #[test]
    fn other_ground_is_noticed_and_named() {
        let mut shadings: Vec<_> = [10.0, 130.0, 250.0].iter().map(|deg| shading(*deg, [0.0, 0.0], 1.0)).collect();
        shadings[1] = shading(130.0, [0.0, 0.0], 1.7);
        let (which, correlation) = offsets(&shadings, PX_PER_MM).unwrap_err();
        assert!(which == 1 && correlation < LEAST_CORRELATION, "{which} {correlation}");
    }
}
