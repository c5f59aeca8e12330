//! Light's axis, pad proposals and contour snap on rendered prints: `cargo bench -p rakelight-checks --bench relief`.
//!
//! Nothing was tuned on the reporting seeds; `-- tuning` shows the seeds that were. `-- FIRST COUNT` takes others, `each` prints every
//! print, `blind` doesn't tell the light's side, `pads` or `snap` take one of the two alone. All pictures are rendered, and the renderer's
//! feet stand much as the proposer's arrangements do: figures on photographs will be worse. `varied` makes it harder: toes moved, resized
//! and turned, stones about the print, every fifth print trodden over by another.

mod scenes;
mod snaps;

use std::error::Error;
use std::time::Instant;

use rakelight_core::relief::{self, PadKind, Proposal, Rectified, STANDING, Window};
use rakelight_core::scale::card;
use rakelight_render::Print;
use scenes::Shown;

const TUNING: (u64, u64) = (1, 120);
const REPORTING: (u64, u64) = (50_001, 160);

fn main() -> Result<(), Box<dyn Error>> {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with("--")).collect();
    let asked = |what: &str| words.iter().any(|word| word == what);
    let numbers: Vec<u64> = words.iter().filter_map(|word| word.parse().ok()).collect();
    let (first, count) = match numbers.as_slice() {
        [first, count] => (*first, *count),
        _ if asked("tuning") => TUNING,
        _ => REPORTING,
    };
    println!("{count} rendered prints, seeds {first}–{}", first + count - 1);
    let (mut results, mut touches) = (Vec::new(), Vec::new());
    for seed in first..first + count {
        let shown = Shown::of(seed, asked("varied"))?;
        if !asked("snap") {
            results.push(examine(&shown, seed, asked("each"), asked("blind")));
        }
        if !asked("pads") {
            touches.extend(snaps::touches(&shown, seed, asked("blind"), asked("each")));
        }
    }
    if !asked("snap") {
        report("all", results.iter());
        for (what, pick) in GROUPS {
            report(what, results.iter().filter(pick));
        }
    }
    if !asked("pads") {
        snaps::reports(&touches);
    }
    Ok(())
}

type Pick = fn(&&Checked) -> bool;
const GROUPS: [(&str, Pick); 9] = [
    ("low sun", |r| r.sun),
    ("overcast", |r| !r.sun),
    ("otter hind", |r| r.kind == "otter hind"),
    ("otter fore", |r| r.kind == "otter fore"),
    ("otter fore, 4 toes", |r| r.kind == "otter fore, 4 toes"),
    ("fox fore", |r| r.kind == "fox fore"),
    ("badger fore", |r| r.kind == "badger fore"),
    ("mink fore", |r| r.kind == "mink fore"),
    ("four toes", |r| r.toes == 4),
];

/// What came out for one print.
struct Checked {
    kind: &'static str,
    sun: bool,
    toes: usize,
    /// Toes among the first eight proposals.
    in_eight: usize,
    /// Every toe stands as a toe.
    complete: bool,
    /// Standing proposals that are no toe, or no pad where they say pad.
    wrong: usize,
    /// Standing toe pads.
    said: usize,
    /// Distances from toes to their proposals, mm.
    off_mm: Vec<f64>,
    /// The axis' error and uncertainty, degrees.
    axis: Option<(f64, f64)>,
    axis_told: bool,
    /// The light's axis with its view of the ground, and the proposals with theirs, milliseconds.
    axis_ms: f64,
    ms: f64,
}

/// A toe's middle in the plane, mm, and its mean radius.
type Toe = ([f64; 2], f64);

fn toes(shown: &Shown, print: &Print) -> Vec<Toe> {
    let pads = print.foot.toes.iter().map(|toe| toe.pad);
    pads.map(|pad| (shown.on_plane(print, pad.at), (pad.radii[0] * pad.radii[1]).sqrt())).collect()
}

/// Middles and larger radii of the lobes of the pad behind the toes and of the heel.
fn soles(shown: &Shown, print: &Print) -> Vec<Toe> {
    let lobes = print.foot.sole.iter().chain(&print.foot.heel);
    lobes.map(|pad| (shown.on_plane(print, pad.at), pad.radii[0].max(pad.radii[1]))).collect()
}

fn examine(shown: &Shown, seed: u64, each: bool, blind: bool) -> Checked {
    let (scene, kind) = (&shown.scene, shown.kind);
    let part = Window::beside(&card::STANDARD);
    let towards = shown.sun_deg();
    let started = Instant::now();
    let axis = relief::axis(&Rectified::of(&shown.photo.luma, &shown.plane, part, &part, Some(&card::STANDARD)));
    let axis_ms = started.elapsed().as_secs_f64() * 1e3;
    let started = Instant::now();
    let side = shown.towards(axis.map(|axis| axis.deg), blind);
    let proposals = relief::propose(&shown.photo.luma, &shown.plane, &part, Some(&card::STANDARD), side);
    let ms = started.elapsed().as_secs_f64() * 1e3;
    let feet: Vec<Vec<Toe>> = scene.prints.iter().map(|print| toes(shown, print)).collect();
    let hits = |p: &Proposal, (at, r): &Toe| (p.at_mm[0] - at[0]).hypot(p.at_mm[1] - at[1]) < 0.75 * r;
    let standing: Vec<&Proposal> = proposals.iter().filter(|p| p.confidence >= STANDING).collect();
    let on_sole = |p: &Proposal| {
        let of = |print| soles(shown, print).into_iter();
        let mut lobes = scene.prints.iter().flat_map(of);
        lobes.any(|(at, r)| (p.at_mm[0] - at[0]).hypot(p.at_mm[1] - at[1]) < r)
    };
    let on_toe = |p: &Proposal| feet.iter().flatten().any(|toe| hits(p, toe));
    let right = |p: &&Proposal| if p.kind == PadKind::ToePad { on_toe(p) } else { on_sole(p) };
    let toe_stands = |t: &Toe| standing.iter().any(|p| p.kind == PadKind::ToePad && hits(p, t));
    let in_eight = |foot: &[Toe]| foot.iter().filter(|t| proposals.iter().take(8).any(|p| hits(p, t))).count();
    // Of two prints over each other, the one that was read better counts; pads of the other aren't false.
    let better = |foot: &&Vec<Toe>| (foot.iter().all(toe_stands), in_eight(foot));
    let toes = feet.iter().max_by_key(better).map_or(&[][..], Vec::as_slice);
    let nearest = |(at, r): &Toe| {
        let off = proposals.iter().map(|p| (p.at_mm[0] - at[0]).hypot(p.at_mm[1] - at[1]));
        off.fold(f64::MAX, f64::min).min(2.0 * r)
    };
    let checked = Checked {
        kind,
        sun: towards.is_some(),
        toes: toes.len(),
        in_eight: in_eight(toes),
        complete: toes.iter().all(toe_stands),
        wrong: standing.iter().filter(|p| !right(p)).count(),
        said: standing.iter().filter(|p| p.kind == PadKind::ToePad).count(),
        off_mm: toes.iter().map(nearest).collect(),
        axis: axis.zip(towards).map(|(axis, truth)| ((axis.deg - truth + 90.0).rem_euclid(180.0) - 90.0, axis.u_deg)),
        axis_told: axis.is_some(),
        axis_ms,
        ms,
    };
    if each {
        println!(
            "{seed} {kind}, sun {:?}: {}/{} in eight, complete {}, wrong {}, said {}, axis {:?}",
            scene.light.sun_elevation_deg.map(|e| e.round()),
            checked.in_eight,
            checked.toes,
            checked.complete,
            checked.wrong,
            checked.said,
            checked.axis
        );
    }
    checked
}

fn report<'a>(what: &str, results: impl Iterator<Item = &'a Checked>) {
    let results: Vec<&Checked> = results.collect();
    if results.is_empty() {
        return;
    }
    let n = results.len() as f64;
    let toes: usize = results.iter().map(|r| r.toes).sum();
    let share = |count: usize, of: f64| 100.0 * count as f64 / of;
    let in_eight = share(results.iter().map(|r| r.in_eight).sum(), toes as f64);
    let all_right = share(results.iter().filter(|r| r.complete && r.wrong == 0).count(), n);
    let complete = share(results.iter().filter(|r| r.complete).count(), n);
    let four: Vec<_> = results.iter().filter(|r| r.toes == 4).collect();
    let fifth = share(four.iter().filter(|r| r.said > 4).count(), four.len() as f64);
    let mut off: Vec<f64> = results.iter().flat_map(|r| r.off_mm.clone()).collect();
    let mut axis_ms: Vec<f64> = results.iter().map(|r| r.axis_ms).collect();
    let mut ms: Vec<f64> = results.iter().map(|r| r.ms).collect();
    let mut axis: Vec<f64> = results.iter().filter_map(|r| r.axis.map(|a| a.0.abs())).collect();
    let within = results.iter().filter_map(|r| r.axis).filter(|(off, u)| off.abs() < 2.0 * u).count();
    println!(
        "{what:<20} {:>4} prints: toes in first eight {in_eight:.1} %, all toes and nothing false {all_right:.1} % (all toes {complete:.1} %), false fifth {fifth:.1} % of {}; centre off {:.2} mm median",
        results.len(),
        four.len(),
        quantile(&mut off, 0.5),
    );
    println!(
        "{:<20} axis told in {}, off {:.1}° median, {:.1}° p95, within 2 u {:.0} %; {:.0} ms median; proposals {:.0} ms median, {:.0} ms p95",
        "",
        results.iter().filter(|r| r.axis_told).count(),
        quantile(&mut axis, 0.5),
        quantile(&mut axis, 0.95),
        share(within, axis.len().max(1) as f64),
        quantile(&mut axis_ms, 0.5),
        quantile(&mut ms, 0.5),
        quantile(&mut ms, 0.95),
    );
}

fn quantile(values: &mut [f64], share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(((values.len() as f64 - 1.0) * share).round() as usize).copied().unwrap_or(f64::NAN)
}
