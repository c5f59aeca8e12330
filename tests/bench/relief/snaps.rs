//! How near a snapped ellipse comes to a pad's edge.

use std::time::Instant;

use rakelight_core::relief::{self, Rectified, Snapped, Window, snap};
use rakelight_core::scale::card::STANDARD;
use rakelight_render::foot::Pad;
use rakelight_render::noise::Rng;

use super::quantile;
use super::scenes::Shown;

/// A touch lies this far off the pad's middle, mm.
const TOUCH_OFF_MM: f64 = 5.0;
/// A touch on bare ground is at least this far from every pad, mm.
const BARE_FROM_MM: f64 = 14.0;

/// One touch.
pub struct Touch {
    pub kind: &'static str,
    pub sun: bool,
    /// On a toe, on a heel pad, or on bare ground.
    pub what: What,
    /// The edge's error and the uncertainty that was told, mm, and the confidence; `None` where nothing was seen.
    pub edge: Option<Edge>,
    pub ms: f64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum What {
    Toe,
    Heel,
    Bare,
}

#[derive(Debug, Clone, Copy)]
pub struct Edge {
    pub rms_mm: f64,
    pub middle_off_mm: f64,
    pub u_mm: f64,
}

/// A touch on every toe and heel pad, 5 mm off its middle in any direction, and two on bare ground.
pub fn touches(shown: &Shown, seed: u64, blind: bool, each: bool) -> Vec<Touch> {
    let mut rng = Rng::new(seed.wrapping_mul(0x5EED_0003));
    let part = Window::beside(&STANDARD);
    let axis = relief::axis(&Rectified::of(&shown.photo.luma, &shown.plane, part, &part, Some(&STANDARD)));
    let towards = shown.towards(axis.map(|axis| axis.deg), blind);
    let touch = |what, at: [f64; 2], pad: Option<Vec<[f64; 2]>>| {
        let started = Instant::now();
        let snapped = snap(&shown.photo.luma, &shown.plane, at, Some(&STANDARD), towards);
        let ms = started.elapsed().as_secs_f64() * 1e3;
        let edge = snapped.map(|snapped| Edge {
            rms_mm: pad.as_ref().map_or(f64::NAN, |outline| rms_mm(&snapped, outline)),
            middle_off_mm: pad.as_ref().map_or(f64::NAN, |outline| distance(middle(outline), snapped.centre_mm)),
            u_mm: snapped.u_edge_mm,
        });
        if each {
            println!(
                "{seed} {} {what:?} touch {at:.1?} middle {:.1?} {snapped:.2?} {edge:.2?} {ms:.0} ms",
                shown.kind,
                pad.map(|p| middle(&p))
            );
        }
        Touch { kind: shown.kind, sun: shown.sun_deg().is_some(), what, edge, ms }
    };
    let print = &shown.scene.prints[0];
    let pads: Vec<(What, &Pad)> = print
        .foot
        .toes
        .iter()
        .map(|toe| (What::Toe, &toe.pad))
        .chain(print.foot.heel.iter().map(|pad| (What::Heel, pad)))
        .collect();
    let mut touched = Vec::new();
    for (what, pad) in pads {
        let way = rng.between(0.0, std::f64::consts::TAU);
        let at = shown.on_plane(print, pad.at);
        let at = [at[0] + TOUCH_OFF_MM * way.cos(), at[1] + TOUCH_OFF_MM * way.sin()];
        touched.push(touch(what, at, Some(shown.outline(print, pad))));
    }
    let every: Vec<Vec<[f64; 2]>> = shown
        .scene
        .prints
        .iter()
        .flat_map(|print| {
            let toes = print.foot.toes.iter().flat_map(|toe| std::iter::once(&toe.pad).chain(&toe.claw));
            toes.chain(&print.foot.sole)
                .chain(&print.foot.heel)
                .map(|pad| shown.outline(print, pad))
                .collect::<Vec<_>>()
        })
        .collect();
    let mut bare = 0;
    for _ in 0..200 {
        let at = [rng.between(50.0, 165.0), rng.between(0.0, 150.0)];
        let free = every.iter().flatten().all(|p| distance(*p, at) > BARE_FROM_MM);
        if bare < 2 && free && !STANDARD.is_near(at, 15.0) {
            touched.push(touch(What::Bare, at, None));
            bare += 1;
        }
    }
    touched
}

/// Root mean square, over 72 points of the true outline, of their distance to the ellipse.
fn rms_mm(snapped: &Snapped, outline: &[[f64; 2]]) -> f64 {
    let (sin, cos) = snapped.deg.to_radians().sin_cos();
    let [a, b] = snapped.half_axes_mm;
    let edge: Vec<[f64; 2]> = (0..720)
        .map(|k| {
            let (s, c) = (f64::from(k) * 0.5).to_radians().sin_cos();
            [snapped.centre_mm[0] + a * c * cos - b * s * sin, snapped.centre_mm[1] + a * c * sin + b * s * cos]
        })
        .collect();
    let nearest = |p: &[f64; 2]| edge.iter().map(|e| distance(*p, *e)).fold(f64::MAX, f64::min);
    (outline.iter().map(|p| nearest(p).powi(2)).sum::<f64>() / outline.len() as f64).sqrt()
}

fn middle(outline: &[[f64; 2]]) -> [f64; 2] {
    [0, 1].map(|k| outline.iter().map(|p| p[k]).sum::<f64>() / outline.len() as f64)
}

fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

pub fn report(what: &str, touches: &[&Touch]) {
    let edges: Vec<Edge> = touches.iter().filter_map(|touch| touch.edge).collect();
    if touches.is_empty() {
        return;
    }
    let mut rms: Vec<f64> = edges.iter().map(|edge| edge.rms_mm).collect();
    let mut ratio: Vec<f64> = edges.iter().map(|edge| edge.rms_mm / edge.u_mm).collect();
    let mut middle: Vec<f64> = edges.iter().map(|edge| edge.middle_off_mm).collect();
    let mut ms: Vec<f64> = touches.iter().map(|touch| touch.ms).collect();
    let share = |n: usize| 100.0 * n as f64 / edges.len().max(1) as f64;
    let refused = touches.len() - edges.len();
    let (within, two) =
        (rms.iter().filter(|r| **r < 1.0).count(), edges.iter().filter(|e| e.rms_mm < 2.0 * e.u_mm).count());
    println!(
        "{what:<28} {:>4} touches, {refused} refused ({:.1} %): edge off {:.2} mm median, {:.2} mm p90 (RMS around), below 1 mm {:.0} %; middle off {:.2} mm median; error/u {:.2} median, below 2 u {:.0} %; {:.0} ms median, {:.0} ms p95",
        touches.len(),
        100.0 * refused as f64 / touches.len() as f64,
        quantile(&mut rms, 0.5),
        quantile(&mut rms, 0.9),
        share(within),
        quantile(&mut middle, 0.5),
        quantile(&mut ratio, 0.5),
        share(two),
        quantile(&mut ms, 0.5),
        quantile(&mut ms, 0.95),
    );
}

/// All groups.
pub fn reports(touches: &[Touch]) {
    let pick = |f: &dyn Fn(&Touch) -> bool| touches.iter().filter(|touch| f(touch)).collect::<Vec<_>>();
    report("toes", &pick(&|t| t.what == What::Toe));
    report("toes, low sun", &pick(&|t| t.what == What::Toe && t.sun));
    report("toes, overcast", &pick(&|t| t.what == What::Toe && !t.sun));
    let mut kinds: Vec<&str> = touches.iter().map(|t| t.kind).collect();
    kinds.sort_unstable();
    kinds.dedup();
    for kind in kinds {
        report(&format!("toes, {kind}"), &pick(&|t| t.what == What::Toe && t.kind == kind));
    }
    report("heel pads", &pick(&|t| t.what == What::Heel));
    let bare = pick(&|t| t.what == What::Bare);
    let refused = bare.iter().filter(|t| t.edge.is_none()).count();
    println!("{:<28} {:>4} touches, {refused} refused", "bare ground", bare.len());
}
