//! The scale as one photograph shows it.

use std::collections::BTreeMap;

use super::dimensions::{Floor, Ruler};
use super::measure::{MOST_TILT_DEG, MeasureError, Request, Warning};
use crate::measured::Measured;
use crate::photo::{NoFocal, Photo};
use crate::scale::card::{self, Layout};
use crate::scale::{self, CardFound, Coin, Ellipse, Plane, ScaleError, Sheet, Stance, Tie};
use crate::space::{self, View};

/// What gives the scale.
#[derive(Debug, Clone, PartialEq, Default)]
pub enum ScaleKind {
    /// Our card, found in the picture.
    #[default]
    Card,
    /// A sheet of known size by its four corners, clockwise from any.
    Sheet {
        /// Which.
        sheet: Sheet,
        /// px.
        taps: [[f64; 2]; 4],
    },
    /// A coin by its outline.
    Coin {
        /// Which.
        coin: Coin,
        /// Its outline.
        ellipse: Ellipse,
    },
    /// Two points on a ruler a known length apart.
    Ruler {
        /// px.
        from_px: [f64; 2],
        /// px.
        to_px: [f64; 2],
        /// mm between them.
        length_mm: f64,
    },
}

impl ScaleKind {
    /// Its name in JSON.
    pub fn name(&self) -> &str {
        match self {
            Self::Card => "card",
            Self::Sheet { sheet, .. } => &sheet.id,
            Self::Coin { .. } => "coin",
            Self::Ruler { .. } => "ruler",
        }
    }

    /// Whether a focal length tells more: a plane's tilt and height, or how far above the ground a coin's face looks.
    fn needs_focal_length(&self) -> bool {
        !matches!(self, Self::Ruler { .. })
    }

    /// Whether it gives the whole plane, and not its scale alone.
    fn gives_plane(&self) -> bool {
        matches!(self, Self::Card | Self::Sheet { .. })
    }
}

/// The scale as one photograph shows it.
pub(super) struct Seen {
    pub plane: Plane,
    /// Which of our cards it is, with the numbers of its markers and their corners, four each.
    pub card: Option<&'static Layout>,
    pub markers: Vec<u32>,
    pub ties: Vec<Tie>,
    pub corners_px: Vec<[f64; 2]>,
    pub stance: Option<Stance>,
    pub no_focal: Option<NoFocal>,
    pub warnings: Vec<Warning>,
    /// Relative standard uncertainty of the scale's own length, and from an unknown tilt.
    pub u_own: f64,
    u_aslant: f64,
}

/// The card's own length, where nobody read its check line.
const U_CARD: f64 = card::U_CHECK_LINE_MM / card::CHECK_LINE_MM;
/// A ruler is trusted to half a division over a decimetre.
const U_RULER: f64 = 0.5 / 1.732 / 100.0;
/// From how high a coin is looked at where the focal length isn't known, mm (assumed).
const USUAL_HEIGHT_MM: f64 = 400.0;

impl Seen {
    pub fn of(photo: &Photo, request: &Request) -> Result<Self, MeasureError> {
        let (width, height) = (photo.luma.width, photo.luma.height);
        let focal = photo.taken.focal_px(width, height);
        let focal_px = focal.ok();
        let mut seen = match &request.scale {
            ScaleKind::Card => Self::card(photo, request.check_line)?,
            ScaleKind::Sheet { sheet, taps } => Self::sheet(photo, sheet, *taps, focal_px)?,
            ScaleKind::Coin { coin, ellipse } => Self::coin(coin, *ellipse, focal_px, request.u_click_px)?,
            ScaleKind::Ruler { from_px, to_px, length_mm } => {
                Self::by_ruler(*from_px, *to_px, *length_mm, photo, request)?
            }
        };
        seen.no_focal = focal.err();
        if request.scale.gives_plane() {
            seen.stance = focal_px.and_then(|f| seen.plane.stance(f, width, height));
        }
        match seen.stance {
            Some(Stance { tilt_deg: deg, .. }) if deg > MOST_TILT_DEG => seen.warnings.push(Warning::Tilt { deg }),
            _ => {}
        }
        seen.warnings.extend(seen.no_focal.filter(|_| request.scale.needs_focal_length()).map(Warning::NoFocalLength));
        Ok(seen)
    }

    fn new(plane: Plane, corners_px: Vec<[f64; 2]>, u_own: f64) -> Self {
        Self {
            plane,
            card: None,
            markers: vec![],
            ties: vec![],
            corners_px,
            stance: None,
            no_focal: None,
            warnings: vec![],
            u_own,
            u_aslant: 0.0,
        }
    }

    fn card(photo: &Photo, check_line: Option<Measured>) -> Result<Self, MeasureError> {
        let card = scale::find_card(&photo.luma)?;
        let (card, u_own) = match check_line {
            Some(line) => (card.printed(line.value, &photo.luma)?, line.u / line.value),
            None => (card, U_CARD),
        };
        let (found, all) = (card.ids.len(), card.layout.markers.len());
        let few = (found < all).then_some(Warning::FewMarkers { found, all });
        let bent = (card.off_mm > scale::BENT_MM).then_some(Warning::Bent { off_mm: card.off_mm });
        let odd = odd_camera(photo, &card);
        let seen = Self::new(card.plane, card.corners_px, u_own);
        let warnings = [few, bent, odd].into_iter().flatten().collect();
        Ok(Self { card: Some(card.layout), markers: card.ids, ties: card.ties, warnings, ..seen })
    }

    fn sheet(photo: &Photo, sheet: &Sheet, taps: [[f64; 2]; 4], focal_px: Option<f64>) -> Result<Self, MeasureError> {
        let found = scale::find_sheet(&photo.luma, sheet, taps, focal_px)?;
        let shape_only = focal_px.is_none().then_some(Warning::ShapeOnly);
        let paper = sheet.paper.then_some(Warning::Paper);
        let seen = Self::new(found.plane, found.corners_px.to_vec(), sheet.u_relative());
        Ok(Self { warnings: shape_only.into_iter().chain(paper).collect(), ..seen })
    }

    fn coin(coin: &Coin, ellipse: Ellipse, focal_px: Option<f64>, u_click_px: f64) -> Result<Self, MeasureError> {
        let found = scale::of_coin(coin, ellipse, u_click_px)?;
        let height_mm = focal_px.map_or(USUAL_HEIGHT_MM, |f| f / found.plane.px_per_mm(ellipse.centre_px));
        let warning = Warning::Coin { tilt_deg: found.tilt_deg, thickness_mm: coin.thickness_mm };
        let seen = Self::new(found.plane, found.ends_px.to_vec(), coin.u_relative(height_mm));
        Ok(Self { warnings: vec![warning], u_aslant: found.u_aslant, ..seen })
    }

    fn by_ruler(
        a_px: [f64; 2],
        b_px: [f64; 2],
        length_mm: f64,
        photo: &Photo,
        request: &Request,
    ) -> Result<Self, MeasureError> {
        let plane =
            Plane::from_length(a_px, b_px, length_mm, request.u_click_px).ok_or_else(|| ScaleError::Unusable {
                detail: "the ruler's two points are the same, or its length isn't above zero".into(),
            })?;
        let seen = Self::new(plane, vec![a_px, b_px], U_RULER);
        // Seen aslant, a length along the tilt reads short by 1 − cos, one across it doesn't (a rectangle between them). An unknown
        // tilt is taken to be what would be warned about.
        let stated = request.camera_tilt_deg.or(photo.taken.camera_tilt_deg);
        let deg = stated.unwrap_or(MOST_TILT_DEG);
        let short = 1.0 - deg.to_radians().cos();
        let warning = Warning::NoTiltCorrection { deg, is_stated: stated.is_some(), short };
        Ok(Self { warnings: vec![warning], u_aslant: short / 3.0_f64.sqrt(), ..seen })
    }

    pub fn ruler(&self, request: &Request) -> Result<Ruler<'_>, MeasureError> {
        if request.floor != Floor::InPlane && self.stance.is_none() {
            return Err(MeasureError::NoFocalLength(self.no_focal.unwrap_or_default()));
        }
        Ok(Ruler {
            plane: &self.plane,
            stance: self.stance,
            floor: request.floor,
            u_click_px: request.u_mark_px(),
            u_card: self.u_own,
            u_aslant: self.u_aslant,
        })
    }
}

/// What the plane gives beside the card and what a camera of the stated focal length must see there may differ by this much.
const MOST_ODD: f64 = 0.003;

/// From here on the focal length that the card shows isn't the stated one: four times what rounding to a whole millimetre may do.
const MOST_OFF_LN_FOCAL: f64 = 0.08;

/// Whether the card doesn't look as it must to a camera of the stated focal length: a picture of a picture, a crop, digital zoom.
fn odd_camera(photo: &Photo, card: &CardFound) -> Option<Warning> {
    let (width, height) = (photo.luma.width, photo.luma.height);
    let view = View {
        name: String::new(),
        ties: card.ties.clone(),
        size_px: [width, height],
        focal_px: photo.taken.focal_px(width, height).ok()?,
        lens: 0,
        marks: BTreeMap::new(),
    };
    let (pose, lens) = space::stand(&view)?;
    let ([right, _], [left, bottom]) = (card.layout.size_mm, card.layout.inner_corner_mm());
    let off = |a: [f64; 2], b: [f64; 2]| {
        let seen = |[x, y]: [f64; 2]| pose.px(lens, &view, [x, y, 0.0]);
        let length = card.plane.length(seen(a)?, seen(b)?, 1.0);
        Some((length.mm / (a[0] - b[0]).hypot(a[1] - b[1]) - 1.0).abs())
    };
    let off = off([left, 0.0], [right, bottom])?.max(off([left, bottom], [right, 0.0])?);
    let times = lens.focal_px / view.focal_px;
    if times.ln().abs() > MOST_OFF_LN_FOCAL {
        return Some(Warning::OddFocalLength { times });
    }
    (off > MOST_ODD).then_some(Warning::OddCamera { percent: 100.0 * off })
}
