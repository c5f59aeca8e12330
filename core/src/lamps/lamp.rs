//! Where a lamp stands: typed, or read from the shadow of a peg.

use super::LampError;
use crate::measured::{Measured, combine};
use crate::scale::card::Layout;
use crate::scale::{CardFound, Plane};

/// How a lamp's place is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StatedLamp {
    /// Its direction.
    pub direction: StatedDirection,
    /// Its distance from the print (from the peg's foot, where there is one), mm. Not known: it is taken as far away, and how its light
    /// falls off is read from the card.
    pub distance_mm: Option<f64>,
}

/// How a lamp's direction is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum StatedDirection {
    /// Typed.
    Angles {
        /// Towards the lamp in the picture, degrees clockwise from its +x.
        azimuth_deg: f64,
        /// Above the ground, degrees.
        elevation_deg: f64,
        /// Standard uncertainty of the elevation and of the azimuth, degrees.
        u_deg: f64,
    },
    /// From the shadow of an upright peg that stands on the card.
    Peg {
        /// Middle of the peg's foot, px.
        foot_px: [f64; 2],
        /// Tip of its shadow, px.
        tip_px: [f64; 2],
        /// The peg's height, mm.
        height_mm: f64,
        /// How well both are marked (standard uncertainty of each coordinate), px.
        u_click_px: f64,
    },
}

/// A lamp in the card's frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lamp {
    /// Direction towards it, degrees clockwise from the card's +x, 0 ≤ … < 360.
    pub azimuth_deg: Measured,
    /// Height above the ground, degrees.
    pub elevation_deg: Measured,
    /// Distance from [`Self::from_mm`], mm; far away where it isn't known.
    pub distance_mm: Option<f64>,
    /// The place on the card's plane from which it is seen so, mm.
    pub from_mm: [f64; 2],
}

/// Lower lamps leave everything in shadow, and higher ones shade nothing, degrees.
const ELEVATION_DEG: std::ops::RangeInclusive<f64> = 3.0..=75.0;
/// Nearer lamps don't light a print from one direction, mm.
const LEAST_DISTANCE_MM: f64 = 150.0;
/// How far a peg that looks upright leans (standard uncertainty; assumed), degrees.
const U_LEAN_DEG: f64 = 2.0;
/// How well a peg's height is known (half a millimetre either way; assumed), mm.
const U_PEG_MM: f64 = 0.3;
/// How far the ground beside the card lies off the card's plane (standard uncertainty; assumed), mm.
const U_GROUND_MM: f64 = 1.5;
/// A step along which directions are carried between picture and plane, mm.
const STEP_MM: f64 = 10.0;

impl Lamp {
    /// A stated lamp in the card's frame. A typed direction holds at `centre_mm`, a peg's at its foot.
    ///
    /// # Errors
    /// Angles or a distance out of range, a shadow that is too short to be read.
    pub fn of(stated: &StatedLamp, card: &CardFound, centre_mm: [f64; 2]) -> Result<Self, LampError> {
        Self::over(stated, &card.plane, card.layout, centre_mm)
    }

    fn over(stated: &StatedLamp, plane: &Plane, card: &Layout, centre_mm: [f64; 2]) -> Result<Self, LampError> {
        let bad = |name, value, must| Err(LampError::Value { name, value, must });
        let lamp = match stated.direction {
            StatedDirection::Angles { azimuth_deg, elevation_deg, u_deg } => {
                if !azimuth_deg.is_finite() {
                    return bad("the lamp's azimuth", azimuth_deg, "it must be an angle in degrees");
                }
                let Some((azimuth_deg, elevation_deg)) = Measured::new(to_plane(plane, centre_mm, azimuth_deg), u_deg)
                    .zip(Measured::new(elevation_deg, u_deg))
                else {
                    return bad("the uncertainty of the lamp's direction (°)", u_deg, "it must be above zero");
                };
                Self { azimuth_deg, elevation_deg, distance_mm: stated.distance_mm, from_mm: centre_mm }
            }
            StatedDirection::Peg { foot_px, tip_px, height_mm, u_click_px } => {
                let [foot, tip] = [foot_px, tip_px].map(|px| plane.mm(px));
                let u_mark_mm = u_click_px / plane.px_per_mm(foot_px);
                Self { distance_mm: stated.distance_mm, ..by_peg(foot, tip, height_mm, u_mark_mm, card)? }
            }
        };
        let elevation_deg = lamp.elevation_deg.value;
        if !ELEVATION_DEG.contains(&elevation_deg) {
            let must = "it must lie between 3° and 75° above the ground; 10–20° suits shallow prints, 30–45° deep ones";
            return bad("the lamp's elevation (°)", elevation_deg, must);
        }
        match lamp.distance_mm {
            Some(mm) if !(mm >= LEAST_DISTANCE_MM && mm.is_finite()) => {
                bad("the lamp's distance (mm)", mm, "hold the lamp at least 150 mm away from the print")
            }
            _ => Ok(lamp),
        }
    }

    /// Light that arrives at a place in the plane as a vector towards the lamp (x, y, up), in units of what arrives at [`Self::from_mm`];
    /// it falls with the square of the distance.
    pub fn light_at(&self, [x, y]: [f64; 2]) -> [f64; 3] {
        let (sin, cos) = self.elevation_deg.value.to_radians().sin_cos();
        let (dy, dx) = self.azimuth_deg.value.to_radians().sin_cos();
        let far = [dx * cos, dy * cos, sin];
        let Some(distance) = self.distance_mm else { return far };
        let way = [self.from_mm[0] + distance * far[0] - x, self.from_mm[1] + distance * far[1] - y, distance * far[2]];
        let long = way.iter().map(|v| v * v).sum::<f64>().sqrt();
        way.map(|v| v / long * (distance / long).powi(2))
    }
}

/// A peg's shadow points away from the lamp, and is as long as the peg's height over the tangent of the lamp's elevation.
fn by_peg(foot: [f64; 2], tip: [f64; 2], height_mm: f64, u_mark_mm: f64, card: &Layout) -> Result<Lamp, LampError> {
    if !(height_mm > 0.0 && height_mm.is_finite()) {
        let must = "give its height above the card in millimetres";
        return Err(LampError::Value { name: "the peg's height (mm)", value: height_mm, must });
    }
    let (dx, dy) = (foot[0] - tip[0], foot[1] - tip[1]);
    let long = dx.hypot(dy);
    let u_place = combine(&[2.0_f64.sqrt() * u_mark_mm, height_mm * U_LEAN_DEG.to_radians().sin()]);
    if !(long.is_finite() && long > 4.0 * u_place) {
        return Err(LampError::ShortShadow { long_mm: long });
    }
    let off_card = [foot, tip].iter().filter(|mm| !card.is_near(**mm, 0.0)).count() as f64;
    let u_height = combine(&[U_PEG_MM, off_card.sqrt() * U_GROUND_MM]);
    // ∂ atan(h / l): −h / (h² + l²) by the length, l / (h² + l²) by the height.
    let square = height_mm.powi(2) + long.powi(2);
    let u_elevation = combine(&[height_mm * u_place / square, long * u_height / square]).to_degrees();
    let measured = |value, u| Measured::new(value, u).ok_or(LampError::ShortShadow { long_mm: long });
    Ok(Lamp {
        azimuth_deg: measured(dy.atan2(dx).to_degrees().rem_euclid(360.0), (u_place / long).to_degrees())?,
        elevation_deg: measured((height_mm / long).atan().to_degrees(), u_elevation)?,
        distance_mm: None,
        from_mm: foot,
    })
}

/// A direction in the picture as it is in the plane, degrees.
fn to_plane(plane: &Plane, centre_mm: [f64; 2], deg: f64) -> f64 {
    let [x, y] = plane.px(centre_mm);
    let step = STEP_MM * plane.px_per_mm([x, y]);
    let (dy, dx) = deg.to_radians().sin_cos();
    direction(centre_mm, plane.mm([x + step * dx, y + step * dy]))
}

/// A direction in the plane as the picture shows it, degrees.
pub(super) fn to_picture(plane: &Plane, centre_mm: [f64; 2], deg: f64) -> f64 {
    let (dy, dx) = deg.to_radians().sin_cos();
    direction(plane.px(centre_mm), plane.px([centre_mm[0] + STEP_MM * dx, centre_mm[1] + STEP_MM * dy]))
}

fn direction(from: [f64; 2], to: [f64; 2]) -> f64 {
    (to[1] - from[1]).atan2(to[0] - from[0]).to_degrees().rem_euclid(360.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scale::card::STANDARD;

    /// Ten pixels a millimetre, seen from straight above.
    fn plane() -> Plane {
        Plane::from_length([0.0, 0.0], [1000.0, 0.0], 100.0, 1.0).unwrap()
    }

    fn over(stated: &StatedLamp) -> Result<Lamp, LampError> {
        Lamp::over(stated, &plane(), &STANDARD, [80.0, 80.0])
    }

    fn peg(tip_px: [f64; 2]) -> StatedLamp {
        let direction = StatedDirection::Peg { foot_px: [200.0, 1000.0], tip_px, height_mm: 20.0, u_click_px: 2.0 };
        StatedLamp { direction, distance_mm: None }
    }

    #[test]
    fn a_peg_of_20_mm_with_a_shadow_of_74_64_mm_shows_a_lamp_15_degrees_up() {
        // 20 mm / tan 15° = 74.641 mm; the shadow falls along +y, so the lamp stands towards −y.
        let lamp = over(&peg([200.0, 1746.41])).unwrap();
        assert!((lamp.elevation_deg.value - 15.0).abs() < 1e-3, "{lamp:?}");
        assert!((lamp.azimuth_deg.value - 270.0).abs() < 1e-9, "{lamp:?}");
        // Marks √2 · 0.2 mm and a lean of 2° (0.70 mm) give 0.75 mm along a shadow of 74.64 mm: 0.58° and 0.15°; the height's 0.3 mm 0.22°.
        assert!((lamp.azimuth_deg.u - 0.578).abs() < 0.01, "{lamp:?}");
        assert!((lamp.elevation_deg.u - 0.259).abs() < 0.01, "{lamp:?}");
        assert_eq!(lamp.from_mm, [20.0, 100.0]);
    }

    #[test]
    fn a_shadow_that_ends_beside_the_card_is_less_sure() {
        // 20 mm / tan 15° along +x ends on the ground.
        let lamp = over(&peg([946.41, 1000.0])).unwrap();
        assert!((lamp.elevation_deg.value - 15.0).abs() < 1e-3 && lamp.elevation_deg.u > 1.0, "{lamp:?}");
    }

    #[test]
    fn shadows_and_angles_that_say_nothing_are_refused() {
        let of = |stated: StatedLamp| over(&stated).unwrap_err();
        assert!(matches!(of(peg([205.0, 1000.0])), LampError::ShortShadow { .. }));
        let typed = |elevation_deg, u_deg, distance_mm| StatedLamp {
            direction: StatedDirection::Angles { azimuth_deg: 30.0, elevation_deg, u_deg },
            distance_mm,
        };
        for stated in
            [typed(1.0, 3.0, None), typed(90.0, 3.0, None), typed(15.0, 0.0, None), typed(15.0, 3.0, Some(20.0))]
        {
            assert!(matches!(of(stated), LampError::Value { .. }), "{stated:?}");
        }
    }

    #[test]
    fn a_lamp_one_metre_away_gives_a_quarter_of_its_light_one_metre_further() {
        let direction = StatedDirection::Angles { azimuth_deg: 0.0, elevation_deg: 45.0, u_deg: 1.0 };
        let lamp =
            Lamp::over(&StatedLamp { direction, distance_mm: Some(1000.0) }, &plane(), &STANDARD, [0.0, 0.0]).unwrap();
        let size = |v: [f64; 3]| v.iter().map(|x| x * x).sum::<f64>().sqrt();
        assert!((size(lamp.light_at([0.0, 0.0])) - 1.0).abs() < 1e-12);
        // Beyond its foot by as much again it is seen under the same angle from the other side, and from 45° once more as far away.
        let foot = 1000.0 / 2.0_f64.sqrt();
        let [x, _, up] = lamp.light_at([2.0 * foot, 0.0]);
        assert!((x + up).abs() < 1e-12 && (size([x, 0.0, up]) - 1.0).abs() < 1e-12);
        assert!((size(lamp.light_at([foot, 3.0_f64.sqrt() * foot])) - 0.5).abs() < 1e-12);
    }
}
