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
    let level = |reading: &Reading| around * reading.light.z;
    let (lit, dark): (Vec<Reading>, Vec<Reading>) =
        readings.iter().filter(|r| r.shown).partition(|r| r.value > SHADOW * level(r));
    let lamps = lit.len();
    let scaled = if lamps >= 3 { agreeing(lit, level)? } else {
        let dark = dark.into_iter().map(|reading| Reading { value: 0.0, ..reading });
        least_squares(lit.into_iter().chain(dark).collect::<Vec<_>>().iter())?
    };
    let reflectance = scaled.norm();
    let normal = (scaled.z > 0.0 && reflectance > 0.0).then(|| not_too_steep(scaled / reflectance))?;
    Some(Facing { normal, reflectance, lit: lamps })
}

/// Least squares without readings that don't agree with the rest.
fn agreeing(mut lit: Vec<Reading>, level: impl Fn(&Reading) -> f64) -> Option<Vector3<f64>> {
    loop {
        let found = least_squares(lit.iter())?;
        let off = |r: &Reading| (r.value - found.dot(&r.light)).abs() / level(r);
        let worst = (0..lit.len()).max_by(|a, b| off(&lit[*a]).total_cmp(&off(&lit[*b])))?;
        if lit.len() == 3 || off(&lit[worst]) < OFF {
            return Some(found);
        }
        lit.swap_remove(worst);
    }
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
