//! Where pits of a pad's size may be: bright and dark in the order that the light gives a pit.
//!
//! In a frame whose x axis points towards the light, a pit is dark on the light's side (its wall looks away, or lies in shadow) and bright on
//! the other. Three readings are added at each size: dark blobs (the Laplacian of a Gaussian, Lindeberg 1998), brightness that falls
//! towards the light, and pits of the linear relief (brightness summed along the light, Pentland 1990).
//!
//! In even light a pit is dark because it sees less sky, a narrow one the most: claws are the darkest of a print. Darkness is therefore
//! compressed, what is narrower than a toe is taken out and kept apart as claws, and dark blobs are looked for in what is left.

use super::field::Field;
use super::rectify::Rectified;
use super::sun::evened;

/// A place that looks like a pit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Blob {
    /// mm in the scale's plane.
    pub at_mm: [f64; 2],
    /// Mean of half width and half length, mm.
    pub radius_mm: f64,
    /// How strongly, in standard deviations of the ground's own.
    pub score: f64,
}

/// Sizes that are looked for: standard deviation of the Gaussian, mm.
const SIGMAS_MM: [f64; 8] = [1.9, 2.38, 2.97, 3.71, 4.64, 5.8, 7.25, 9.06];
/// A disc's Laplacian answers most to a Gaussian of its radius over the square root of two (Lindeberg 1998).
const RADIUS_OF_SIGMA: f64 = std::f64::consts::SQRT_2;
/// Shares of the three readings: dark blob, fall of brightness towards the light, pit of the relief.
const SHARES: [f32; 3] = [0.5, 0.6, 0.5];
/// How much a furrow (a claw's mark, a blade, a crack) counts against a pit.
const TROUGH: f64 = 0.6;
/// The relief is forgotten over this far along the light, mm.
const RELIEF_REACH_MM: f64 = 15.0;
/// Even light: grains are blurred away, and slower changes than the second are mottled ground, mm.
const EVEN_FINE_MM: f64 = 0.7;
const EVEN_COARSE_MM: f64 = 15.0;
/// Darkness counts in full up to so many standard deviations of the ground's own, brightness up to this share of that (a stone is no rim).
const FULL_TO: f32 = 2.0;
const BRIGHT_SHARE: f32 = 0.5;
/// Median absolute deviation to standard deviation of a normal distribution.
const OF_MEDIAN: f32 = 1.4826;
/// A disc of this radius fits into every toe and into no claw's mark with its walls (found on rendered pictures), mm.
const NARROW_MM: f64 = 2.8;
/// Size at which claws are looked for, as standard deviation of the Gaussian, and a claw's mean half axis, mm.
const CLAW_SIGMA_MM: f64 = 1.9;
const CLAW_MM: f64 = 2.5;
/// Strength of a pit and of a claw per fully counted darkness, so that they compare with those in low light (found on rendered pictures).
const EVEN_STRENGTH: [f32; 2] = [12.0, 18.0];
/// Weaker than this is no pit.
const LEAST: f32 = 0.8;
/// Slower changes than this are no pads, mm.
const COARSE_MM: f64 = 25.0;

/// How strongly each pixel looks like the middle of a pit, size by size.
pub(super) struct Evidence {
    by_size: Vec<Field>,
    /// The same of claws; in low light they are among the smallest pits.
    claws: Option<Field>,
}

impl Evidence {
    /// `lit` says that the window's x axis points towards a low light; else the light is even.
    pub fn of(rectified: &Rectified, lit: bool) -> Self {
        if lit { Self::in_low_light(rectified) } else { Self::in_even_light(rectified) }
    }

    fn in_even_light(rectified: &Rectified) -> Self {
        let px_per_mm = rectified.window.px_per_mm;
        let ground = Field::new(rectified.size, rectified.ground.clone());
        let mut even = evened(rectified, EVEN_FINE_MM, EVEN_COARSE_MM);
        let full = FULL_TO * usual_size(&even, &ground);
        even.values.iter_mut().for_each(|v| {
            *v = if *v > 0.0 { (*v / full).min(BRIGHT_SHARE) } else { -(1.0 - *v / full).ln() };
        });
        let mut wide = even.without_narrow_dark(NARROW_MM * px_per_mm);
        let sigma = CLAW_SIGMA_MM * px_per_mm;
        let claws = even.map2(&wide, |v, w| v - w).blur(sigma).bowl(sigma * sigma, 0.0);
        let claws = claws.map2(&ground, |v, g| EVEN_STRENGTH[1] * v * g);
        let mut last = 0.0_f64;
        let by_size = SIGMAS_MM.map(|sigma_mm| {
            let sigma = sigma_mm * px_per_mm;
            wide = wide.blur((sigma * sigma - last * last).sqrt());
            last = sigma;
            wide.bowl(sigma * sigma, TROUGH).map2(&ground, |v, g| EVEN_STRENGTH[0] * v * g)
        });
        Self { by_size: by_size.into(), claws: Some(claws) }
    }

    fn in_low_light(rectified: &Rectified) -> Self {
        let px_per_mm = rectified.window.px_per_mm;
        let ground = Field::new(rectified.size, rectified.ground.clone());
        let mut even = evened(rectified, 0.0, COARSE_MM);
        let mut relief = even.sum_along_x(RELIEF_REACH_MM * px_per_mm);
        let mut last = 0.0_f64;
        let mut readings: [Vec<Field>; 3] = Default::default();
        for sigma_mm in SIGMAS_MM {
            let sigma = sigma_mm * px_per_mm;
            let further = (sigma * sigma - last * last).sqrt();
            last = sigma;
            even = even.blur(further);
            readings[0].push(even.bowl(sigma * sigma, TROUGH));
            readings[1].push(even.slope_x().map2(&ground, |v, _| -v * sigma as f32));
            relief = relief.blur(further);
            readings[2].push(relief.bowl(-sigma * sigma, TROUGH));
        }
        let mut by_size = vec![Field::new(rectified.size, vec![0.0; ground.values.len()]); SIGMAS_MM.len()];
        for (reading, share) in readings.iter().zip(SHARES) {
            let scale = share / deviation(reading, &ground);
            for (sum, field) in by_size.iter_mut().zip(reading) {
                sum.values
                    .iter_mut()
                    .zip(&field.values)
                    .zip(&ground.values)
                    .for_each(|((s, v), g)| *s += scale * v * g);
            }
        }
        Self { by_size, claws: None }
    }

    /// The pits size by size, and the claws; strongest first.
    pub fn pits(&self, rectified: &Rectified, most: usize) -> [Vec<Vec<Blob>>; 2] {
        let of = |(field, radius_mm): (&Field, f64)| peaks(field, radius_mm, rectified, most);
        let pits: Vec<_> = self.by_size.iter().zip(SIGMAS_MM.map(|sigma| sigma * RADIUS_OF_SIGMA)).map(of).collect();
        let claws = self.claws.as_ref().map_or(pits.clone(), |claws| vec![of((claws, CLAW_MM))]);
        [pits, claws]
    }
}

/// Where a field is highest, strongest first.
fn peaks(field: &Field, radius_mm: f64, rectified: &Rectified, most: usize) -> Vec<Blob> {
    let [width, height] = rectified.size;
    let mut found = Vec::new();
    for row in 1..height - 1 {
        for column in 1..width - 1 {
            let score = field.values[row * width + column];
            let (c, r) = (column as isize, row as isize);
            if score > LEAST && (-1..=1).all(|dy| (-1..=1).all(|dx| field.at(c + dx, r + dy) <= score)) {
                let at_mm = rectified.window.to_mm([column as f64, row as f64]);
                found.push(Blob { at_mm, radius_mm, score: f64::from(score) });
            }
        }
    }
    found.sort_by(|a, b| b.score.total_cmp(&a.score));
    found.truncate(most);
    found
}

/// The strongest of pits of several sizes, strongest first, none within another.
pub(super) fn strongest(by_size: &[Vec<Blob>], most: usize) -> Vec<Blob> {
    let mut all: Vec<Blob> = by_size.iter().flatten().copied().collect();
    all.sort_by(|a, b| b.score.total_cmp(&a.score));
    let mut kept: Vec<Blob> = Vec::new();
    for blob in all {
        if kept.iter().all(|other| distance(blob.at_mm, other.at_mm) > 0.8 * blob.radius_mm.max(other.radius_mm)) {
            kept.push(blob);
        }
    }
    kept.truncate(most);
    kept
}

pub(super) fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

/// Standard deviation of the ground's light, from the median of its size: prints and stones don't move it.
fn usual_size(even: &Field, ground: &Field) -> f32 {
    let mut sizes: Vec<f32> =
        even.values.iter().zip(&ground.values).filter(|(_, g)| **g > 0.5).map(|(v, _)| v.abs()).collect();
    let half = sizes.len() / 2;
    if sizes.is_empty() { 1.0 } else { (OF_MEDIAN * *sizes.select_nth_unstable_by(half, f32::total_cmp).1).max(1e-6) }
}

/// Root mean square over the ground, of all sizes together: a pit then answers most at its own size.
fn deviation(fields: &[Field], ground: &Field) -> f32 {
    let squares =
        |field: &Field| field.values.iter().zip(&ground.values).map(|(v, g)| f64::from(v * v * g)).sum::<f64>();
    let n = ground.values.iter().map(|g| f64::from(*g)).sum::<f64>() * fields.len() as f64;
    (fields.iter().map(squares).sum::<f64>() / n.max(1.0)).sqrt().max(1e-9) as f32
}
