//! Finding the scale card in a picture.

use super::blobs::Middle;
use super::lens::Lens;
use super::marker::{self, Found, Reading};
use super::plane::{Plane, Tie};
use super::{blobs, card, quad};
use crate::photo::Luma;

/// Why no plane was found; each says what picture to take instead.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ScaleError {
    /// Nothing of ours.
    #[error(
        "no scale card found: lay the card flat beside the print, all of it in the picture and none of it covered, and hold still"
    )]
    NoCard,
    /// One marker is no base for a measure.
    #[error(
        "only one marker of the scale card found: uncover the card, keep all of it in the picture and out of glare"
    )]
    OneMarker,
    /// The picture is mirrored.
    #[error(
        "the scale card is mirrored: use the picture as the main camera took it, not a mirrored selfie or a flipped copy"
    )]
    Mirrored,
    /// Two cards can't be told apart.
    #[error(
        "marker {id} was found twice, so there are two scale cards in the picture: cover one of them or crop it away"
    )]
    TwoCards {
        /// The marker's number.
        id: u32,
    },
    /// The card isn't flat.
    #[error(
        "the card's markers don't lie in one plane (off by {off_mm:.1} mm): lay it flat on the ground, not bent or on stones"
    )]
    NotFlat {
        /// Root mean square distance from the plane's fit, mm.
        off_mm: f64,
    },
    /// Points that give no scale.
    #[error("the scale can't be used: {detail}")]
    Unusable {
        /// What is wrong and what to do.
        detail: String,
    },
}

/// The card in a picture.
#[derive(Debug, Clone)]
pub struct CardFound {
    /// The plane that it lies in.
    pub plane: Plane,
    /// The markers' numbers.
    pub ids: Vec<u32>,
    /// The markers' corners, px, marker by marker as in [`card::Marker::corners_mm`].
    pub corners_px: Vec<[f64; 2]>,
    /// The same corners with where they are on the card.
    pub ties: Vec<Tie>,
    /// How far the corners lie off one plane, root mean square, mm; more than [`BENT_MM`] shows a card that isn't quite flat.
    pub off_mm: f64,
}

/// A flat card's corners fit a plane to a few hundredths of a millimetre, blur and bent lens included.
pub const BENT_MM: f64 = 0.1;

/// The long side of the reduced picture that blobs are looked for in at first, px.
const COARSE_SIDE: usize = 1000;
/// Corners that miss the fitted plane by more than this (root mean square) show a card that isn't flat, mm.
const FLAT_MM: f64 = 0.8;

/// Finds the card. Looks in a reduced picture first, and again by other means only where markers are missing.
pub fn find_card(luma: &Luma) -> Result<CardFound, ScaleError> {
    let coarse = (luma.width.max(luma.height) / COARSE_SIDE).max(1);
    let mut found: Vec<Found> = Vec::new();
    'looks: for factor in [coarse, coarse.div_ceil(2)] {
        let small = blobs::reduce(luma, factor);
        for middle in [Middle::Half, Middle::Ratio] {
            look(luma, &small, factor, middle, &mut found)?;
            if found.len() == card::MARKER_IDS.len() {
                break 'looks;
            }
        }
    }
    found.sort_by_key(|marker| marker.id);
    match found.len() {
        0 => Err(ScaleError::NoCard),
        1 => Err(ScaleError::OneMarker),
        _ => fit(&found, Lens::of_picture(luma.width, luma.height)),
    }
}

/// Adds the markers that one look finds to those that are known.
fn look(luma: &Luma, small: &Luma, factor: usize, middle: Middle, found: &mut Vec<Found>) -> Result<(), ScaleError> {
    for blob in blobs::dark_blobs(small, factor, middle) {
        let Some(rough) = quad::around(&blob.outline) else { continue };
        match marker::read(luma, rough, 1.5 * factor as f64) {
            Some(Reading::Mirrored) => return Err(ScaleError::Mirrored),
            Some(Reading::Ours(new)) => match found.iter().find(|old| old.id == new.id) {
                None => found.push(new),
                Some(old) if old.is_at(&new) => {}
                Some(_) => return Err(ScaleError::TwoCards { id: new.id }),
            },
            None => {}
        }
    }
    Ok(())
}

fn fit(found: &[Found], lens: Lens) -> Result<CardFound, ScaleError> {
    const OUTWARD: [[f64; 2]; 4] = [[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]];
    let markers = card::standard().markers;
    let ties: Vec<Tie> = found
        .iter()
        .flat_map(|seen| {
            let corners_mm = markers.iter().filter(|m| m.id == seen.id).flat_map(|m| m.corners_mm);
            let corners = corners_mm.zip(seen.corners_px).zip(OUTWARD);
            corners.map(|((mm, px), outward)| Tie { mm, px, u_px: seen.u_px, outward })
        })
        .collect();
    let plane = Plane::fit(&ties, lens).ok_or(ScaleError::NoCard)?;
    let off_mm = plane.rms_px / plane.px_per_mm(ties[0].px);
    if off_mm > FLAT_MM {
        return Err(ScaleError::NotFlat { off_mm });
    }
    Ok(CardFound {
        plane,
        ids: found.iter().map(|marker| marker.id).collect(),
        corners_px: found.iter().flat_map(|marker| marker.corners_px).collect(),
        ties,
        off_mm,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scale::light::encode;

    /// The card as an ideal camera sees it: `to_mm` takes a pixel to the card's plane; sixteen samples a pixel in linear light.
    fn picture(width: usize, height: usize, to_mm: impl Fn([f64; 2]) -> [f64; 2]) -> Luma {
        let mut pixels = Vec::with_capacity(width * height);
        for y in 0..height {
            for x in 0..width {
                let samples = (0..16).map(|i| {
                    let (dx, dy) = (f64::from(i % 4) / 4.0 - 0.375, f64::from(i / 4) / 4.0 - 0.375);
                    reflectance(to_mm([x as f64 + dx, y as f64 + dy]))
                });
                let light = samples.sum::<f64>() / 16.0;
                pixels.push((encode(light) * 255.0).round() as u8);
            }
        }
        Luma { width, height, pixels }
    }

    /// The card on dark mud.
    fn reflectance([x, y]: [f64; 2]) -> f64 {
        for marker in card::standard().markers {
            let [left, top] = marker.corners_mm[0];
            let (column, row) = ((x - left) / 3.0, (y - top) / 3.0);
            if (0.0..8.0).contains(&column) && (0.0..8.0).contains(&row) {
                return if card::cell_is_white(marker.id, row as usize, column as usize) { 0.85 } else { 0.04 };
            }
        }
        let on_card = (0.0..card::LEG_WIDTH_MM).contains(&x) && (0.0..card::HEIGHT_MM).contains(&y)
            || (0.0..card::WIDTH_MM).contains(&x) && (162.0..card::HEIGHT_MM).contains(&y);
        if on_card { card::GROUND_GREY } else { 0.12 }
    }

    /// Looked at from above with a turn in the picture: 4 px a millimetre, the card's middle in the picture's.
    fn turned(degrees: f64) -> impl Fn([f64; 2]) -> [f64; 2] {
        let (sin, cos) = degrees.to_radians().sin_cos();
        move |[x, y]| {
            let (x, y) = ((x - 599.5) / 4.0, (y - 499.5) / 4.0);
            [75.0 + x * cos - y * sin, 100.0 + x * sin + y * cos]
        }
    }

    #[test]
    fn the_card_is_found_however_it_is_turned_and_lengths_are_true() {
        for degrees in [0.0, 33.0, 90.0, 145.0, 270.0] {
            let found = find_card(&picture(1200, 1000, turned(degrees))).unwrap();
            assert_eq!(found.ids, card::MARKER_IDS, "{degrees}°");
            // 320 px across the picture's middle are 80 mm; 0.04 % is asked of far better pictures than this.
            let length = found.plane.length([440.0, 500.0], [760.0, 500.0], 0.1);
            assert!((length.mm - 80.0).abs() < 0.04, "{degrees}°: {} mm", length.mm);
        }
    }

    #[test]
    fn a_card_bent_by_5_mm_is_noticed_and_a_flat_one_is_not() {
        // Seen from 500 mm above its middle, the middle of the long leg arches up: what is nearer looks larger (pinhole).
        let bent_by = |mm: f64| {
            move |px: [f64; 2]| {
                let [x, y] = turned(20.0)(px);
                let up = mm * (1.0 - ((y - 100.0) / 100.0).powi(2)).max(0.0);
                [75.0 + (x - 75.0) * (1.0 - up / 500.0), 100.0 + (y - 100.0) * (1.0 - up / 500.0)]
            }
        };
        assert!(find_card(&picture(1200, 1000, bent_by(0.0))).unwrap().off_mm < BENT_MM / 2.0);
        let bent = find_card(&picture(1200, 1000, bent_by(5.0))).unwrap().off_mm;
        assert!(bent > BENT_MM, "{bent}");
    }

    #[test]
    fn a_mirrored_picture_is_refused() {
        let upright = turned(10.0);
        let mirrored = picture(1200, 1000, move |[x, y]| upright([1199.0 - x, y]));
        assert_eq!(find_card(&mirrored).unwrap_err(), ScaleError::Mirrored);
    }

    #[test]
    fn a_picture_without_a_card_says_what_to_do() {
        let mud = picture(600, 500, |_| [-500.0, -500.0]);
        assert_eq!(find_card(&mud).unwrap_err(), ScaleError::NoCard);
        // Half of the card out of the picture: one marker is no base for a measure.
        let part = picture(600, 500, |[x, y]| [x / 4.0 - 100.0, y / 4.0 - 90.0]);
        assert_eq!(find_card(&part).unwrap_err(), ScaleError::OneMarker);
    }
}
