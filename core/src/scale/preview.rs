//! The scale card in the camera's preview: what the worker does next, before the photograph is taken.

use serde::Deserialize;

use super::find::{CardFound, ScaleError, find_card};
use super::{light, quad};
use crate::photo::Luma;

/// What the worker does next; the first of these that holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Word {
    /// Lay the card flat into the picture: there is none, or none that gives a scale (mirrored, bent, two that disagree).
    NoCard,
    /// Get all of the card into the picture, and nothing on it: some of its markers aren't seen.
    PartOfCard,
    /// Go nearer.
    TooFar,
    /// Hold still, or let the camera focus.
    Blurred,
    /// Hold the camera straight above.
    TooSteep,
    /// Take the photograph.
    Good,
}

/// What a preview shows of the card.
#[derive(Debug, Clone, PartialEq)]
pub struct Seen {
    /// The card's outline, px of the preview; empty where the card wasn't found.
    pub outline_px: Vec<[f64; 2]>,
    /// How wide the markers' printed edges are: from 10 to 90 % of the step of light across them, px of the preview.
    pub edge_width_px: Option<f64>,
    /// Whether that is narrow enough.
    pub sharp: bool,
    /// Pixels a millimetre that the photograph will have in the middle of the card.
    pub px_per_mm_in_photo: Option<f64>,
    /// How far from straight down the camera looks, degrees, taking it for a phone's usual one: its tangent is within 8 %.
    pub tilt_deg: Option<f64>,
    /// What to do next.
    pub word: Word,
}

/// What is asked of a preview, from `core/data/preview.toml`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Limits {
    least_px_per_mm_in_photo: Limit,
    most_edge_width_px: Limit,
    most_tilt_deg: Limit,
    usual_focal_35_mm: Limit,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Limit {
    value: f64,
    #[serde(rename = "reason")]
    _reason: String,
    #[serde(rename = "status")]
    _status: String,
}

impl Limits {
    fn load() -> Result<Self, ScaleError> {
        toml::from_str(include_str!("../../data/preview.toml"))
            .map_err(|e| ScaleError::Unusable { detail: format!("preview.toml: {e}") })
    }
}

/// Looks for the card in a preview that shows all that the photograph will, upright or as the sensor lies: the photograph is
/// `photo_width_px` wide along the preview's rows. The only error is our own data's.
pub fn look(luma: &Luma, photo_width_px: f64) -> Result<Seen, ScaleError> {
    let limits = Limits::load()?;
    let found = find_card(luma);
    let nothing = |word| Seen {
        outline_px: vec![],
        edge_width_px: None,
        sharp: false,
        px_per_mm_in_photo: None,
        tilt_deg: None,
        word,
    };
    Ok(match found {
        Ok(card) => seen(&card, luma, photo_width_px / luma.width as f64, &limits),
        Err(ScaleError::OneMarker) => nothing(Word::PartOfCard),
        Err(_) => nothing(Word::NoCard),
    })
}

fn seen(card: &CardFound, luma: &Luma, photo_px_per_px: f64, limits: &Limits) -> Seen {
    let finite = |px: &[f64; 2]| px.iter().all(|c| c.is_finite());
    let outline_px: Vec<_> = card.layout.card().outline_mm.into_iter().map(|mm| card.plane.px(mm)).collect();
    let middle_px = card.plane.px(card.layout.size_mm.map(|side| side / 2.0));
    let px_per_mm = card.plane.px_per_mm(middle_px) * photo_px_per_px;
    let diagonal_px = (luma.width as f64).hypot(luma.height as f64);
    let focal_px = limits.usual_focal_35_mm.value / 43.27 * diagonal_px;
    let tilt_deg = card.plane.stance(focal_px, luma.width, luma.height).map(|stance| stance.tilt_deg);
    let edge_width_px = edge_width_px(card, luma);
    let sharp = edge_width_px.is_some_and(|width| width <= limits.most_edge_width_px.value);
    let word = if card.ids.len() < card.layout.markers.len() {
        Word::PartOfCard
    } else if px_per_mm < limits.least_px_per_mm_in_photo.value {
        Word::TooFar
    } else if !sharp {
        Word::Blurred
    } else if tilt_deg.is_some_and(|deg| deg > limits.most_tilt_deg.value) {
        Word::TooSteep
    } else {
        Word::Good
    };
    Seen {
        outline_px: if outline_px.iter().all(finite) { outline_px } else { vec![] },
        edge_width_px,
        sharp,
        px_per_mm_in_photo: Some(px_per_mm).filter(|value| value.is_finite()),
        tilt_deg,
        word,
    }
}

/// How far apart samples across an edge lie, px.
const STEP_PX: f64 = 0.25;
/// Samples across an edge reach so far to both sides, in cells of a marker: the border is black and the ground is bare for one cell.
const REACH_CELLS: f64 = 0.8;

/// The upper quartile of the widths of the markers' outer edges: a camera that moves along one side of the card widens only the
/// half of them that lies across its way, and a few may lie in a shadow's edge.
fn edge_width_px(card: &CardFound, luma: &Luma) -> Option<f64> {
    let sides = card.corners_px.chunks_exact(4).flat_map(|corners| (0..4).map(|i| (corners[i], corners[(i + 1) % 4])));
    let mut widths: Vec<f64> = sides.filter_map(|(a, b)| width_across(luma, a, b)).collect();
    widths.sort_by(f64::total_cmp);
    widths.get(widths.len() * 3 / 4).copied()
}

/// The width of the edge from a to b (dark on its right), from the mean of the profiles across it: noise averages out, and the
/// fitted line lays the profiles over each other.
fn width_across(luma: &Luma, a: [f64; 2], b: [f64; 2]) -> Option<f64> {
    let length = quad::distance(a, b);
    let along = [(b[0] - a[0]) / length, (b[1] - a[1]) / length];
    let outward = [along[1], -along[0]];
    let steps = (REACH_CELLS * length / 8.0 / STEP_PX).min(100.0) as i32;
    let feet = (length as usize).clamp(8, 64);
    let light_at = |step: i32| {
        let beside = f64::from(step) * STEP_PX;
        let total: Option<f64> = (0..feet)
            .map(|i| {
                // The ends are left out: the corner is rounded by blur there.
                let t = length * (0.15 + 0.7 * (i as f64 + 0.5) / feet as f64);
                light::at(luma, a[0] + t * along[0] + beside * outward[0], a[1] + t * along[1] + beside * outward[1])
            })
            .sum();
        total.map(|light| light / feet as f64)
    };
    let profile: Vec<f64> = (-steps..=steps).map(light_at).collect::<Option<_>>()?;
    // From where the border is blackest: farther in, white cells may shine into it.
    let blackest = (0..=steps as usize).min_by(|&a, &b| profile[a].total_cmp(&profile[b]))?;
    let profile = &profile[blackest..];
    let (dark, bright) = (*profile.first()?, *profile.last()?);
    let crossing = |share: f64| {
        let level = dark + share * (bright - dark);
        let after = profile.iter().position(|&light| light >= level).filter(|&after| after > 0)?;
        let (below, above) = (profile[after - 1], profile[after]);
        Some((after as f64 - 1.0 + (level - below) / (above - below)) * STEP_PX)
    };
    (bright > dark).then(|| Some(crossing(0.9)? - crossing(0.1)?)).flatten()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::photo::Photo;

    /// A demo photograph as its camera's preview, `width` px wide: averaged down in light, blurred by a Gaussian of `sigma_px`. And itself.
    fn preview(name: &str, width: usize, sigma_px: f64) -> (Luma, Luma) {
        let path = format!("{}/../fixtures/demo-visit/{name}", env!("CARGO_MANIFEST_DIR"));
        let photo = Photo::read(&std::fs::read(path).unwrap()).unwrap().luma;
        let step = photo.width as f64 / width as f64;
        let height = (photo.height as f64 / step) as usize;
        let light_at = |x: usize, y: usize| {
            let samples = (0..16).filter_map(|i| {
                let at = |k: usize, i: i32| (k as f64 + (f64::from(i) + 0.5) / 4.0) * step - 0.5;
                light::at(&photo, at(x, i % 4), at(y, i / 4))
            });
            samples.sum::<f64>() / 16.0
        };
        let light: Vec<f64> = (0..width * height).map(|at| light_at(at % width, at / width)).collect();
        let light = blurred(&blurred(&light, width, height, sigma_px), height, width, sigma_px);
        let pixels = light.iter().map(|&light| (light::encode(light) * 255.0).round() as u8).collect();
        (Luma { width, height, pixels }, photo)
    }

    /// Blurred along the rows and turned over the diagonal: twice, it is blurred both ways and upright again.
    fn blurred(light: &[f64], width: usize, height: usize, sigma_px: f64) -> Vec<f64> {
        let reach = (4.0 * sigma_px).ceil() as i64;
        let weights: Vec<f64> =
            (-reach..=reach).map(|i| (-(i as f64 / sigma_px.max(1e-9)).powi(2) / 2.0).exp()).collect();
        let total: f64 = weights.iter().sum();
        let at = |x: i64, y: usize| light[y * width + x.clamp(0, width as i64 - 1) as usize];
        let mean = |x: usize, y: usize| {
            weights.iter().zip(-reach..).map(|(weight, i)| weight * at(x as i64 + i, y)).sum::<f64>() / total
        };
        (0..width).flat_map(|x| (0..height).map(move |y| (x, y))).map(|(x, y)| mean(x, y)).collect()
    }

    #[test]
    fn the_demos_photographs_were_good_to_take_and_show_what_the_preview_promised() {
        for name in ["IMG_0101.jpg", "IMG_0102.jpg", "IMG_0105.jpg", "IMG_0106.jpg"] {
            let (luma, photo) = preview(name, 1280, 0.0);
            let seen = look(&luma, photo.width as f64).unwrap();
            assert_eq!((seen.word, seen.sharp, seen.outline_px.len()), (Word::Good, true, 6), "{name}: {seen:?}");
            let card = find_card(&photo).unwrap();
            let px_per_mm = card.plane.px_per_mm(card.plane.px(card.layout.size_mm.map(|side| side / 2.0)));
            assert!(
                (seen.px_per_mm_in_photo.unwrap() / px_per_mm - 1.0).abs() < 0.002,
                "{name}: {seen:?}, {px_per_mm}"
            );
        }
    }

    #[test]
    fn a_blur_of_known_width_widens_the_edges_as_a_gaussian_must() {
        // From 10 to 90 % of a Gaussian's integral are 2 · 1.2816 σ; widths add in square.
        let width_at = |sigma_px: f64| {
            let (luma, photo) = preview("IMG_0101.jpg", 1280, sigma_px);
            let seen = look(&luma, photo.width as f64).unwrap();
            (seen.edge_width_px.unwrap(), seen.word)
        };
        let (bare, _) = width_at(0.0);
        for (sigma_px, word) in [(0.6, Word::Good), (1.4, Word::Blurred)] {
            let (width, said) = width_at(sigma_px);
            assert!((width / bare.hypot(2.0 * 1.2816 * sigma_px) - 1.0).abs() < 0.08, "σ {sigma_px}: {width}");
            assert_eq!(said, word);
        }
    }

    #[test]
    fn a_card_with_any_of_its_markers_hidden_is_never_good() {
        let (luma, photo) = preview("IMG_0101.jpg", 1280, 0.0);
        let card = find_card(&luma).unwrap();
        for corners in card.corners_px.chunks(4) {
            let [x, y] = [0, 1].map(|k| corners.iter().map(|corner| corner[k]).sum::<f64>() / 4.0);
            let mut hidden = luma.clone();
            for (at, pixel) in hidden.pixels.iter_mut().enumerate() {
                let beside = ((at % luma.width) as f64 - x).hypot((at / luma.width) as f64 - y);
                *pixel = if beside < 60.0 { 90 } else { *pixel };
            }
            let seen = look(&hidden, photo.width as f64).unwrap();
            assert_eq!(seen.word, Word::PartOfCard, "{seen:?}");
        }
    }

    #[test]
    fn from_afar_the_word_is_to_go_nearer() {
        let (luma, _) = preview("IMG_0101.jpg", 1280, 0.0);
        assert_eq!(look(&luma, 1600.0).unwrap().word, Word::TooFar);
    }

    #[test]
    fn the_limit_of_tilt_is_the_photographs_own() {
        assert_eq!(Limits::load().unwrap().most_tilt_deg.value, crate::print::MOST_TILT_DEG);
    }

    proptest! {
        #[test]
        fn no_picture_is_too_odd_to_answer(width in 160_usize..260, height in 160_usize..260, seed: u64, cell in 1_usize..30, levels in 2_u8..8) {
            // Patches of a few levels: blobs, edges and near-markers in plenty.
            let mut state = seed | 1;
            let mut next = || { state ^= state << 13; state ^= state >> 7; state ^= state << 17; state };
            let patches: Vec<u8> = (0..width * height).map(|_| (next() % u64::from(levels)) as u8 * (255 / (levels - 1))).collect();
            let pixels = (0..width * height).map(|at| patches[at / width / cell * width + at % width / cell]).collect();
            let luma = Luma { width, height, pixels };
            let seen = look(&luma, 4000.0).unwrap();
            prop_assert_eq!(seen.word == Word::NoCard, seen.px_per_mm_in_photo.is_none());
            crate::photo::read_code(&luma);
        }
    }
}
