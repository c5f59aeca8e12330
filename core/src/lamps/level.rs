//! How bright each photograph is, read from the card's grey: it lies flat and its reflectance is known.
//!
//! A reading is what a place reflects as a share of what white level ground would reflect there, times the light's sine of elevation:
//! reflectance times normal times light, whatever the exposure was. Assumed: the camera's curve is that of sRGB, no other light
//! falls in, and a lamp whose distance isn't known falls off evenly (so many per cent a millimetre) over the print as over the card.

use super::{Lamp, LampError};
use crate::photo::Luma;
use crate::relief::rectify::mean_light;
use crate::scale::{Plane, card};

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
/// Rounds of the fit, each with the weights that the last one's residuals give.
const ROUNDS: usize = 8;

impl Level {
    pub fn of(luma: &Luma, plane: &Plane, lamp: &Lamp) -> Result<Self, LampError> {
        let (light, spots) = grey_spots(luma, plane);
        if spots.len() < 30 {
            return Err(LampError::NoGrey);
        }
        let mut sorted = light.clone();
        let middle = *sorted.select_nth_unstable_by(light.len() / 2, f64::total_cmp).1;
        if !(DARK..BURNT).contains(&middle) {
            return Err(if middle < DARK { LampError::Dark } else { LampError::Burnt });
        }
        let ratio = |(light, mm): (&f64, &[f64; 2])| (light.max(DARK / 4.0) / card::GROUND_GREY / lamp.light_at(*mm)[2]).ln();
        let ratios: Vec<f64> = light.iter().zip(&spots).map(ratio).collect();
        Self::fit(&spots, &ratios, lamp.distance_mm.is_none()).ok_or(LampError::NoGrey)
    }

    /// A plane, or a constant, by least squares with Tukey's weights (Beaton & Tukey 1974): ruler, figures and a peg's shadow aren't grey.
    fn fit(spots: &[[f64; 2]], ratios: &[f64], sloping: bool) -> Option<Self> {
        let n = spots.len() as f64;
        let middle = [0, 1].map(|k| spots.iter().map(|s| s[k]).sum::<f64>() / n);
        let mut weights = vec![1.0; spots.len()];
        let mut level = Self { at: 0.0, slope: [0.0; 2], middle };
        for _ in 0..ROUNDS {
            let mut normal = nalgebra::Matrix3::zeros();
            let mut right = nalgebra::Vector3::zeros();
            for ((spot, ratio), weight) in spots.iter().zip(ratios).zip(&weights) {
                let row = nalgebra::Vector3::new(1.0, (spot[0] - middle[0]) / 100.0, (spot[1] - middle[1]) / 100.0);
                normal += row * row.transpose() * *weight;
                right += row * (*ratio * *weight);
            }
            if !sloping {
                (normal[(1, 1)], normal[(2, 2)]) = (1e12, 1e12);
            }
            let found = normal.cholesky()?.solve(&right);
            (level.at, level.slope) = (found[0], [found[1] / 100.0, found[2] / 100.0]);
            let off: Vec<f64> = spots.iter().zip(ratios).map(|(s, r)| r - level.ln(*s)).collect();
            let mut sizes: Vec<f64> = off.iter().map(|o| o.abs()).collect();
            let reach = 4.685 * 1.4826 * sizes.select_nth_unstable_by(spots.len() / 2, f64::total_cmp).1.max(1e-4);
            weights = off.iter().map(|o| (1.0 - (o / reach).powi(2)).max(0.0).powi(2)).collect();
        }
        Some(level)
    }

    fn ln(&self, mm: [f64; 2]) -> f64 {
        self.at + self.slope[0] * (mm[0] - self.middle[0]) + self.slope[1] * (mm[1] - self.middle[1])
    }

    /// What white level ground that gets one unit of light would read here.
    pub fn white(&self, mm: [f64; 2]) -> f64 {
        self.ln(mm).exp()
    }
}

/// Light of the spots on the card's grey that the picture shows, and where they are, mm.
fn grey_spots(luma: &Luma, plane: &Plane) -> (Vec<f64>, Vec<[f64; 2]>) {
    let markers = card::standard().markers;
    let is_grey = |[x, y]: [f64; 2]| {
        let inside = |right: f64, top: f64| {
            (EDGE_MM..right - EDGE_MM).contains(&x) && (top + EDGE_MM..card::HEIGHT_MM - EDGE_MM).contains(&y)
        };
        let on_card = inside(card::LEG_WIDTH_MM, 0.0) || inside(card::WIDTH_MM, card::HEIGHT_MM - card::LEG_WIDTH_MM);
        let on_marker = markers.iter().any(|marker| {
            let ([left, top], [right, bottom]) = (marker.corners_mm[0], marker.corners_mm[2]);
            (left - MARKER_MM..right + MARKER_MM).contains(&x) && (top - MARKER_MM..bottom + MARKER_MM).contains(&y)
        });
        on_card && !on_marker
    };
    let [columns, rows] = [card::WIDTH_MM, card::HEIGHT_MM].map(|mm| (mm / STEP_MM) as usize);
    (0..columns * rows)
        .map(|k| [(k % columns) as f64 * STEP_MM, (k / columns) as f64 * STEP_MM])
        .filter(|mm| is_grey(*mm))
        .filter_map(|mm| {
            let px = plane.px(mm);
            Some((mean_light(luma, px, SPOT_MM * plane.px_per_mm(px))?, mm))
        })
        .unzip()
}
