//! Contour snap: from a rough touch to the pad's edge, as an ellipse.
//!
//! A pit with a rounded floor and a wall is drawn under the light (lit by its slope, dark where its own wall throws a shadow, a little darker
//! within) and compared with the ground around the touch. Its middle, size, shape and the light's lowness are fitted by least squares
//! (Levenberg 1944, Marquardt 1963) with what is usual for pads as prior; the strengths of shading and darkness are
//! solved in each step (variable projection, Golub & Pereyra 1973). The edge is where the floor ends and the wall begins.

mod fit;
mod patch;
mod pit;

use nalgebra::{Matrix6, Vector6};

use self::fit::Search;
use self::patch::{Patch, drawn};
use self::pit::{Oval, Pit, USUAL};
use super::pads::Towards;
use super::rectify::{Rectified, Window};
use crate::photo::Luma;
use crate::scale::Plane;
use crate::scale::card::Layout;

/// A pad's edge as an ellipse in the scale's plane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Snapped {
    /// Middle, mm.
    pub centre_mm: [f64; 2],
    /// Half axes, mm, the longer first.
    pub half_axes_mm: [f64; 2],
    /// Direction of the longer one, degrees clockwise from the plane's +x, 0 ≤ … < 180.
    pub deg: f64,
    /// Standard uncertainty of the edge's place, mm.
    pub u_edge_mm: f64,
    /// 0–1: how surely there is a pit with this edge.
    pub confidence: f64,
}

/// Pixels a millimetre in which edges are fitted, and half the side of the ground that is looked at.
const PX_PER_MM: f64 = 2.0;
const COARSE_PX_PER_MM: f64 = 1.0;
const REACH_MM: f64 = 18.0;

/// Strength times gain of a pit that may as well be none, and the confidence from which there is one (found on rendered pictures: 99 % of
/// pads are clearer, 99 % of touches on bare ground are not); in even light darkness alone tells it.
const CLEAR: f64 = 3.6;
const CLEAR_IN_EVEN_LIGHT: f64 = 2.25;
const LEAST_CONFIDENCE: f64 = 0.5;
/// Real pits aren't quite the drawn one: edges were this many times as far off as the fit alone says (found on rendered pictures).
const WIDENED: f64 = 2.6;

/// Snaps to the pad that was touched at a place of the plane; `None` where nothing like a pit is seen.
pub fn snap(
    luma: &Luma,
    plane: &Plane,
    touch_mm: [f64; 2],
    card: Option<&Layout>,
    towards: Towards,
) -> Option<Snapped> {
    let from = |deg: Option<f64>| fit_from(luma, plane, touch_mm, card, deg);
    let fitted = match towards {
        Towards::Known(deg) => from(Some(deg)),
        Towards::Even => from(None),
        Towards::EitherWay(deg) => {
            [from(Some(deg)), from(Some(deg + 180.0))].into_iter().flatten().min_by(|a, b| a.cost.total_cmp(&b.cost))
        }
    };
    fitted.map(|fit| fit.snapped()).filter(|snapped| snapped.confidence >= LEAST_CONFIDENCE)
}

/// A pit that was found roughly: its middle and mean half axis, mm.
#[derive(Debug, Clone, Copy)]
pub(super) struct Rough {
    pub at_mm: [f64; 2],
    pub radius_mm: f64,
}

/// Fits the edges of pits that were found roughly, each beside the others; `None` for one of which too little ground is seen.
pub(super) fn settle(
    luma: &Luma,
    plane: &Plane,
    card: Option<&Layout>,
    towards_deg: Option<f64>,
    pits: &[Rough],
) -> Vec<Option<Snapped>> {
    const ROUNDS: usize = 2;
    let turn_deg = towards_deg.unwrap_or(0.0);
    let (sin, cos) = turn_deg.to_radians().sin_cos();
    // One frame for all, its x axis towards the light.
    let turned = |[x, y]: [f64; 2]| [x * cos + y * sin, y * cos - x * sin];
    let size_mm = [2.0 * REACH_MM; 2];
    let patches: Vec<Option<Patch>> = pits
        .iter()
        .map(|pit| {
            let window = Window { centre_mm: pit.at_mm, size_mm, turn_deg, px_per_mm: COARSE_PX_PER_MM };
            Patch::of(&Rectified::of(luma, plane, window, &window, card), towards_deg.is_some())
        })
        .collect();
    let middles: Vec<[f64; 2]> = pits.iter().map(|pit| turned(pit.at_mm)).collect();
    let mut settled: Vec<Pit> = pits
        .iter()
        .zip(&middles)
        .map(|(pit, [x, y])| Pit::new(*x, *y, pit.radius_mm.ln(), 0.0, 0.0, USUAL[5].0))
        .collect();
    let mut fits: Vec<Option<Fit>> = pits.iter().map(|_| None).collect();
    for round in 0..ROUNDS {
        for (k, patch) in patches.iter().enumerate() {
            let Some(patch) = patch else { continue };
            let moved = |pit: &Pit, sign: f64| {
                let mut pit = *pit;
                (0..2).for_each(|axis| pit[axis] += sign * middles[k][axis]);
                pit
            };
            let mut others: Vec<Pit> = settled.iter().map(|pit| moved(pit, -1.0)).collect();
            let pit = others.remove(k);
            others.retain(|other| other[0].hypot(other[1]) < REACH_MM * 1.5);
            let (pit, compared, cost, covariance) = patch.refine(&others, pit, false, 1.0, 5);
            settled[k] = moved(&pit, 1.0);
            if round + 1 == ROUNDS {
                let gain = patch.cost_of(&patch.compare(&drawn(patch, &others))) - patch.cost_of(&compared);
                let (window, lit) = (patch.window, patch.lit);
                fits[k] = Some(Fit { window, lit, pit, covariance, cost, gain, strength: compared.strength });
            }
        }
    }
    fits.into_iter().map(|fit| fit.map(|fit| fit.snapped())).collect()
}

fn fit_from(
    luma: &Luma,
    plane: &Plane,
    touch_mm: [f64; 2],
    card: Option<&Layout>,
    towards_deg: Option<f64>,
) -> Option<Fit> {
    let patch = |px_per_mm: f64| {
        let window = Window {
            centre_mm: touch_mm,
            size_mm: [2.0 * REACH_MM; 2],
            turn_deg: towards_deg.unwrap_or(0.0),
            px_per_mm,
        };
        Patch::of(&Rectified::of(luma, plane, window, &window, card), towards_deg.is_some())
    };
    Search { coarse: patch(COARSE_PX_PER_MM)?, fine: patch(PX_PER_MM)? }.best()
}

/// A fitted pit among others.
struct Fit {
    window: Window,
    lit: bool,
    pit: Pit,
    covariance: Matrix6<f64>,
    cost: f64,
    /// By how many units of logarithmic likelihood the ground is better explained with this pit than without.
    gain: f64,
    strength: [f64; 2],
}

impl Fit {
    /// In the plane.
    fn snapped(&self) -> Snapped {
        let [shading, darkness] = self.strength;
        let clear = (shading - darkness) * self.gain.max(0.0);
        let least = if self.lit { CLEAR } else { CLEAR_IN_EVEN_LIGHT };
        let confidence = clear.powi(3) / (clear.powi(3) + least.powi(3));
        let p = &self.pit;
        let oval = Oval::of(p);
        let middle = self.window.size().map(|n| (n as f64 - 1.0) / 2.0);
        let centre_mm =
            self.window.to_mm([middle[0] + p[0] * self.window.px_per_mm, middle[1] + p[1] * self.window.px_per_mm]);
        Snapped {
            centre_mm,
            half_axes_mm: oval.half_axes,
            deg: (oval.way[1].atan2(oval.way[0]).to_degrees() + self.window.turn_deg).rem_euclid(180.0),
            u_edge_mm: WIDENED * self.u_edge(),
            confidence,
        }
    }

    /// Root mean square over the edge of its standard uncertainty across itself.
    fn u_edge(&self) -> f64 {
        const POINTS: usize = 24;
        let oval = Oval::of(&self.pit);
        let mut sum = 0.0;
        for k in 0..POINTS {
            let angle = std::f64::consts::TAU * k as f64 / POINTS as f64;
            let (s, c) = angle.sin_cos();
            let [a, b] = oval.half_axes;
            let n = (c / a).hypot(s / b);
            let own = [c / a / n, s / b / n];
            let normal = [own[0] * oval.way[0] - own[1] * oval.way[1], own[0] * oval.way[1] + own[1] * oval.way[0]];
            let slope = Vector6::from_iterator((0..6).map(|k| {
                let shifted = |by: f64| {
                    let mut p = self.pit;
                    p[k] += by;
                    Oval::of(&p).point(angle)
                };
                let (up, down) = (shifted(1e-4), shifted(-1e-4));
                ((up[0] - down[0]) * normal[0] + (up[1] - down[1]) * normal[1]) / 2e-4
            }));
            sum += (slope.transpose() * self.covariance * slope)[0];
        }
        (sum / POINTS as f64).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIDE: usize = 72;

    /// Level ground with a pit, lit from the right: shaded by its slope, dark where its wall hides the light; a little rough.
    fn ground(pit: Option<Pit>) -> Rectified {
        let window = Window { centre_mm: [0.0; 2], size_mm: [2.0 * REACH_MM; 2], turn_deg: 0.0, px_per_mm: PX_PER_MM };
        let oval = pit.as_ref().map(Oval::of);
        let depth = |x: f64, y: f64| oval.as_ref().map_or(0.0, |oval| 4.0 * oval.pit([x, y]).0);
        let light = (0..SIDE * SIDE).map(|at| {
            let [x, y] = window.to_mm([(at % SIDE) as f64, (at / SIDE) as f64]);
            let slope = (depth(x + 0.1, y) - depth(x - 0.1, y)) / 0.2;
            let hidden = (1..90).any(|k| depth(x + 0.2 * f64::from(k), y) < depth(x, y) - 0.08 * f64::from(k));
            let rough = 0.02 * (x * 1.7 + y * 0.6).sin() + 0.02 * (y * 2.1 - x).sin();
            let sun = if hidden { 0.0 } else { (1.0 + 2.5 * slope).clamp(0.0, 2.5) };
            (0.1 + 0.1 * sun + 0.1 * rough) as f32
        });
        Rectified { window, size: [SIDE; 2], light: light.collect(), ground: vec![1.0; SIDE * SIDE] }
    }

    fn snapped(ground: &Rectified) -> Option<Snapped> {
        let patch = || Patch::of(ground, true).unwrap();
        let snapped = Search { coarse: patch(), fine: patch() }.best()?.snapped();
        Some(snapped).filter(|snapped| snapped.confidence >= LEAST_CONFIDENCE)
    }

    #[test]
    fn a_touch_five_millimetres_off_a_pads_middle_finds_its_edge() {
        let pit = Pit::new(3.0, -4.0, 5.6_f64.ln(), 0.0, 0.2, 0.0);
        let found = snapped(&ground(Some(pit))).unwrap();
        assert!((found.centre_mm[0] - 3.0).hypot(found.centre_mm[1] + 4.0) < 0.6, "{found:?}");
        let expected = [5.6 * 0.2_f64.exp(), 5.6 * (-0.2_f64).exp()];
        assert!((0..2).all(|k| (found.half_axes_mm[k] - expected[k]).abs() < 0.7), "{found:?}");
        assert!((found.deg - 45.0).abs() < 12.0, "{found:?}");
    }

    #[test]
    fn on_bare_ground_no_pad_is_seen() {
        assert_eq!(snapped(&ground(None)), None);
    }
}
