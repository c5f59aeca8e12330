//! The prints that are examined: rendered, with the truth of each.

use std::error::Error;

use rakelight_core::photo::Photo;
use rakelight_core::relief::Towards;
use rakelight_core::scale::{Plane, card, find_card};
use rakelight_render::foot::{Foot, Pad};
use rakelight_render::noise::Rng;
use rakelight_render::{Camera, Curve, Develop, Ground, Light, Lump, Print, Scene, feet, render};

/// A kind of foot: its name, its template, the widths (mm) and the lengths as shares of the width that are drawn from.
type Kind = (&'static str, fn() -> Foot, [f64; 2], [f64; 2]);

/// A rendered print, photographed.
pub struct Shown {
    pub kind: &'static str,
    pub scene: Scene,
    pub photo: Photo,
    pub plane: Plane,
}

impl Shown {
    /// `varied` feet differ from their templates, stones lie about, and some prints were trodden over.
    pub fn of(seed: u64, varied: bool) -> Result<Self, Box<dyn Error>> {
        let (mut scene, kind) = scene(seed);
        if varied {
            vary(&mut scene, seed);
        }
        let photo = Photo::read(&picture(&scene, varied)?)?;
        let plane = find_card(&photo.luma)?.plane;
        Ok(Self { kind, scene, photo, plane })
    }

    /// Where a point of a foot appears in the scale's plane.
    pub fn on_plane(&self, print: &Print, p: [f64; 2]) -> [f64; 2] {
        let at = print.to_ground(p);
        let depth = print.press(at, self.scene.ground.softness).map_or(0.0, |press| press.floor - press.rim);
        self.plane.mm(self.scene.camera.project([at[0], at[1], depth]))
    }

    /// A pad's outline in the scale's plane.
    pub fn outline(&self, print: &Print, pad: &Pad) -> Vec<[f64; 2]> {
        (0..72).map(|k| self.on_plane(print, pad.outline(f64::from(k * 5).to_radians()))).collect()
    }

    /// Direction towards the sun in the scale's plane, degrees; `None` under an overcast sky.
    pub fn sun_deg(&self) -> Option<f64> {
        self.scene.light.sun_elevation_deg.map(|_| self.scene.light.sun_towards_deg.rem_euclid(360.0))
    }

    /// What is known of the light after one tap on its side, or (`blind`) without.
    pub fn towards(&self, axis_deg: Option<f64>, blind: bool) -> Towards {
        match (axis_deg, self.sun_deg()) {
            (_, None) => Towards::Even,
            (Some(axis), Some(_)) if blind => Towards::EitherWay(axis),
            (Some(axis), Some(truth)) => Towards::Known(rakelight_core::relief::on_side(axis, truth)),
            (None, Some(truth)) => Towards::Known(truth),
        }
    }
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

/// Each toe a little elsewhere, of another size, turned and pressed in another depth; up to six stones about the print, none on a toe;
/// and every fifth print trodden over by the same foot.
fn vary(scene: &mut Scene, seed: u64) {
    let mut rng = Rng::new(seed.wrapping_mul(0x5EED_0002));
    let print = &mut scene.prints[0];
    let scale = (print.foot.dimensions().width_mm / 60.0).max(0.6);
    for toe in &mut print.foot.toes {
        let by = [0; 2].map(|_: i32| 1.3 * scale * rng.gauss().clamp(-2.0, 2.0));
        let size = (0.10 * rng.gauss().clamp(-2.0, 2.0)).exp();
        let turn = 8.0 * rng.gauss().clamp(-2.0, 2.0);
        let depth = rng.between(0.75, 1.1);
        for pad in std::iter::once(&mut toe.pad).chain(&mut toe.claw) {
            pad.at = [pad.at[0] + by[0], pad.at[1] + by[1]];
            pad.turn_deg += turn;
        }
        toe.pad.radii = toe.pad.radii.map(|r| r * size);
        toe.pad.depth *= depth;
    }
    for lobe in print.foot.sole.iter_mut().chain(&mut print.foot.heel) {
        lobe.at = lobe.at.map(|v| v + 0.8 * scale * rng.gauss().clamp(-2.0, 2.0));
        lobe.depth *= rng.between(0.8, 1.05);
    }
    if seed.is_multiple_of(5) {
        let turn = 30.0 * rng.gauss().clamp(-1.5, 1.5);
        let away = (0.45 + 0.35 * rng.between(0.0, 1.0)) * print.foot.dimensions().width_mm;
        let way = rng.between(0.0, std::f64::consts::TAU);
        let at = [print.at[0] + away * way.cos(), print.at[1] + away * way.sin()];
        let over = Print { id: "p2".into(), at, heading_deg: print.heading_deg + turn, ..print.clone() };
        scene.prints.push(over);
    }
    let toes: Vec<([f64; 2], f64)> = scene.prints.iter().flat_map(toes_on_ground).collect();
    for _ in 0..(rng.between(0.0, 7.0) as usize) {
        let at = [rng.between(40.0, 165.0), rng.between(-15.0, 160.0)];
        let long = rng.between(2.0, 8.0);
        let (turn_deg, shade) = (rng.between(0.0, 360.0), rng.between(0.6, 1.6));
        let radii = [long, long * rng.between(0.55, 0.9), long * rng.between(0.3, 0.6)];
        let on_toe = toes.iter().any(|(toe, r)| (toe[0] - at[0]).hypot(toe[1] - at[1]) < r + long + 1.0);
        if !on_toe && !card::STANDARD.is_near(at, long + 4.0) {
            let colour = [0.20, 0.19, 0.17].map(|c| c * shade);
            scene.lumps.push(Lump { at, radii, turn_deg, colour, base: None, flat: false });
        }
    }
}

/// The middles of a print's toe pads on the ground and their longer half axes.
fn toes_on_ground(print: &Print) -> Vec<([f64; 2], f64)> {
    print.foot.toes.iter().map(|toe| (print.to_ground(toe.pad.at), toe.pad.radii[0].max(toe.pad.radii[1]))).collect()
}

/// The scene's picture as a file; kept in `RELIEF_PICTURES` where that is set, since rendering takes far longer than all else.
fn picture(scene: &Scene, varied: bool) -> Result<Vec<u8>, Box<dyn Error>> {
    let kept = std::env::var("RELIEF_PICTURES")
        .ok()
        .map(|folder| format!("{folder}/{}{}.jpg", if varied { "v" } else { "" }, scene.seed));
    if let Some(bytes) = kept.as_ref().and_then(|path| std::fs::read(path).ok()) {
        return Ok(bytes);
    }
    let bytes = render(scene).jpeg(92, vec![])?;
    if let Some(path) = kept {
        std::fs::write(path, &bytes)?;
    }
    Ok(bytes)
}
