//! Finding the scale card in a picture.

use super::blobs::Middle;
use super::card::{self, LAYOUTS, Layout};
use super::lens::Lens;
use super::marker::{self, Found, Reading};
use super::plane::{Plane, Tie};
use super::{blobs, quad};
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
    /// Two cards of different sizes or at different heights.
    #[error(
        "two scale cards in the picture disagree by {percent:.1} %, so one was printed at another size or lies higher: check both check lines, lay both on the same ground, or cover one of them"
    )]
    CardsDisagree {
        /// By how much, %.
        percent: f64,
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
    /// Which card.
    pub layout: &'static Layout,
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

/// Two cards that differ by more than this can't both be right.
const MOST_DISAGREEMENT: f64 = 0.01;

/// Finds the card; of two, the one that fills more of the picture, if they agree. Looks in a reduced picture first, and again by
/// other means only where markers are missing.
pub fn find_card(luma: &Luma) -> Result<CardFound, ScaleError> {
    let coarse = (luma.width.max(luma.height) / COARSE_SIDE).max(1);
    let mut found: Vec<Found> = Vec::new();
    let mut factors = vec![coarse, coarse.div_ceil(2)];
    factors.dedup();
    'looks: for factor in factors {
        let small = blobs::reduce(luma, factor);
        for middle in [Middle::Half, Middle::Ratio] {
            look(luma, &small, factor, middle, &mut found)?;
            let is_seen = |&(id, _): &(u32, [f64; 2])| found.iter().any(|marker| marker.id == id);
            if LAYOUTS.iter().any(|layout| layout.markers.iter().all(is_seen)) {
                break 'looks;
            }
        }
    }
    let lens = Lens::of_picture(luma.width, luma.height);
    let mut cards = lying_as_cards(&found).into_iter().map(|(layout, markers)| fit(layout, &markers, lens));
    match cards.next() {
        None if found.is_empty() => Err(ScaleError::NoCard),
        None => Err(ScaleError::OneMarker),
        Some(largest) => {
            let largest = largest?;
            cards.filter_map(Result::ok).try_for_each(|other| agrees(&largest, &other))?;
            Ok(largest)
        }
    }
}

/// Adds the markers that one look finds to those that are known.
fn look(luma: &Luma, small: &Luma, factor: usize, middle: Middle, found: &mut Vec<Found>) -> Result<(), ScaleError> {
    for blob in blobs::dark_blobs(small, factor, middle) {
        let Some(rough) = quad::around(&blob.outline) else { continue };
        match marker::read(luma, rough, 1.5 * factor as f64) {
            Some(Reading::Mirrored) => return Err(ScaleError::Mirrored),
            Some(Reading::Ours(new)) if !found.iter().any(|old| old.id == new.id && old.is_at(&new)) => found.push(new),
            _ => {}
        }
    }
    Ok(())
}

/// The markers card by card, the largest card in the picture first. A marker that lies as on no card is left out: it may be one on
/// a screen, or a scrap.
fn lying_as_cards(found: &[Found]) -> Vec<(&'static Layout, Vec<Found>)> {
    let mut cards = Vec::new();
    for layout in LAYOUTS {
        let of_layout = |marker: &&Found| layout.corners_mm(marker.id).is_some();
        let mut rest: Vec<Found> = found.iter().filter(of_layout).copied().collect();
        while let Some(card) = largest_card(layout, &rest) {
            rest.retain(|marker| !card.iter().any(|taken| taken.id == marker.id && taken.is_at(marker)));
            cards.push((layout, card));
        }
    }
    let across = |card: &[Found]| {
        let corners = || card.iter().flat_map(|marker| marker.corners_px);
        let side = |k: usize| {
            corners().map(|p| p[k]).fold(f64::MIN, f64::max) - corners().map(|p| p[k]).fold(f64::MAX, f64::min)
        };
        side(0).hypot(side(1))
    };
    cards.sort_by(|a, b| across(&b.1).total_cmp(&across(&a.1)));
    cards
}

/// The most markers that lie as on one card: where two of them lie tells where the others must (Fischler & Bolles 1981, with every
/// pair tried). In the order of their numbers.
fn largest_card(layout: &'static Layout, rest: &[Found]) -> Option<Vec<Found>> {
    let mut largest: Vec<Found> = Vec::new();
    for (i, a) in rest.iter().enumerate() {
        for b in rest[..i].iter().filter(|b| b.id != a.id) {
            let Some(plane) = Plane::fit(&ties(layout, &[*a, *b]), Lens::NONE) else { continue };
            let off_mm = |marker: &Found| {
                let ties = ties(layout, std::slice::from_ref(marker));
                ties.iter().map(|tie| quad::distance(plane.mm(tie.px), tie.mm)).fold(0.0, f64::max)
            };
            let nearest = |&(id, _): &(u32, [f64; 2])| {
                let same = rest.iter().filter(|marker| marker.id == id).map(|marker| (off_mm(marker), marker));
                let nearest = same.min_by(|x, y| x.0.total_cmp(&y.0))?;
                (nearest.0 < layout.marker_side_mm / 2.0).then_some(*nearest.1)
            };
            let card: Vec<Found> = layout.markers.iter().filter_map(nearest).collect();
            if card.len() > largest.len() {
                largest = card;
            }
            if largest.len() == layout.markers.len() {
                return Some(largest);
            }
        }
    }
    (largest.len() > 1).then_some(largest)
}

/// Where the markers' corners are on the card and in the picture.
fn ties(layout: &Layout, markers: &[Found]) -> Vec<Tie> {
    const OUTWARD: [[f64; 2]; 4] = [[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]];
    let of_marker = |seen: &Found| {
        let corners = layout.corners_mm(seen.id).into_iter().flatten().zip(seen.corners_px).zip(OUTWARD);
        let u_px = seen.u_px;
        corners.map(move |((mm, px), outward)| Tie { mm, px, u_px, outward })
    };
    markers.iter().flat_map(of_marker).collect()
}

fn fit(layout: &'static Layout, markers: &[Found], lens: Lens) -> Result<CardFound, ScaleError> {
    let ties = ties(layout, markers);
    let plane = Plane::fit(&ties, lens).ok_or(ScaleError::NoCard)?;
    let off_mm = plane.rms_px / plane.px_per_mm(ties[0].px);
    if off_mm > FLAT_MM {
        return Err(ScaleError::NotFlat { off_mm });
    }
    Ok(CardFound {
        layout,
        plane,
        ids: markers.iter().map(|marker| marker.id).collect(),
        corners_px: markers.iter().flat_map(|marker| marker.corners_px).collect(),
        ties,
        off_mm,
    })
}

/// Whether another card has the size that the first one's plane gives it.
fn agrees(first: &CardFound, other: &CardFound) -> Result<(), ScaleError> {
    let (Some(a), Some(b)) = (other.ties.first(), other.ties.get(other.ties.len() - 2)) else { return Ok(()) };
    let seen = first.plane.length(a.px, b.px, a.u_px.hypot(b.u_px));
    let off = seen.mm / quad::distance(a.mm, b.mm) - 1.0;
    let u = seen.u_plane_mm.hypot(seen.u_click_mm) / seen.mm;
    if off.abs() > MOST_DISAGREEMENT && off.abs() > 2.0 * u {
        return Err(ScaleError::CardsDisagree { percent: 100.0 * off.abs() });
    }
    Ok(())
}

impl CardFound {
    /// The same card where its check line measures `check_line_mm` instead of [`card::CHECK_LINE_MM`]: in true millimetres.
    pub fn printed(self, check_line_mm: f64, luma: &Luma) -> Result<Self, ScaleError> {
        let factor = check_line_mm / card::CHECK_LINE_MM;
        let ties: Vec<Tie> = self.ties.iter().map(|tie| Tie { mm: tie.mm.map(|v| v * factor), ..*tie }).collect();
        let plane = Plane::fit(&ties, Lens::of_picture(luma.width, luma.height)).ok_or(ScaleError::NoCard)?;
        Ok(Self { plane, ties, off_mm: self.off_mm * factor, ..self })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scale::card::STANDARD;
    use crate::scale::light::encode;

    /// A scene as an ideal camera sees it, which gives the light at each place of the picture; sixteen samples a pixel.
    fn photograph(width: usize, height: usize, light_at: impl Fn([f64; 2]) -> f64) -> Luma {
        let mut pixels = Vec::with_capacity(width * height);
        for y in 0..height {
            for x in 0..width {
                let samples = (0..16).map(|i| {
                    let (dx, dy) = (f64::from(i % 4) / 4.0 - 0.375, f64::from(i / 4) / 4.0 - 0.375);
                    light_at([x as f64 + dx, y as f64 + dy])
                });
                pixels.push((encode(samples.sum::<f64>() / 16.0) * 255.0).round() as u8);
            }
        }
        Luma { width, height, pixels }
    }

    /// The card alone: `to_mm` takes a pixel to the card's plane.
    fn picture(width: usize, height: usize, to_mm: impl Fn([f64; 2]) -> [f64; 2]) -> Luma {
        photograph(width, height, |px| reflectance(&STANDARD, to_mm(px)).unwrap_or(MUD))
    }

    const MUD: f64 = 0.12;

    /// What a card reflects at a place of its own; `None` beside it.
    fn reflectance(layout: &Layout, [x, y]: [f64; 2]) -> Option<f64> {
        let cell = layout.marker_side_mm / 8.0;
        for &(id, [left, top]) in layout.markers {
            let (column, row) = ((x - left) / cell, (y - top) / cell);
            if (0.0..8.0).contains(&column) && (0.0..8.0).contains(&row) {
                return Some(if card::cell_is_white(id, row as usize, column as usize) { 0.85 } else { 0.04 });
            }
        }
        layout.is_near([x, y], 0.0).then_some(card::GROUND_GREY)
    }

    /// Two cards side by side, 4 px a millimetre; the second one printed `size` times too large.
    fn two_cards(second: &Layout, size: f64) -> Luma {
        photograph(1500, 1000, |[x, y]| {
            let first = reflectance(&STANDARD, [(x - 60.0) / 4.0, (y - 90.0) / 4.0]);
            let other = || reflectance(second, [(x - 860.0) / 4.0 / size, (y - 100.0) / 4.0 / size]);
            first.or_else(other).unwrap_or(MUD)
        })
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
            assert_eq!(found.ids, [520, 521, 522, 523, 524], "{degrees}°");
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

    #[test]
    fn of_two_cards_of_true_size_the_larger_in_the_picture_gives_the_scale() {
        for second in LAYOUTS {
            let found = find_card(&two_cards(second, 1.0)).unwrap();
            assert_eq!((found.layout, found.ids.len()), (&STANDARD, 5), "beside a {} card", second.name);
            assert!((found.plane.length([440.0, 500.0], [760.0, 500.0], 0.1).mm - 80.0).abs() < 0.04);
        }
    }

    #[test]
    fn two_cards_that_disagree_by_more_than_one_per_cent_are_refused() {
        for second in LAYOUTS {
            let refused = find_card(&two_cards(second, 1.03)).unwrap_err();
            let ScaleError::CardsDisagree { percent } = refused else { panic!("{}: {refused}", second.name) };
            assert!((percent - 3.0).abs() < 0.3, "{}: {percent} %", second.name);
            assert!(find_card(&two_cards(second, 1.005)).is_ok());
        }
    }

    #[test]
    fn a_marker_that_lies_as_on_no_card_is_left_out() {
        // One of our markers on a screen or a scrap beside the card, here upright where the card's own is covered.
        let scene = |[x, y]: [f64; 2]| {
            let scrap = [(x - 700.0) / 5.0 + 122.0, (y - 200.0) / 5.0 + 170.0];
            let on_scrap = (116.0..150.0).contains(&scrap[0]) && (164.0..200.0).contains(&scrap[1]);
            let own = [(x - 60.0) / 4.0, (y - 90.0) / 4.0];
            let covered = (116.0..152.0).contains(&own[0]) && (164.0..200.0).contains(&own[1]);
            let light = if on_scrap { reflectance(&STANDARD, scrap) } else { reflectance(&STANDARD, own) };
            light.filter(|_| on_scrap || !covered).unwrap_or(MUD)
        };
        let found = find_card(&photograph(1200, 1000, scene)).unwrap();
        assert_eq!(found.ids, [520, 521, 522, 523]);
        assert!(found.off_mm < BENT_MM);
    }

    #[test]
    fn a_card_printed_at_another_size_gives_true_millimetres_by_its_check_line() {
        // Printed at 97 %: the check line measures 97 mm, and what looks like 80 mm is 77.6 mm.
        let picture = picture(1200, 1000, turned(10.0));
        let found = find_card(&picture).unwrap().printed(97.0, &picture).unwrap();
        assert!((found.plane.length([440.0, 500.0], [760.0, 500.0], 0.1).mm - 77.6).abs() < 0.04);
    }
}
