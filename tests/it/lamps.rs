//! Relief by lamps on pictures of analytic ground beside the card: seen from straight above, matt, lit by distant lamps.

use rakelight_core::lamps::{LampError, Relief, StatedDirection, StatedLamp, relief};
use rakelight_core::photo::Photo;
use rakelight_core::scale::light;
use rakelight_render::Picture;
use rakelight_render::card::{is_on_card, reflectance};

const PX_PER_MM: f64 = 4.0;
const SIZE: [usize; 2] = [800, 920];
/// The card's origin in the picture, mm.
const ORIGIN_MM: [f64; 2] = [12.0, 16.0];
const BUMP_MM: [f64; 2] = [100.0, 80.0];
const MUD: f64 = 0.2;

/// Slopes and height of the ground at a place, mm.
type GroundAt = fn([f64; 2]) -> ([f64; 2], f64);

/// Rough ground, so that there is something to lay over each other.
fn flat([x, y]: [f64; 2]) -> ([f64; 2], f64) {
    let waves = [(0.9, 0.4, 0.3), (-0.5, 1.1, 1.9), (1.3, -0.8, 0.7), (0.3, 1.6, 2.2)];
    let slope = |k: usize| waves.iter().map(|w| 0.02 * [w.0, w.1][k] * (w.0 * x + w.1 * y + w.2).cos()).sum();
    ([slope(0), slope(1)], waves.iter().map(|w| 0.02 * (w.0 * x + w.1 * y + w.2).sin()).sum())
}

/// A cap of a sphere of radius 40 mm, 30 mm wide: 2.92 mm high.
fn capped(mm: [f64; 2]) -> ([f64; 2], f64) {
    let (rough, height) = flat(mm);
    let from = [mm[0] - BUMP_MM[0], mm[1] - BUMP_MM[1]];
    let r = from[0].hypot(from[1]).min(15.0);
    let long = (1600.0 - r * r).sqrt();
    let slope = if r < 15.0 { from.map(|d| -d / long) } else { [0.0; 2] };
    ([rough[0] + slope[0], rough[1] + slope[1]], height + long - 1375.0_f64.sqrt())
}

fn photograph(ground: GroundAt, [azimuth_deg, elevation_deg]: [f64; 2], shifted_mm: f64) -> Photo {
    let ((y, x), (up, across)) = (azimuth_deg.to_radians().sin_cos(), elevation_deg.to_radians().sin_cos());
    let exposure = 0.35 / (0.5 * up);
    let at = |k: usize| {
        let samples = (0..4).map(|s| {
            let place = [0, 1].map(|i| {
                let pixel = [k % SIZE[0], k / SIZE[0]][i] as f64 + ([s % 2, s / 2][i] as f64 - 0.5) / 2.0;
                pixel / PX_PER_MM - ORIGIN_MM[i]
            });
            if is_on_card(place) {
                return reflectance(place) * up;
            }
            let ([p, q], _) = ground([place[0] - shifted_mm, place[1]]);
            MUD * ((-p * x - q * y) * across + up).max(0.0) / (1.0 + p * p + q * q).sqrt()
        });
        [(light::encode((exposure * samples.sum::<f64>() / 4.0).min(1.0)) * 255.0).round() as u8; 3]
    };
    let picture = Picture { size_px: SIZE, rgb: (0..SIZE[0] * SIZE[1]).map(at).collect() };
    Photo::read(&picture.jpeg(98, vec![]).unwrap()).unwrap()
}

fn lamp([azimuth_deg, elevation_deg]: [f64; 2]) -> StatedLamp {
    StatedLamp { direction: StatedDirection::Angles { azimuth_deg, elevation_deg, u_deg: 2.0 }, distance_mm: None }
}

fn by_lamps(ground: GroundAt, lamps: &[[f64; 2]]) -> Result<Relief, LampError> {
    let photos: Vec<_> =
        lamps.iter().enumerate().map(|(k, at)| (format!("{k}.jpg"), photograph(ground, *at, 0.0))).collect();
    relief(&photos, &lamps.iter().map(|at| lamp(*at)).collect::<Vec<_>>(), None)
}

const AROUND: [[f64; 2]; 4] = [[15.0, 30.0], [105.0, 34.0], [195.0, 28.0], [285.0, 31.0]];

/// Median angle between normals and truth within 14 mm of the bump's middle, degrees.
fn off_deg(found: &Relief, ground: GroundAt) -> f64 {
    let surface = found.surface.as_ref().unwrap();
    let mut off = Vec::new();
    for at in 0..found.ground.len() {
        let mm = found.window.to_mm([(at % found.size[0]) as f64, (at / found.size[0]) as f64]);
        if (mm[0] - BUMP_MM[0]).hypot(mm[1] - BUMP_MM[1]) < 14.0 {
            let ([p, q], _) = ground(mm);
            let [x, y, up] = surface.normals[at].map(f64::from);
            off.push(((-p * x - q * y + up) / (1.0 + p * p + q * q).sqrt()).clamp(-1.0, 1.0).acos().to_degrees());
        }
    }
    off.sort_by(f64::total_cmp);
    off[off.len() / 2]
}

#[test]
fn level_ground_gives_no_relief() {
    let found = by_lamps(flat, &AROUND).unwrap();
    assert!(off_deg(&found, flat) < 0.5, "{}", off_deg(&found, flat));
    // Its roughness is 0.08 mm at most.
    let range = found.surface.as_ref().unwrap().range_mm.unwrap();
    assert!(range.value < 0.3, "{range:?}");
}

#[test]
fn a_cap_of_a_sphere_comes_back_with_its_normals_and_its_height() {
    for lamps in [&AROUND[..], &AROUND[..3]] {
        let found = by_lamps(capped, lamps).unwrap();
        assert!(off_deg(&found, capped) < 0.5, "{}", off_deg(&found, capped));
        let height = |mm: [f64; 2]| found.height_at(mm).unwrap();
        let (top, foot) = (height(BUMP_MM), height([BUMP_MM[0] + 18.0, BUMP_MM[1] + 6.0]));
        assert!((top.value - foot.value - 2.92).abs() < 0.15, "{top:?} {foot:?}");
        assert!((top.value - foot.value - 2.92).abs() < 1.96 * top.u.hypot(foot.u));
        assert!(found.lit.iter().all(|lit| lit.offset_mm.iter().all(|mm| mm.abs() < 0.05)), "{:?}", found.lit);
    }
}

#[test]
fn a_photograph_whose_ground_lies_aside_is_laid_over_the_others() {
    // As a print below the card does when the camera moves.
    let photos: Vec<_> = AROUND
        .iter()
        .enumerate()
        .map(|(k, at)| (format!("{k}.jpg"), photograph(capped, *at, if k == 2 { 0.8 } else { 0.0 })))
        .collect();
    let found = relief(&photos, &AROUND.map(lamp), None).unwrap();
    let off = [found.lit[2].offset_mm[0] - 0.8, found.lit[2].offset_mm[1]];
    assert!(off[0].hypot(off[1]) < 0.03, "{:?}", found.lit[2]);
    assert!(off_deg(&found, capped) < 0.5);
}

#[test]
fn two_photographs_give_shading_only_and_one_nothing() {
    let found = by_lamps(capped, &AROUND[..2]).unwrap();
    assert!(found.surface.is_none() && found.normals_png().unwrap().is_none());
    assert!(found.view_png().is_ok() && found.height_at(BUMP_MM).is_none());
    assert_eq!(by_lamps(capped, &AROUND[..1]).unwrap_err(), LampError::TooFew);
}

#[test]
fn lamps_in_one_line_or_at_one_place_are_refused_with_what_to_do() {
    let one_line = by_lamps(flat, &[[15.0, 15.0], [195.0, 15.0], [17.0, 15.0]]).unwrap_err();
    assert!(matches!(one_line, LampError::OneLine { condition, .. } if condition > 25.0), "{one_line}");
    assert!(one_line.to_string().contains("120°"));
    let one_place = by_lamps(flat, &[[15.0, 15.0], [20.0, 15.0]]).unwrap_err();
    assert!(matches!(one_place, LampError::SamePlace { .. }), "{one_place}");
}

#[test]
fn lamps_must_be_as_many_as_photographs_and_the_card_neither_dark_nor_burnt() {
    let photos = [
        ("a.jpg".to_owned(), photograph(flat, AROUND[0], 0.0)),
        ("b.jpg".to_owned(), photograph(flat, AROUND[1], 0.0)),
    ];
    assert!(matches!(relief(&photos, &[lamp(AROUND[0])], None), Err(LampError::Count { lamps: 1, photographs: 2 })));
    let dark = |photo: &Photo| {
        let mut photo = photo.clone();
        // Dark enough to be of no use, light enough to find the card in.
        photo.luma.pixels.iter_mut().for_each(|v| *v /= 24);
        photo
    };
    let photos = [photos[0].clone(), ("b.jpg".to_owned(), dark(&photos[1].1))];
    let refused = relief(&photos, &[lamp(AROUND[0]), lamp(AROUND[1])], None).unwrap_err();
    assert!(refused.to_string().starts_with("b.jpg: "), "{refused}");
}
