//! Relief by lamps on rendered prints: `cargo bench -p rakelight-checks --bench lamps`.
//!
//! Nothing was tuned on the reporting seeds; `-- tuning` shows the seeds that were. `-- FIRST COUNT` takes others, `each` prints every
//! print. Pictures are kept in the folder `LAMPS_PICTURES` where that is set, since rendering takes far longer than all else; relief
//! views are written into `LAMPS_VIEWS`. All pictures are rendered: matt ground with some gloss, one lamp in the dark with some stray light, the
//! camera's hand moving between the photographs.

use std::error::Error;
use std::time::Instant;

use rakelight_checks::chance::quantile;
use rakelight_core::lamps::{Relief, StatedDirection, StatedLamp, relief};
use rakelight_core::photo::Photo;
use rakelight_core::scale::card::STANDARD;
use rakelight_core::scale::find_card;
use rakelight_render::grid::{Extent, Grid};
use rakelight_render::noise::Rng;
use rakelight_render::{Camera, Curve, Develop, Ground, Lamp, Light, Print, Scene, feet, render_by_lamps};

const TUNING: (u64, u64) = (1, 24);
const REPORTING: (u64, u64) = (70_001, 48);
/// The print's depth profiles are compared in this many millimetres around its middle.
const AROUND_MM: f64 = 48.0;

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
    let mut refused = 0;
    for seed in first..first + count {
        match examine(seed, asked("each"))? {
            Some(checked) => results.push(checked),
            None => refused += 1,
        }
    }
    println!("refused: {refused}");
    report("all", results.iter());
    for low in [true, false] {
        for lamps in [3, 4, 6] {
            let name = format!("{lamps} lamps, {}", if low { "10–20°" } else { "30–45°" });
            report(&name, results.iter().filter(|r| r.lamps == lamps && r.low == low));
        }
    }
    report("sRGB", results.iter().filter(|r| r.curve == Curve::Srgb));
    report("phone-like curve", results.iter().filter(|r| r.curve == Curve::Phone));
    report("shallow (< 2.5 mm)", results.iter().filter(|r| r.depth_mm < 2.5));
    report("deep", results.iter().filter(|r| r.depth_mm >= 2.5));
    report("lamps by a peg", results.iter().filter(|r| r.peg));
    Ok(())
}

struct Checked {
    lamps: usize,
    low: bool,
    peg: bool,
    curve: Curve,
    depth_mm: f64,
    /// How far the photographs' ground lies beside that of the first, by the card alone and after the print's alignment, px of the window.
    by_card_px: Vec<f64>,
    aligned_px: Vec<f64>,
    /// Angles between normals and truth where three lamps or more lit the ground, degrees.
    off_deg: Vec<f64>,
    /// Heights against the truth around the print: correlation, slope, root mean square of what is left, mm.
    correlation: f64,
    factor: f64,
    left_mm: f64,
    /// What it says of the factor's doubt.
    u_factor: f64,
    in_shadow: f64,
    ms: f64,
}

/// A shot as it was, and what is said of its lamp.
type Shot = (Camera, Lamp, StatedLamp);

fn scene(seed: u64) -> (Scene, Vec<Shot>) {
    let mut rng = Rng::new(seed.wrapping_mul(0x1A3B_0001));
    let lamps = [3, 4, 6][(seed % 3) as usize];
    let low = (seed / 3).is_multiple_of(2);
    let ground = [Ground::FIRM_MUD, Ground::WET_SAND, Ground::SOFT_MUD][(rng.between(0.0, 3.0) as usize).min(2)];
    let (foot, width, deepest) = match (rng.between(0.0, 3.0) as usize).min(2) {
        0 => (feet::otter_hind(), rng.between(55.0, 66.0), [1.5, 4.5]),
        1 => (feet::fox_fore(), rng.between(35.0, 42.0), [1.5, 4.0]),
        _ => (feet::mink_fore(), rng.between(32.0, 38.0), [1.2, 3.0]),
    };
    let print = Print {
        id: "p1".into(),
        foot: foot.sized(width, width * 1.05, None),
        left: rng.between(0.0, 1.0) < 0.5,
        at: [rng.between(84.0, 108.0), rng.between(56.0, 100.0)],
        heading_deg: rng.between(0.0, 360.0),
        depth_mm: rng.between(deepest[0], deepest[1]),
    };
    let size_px = [1500, 1700];
    let curve = if rng.between(0.0, 1.0) < 0.7 { Curve::Srgb } else { Curve::Phone };
    let develop = Develop { blur_px: rng.between(0.6, 1.2), curve, noise: 0.008, grey: 0.33, ..Develop::default() };
    let still = Camera {
        size_px,
        f_px: 6.5 * 520.0,
        k1: rng.between(-0.02, 0.02),
        aim: [82.0, 96.0],
        height_mm: rng.between(500.0, 540.0),
        tilt_deg: rng.between(1.0, 8.0),
        tilt_towards_deg: rng.between(0.0, 360.0),
        turn_deg: rng.between(-20.0, 20.0),
    };
    let elevation = if low { [10.0, 20.0] } else { [30.0, 45.0] };
    let first = rng.between(0.0, 360.0);
    let peg = rng.between(0.0, 1.0) < 0.25;
    let distance_known = rng.between(0.0, 1.0) < 0.5;
    let shots = (0..lamps).map(|k| {
        let camera = Camera {
            aim: still.aim.map(|v| v + 5.0 * rng.gauss()),
            height_mm: still.height_mm + 12.0 * rng.gauss(),
            tilt_deg: (still.tilt_deg + 2.5 * rng.gauss()).abs(),
            tilt_towards_deg: still.tilt_towards_deg + 15.0 * rng.gauss(),
            turn_deg: still.turn_deg + 2.0 * rng.gauss(),
            ..still
        };
        let lamp = Lamp {
            aim: print.at,
            towards_deg: first + 360.0 * k as f64 / lamps as f64 + 8.0 * rng.gauss(),
            elevation_deg: rng.between(elevation[0], elevation[1]),
            distance_mm: rng.between(800.0, 1500.0),
            radius_mm: 15.0,
            ambient: rng.between(0.0, 0.04),
        };
        let distance_mm = distance_known.then(|| lamp.distance_mm * (1.0 + 0.05 * rng.gauss()));
        let direction = if peg { by_peg(&camera, &lamp, &mut rng) } else { typed(&camera, &lamp, &mut rng) };
        (camera, lamp, StatedLamp { direction, distance_mm })
    });
    let shots = shots.collect();
    let light = Light { sun_elevation_deg: None, sun_towards_deg: 0.0, shade: None };
    (Scene { seed, ground, prints: vec![print], lumps: vec![], card: true, light, camera: still, develop }, shots)
}

/// How well a lamp's direction is typed, degrees.
const U_TYPED_DEG: f64 = 1.5;

fn typed(camera: &Camera, lamp: &Lamp, rng: &mut Rng) -> StatedDirection {
    let (sin, cos) = lamp.towards_deg.to_radians().sin_cos();
    let [a, b] = [-20.0, 20.0].map(|d| camera.project([82.0 + d * cos, 82.0 + d * sin, 0.0]));
    StatedDirection::Angles {
        azimuth_deg: (b[1] - a[1]).atan2(b[0] - a[0]).to_degrees() + U_TYPED_DEG * rng.gauss(),
        elevation_deg: lamp.elevation_deg + U_TYPED_DEG * rng.gauss(),
        u_deg: U_TYPED_DEG,
    }
}

/// The marks that a person would set on a peg of 12 mm that stands on the card's inner corner (the peg isn't in the picture).
fn by_peg(camera: &Camera, lamp: &Lamp, rng: &mut Rng) -> StatedDirection {
    const PEG_MM: f64 = 12.0;
    let [x, y] = STANDARD.inner_corner_mm();
    let foot = [x - 4.0, y + 4.0];
    let (sin, cos) = lamp.elevation_deg.to_radians().sin_cos();
    let (y, x) = lamp.towards_deg.to_radians().sin_cos();
    let stands = [lamp.aim[0] + lamp.distance_mm * cos * x, lamp.aim[1] + lamp.distance_mm * cos * y];
    let way = [stands[0] - foot[0], stands[1] - foot[1]];
    let long = PEG_MM / (lamp.distance_mm * sin - PEG_MM);
    let tip = [foot[0] - way[0] * long, foot[1] - way[1] * long];
    let mut mark = |mm: [f64; 2]| camera.project([mm[0], mm[1], 0.0]).map(|v| v + 3.0 * rng.gauss());
    StatedDirection::Peg { foot_px: mark(foot), tip_px: mark(tip), height_mm: PEG_MM, u_click_px: 3.0 }
}

/// The ground's true height, and the photographs as files.
type Shown = (Grid<1>, Vec<Vec<u8>>);

/// Kept where they are asked to be.
fn pictures(scene: &Scene, shots: &[Shot]) -> Result<Shown, Box<dyn Error>> {
    let kept = std::env::var("LAMPS_PICTURES").ok();
    let path = |name: String| kept.as_ref().map(|folder| format!("{folder}/{}-{name}", scene.seed));
    if let Some(ground) = path("ground".into()).and_then(|path| std::fs::read(path).ok()) {
        let files = (0..shots.len()).map(|k| std::fs::read(path(format!("{k}.jpg")).unwrap_or_default()));
        return Ok((unpacked(&ground), files.collect::<Result<_, _>>()?));
    }
    let cameras: Vec<(Camera, Lamp)> = shots.iter().map(|(camera, lamp, _)| (*camera, *lamp)).collect();
    let (height, pictures) = render_by_lamps(scene, &cameras);
    let files = pictures.iter().map(|picture| picture.jpeg(93, vec![])).collect::<Result<Vec<_>, _>>()?;
    if kept.is_some() {
        std::fs::write(path("ground".into()).unwrap_or_default(), packed(&height))?;
        for (k, file) in files.iter().enumerate() {
            std::fs::write(path(format!("{k}.jpg")).unwrap_or_default(), file)?;
        }
    }
    Ok((height, files))
}

fn packed(grid: &Grid<1>) -> Vec<u8> {
    let [x, y] = grid.extent.from;
    let head = [x, y, grid.extent.to[0], grid.extent.to[1], grid.extent.cell];
    let values = grid.values.iter().flat_map(|v| v[0].to_le_bytes());
    head.iter().flat_map(|v| v.to_le_bytes()).chain(values).collect()
}

fn unpacked(bytes: &[u8]) -> Grid<1> {
    let number = |k: usize| f64::from_le_bytes(std::array::from_fn(|i| bytes[8 * k + i]));
    let extent = Extent { from: [number(0), number(1)], to: [number(2), number(3)], cell: number(4) };
    let values = bytes[40..].chunks_exact(4).map(|b| [f32::from_le_bytes([b[0], b[1], b[2], b[3]])]);
    Grid { extent, size: extent.size(), values: values.collect() }
}

fn examine(seed: u64, each: bool) -> Result<Option<Checked>, Box<dyn Error>> {
    let (scene, shots) = scene(seed);
    let (truth, files) = pictures(&scene, &shots)?;
    let started = Instant::now();
    let photos = files.iter().enumerate().map(|(k, file)| Ok((format!("{k}.jpg"), Photo::read(file)?)));
    let photos = photos.collect::<Result<Vec<_>, Box<dyn Error>>>()?;
    let stated: Vec<StatedLamp> = shots.iter().map(|(_, _, stated)| *stated).collect();
    let result = relief(&photos, &stated, None);
    let ms = started.elapsed().as_secs_f64() * 1e3;
    let found = match result {
        Ok(found) => found,
        Err(error) => {
            println!("{seed}: {error}");
            return Ok(None);
        }
    };
    if let Ok(folder) = std::env::var("LAMPS_VIEWS") {
        std::fs::write(format!("{folder}/{seed}.png"), found.view_png()?)?;
    }
    let checked = compare(&scene, &shots, &photos, &truth, &found, ms)?;
    if each {
        println!(
            "{seed} {} lamps, low {}, peg {}, {:?}, {:.1} mm deep: card {:.2} px, aligned {:.2} px, normals {:.1}°, correlation {:.3}, factor {:.2} ± {:.2}, left {:.2} mm, in shadow {:.0} %, {:.0} ms",
            checked.lamps,
            checked.low,
            checked.peg,
            checked.curve,
            checked.depth_mm,
            quantile(&checked.by_card_px, 0.5),
            quantile(&checked.aligned_px, 0.5),
            quantile(&checked.off_deg, 0.5),
            checked.correlation,
            checked.factor,
            checked.u_factor,
            checked.left_mm,
            100.0 * checked.in_shadow,
            checked.ms
        );
    }
    Ok(Some(checked))
}

fn compare(
    scene: &Scene,
    shots: &[Shot],
    photos: &[(String, Photo)],
    truth: &Grid<1>,
    found: &Relief,
    ms: f64,
) -> Result<Checked, Box<dyn Error>> {
    let surface = found.surface.as_ref().ok_or("no surface")?;
    let planes = photos.iter().map(|(_, photo)| Ok(find_card(&photo.luma)?.plane));
    let planes = planes.collect::<Result<Vec<_>, Box<dyn Error>>>()?;
    let height = |mm: [f64; 2]| f64::from(truth.at(mm)[0]);
    // Where a place of the ground shows in a photograph's plane.
    let shown = |k: usize, mm: [f64; 2]| planes[k].mm(shots[k].0.project([mm[0], mm[1], -height(mm)]));
    let print = &scene.prints[0];
    let near = |mm: [f64; 2]| (mm[0] - print.at[0]).hypot(mm[1] - print.at[1]) < AROUND_MM;
    let (mut by_card_px, mut aligned_px) = (vec![], vec![]);
    for k in 1..shots.len() {
        for step in 0..400 {
            let mm = [0, 1].map(|i| print.at[i] + f64::from([step % 20, step / 20][i]) * 4.0 - 38.0);
            if !near(mm) || STANDARD.is_near(mm, 3.0) {
                continue;
            }
            let (first, here) = (shown(0, mm), shown(k, mm));
            let apart = [0, 1].map(|i| here[i] - first[i]);
            let high = found.height_at(first).map_or(0.0, |height| height.value);
            let (offset, parallax) = (found.lit[k].offset_mm, found.lit[k].parallax);
            let offset = [0, 1].map(|i| offset[i] + high * parallax[i]);
            by_card_px.push(apart[0].hypot(apart[1]) * found.window.px_per_mm);
            aligned_px.push((apart[0] - offset[0]).hypot(apart[1] - offset[1]) * found.window.px_per_mm);
        }
    }
    let (mut off_deg, mut pairs) = (vec![], vec![]);
    for at in 0..found.ground.len() {
        // The result lies as the first photograph shows it: the ground's place is where its line of sight meets it.
        let seen_mm = found.window.to_mm([(at % found.size[0]) as f64, (at / found.size[0]) as f64]);
        if found.ground[at] == 0.0 || !near(seen_mm) {
            continue;
        }
        let mut mm = seen_mm;
        for _ in 0..3 {
            let there = shown(0, mm);
            mm = [0, 1].map(|i| mm[i] + seen_mm[i] - there[i]);
        }
        let from_print = [0, 1].map(|i| mm[i] - print.at[i]);
        pairs.push((from_print, height(mm), f64::from(surface.height_mm[at])));
        if surface.lit[at] >= 3 {
            // Normals over two thirds of a millimetre: single grains are smaller than the window's pixels.
            let d = 1.0 / found.window.px_per_mm;
            let mean = |mm: [f64; 2]| {
                (0..9)
                    .map(|i| height([mm[0] + d * f64::from(i % 3 - 1) / 3.0, mm[1] + d * f64::from(i / 3 - 1) / 3.0]))
                    .sum::<f64>()
                    / 9.0
            };
            let slope =
                |dx: f64, dy: f64| (mean([mm[0] + dx, mm[1] + dy]) - mean([mm[0] - dx, mm[1] - dy])) / (2.0 * d);
            let (p, q) = (slope(d, 0.0), slope(0.0, d));
            let long = (1.0 + p * p + q * q).sqrt();
            let [x, y, up] = surface.normals[at].map(f64::from);
            off_deg.push(((-p * x - q * y + up) / long).clamp(-1.0, 1.0).acos().to_degrees());
        }
    }
    let (tt, tf, ff) = without_planes(&pairs);
    let n = pairs.len() as f64;
    Ok(Checked {
        lamps: shots.len(),
        low: shots[0].1.elevation_deg < 25.0,
        peg: matches!(shots[0].2.direction, StatedDirection::Peg { .. }),
        curve: scene.develop.curve,
        depth_mm: print.depth_mm,
        by_card_px,
        aligned_px,
        off_deg,
        correlation: tf / (tt * ff).sqrt(),
        factor: tf / tt,
        left_mm: ((ff - tf * tf / tt) / n).max(0.0).sqrt(),
        u_factor: surface.u_factor,
        in_shadow: surface.in_shadow,
        ms,
    })
}

/// Sums of squares and products of heights (true, found) after the plane that lies best in each was taken away: what counts is the print in its
/// ground, not how all of it slopes.
fn without_planes(pairs: &[([f64; 2], f64, f64)]) -> (f64, f64, f64) {
    // Gram and Schmidt's way: one, x, y made orthogonal over the places, then taken out of both.
    let mut bases: Vec<Vec<f64>> =
        vec![vec![1.0; pairs.len()], pairs.iter().map(|p| p.0[0]).collect(), pairs.iter().map(|p| p.0[1]).collect()];
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let less = |from: &mut [f64], base: &[f64]| {
        let share = dot(from, base) / dot(base, base);
        from.iter_mut().zip(base).for_each(|(v, b)| *v -= share * b);
    };
    for k in 1..3 {
        let (before, rest) = bases.split_at_mut(k);
        before.iter().for_each(|base| less(&mut rest[0], base));
    }
    let (mut t, mut f): (Vec<f64>, Vec<f64>) = pairs.iter().map(|p| (p.1, p.2)).unzip();
    bases.iter().for_each(|base| {
        less(&mut t, base);
        less(&mut f, base);
    });
    (dot(&t, &t), dot(&t, &f), dot(&f, &f))
}

fn report<'a>(what: &str, results: impl Iterator<Item = &'a Checked>) {
    let results: Vec<&Checked> = results.collect();
    if results.is_empty() {
        return;
    }
    let all = |of: fn(&Checked) -> &Vec<f64>| results.iter().flat_map(|r| of(r).iter().copied()).collect::<Vec<f64>>();
    let one = |of: fn(&Checked) -> f64| results.iter().map(|r| of(r)).collect::<Vec<f64>>();
    let (card, aligned) = (all(|r| &r.by_card_px), all(|r| &r.aligned_px));
    println!(
        "{what:<20} {:>3} prints: alignment {:.2} px median, {:.2} px p95 (by the card alone {:.2}, {:.2}); normals {:.1}° median, {:.1}° p90",
        results.len(),
        quantile(&aligned, 0.5),
        quantile(&aligned, 0.95),
        quantile(&card, 0.5),
        quantile(&card, 0.95),
        quantile(&all(|r| &r.off_deg), 0.5),
        quantile(&all(|r| &r.off_deg), 0.9),
    );
    let within = results.iter().filter(|r| (r.factor - 1.0).abs() < 1.96 * r.u_factor).count();
    let (correlation, factor) = (one(|r| r.correlation), one(|r| r.factor));
    println!(
        "{:<20} depth: correlation {:.3} median, {:.3} p5; factor {:.2} median, {:.2}–{:.2} p5–p95, off by {:.0} % median, within its 95 % {} of {}; {:.2} mm left; in shadow {:.0} %; {:.0} ms median",
        "",
        quantile(&correlation, 0.5),
        quantile(&correlation, 0.05),
        quantile(&factor, 0.5),
        quantile(&factor, 0.05),
        quantile(&factor, 0.95),
        100.0 * quantile(&one(|r| (r.factor - 1.0).abs()), 0.5),
        within,
        results.len(),
        quantile(&one(|r| r.left_mm), 0.5),
        100.0 * quantile(&one(|r| r.in_shadow), 0.5),
        quantile(&one(|r| r.ms), 0.5),
    );
}
