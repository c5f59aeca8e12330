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

/// Of the hull's area, the quadrilateral around it may add this share and still be called its shape.
const MOST_ADDED_AREA: f64 = 0.15;
/// Profiles taken across each side of a quadrilateral, at most.
const PROFILES: usize = 64;
/// No corner is trusted better than this, px: pixels are square and lenses bend lines a little.
const LEAST_U_PX: f64 = 0.03;

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
fn meet(a: [f64; 2], b: [f64; 2], c: [f64; 2], d: [f64; 2]) -> Option<[f64; 2]> {
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
    let rough = onto_edges(luma, quad, |cell| (start_px + 3.0).min(0.8 * cell))?;
    // A wide window takes in all of a blurred edge; a cell's width is as far as the border is black.
    onto_edges(luma, rough.corners, |cell| (0.75 * cell).clamp(2.0, 10.0))
}

fn onto_edges(luma: &Luma, corners: [[f64; 2]; 4], reach: impl Fn(f64) -> f64) -> Option<Quad> {
    let shortest = (0..4).map(|i| distance(corners[i], corners[(i + 1) % 4])).fold(f64::INFINITY, f64::min);
    let reach = reach(shortest / 8.0);
    let mut sides = [([0.0; 2], [0.0; 2], 0.0); 4];
    for (i, side) in sides.iter_mut().enumerate() {
        *side = edge(luma, corners[i], corners[(i + 1) % 4], reach)?;
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

fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

/// The line along the light–dark edge near the side from a to b (dark on its right): two points on it and the standard
/// uncertainty of its position at the ends, px.
fn edge(luma: &Luma, a: [f64; 2], b: [f64; 2], reach: f64) -> Option<([f64; 2], [f64; 2], f64)> {
    let length = distance(a, b);
    let along = [(b[0] - a[0]) / length, (b[1] - a[1]) / length];
    let outward = [along[1], -along[0]];
    let count = PROFILES.min(length as usize).max(8);
    // The ends are left out: the corner is rounded by blur there.
    let crossings: Vec<(f64, f64)> = (0..count)
        .filter_map(|i| {
            let t = length * (0.1 + 0.8 * (i as f64 + 0.5) / count as f64);
            let foot = [a[0] + t * along[0], a[1] + t * along[1]];
            Some((t - length / 2.0, crossing(luma, foot, outward, reach)?))
        })
        .collect();
    if crossings.len() < count / 2 {
        return None;
    }
    let (offset, slope, u) = robust_line(&crossings)?;
    let point = |t: f64| {
        let shift = offset + slope * (t - length / 2.0);
        [a[0] + t * along[0] + shift * outward[0], a[1] + t * along[1] + shift * outward[1]]
    };
    Some((point(0.0), point(length), u))
}

/// How far outward of `foot` the edge lies: where a sharp step would stand that lets through as much light. Blur, which is
/// even to both sides, doesn't move it. `None` without a clear step from dark to light.
fn crossing(luma: &Luma, foot: [f64; 2], outward: [f64; 2], reach: f64) -> Option<f64> {
    const STEP_PX: f64 = 0.5;
    const LEAST_STEP: f64 = 0.02;
    let steps = (reach / STEP_PX).round() as i32;
    let mut profile = [0.0; 128];
    let count = (2 * steps + 1) as usize;
    for (i, value) in profile.get_mut(..count)?.iter_mut().enumerate() {
        let s = (i as i32 - steps) as f64 * STEP_PX;
        *value = light::at(luma, foot[0] + s * outward[0], foot[1] + s * outward[1])?;
    }
    let plateau = (count / 5).max(1);
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    let (dark, bright) = (mean(&profile[..plateau]), mean(&profile[count - plateau..count]));
    if bright - dark < LEAST_STEP || bright < 1.3 * dark {
        return None;
    }
    let light: f64 = profile[..count].iter().map(|v| (v - dark) / (bright - dark)).sum();
    let half_pixels_lit = light - 0.5; // the outermost sample stands for half a step only
    Some(steps as f64 * STEP_PX - half_pixels_lit * STEP_PX)
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
