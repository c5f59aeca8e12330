//! Points in space from two photographs, on invented scenes: figures are printed with `--nocapture`.
//!
//! Corners are as far off as the finder's, marks 0.7 px, EXIF states the focal length in whole millimetres, lenses bend. Nothing in
//! `core/src/space` was tuned on the course of random numbers that is reported here.

use std::collections::BTreeMap;
use std::f64::consts::TAU;

use rakelight_checks::chance::{Chance, quantile};
use rakelight_core::scale::{Tie, card};
use rakelight_core::space::{Placed, SpaceError, View, place};

const SIZE: [usize; 2] = [4000, 3000];
const DIAGONAL_PX: f64 = 5000.0;
/// The 35 mm equivalent's diagonal.
const FULL_FRAME_MM: f64 = 43.27;
const U_CLICK_PX: f64 = 0.7;
/// An otter's hind foot, pointing up; mm within the L's open quarter.
const HIND: [(&str, [f64; 2]); 8] = [
    ("toe_1_tip", [70.0, 52.0]),
    ("toe_2_tip", [83.0, 39.0]),
    ("toe_3_tip", [95.0, 34.0]),
    ("toe_4_tip", [107.0, 38.0]),
    ("toe_5_tip", [120.0, 50.0]),
    ("widest_left", [65.0, 57.0]),
    ("widest_right", [125.0, 57.0]),
    ("heel_rear", [95.0, 119.0]),
];
const LENGTHS: [[&str; 2]; 2] = [["widest_left", "widest_right"], ["toe_3_tip", "heel_rear"]];

/// A camera looking at the card's middle.
struct Camera {
    axes: [[f64; 3]; 3],
    place: [f64; 3],
    focal_px: f64,
    k1: f64,
}

impl Camera {
    /// From `tilt` towards `azimuth` (radians) at a distance (mm), turned by `roll` about its axis.
    fn new(tilt: f64, azimuth: f64, roll: f64, distance: f64, focal_px: f64, k1: f64) -> Self {
        let ahead = [-tilt.sin() * azimuth.cos(), -tilt.sin() * azimuth.sin(), tilt.cos()];
        let place = [80.0 - distance * ahead[0], 90.0 - distance * ahead[1], -distance * ahead[2]];
        let side = unit(cross([0.0, 1.0, 0.0], ahead));
        let down = cross(ahead, side);
        let turn = |a: f64, b: f64| std::array::from_fn(|i| a * side[i] + b * down[i]);
        Self { axes: [turn(roll.cos(), roll.sin()), turn(-roll.sin(), roll.cos()), ahead], place, focal_px, k1 }
    }

    fn see(&self, p: [f64; 3]) -> [f64; 2] {
        let q = self.axes.map(|axis| (0..3).map(|i| axis[i] * (p[i] - self.place[i])).sum::<f64>());
        let (x, y) = (q[0] / q[2], q[1] / q[2]);
        let stretch = self.focal_px * (1.0 + self.k1 * (x * x + y * y));
        [(SIZE[0] - 1) as f64 / 2.0 + stretch * x, (SIZE[1] - 1) as f64 / 2.0 + stretch * y]
    }
}

fn cross(a: [f64; 3], b: [f64; 3]) -> [f64; 3] {
    [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
}

fn unit(a: [f64; 3]) -> [f64; 3] {
    let length = a.iter().map(|c| c * c).sum::<f64>().sqrt();
    a.map(|c| c / length)
}

/// Photographs of one print, from sides that lie `apart_deg` from each other, and where its points truly are.
struct Scene {
    views: Vec<View>,
    truth: BTreeMap<String, [f64; 3]>,
}

impl Scene {
    fn invent(chance: &mut Chance, apart_deg: f64, photographs: usize) -> Self {
        Self::with_card_laid(chance, apart_deg, photographs, |_, mm| mm)
    }

    /// `laid`: where a point of the card lies in each photograph.
    fn with_card_laid(
        chance: &mut Chance,
        apart_deg: f64,
        photographs: usize,
        laid: impl Fn(usize, [f64; 2]) -> [f64; 2],
    ) -> Self {
        let floor = chance.between(5.0, 25.0);
        let truth: BTreeMap<_, _> =
            HIND.iter().map(|(name, [x, y])| (name.to_string(), [*x, *y, floor + chance.normal(1.0)])).collect();
        let stated_mm = chance.between(23.5, 28.5).round();
        let focal_px = chance.between(stated_mm - 0.5, stated_mm + 0.5) / FULL_FRAME_MM * DIAGONAL_PX;
        let (k1, azimuth, aside) = (chance.normal(0.03), chance.between(0.0, TAU), chance.between(-10.0, 10.0));
        let views = (0..photographs).map(|i| {
            let tilt = aside + apart_deg * (i as f64 / (photographs - 1) as f64 - 0.5);
            let (roll, distance) = (chance.between(0.0, TAU), chance.between(400.0, 520.0));
            let camera = Camera::new(tilt.to_radians(), azimuth, roll, distance, focal_px, k1);
            let (u_px, growth) = (chance.between(0.05, 0.1), chance.normal(0.1));
            let mut near = |p: [f64; 2], u: f64| [p[0] + chance.normal(u), p[1] + chance.normal(u)];
            let outward = [[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]];
            let corners = card::STANDARD.card().markers.into_iter().flat_map(|m| m.corners_mm.into_iter().zip(outward));
            let ties = corners.map(|(mm, outward)| {
                let [x, y] = laid(i, [mm[0] + growth * outward[0], mm[1] + growth * outward[1]]);
                let seen = camera.see([x, y, 0.0]);
                Tie { mm, px: near(seen, u_px), u_px, outward }
            });
            View {
                name: format!("{i}.jpg"),
                ties: ties.collect(),
                size_px: SIZE,
                focal_px: stated_mm / FULL_FRAME_MM * DIAGONAL_PX,
                lens: 0,
                marks: truth.iter().map(|(name, p)| (name.clone(), near(camera.see(*p), U_CLICK_PX))).collect(),
            }
        });
        Self { views: views.collect(), truth }
    }

    fn true_length(&self, [a, b]: [&str; 2]) -> f64 {
        let (a, b) = (self.truth[a], self.truth[b]);
        (0..3).map(|i| (a[i] - b[i]).powi(2)).sum::<f64>().sqrt()
    }

    fn true_depth(&self) -> f64 {
        self.truth.values().map(|p| p[2]).sum::<f64>() / self.truth.len() as f64
    }
}

fn length(placed: &Placed, [a, b]: [&str; 2]) -> (f64, f64) {
    let apart = placed.distance(a, b).unwrap();
    let parts = [apart.u_click_mm, apart.u_plane_mm, apart.u_depth_mm, apart.u_tilt_mm];
    (apart.mm, rakelight_core::measured::combine(&parts))
}

#[test]
fn two_photographs_give_lengths_and_depth_as_well_as_asked_and_their_intervals_are_honest() {
    const SCENES: usize = 1500;
    const COURSE: u64 = 20_261_125;
    let mut chance = Chance::new(COURSE);
    let (mut off_percent, mut off_depth, mut off_point) = (vec![], vec![], vec![]);
    let mut inside = [0.0; 3];
    for _ in 0..SCENES {
        let apart_deg = chance.between(20.0, 40.0);
        let scene = Scene::invent(&mut chance, apart_deg, 2);
        let placed = place(&scene.views, U_CLICK_PX, None).unwrap();
        for (i, pair) in LENGTHS.into_iter().enumerate() {
            let (mm, u) = length(&placed, pair);
            let off = mm - scene.true_length(pair);
            off_percent.push(off.abs() / mm * 100.0);
            // One length a scene counts, so that the cases are independent.
            inside[0] += f64::from(i == 0 && off.abs() < 1.96 * u);
        }
        let depth = placed.depth_mm(placed.names()).unwrap();
        off_depth.push((depth.value - scene.true_depth()).abs());
        inside[1] += f64::from((depth.value - scene.true_depth()).abs() < depth.half_width_95());
        let heel = placed.place("heel_rear").unwrap();
        off_point.push((heel.mm[2] - scene.truth["heel_rear"][2]).abs());
        inside[2] += f64::from((heel.mm[2] - scene.truth["heel_rear"][2]).abs() < 1.96 * heel.u_mm[2]);
    }
    let share = inside.map(|n| n / SCENES as f64);
    let figures = |what: &str, values: &[f64], unit: &str, share: f64| {
        let (median, p95) = (quantile(values, 0.5), quantile(values, 0.95));
        println!("{what}: median {median:.3} {unit}, p95 {p95:.3} {unit}, 95 % intervals hold {:.1} %", share * 100.0);
        (median, p95)
    };
    println!("{SCENES} scenes, two photographs 20–40° apart, course {COURSE}");
    let (median, p95) = figures("distance", &off_percent, "%", share[0]);
    let (_, depth_p95) = figures("depth of the print", &off_depth, "mm", share[1]);
    let (_, point_p95) = figures("depth of one point", &off_point, "mm", share[2]);
    assert!(median <= 0.15 && p95 <= 0.5 && depth_p95 <= 0.8 && point_p95 <= 0.9);
    assert!(share.iter().all(|share| (0.93..=0.97).contains(share)), "{share:?}");
}

#[test]
fn a_card_that_moved_between_two_photographs_is_noticed() {
    const SCENES: usize = 300;
    let mut chance = Chance::new(1);
    let mut noticed = 0;
    for _ in 0..SCENES {
        // Pushed aside by a foot: 10 mm in any direction, and turned by up to 5°.
        let (way, turn) = (chance.between(0.0, TAU), chance.between(-5.0, 5.0).to_radians());
        let pushed = |i: usize, [x, y]: [f64; 2]| match i {
            0 => [x, y],
            _ => {
                [x * turn.cos() - y * turn.sin() + 10.0 * way.cos(), x * turn.sin() + y * turn.cos() + 10.0 * way.sin()]
            }
        };
        let scene = Scene::with_card_laid(&mut chance, 30.0, 2, pushed);
        noticed += usize::from(place(&scene.views, U_CLICK_PX, None).is_err_and(|e| e.to_string().contains("moved")));
    }
    println!("{noticed} of {SCENES} moved cards noticed by the print's points alone");
    assert!(noticed as f64 >= 0.9 * SCENES as f64, "{noticed}");
}

#[test]
fn of_three_photographs_the_one_with_the_moved_card_is_named() {
    let mut scene = Scene::invent(&mut Chance::new(2), 40.0, 3);
    scene.views[1].marks.values_mut().enumerate().for_each(|(i, px)| *px = [px[0] + 30.0 + i as f64, px[1] + 25.0]);
    let refused = place(&scene.views, U_CLICK_PX, None).unwrap_err();
    assert!(matches!(&refused, SpaceError::Moved { photographs, .. } if photographs == "1.jpg"), "{refused}");
    assert!(refused.to_string().contains("with the card lying still"));
}

#[test]
fn a_point_that_was_marked_elsewhere_is_named() {
    let mut scene = Scene::invent(&mut Chance::new(3), 30.0, 2);
    let wrong = scene.views[0].marks["toe_1_tip"];
    scene.views[0].marks.insert("toe_3_tip".into(), wrong);
    let refused = place(&scene.views, U_CLICK_PX, None).unwrap_err();
    assert!(matches!(&refused, SpaceError::OtherPlace { point, .. } if point == "toe_3_tip"), "{refused}");
}

#[test]
fn photographs_from_one_side_and_points_marked_once_are_refused_with_what_to_do() {
    let mut scene = Scene::invent(&mut Chance::new(4), 3.0, 2);
    let refused = place(&scene.views, U_CLICK_PX, None).unwrap_err();
    assert!(matches!(refused, SpaceError::OneSide { apart_deg } if (2.0..4.0).contains(&apart_deg)), "{refused}");
    scene.views[1].marks.clear();
    let refused = place(&scene.views, U_CLICK_PX, None).unwrap_err();
    assert!(refused.to_string().contains("mark the same points in each"), "{refused}");
}

#[test]
fn marks_worse_than_stated_widen_the_uncertainty() {
    let mut scene = Scene::invent(&mut Chance::new(5), 30.0, 2);
    let honest = length(&place(&scene.views, U_CLICK_PX, None).unwrap(), LENGTHS[0]);
    let mut chance = Chance::new(6);
    for px in scene.views.iter_mut().flat_map(|view| view.marks.values_mut()) {
        *px = [px[0] + chance.normal(1.6), px[1] + chance.normal(1.6)];
    }
    let placed = place(&scene.views, U_CLICK_PX, None).unwrap();
    assert!(placed.disagree() && length(&placed, LENGTHS[0]).1 > 1.5 * honest.1, "{}", placed.sigmas());
}

#[test]
fn a_point_marked_once_lies_at_the_floor_and_says_how_deep_that_may_be() {
    let mut scene = Scene::invent(&mut Chance::new(7), 30.0, 2);
    scene.views[1].marks.remove("heel_rear");
    let in_plane = place(&scene.views, U_CLICK_PX, None).unwrap().place("heel_rear").unwrap();
    assert_eq!((in_plane.seen, in_plane.mm[2].abs() < 1e-6), (1, true));
    let floor = rakelight_core::measured::Measured::new(15.0, 4.0);
    let placed = place(&scene.views, U_CLICK_PX, floor).unwrap();
    let heel = placed.place("heel_rear").unwrap();
    assert!((heel.mm[2] - 15.0).abs() < 1e-6 && (heel.u_mm[2] - 4.0_f64.hypot(1.0)).abs() < 1e-3, "{heel:?}");
    assert!(placed.distance("heel_rear", "toe_3_tip").unwrap().u_depth_mm > 0.0);
}
