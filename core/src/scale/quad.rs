//! Four-sided outlines: from a blob's hull, then to a fraction of a pixel along its edges in linear light.

use super::blobs::cross;
use super::light;
use crate::photo::Luma;

/// Corners in order, clockwise (x right, y down), px, with the standard uncertainty of each coordinate.
#[derive(Debug, Clone, Copy)]
pub(super) struct Quad {
    pub corners: [[f64; 2]; 4],
    pub u_px: f64,
}

/// Which steps of light are an edge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Step {
    /// From a dark inside to a clearly lighter outside: printed black.
    Lighter,
    /// Any clear step: a sheet may be lighter or darker than the ground, here this and there that.
    Any,
}

impl Step {
    fn is_clear(self, inside: f64, outside: f64) -> bool {
        match self {
            Self::Lighter => outside - inside >= 0.02 && outside >= 1.3 * inside,
            Self::Any => (outside - inside).abs() >= 0.01 && outside.max(inside) >= 1.15 * outside.min(inside),
        }
    }

    fn is_printed_black(self) -> bool {
        self == Self::Lighter
    }

    /// Profiles taken across each side, at most.
    fn profiles(self) -> usize {
        match self {
            Self::Lighter => 64,
            Self::Any => 200,
        }
    }
}

/// Of the hull's area, the quadrilateral around it may add this share and still be called its shape.
const MOST_ADDED_AREA: f64 = 0.15;
/// No corner is trusted better than this, px: pixels are square and lenses bend lines a little.
const LEAST_U_PX: f64 = 0.01;

/// The quadrilateral around a hull that adds the least area, found by taking away one side after the other.
pub(super) fn around(hull: &[[f64; 2]]) -> Option<[[f64; 2]; 4]> {
    let mut polygon = hull.to_vec();
    let hull_area = area(&polygon);
    while polygon.len() > 4 {
        let n = polygon.len();
        let (side, corner, _) = (0..n)
            .filter_map(|i| {
                // Without the side b–c, its neighbours a–b and d–c meet in one corner.
                let [a, b, c, d] = [(i + n - 1) % n, i, (i + 1) % n, (i + 2) % n].map(|k| polygon[k]);
                let corner = meet(a, b, d, c)?;
                let beyond = cross(b, corner, c);
                (beyond >= 0.0).then_some((i, corner, beyond))
            })
            .min_by(|x, y| x.2.total_cmp(&y.2))?;
        polygon[side] = corner;
        polygon.remove((side + 1) % n);
    }
    let quad: [[f64; 2]; 4] = polygon.try_into().ok()?;
    (hull_area > 0.0 && area(&quad) <= hull_area * (1.0 + MOST_ADDED_AREA)).then_some(quad)
}

fn area(polygon: &[[f64; 2]]) -> f64 {
    let next = polygon.iter().cycle().skip(1);
    polygon.iter().zip(next).map(|(p, q)| p[0] * q[1] - p[1] * q[0]).sum::<f64>() / 2.0
}

/// Where the lines a–b and c–d meet, if they aren't nearly parallel.
pub(super) fn meet(a: [f64; 2], b: [f64; 2], c: [f64; 2], d: [f64; 2]) -> Option<[f64; 2]> {
    let (u, v) = ([b[0] - a[0], b[1] - a[1]], [d[0] - c[0], d[1] - c[1]]);
    let turn = u[0] * v[1] - u[1] * v[0];
    if turn.abs() < 1e-9 * u[0].hypot(u[1]) * v[0].hypot(v[1]) {
        return None;
    }
    let t = ((c[0] - a[0]) * v[1] - (c[1] - a[1]) * v[0]) / turn;
    Some([a[0] + t * u[0], a[1] + t * u[1]])
}

/// The quadrilateral moved onto the edges between its dark inside and the lighter ground outside.
/// `start_px` is how far off it may be at first. `None` where there is no such edge.
pub(super) fn refine(luma: &Luma, quad: [[f64; 2]; 4], start_px: f64) -> Option<Quad> {
    let rough = onto_edges(luma, quad, |cell| (start_px + 3.0).min(0.8 * cell), Step::Lighter)?;
    // A wide window takes in all of a blurred edge; a cell's width is as far as the border is black.
    onto_edges(luma, rough.corners, |cell| (0.75 * cell).clamp(2.0, 10.0), Step::Lighter)
}

/// The corners moved to where the edges near their sides meet; `reach`: how far beside a side its edge is looked for, by an
/// eighth of the shortest side.
pub(super) fn onto_edges(luma: &Luma, corners: [[f64; 2]; 4], reach: impl Fn(f64) -> f64, step: Step) -> Option<Quad> {
    let shortest = (0..4).map(|i| distance(corners[i], corners[(i + 1) % 4])).fold(f64::INFINITY, f64::min);
    let reach = reach(shortest / 8.0);
    let mut sides = [([0.0; 2], [0.0; 2], 0.0); 4];
    for (i, side) in sides.iter_mut().enumerate() {
        *side = edge(luma, corners[i], corners[(i + 1) % 4], reach, step)?;
    }
    let mut moved = [[0.0; 2]; 4];
    for (i, corner) in moved.iter_mut().enumerate() {
        let (before, after) = (sides[(i + 3) % 4], sides[i]);
        *corner = meet(before.0, before.1, after.0, after.1)?;
    }
    let convex = (0..4).all(|i| cross(moved[i], moved[(i + 1) % 4], moved[(i + 2) % 4]) > 0.0);
    let u_px = (sides.iter().map(|side| side.2 * side.2).sum::<f64>() / 2.0).sqrt().max(LEAST_U_PX);
    convex.then_some(Quad { corners: moved, u_px })
}

pub(super) fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

/// The line along the edge near the side from a to b (the inside on its right): two points on it and the standard
/// uncertainty of its position at the ends, px.
fn edge(luma: &Luma, a: [f64; 2], b: [f64; 2], reach: f64, step: Step) -> Option<([f64; 2], [f64; 2], f64)> {
    let length = distance(a, b);
    let along = [(b[0] - a[0]) / length, (b[1] - a[1]) / length];
    let outward = [along[1], -along[0]];
    let count = step.profiles().min(length as usize).max(8);
    // The ends are left out: the corner is rounded by blur there.
    let profiles: Vec<(f64, Profile)> = (0..count)
        .filter_map(|i| {
            let t = length * (0.1 + 0.8 * (i as f64 + 0.5) / count as f64);
            let foot = [a[0] + t * along[0], a[1] + t * along[1]];
            Some((t - length / 2.0, Profile::across(luma, foot, outward, reach)?))
        })
        .collect();
    let black = step.is_printed_black().then(|| black_share(&profiles));
    let crossings: Vec<(f64, f64)> =
        profiles.iter().filter_map(|(t, profile)| Some((*t, profile.crossing(step, black)?))).collect();
    if crossings.len() < count / 2 {
        return None;
    }
    let (offset, slope, u) = robust_line(&crossings)?;
    // The ground's texture moves neighbouring profiles alike, so that many of them tell little more than one.
    let u = if step == Step::Any { u * likeness(&crossings, offset, slope).sqrt() } else { u };
    let point = |t: f64| {
        let shift = offset + slope * (t - length / 2.0);
        [a[0] + t * along[0] + shift * outward[0], a[1] + t * along[1] + shift * outward[1]]
    };
    Some((point(0.0), point(length), u))
}

/// How far apart a profile's samples lie, px.
const STEP_PX: f64 = 0.5;

/// Light across an edge, from inside to outside.
struct Profile {
    light: Vec<f64>,
    /// Light at the outer end, and at the inner one.
    outside: f64,
    inside: f64,
}

impl Profile {
    fn across(luma: &Luma, foot: [f64; 2], outward: [f64; 2], reach: f64) -> Option<Self> {
        let steps = (reach / STEP_PX).round() as i32;
        let at = |i: i32| {
            let s = f64::from(i) * STEP_PX;
            light::at(luma, foot[0] + s * outward[0], foot[1] + s * outward[1])
        };
        let light = (-steps..=steps).map(at).collect::<Option<Vec<_>>>()?;
        let plateau = (light.len() / 5).max(1);
        let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
        Some(Self { outside: mean(&light[light.len() - plateau..]), inside: mean(&light[..plateau]), light })
    }

    /// How far outward of its middle the edge lies: where light is halfway between inside and outside, nearest to the middle.
    /// Blur, which is even to both sides, doesn't move it. `None` without a clear step. `black`: what printed black reflects as
    /// a share of the ground outside, where the inside is that.
    fn crossing(&self, step: Step, black: Option<f64>) -> Option<f64> {
        let inside = black.map_or(self.inside, |share| share * self.outside);
        if !step.is_clear(inside, self.outside) {
            return None;
        }
        let half = (inside + self.outside) / 2.0;
        let middle = (self.light.len() / 2) as f64;
        let between = |(i, pair): (usize, &[f64])| {
            let (before, after) = (pair[0] - half, pair[1] - half);
            (before * after <= 0.0 && before != after).then(|| i as f64 + before / (before - after) - middle)
        };
        let crossings = self.light.windows(2).enumerate().filter_map(between);
        crossings.min_by(|a, b| a.abs().total_cmp(&b.abs())).map(|at| at * STEP_PX)
    }
}

/// What printed black reflects as a share of the ground around it: where a marker's next cell is white, blur lightens the border,
/// so the darkest of the profiles tell.
fn black_share(profiles: &[(f64, Profile)]) -> f64 {
    let darkest = |profile: &Profile| profile.light.iter().copied().fold(f64::INFINITY, f64::min);
    let mut shares: Vec<f64> = profiles.iter().map(|(_, p)| darkest(p) / p.outside.max(1e-6)).collect();
    shares.sort_by(f64::total_cmp);
    shares.get(shares.len() / 10).copied().unwrap_or(0.0)
}

/// How many neighbours along a line stray alike: the sum of what is left over's autocorrelation, up to where it is lost (the
/// integrated autocorrelation time; Sokal 1997).
fn likeness(points: &[(f64, f64)], offset: f64, slope: f64) -> f64 {
    let mut left: Vec<f64> = points.iter().map(|(t, e)| e - offset - slope * t).collect();
    let mut sizes: Vec<f64> = left.iter().map(|r| r.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let most = 3.0 * 1.4826 * sizes[sizes.len() / 2];
    left.iter_mut().for_each(|r| *r = r.clamp(-most, most));
    let together = |lag: usize| left.iter().zip(&left[lag..]).map(|(a, b)| a * b).sum::<f64>();
    let alone = together(0).max(1e-12);
    let shares = (1..left.len() / 4).map(|lag| together(lag) / alone).take_while(|share| *share > 0.05);
    1.0 + 2.0 * shares.sum::<f64>()
}

/// A straight line through (t, e) by least squares that gives up on outliers (Tukey's weights; Beaton & Tukey 1974):
/// offset at t = 0, slope, and the standard uncertainty at the ends.
fn robust_line(points: &[(f64, f64)]) -> Option<(f64, f64, f64)> {
    let mut sorted: Vec<f64> = points.iter().map(|p| p.1).collect();
    sorted.sort_by(f64::total_cmp);
    let (mut offset, mut slope, mut u) = (sorted[sorted.len() / 2], 0.0, 0.0);
    for _ in 0..8 {
        let mut sizes: Vec<f64> = points.iter().map(|(t, e)| (e - offset - slope * t).abs()).collect();
        sizes.sort_by(f64::total_cmp);
        let cut = 4.685 * (1.4826 * sizes[sizes.len() / 2]).max(0.02);
        let [mut w0, mut wt, mut wtt, mut we, mut wte] = [0.0; 5];
        for (t, e) in points {
            let r = (e - offset - slope * t) / cut;
            let w = if r.abs() < 1.0 { (1.0 - r * r).powi(2) } else { 0.0 };
            w0 += w;
            wt += w * t;
            wtt += w * t * t;
            we += w * e;
            wte += w * t * e;
        }
        let det = w0 * wtt - wt * wt;
        if det <= 0.0 || w0 < points.len() as f64 / 3.0 {
            return None;
        }
        (offset, slope) = ((wtt * we - wt * wte) / det, (w0 * wte - wt * we) / det);
        let end = points.iter().map(|p| p.0.abs()).fold(0.0, f64::max) / 0.8;
        let scatter = cut / 4.685;
        u = scatter * ((wtt + w0 * end * end) / det).sqrt();
    }
    Some((offset, slope, u))
}
