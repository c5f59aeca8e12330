//! Which way the ground faces: photometric stereo (Woodham 1980) with readings in shadow and in highlights told apart.
//!
//! A matt surface of reflectance ρ and normal n reflects ρ n · v of the light v: three lamps give ρ n, more give it by least squares.
//! A reading in shadow says nothing about n where three others do, and is left out there. Elsewhere it stands for n · v = 0, which is true of a
//! shadow as a whole: from the edge that throws it to where it ends the ground falls by just its length times the tangent of the lamp's elevation.

use nalgebra::{Matrix3, Vector3};

/// What one place reflected under one lamp.
#[derive(Debug, Clone, Copy)]
pub(super) struct Reading {
    /// Light as a vector towards the lamp: x, y, up.
    pub light: Vector3<f64>,
    /// Reflectance times normal times light.
    pub value: f64,
    /// Whether the camera could show it; burnt out it says nothing.
    pub shown: bool,
}

/// What a place is like.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Facing {
    /// Unit normal: x, y, up.
    pub normal: Vector3<f64>,
    /// Share of light that it reflects.
    pub reflectance: f64,
    /// How many lamps lit it.
    pub lit: usize,
}

/// Less than this share of what level ground around reflects is shadow.
const SHADOW: f64 = 0.25;
/// With more readings than are needed, one that is off by this share of what level ground reflects is a highlight or a shadow's edge.
const OFF: f64 = 0.2;
/// Ground is taken to be no brighter than this many times what lies around it, and where it may glint than this many times.
const BRIGHTEST: f64 = 1.3;
const BRIGHTEST_GLINT: f64 = 1.05;
/// Wet ground glints when it faces half-way between lamp and camera, give or take this.
const GLINT_DEG: f64 = 25.0;
/// Steeper ground isn't seen from above, as the tangent of its angle.
const STEEPEST: f64 = 3.0;

/// Reflectance times normal by least squares; `None` where the lamps stand in one plane.
pub(super) fn least_squares<'a>(readings: impl Iterator<Item = &'a Reading>) -> Option<Vector3<f64>> {
    let (mut normal, mut right) = (Matrix3::zeros(), Vector3::zeros());
    for reading in readings {
        normal += reading.light * reading.light.transpose();
        right += reading.light * reading.value;
    }
    let size = normal.trace();
    let inverse = (normal.determinant() > 1e-9 * size.powi(3)).then(|| normal.try_inverse())??;
    Some(inverse * right)
}

/// How a place faces; `around` is the reflectance of the ground around it. `None` where nothing can be told.
pub(super) fn facing(readings: &[Reading], around: f64) -> Option<Facing> {
    let (lit, dark): (Vec<Reading>, Vec<Reading>) =
        readings.iter().filter(|r| r.shown).partition(|r| r.value > SHADOW * around * r.light.z);
    let lamps = lit.len();
    let used = if lamps >= 3 {
        agreeing(lit, around)?
    } else {
        lit.into_iter().chain(dark.into_iter().map(|reading| Reading { value: 0.0, ..reading })).collect()
    };
    let scaled = without_glint(&used, around)?;
    let reflectance = scaled.norm();
    let normal = (scaled.z > 0.0 && reflectance > 0.0).then(|| not_too_steep(scaled / reflectance))?;
    Some(Facing { normal, reflectance, lit: lamps })
}

/// Readings without those that don't agree with the rest. Which of four is wrong their residuals can't tell (they are all one
/// number's), but wet ground that glints seems to reflect far more than the ground around.
fn agreeing(mut lit: Vec<Reading>, around: f64) -> Option<Vec<Reading>> {
    let worst = |used: &[Reading]| -> Option<(f64, f64)> {
        let found = least_squares(used.iter())?;
        let off = used.iter().map(|r| (r.value - found.dot(&r.light)).abs() / (around * r.light.z)).fold(0.0, f64::max);
        Some((off, (found.norm() / around.max(1e-9)).ln().abs()))
    };
    while lit.len() > 3 && worst(&lit)?.0 > OFF {
        let without = |k: usize| {
            let mut rest = lit.clone();
            rest.swap_remove(k);
            worst(&rest).map(|(off, strange)| (off + strange, rest))
        };
        lit = (0..lit.len()).filter_map(without).min_by(|a, b| a.0.total_cmp(&b.0))?.1;
    }
    Some(lit)
}

/// Least squares; where the ground would have to be far brighter than what lies around, the strongest lamp's reading is taken for a glint and
/// lowered until it isn't. Where it faces half-way between that lamp and the camera above, as wet ground that glints does, less is enough.
fn without_glint(used: &[Reading], around: f64) -> Option<Vector3<f64>> {
    let found = least_squares(used.iter())?;
    let strength = |r: &Reading| r.value / r.light.norm();
    let strongest = (0..used.len()).max_by(|a, b| strength(&used[*a]).total_cmp(&strength(&used[*b])))?;
    let half_way = used[strongest].light.normalize() + Vector3::z();
    let may_glint = found.angle(&half_way).to_degrees() < GLINT_DEG;
    let most = around * if may_glint { BRIGHTEST_GLINT } else { BRIGHTEST };
    if found.norm() <= most {
        return Some(found);
    }
    let unit = |k: usize| Reading { value: if k == strongest { 1.0 } else { 0.0 }, ..used[k] };
    // |found − t · way| = most, or as near as it comes.
    let way = least_squares((0..used.len()).map(unit).collect::<Vec<_>>().iter())?;
    let (half, square) = (found.dot(&way), way.norm_squared());
    let inside = half * half - square * (found.norm_squared() - most * most);
    let less = (half - inside.max(0.0).sqrt()) / square;
    Some(found - way * less.clamp(0.0, used[strongest].value))
}

fn not_too_steep(normal: Vector3<f64>) -> Vector3<f64> {
    let aside = normal.x.hypot(normal.y);
    if aside <= STEEPEST * normal.z {
        return normal;
    }
    Vector3::new(normal.x, normal.y, aside / STEEPEST).normalize()
}

/// Condition number of the lamps' directions: the largest over the smallest singular value. It is by how much noise grows at worst.
pub(super) fn condition(lights: &[Vector3<f64>]) -> f64 {
    let values = nalgebra::DMatrix::from_fn(lights.len(), 3, |row, column| lights[row][column]).singular_values();
    let (most, least) = values.iter().fold((0.0_f64, f64::MAX), |(most, least), v| (most.max(*v), least.min(*v)));
    if lights.len() < 3 { f64::INFINITY } else { most / least }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lamp(azimuth_deg: f64, elevation_deg: f64) -> Vector3<f64> {
        let ((y, x), (up, flat)) = (azimuth_deg.to_radians().sin_cos(), elevation_deg.to_radians().sin_cos());
        Vector3::new(x * flat, y * flat, up)
    }

    /// What a matt surface of reflectance 0.2 gives under lamps all around; `noise` is a share of level ground's light, in a fixed order.
    fn readings(normal: Vector3<f64>, lamps: usize, elevation_deg: f64, noise: f64) -> Vec<Reading> {
        (0..lamps)
            .map(|k| {
                let light = lamp(20.0 + 360.0 * k as f64 / lamps as f64, elevation_deg);
                let off =
                    noise * light.z * [1.0, -0.7, 0.4, -1.0, 0.8, -0.5][(k * 5 + (normal.x * 977.0) as usize) % 6];
                Reading { light, value: 0.2 * (normal.dot(&light).max(0.0) + off), shown: true }
            })
            .collect()
    }

    /// Normals over a hemisphere seen from above, up to a slope.
    fn hemisphere(steepest_deg: f64) -> Vec<Vector3<f64>> {
        let place = |k: i32| Vector3::new(f64::from(k % 41 - 20) / 20.0, f64::from(k / 41 - 20) / 20.0, 0.0);
        (0..41 * 41)
            .map(place)
            .filter(|p| p.norm() <= steepest_deg.to_radians().sin())
            .map(|p| Vector3::new(p.x, p.y, (1.0 - p.norm_squared()).sqrt()))
            .collect()
    }

    /// The angle that a share of the normals isn't off by more.
    fn off_deg(share: f64, lamps: usize, noise: f64, steepest_deg: f64) -> f64 {
        let off = |normal: &Vector3<f64>| {
            facing(&readings(*normal, lamps, 45.0, noise), 0.2).map_or(90.0, |f| f.normal.angle(normal).to_degrees())
        };
        let mut off: Vec<f64> = hemisphere(steepest_deg).iter().map(off).collect();
        off.sort_by(f64::total_cmp);
        off[(off.len() as f64 * share) as usize]
    }

    #[test]
    fn least_squares_and_condition_are_those_of_numpy() {
        // numpy.linalg.lstsq and numpy.linalg.cond on the same numbers: fixtures/lamps/normals.py.
        let file = include_str!("../../../fixtures/lamps/normals.json");
        let document: serde_json::Value = serde_json::from_str(file).unwrap();
        let rows = |name: &str| -> Vec<Vec<f64>> { serde_json::from_value(document[name].clone()).unwrap() };
        let lights: Vec<_> = rows("lights").iter().map(|l| Vector3::new(l[0], l[1], l[2])).collect();
        assert!((condition(&lights) - document["condition"].as_f64().unwrap()).abs() < 1e-9);
        for (values, found) in rows("readings").iter().zip(rows("found")) {
            let readings: Vec<_> = lights
                .iter()
                .zip(values)
                .map(|(light, value)| Reading { light: *light, value: *value, shown: true })
                .collect();
            let ours = least_squares(readings.iter()).unwrap();
            assert!((ours - Vector3::new(found[0], found[1], found[2])).amax() < 1e-9, "{ours} {found:?}");
        }
    }

    #[test]
    fn level_ground_faces_up_and_a_hemisphere_every_way() {
        for lamps in [3, 4, 6] {
            let level = facing(&readings(Vector3::z(), lamps, 15.0, 0.0), 0.2).unwrap();
            assert!(
                level.normal.angle(&Vector3::z()) < 1e-9
                    && (level.reflectance - 0.2).abs() < 1e-9
                    && level.lit == lamps
            );
            // 45° up, ground as steep as 30° is lit well from all sides.
            assert!(off_deg(0.95, lamps, 0.0, 30.0) < 1e-6);
            assert!(off_deg(0.5, lamps, 0.01, 30.0) < 1.0);
        }
    }

    #[test]
    fn six_lamps_tell_a_hemispheres_slopes_beyond_where_some_are_in_shadow() {
        assert!(off_deg(0.8, 6, 0.0, 60.0) < 1e-6);
        // Three can't: on half of it one of them is in shadow.
        assert!(off_deg(0.8, 3, 0.0, 60.0) > 1.0);
    }

    #[test]
    fn a_glint_under_one_of_four_lamps_turns_nothing() {
        let normal = Vector3::new(0.2, -0.1, 1.0).normalize();
        for glint in 0..4 {
            let mut seen = readings(normal, 4, 30.0, 0.0);
            seen[glint].value *= 3.0;
            let found = facing(&seen, 0.2).unwrap();
            assert!(found.normal.angle(&normal).to_degrees() < 1e-6, "{glint}: {found:?}");
        }
    }

    #[test]
    fn what_is_burnt_out_or_dark_under_all_lamps_tells_nothing() {
        let mut burnt = readings(Vector3::z(), 4, 30.0, 0.0);
        burnt.iter_mut().for_each(|r| r.shown = false);
        assert_eq!(facing(&burnt, 0.2), None);
        let mut dark = readings(Vector3::z(), 4, 30.0, 0.0);
        dark.iter_mut().for_each(|r| r.value = 0.0);
        assert_eq!(facing(&dark, 0.2), None);
    }

    #[test]
    fn lamps_on_one_line_have_no_condition_worth_using() {
        let around = [0.0, 120.0, 240.0].map(|deg| lamp(deg, 15.0));
        // Singular values √(3/2) cos e twice and √3 sin e.
        assert!((condition(&around) - 1.0 / (15.0_f64.to_radians().tan() * 2.0_f64.sqrt())).abs() < 1e-9);
        assert!(condition(&[0.0, 180.0, 2.0].map(|deg| lamp(deg, 15.0))) > 25.0);
        assert!(condition(&[0.0, 10.0, 20.0].map(|deg| lamp(deg, 15.0))) > 25.0);
    }
}
