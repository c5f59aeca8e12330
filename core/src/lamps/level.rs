//! How bright each photograph is, read from the card's grey: it lies flat and its reflectance is known.
//!
//! A reading is what a place reflects as a share of what white level ground would reflect there, times the light's sine of elevation:
//! reflectance times normal times light, whatever the exposure was. Assumed: the camera's curve is that of sRGB, no other light
//! falls in, and a lamp whose distance isn't known falls off evenly (so many per cent a millimetre) over the print as over the card.

use nalgebra::{Vector1, Vector3};

use super::trend::robust;
use super::{Lamp, LampError};
use crate::photo::Luma;
use crate::relief::rectify::mean_light;
use crate::scale::CardFound;
use crate::scale::card::GROUND_GREY;

/// A photograph's brightness over the plane: white level ground that gets one unit of light reads `exp(at + Σ slope · (place − middle))`.
#[derive(Debug, Clone, Copy)]
pub(super) struct Level {
    at: f64,
    slope: [f64; 2],
    middle: [f64; 2],
}

/// The card's grey is looked at in spots this far apart and this wide, mm.
const STEP_MM: f64 = 2.0;
const SPOT_MM: f64 = 1.2;
/// Spots keep off the card's edge and its markers, mm.
const EDGE_MM: f64 = 3.0;
const MARKER_MM: f64 = 1.5;
/// Light that is too little or too much to be read, as a share of what the file can hold.
const DARK: f64 = 0.004;
pub(super) const BURNT: f64 = 0.93;
/// Fewer spots tell nothing.
const LEAST_SPOTS: usize = 30;

impl Level {
    pub fn of(luma: &Luma, card: &CardFound, lamp: &Lamp) -> Result<Self, LampError> {
        let (light, spots) = grey_spots(luma, card);
        if spots.len() < LEAST_SPOTS {
            return Err(LampError::NoGrey);
        }
        let mut sorted = light.clone();
        let usual = *sorted.select_nth_unstable_by(light.len() / 2, f64::total_cmp).1;
        if !(DARK..BURNT).contains(&usual) {
            return Err(if usual < DARK { LampError::Dark } else { LampError::Burnt });
        }
        let ln = |(light, mm): (&f64, &[f64; 2])| (light.max(DARK / 4.0) / GROUND_GREY / lamp.light_at(*mm)[2]).ln();
        let values: Vec<f64> = light.iter().zip(&spots).map(ln).collect();
        let middle = [0, 1].map(|k| spots.iter().map(|s| s[k]).sum::<f64>() / spots.len() as f64);
        let level = Self { at: 0.0, slope: [0.0; 2], middle };
        // Ruler, figures and a peg's shadow aren't grey, but they are few.
        if lamp.distance_mm.is_some() {
            let rows = vec![Vector1::new(1.0); spots.len()];
            return robust(&rows, &values).map(|found| Self { at: found[0], ..level }).ok_or(LampError::NoGrey);
        }
        let row = |[x, y]: &[f64; 2]| Vector3::new(1.0, x - middle[0], y - middle[1]);
        let rows: Vec<_> = spots.iter().map(row).collect();
        let found = robust(&rows, &values).ok_or(LampError::NoGrey)?;
        Ok(Self { at: found[0], slope: [found[1], found[2]], ..level })
    }

    /// What white level ground that gets one unit of light would read here.
    pub fn white(&self, mm: [f64; 2]) -> f64 {
        let slope: f64 = (0..2).map(|k| self.slope[k] * (mm[k] - self.middle[k])).sum();
        (self.at + slope).exp()
    }
}

/// Light of the spots on the card's grey that the picture shows, and where they are, mm.
fn grey_spots(luma: &Luma, found: &CardFound) -> (Vec<f64>, Vec<[f64; 2]>) {
    let card = found.layout;
    let ([width, height], [inner_x, inner_y]) = (card.size_mm, card.inner_corner_mm());
    let is_grey = |[x, y]: [f64; 2]| {
        let within = |right: f64, top: f64| {
            (EDGE_MM..right - EDGE_MM).contains(&x) && (top + EDGE_MM..height - EDGE_MM).contains(&y)
        };
        let on_marker = card.markers.iter().any(|(_, [left, top])| {
            let reach = -MARKER_MM..card.marker_side_mm + MARKER_MM;
            reach.contains(&(x - left)) && reach.contains(&(y - top))
        });
        (within(inner_x, 0.0) || within(width, inner_y)) && !on_marker
    };
    let [columns, rows] = card.size_mm.map(|mm| (mm / STEP_MM) as usize);
    (0..columns * rows)
        .map(|k| [(k % columns) as f64 * STEP_MM, (k / columns) as f64 * STEP_MM])
        .filter(|mm| is_grey(*mm))
        .filter_map(|mm| {
            let px = found.plane.px(mm);
            Some((mean_light(luma, px, SPOT_MM * found.plane.px_per_mm(px))?, mm))
        })
        .unzip()
}
