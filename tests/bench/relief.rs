//! Light's axis, pad proposals and contour snap on rendered prints: `cargo bench -p rakelight-checks --bench relief`.
//!
//! Nothing was tuned on the reporting seeds; `-- tuning` shows the seeds that were. `-- FIRST COUNT` takes others, `each` prints every
//! print, `blind` doesn't tell the light's side. All pictures are rendered, and the
//! renderer's feet stand on arcs as the proposer expects them: figures on photographs will be worse.

use std::error::Error;
use std::time::Instant;

use rakelight_core::photo::Photo;
use rakelight_core::relief::{self, PadKind, Proposal, Rectified, STANDING, Towards, Window};
use rakelight_core::scale::{card, find_card};
use rakelight_render::foot::Foot;
use rakelight_render::noise::Rng;
use rakelight_render::{Camera, Curve, Develop, Ground, Light, Print, Scene, feet, render};

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
    let mut results = Vec::new();
    for seed in first..first + count {
        results.push(examine(seed, asked("each"), asked("blind"))?);
    }
    report("all", results.iter());
    for (what, pick) in GROUPS {
        report(what, results.iter().filter(pick));
    }
    Ok(())
}

type Pick = fn(&&Checked) -> bool;
/// A kind of foot: its name, its template, the widths (mm) and the lengths as shares of the width that are drawn from.
type Kind = (&'static str, fn() -> Foot, [f64; 2], [f64; 2]);
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
    /// Rectified and proposed, milliseconds.
    ms: f64,
}

fn scene(seed: u64) -> (Scene, &'static str) {
    let mut rng = Rng::new(seed.wrapping_mul(0x5EED_0001));
    let kinds: [Kind; 6] = [
        ("otter hind", feet::otter_hind, [55.0, 68.0], [0.93, 1.0]),
        ("otter fore", feet::otter_fore, [52.0, 64.0], [0.93, 1.02]),
        ("otter fore, 4 toes", || feet::otter_fore().without_toe(1), [44.0, 54.0], [1.1, 1.2]),
        ("fox fore", feet::fox_fore, [35.0, 42.0], [1.25, 1.42]),
        ("badger fore", feet::badger_fore, [48.0, 58.0], [0.82, 0.95]),
        ("mink fore", feet::mink_fore, [32.0, 38.0], [0.86, 0.95]),
    ];
    let (kind, foot, width, ratio) = kinds[(seed % 6) as usize];
    let ground = [Ground::FIRM_MUD, Ground::WET_SAND, Ground::SOFT_MUD, Ground::THIN_SNOW]
        [(rng.between(0.0, 4.0) as usize).min(3)];
    let width = rng.between(width[0], width[1]);
    let length = width * rng.between(ratio[0], ratio[1]);
    let foot =
        foot().sized(width, length, (kind == "otter hind" && rng.between(0.0, 1.0) < 0.5).then_some(length * 1.45));
    let deepest = if kind == "mink fore" { [1.8, 3.2] } else { [2.5, 5.5] };
    let print = loop {
        let print = Print {
            id: "p1".into(),
            foot: foot.clone(),
            left: rng.between(0.0, 1.0) < 0.5,
            at: [rng.between(70.0, 140.0), rng.between(20.0, 130.0)],
            heading_deg: rng.between(0.0, 360.0),
            depth_mm: rng.between(deepest[0], deepest[1]),
        };
        let inside = |p: [f64; 2]| p[0] < 165.0 && p[1] > -15.0 && p[1] < 200.0 && !card::STANDARD.is_near(p, 8.0);
        if print.foot.landmarks().values().all(|p| inside(print.to_ground(*p))) {
            break print;
        }
    };
    let sun = rng.between(0.0, 1.0) < 0.85;
    let size_px = [760, 860];
    let camera = Camera {
        size_px,
        f_px: 3.3 * 520.0,
        k1: rng.between(-0.02, 0.02),
        aim: [82.0, 92.0],
        height_mm: rng.between(500.0, 540.0),
        tilt_deg: rng.between(0.0, 15.0),
        tilt_towards_deg: rng.between(0.0, 360.0),
        turn_deg: rng.between(-20.0, 20.0),
    };
    let light = Light {
        sun_elevation_deg: sun.then(|| rng.between(10.0, 32.0)),
        sun_towards_deg: rng.between(0.0, 360.0),
        shade: None,
    };
    let curve = if rng.between(0.0, 1.0) < 0.5 { Curve::Srgb } else { Curve::Phone };
    let develop = Develop { blur_px: rng.between(0.5, 1.2), curve, ..Develop::default() };
    (Scene { seed, ground, prints: vec![print], lumps: vec![], card: true, light, camera, develop }, kind)
}

/// The scene's picture as a file; kept in `RELIEF_PICTURES` where that is set, since rendering takes far longer than all else.
fn picture(scene: &Scene) -> Result<Vec<u8>, Box<dyn Error>> {
    let kept = std::env::var("RELIEF_PICTURES").ok().map(|folder| format!("{folder}/{}.jpg", scene.seed));
    if let Some(bytes) = kept.as_ref().and_then(|path| std::fs::read(path).ok()) {
        return Ok(bytes);
    }
    let bytes = render(scene).jpeg(92, vec![])?;
    if let Some(path) = kept {
        std::fs::write(path, &bytes)?;
    }
    Ok(bytes)
}

fn examine(seed: u64, each: bool, blind: bool) -> Result<Checked, Box<dyn Error>> {
    let (scene, kind) = scene(seed);
    let photo = Photo::read(&picture(&scene)?)?;
    let plane = find_card(&photo.luma)?.plane;
    let part = Window::beside(&card::STANDARD);
    let print = &scene.prints[0];
    let on_plane = |p: [f64; 2]| {
        let at = print.to_ground(p);
        let depth = print.press(at, scene.ground.softness).map_or(0.0, |press| press.floor - press.rim);
        plane.mm(scene.camera.project([at[0], at[1], depth]))
    };
    let towards = scene.light.sun_elevation_deg.map(|_| scene.light.sun_towards_deg.rem_euclid(360.0));
    let started = Instant::now();
    let axis = relief::axis(&Rectified::of(&photo.luma, &plane, part, &part, Some(&card::STANDARD)));
    // One tap on the light's side, a quarter turn off at worst; the axis itself is the picture's where it tells one.
    let side = match (axis, towards) {
        (_, None) => Towards::Even,
        (Some(axis), Some(_)) if blind => Towards::EitherWay(axis.deg),
        (Some(axis), Some(truth)) => Towards::Known(relief::on_side(axis.deg, truth)),
        (None, Some(truth)) => Towards::Known(truth),
    };
    let proposals = relief::propose(&photo.luma, &plane, &part, Some(&card::STANDARD), side);
    let ms = started.elapsed().as_secs_f64() * 1e3;
    let toes: Vec<([f64; 2], f64)> = print
        .foot
        .toes
        .iter()
        .map(|toe| (on_plane(toe.pad.at), (toe.pad.radii[0] * toe.pad.radii[1]).sqrt()))
        .collect();
    let hits = |p: &Proposal, (at, r): &([f64; 2], f64)| (p.at_mm[0] - at[0]).hypot(p.at_mm[1] - at[1]) < 0.75 * r;
    let standing: Vec<&Proposal> = proposals.iter().filter(|p| p.confidence >= STANDING).collect();
    let on_sole = |p: &Proposal| {
        let lobes = print.foot.sole.iter().chain(&print.foot.heel);
        let mut lobes = lobes.map(|pad| (on_plane(pad.at), pad.radii[0].max(pad.radii[1])));
        lobes.any(|(at, r)| (p.at_mm[0] - at[0]).hypot(p.at_mm[1] - at[1]) < r)
    };
    let right = |p: &&Proposal| if p.kind == PadKind::ToePad { toes.iter().any(|t| hits(p, t)) } else { on_sole(p) };
    let toe_stands = |t: &([f64; 2], f64)| standing.iter().any(|p| p.kind == PadKind::ToePad && hits(p, t));
    let nearest = |(at, r): &([f64; 2], f64)| {
        let off = proposals.iter().map(|p| (p.at_mm[0] - at[0]).hypot(p.at_mm[1] - at[1]));
        off.fold(f64::MAX, f64::min).min(2.0 * r)
    };
    let checked = Checked {
        kind,
        sun: towards.is_some(),
        toes: toes.len(),
        in_eight: toes.iter().filter(|t| proposals.iter().take(8).any(|p| hits(p, t))).count(),
        complete: toes.iter().all(toe_stands),
        wrong: standing.iter().filter(|p| !right(p)).count(),
        said: standing.iter().filter(|p| p.kind == PadKind::ToePad).count(),
        off_mm: toes.iter().map(nearest).collect(),
        axis: axis.zip(towards).map(|(axis, truth)| ((axis.deg - truth + 90.0).rem_euclid(180.0) - 90.0, axis.u_deg)),
        axis_told: axis.is_some(),
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
    Ok(checked)
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
        "{:<20} axis told in {}, off {:.1}° median, {:.1}° p95, within 2 u {:.0} %; {:.0} ms median, {:.0} ms p95",
        "",
        results.iter().filter(|r| r.axis_told).count(),
        quantile(&mut axis, 0.5),
        quantile(&mut axis, 0.95),
        share(within, axis.len().max(1) as f64),
        quantile(&mut ms, 0.5),
        quantile(&mut ms, 0.95),
    );
}

fn quantile(values: &mut [f64], share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(((values.len() as f64 - 1.0) * share).round() as usize).copied().unwrap_or(f64::NAN)
}
