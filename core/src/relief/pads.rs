//! Pad proposals: pits that stand together as a foot's pads do.

use super::blobs::{Evidence, SIGMAS_MM, distance, strongest};
use super::foot;
use super::rectify::{Rectified, Window};
use crate::photo::Luma;
use crate::scale::Plane;
use crate::scale::card::Layout;

/// What a proposal may be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum PadKind {
    /// A toe's pad.
    ToePad,
    /// The heel (carpal or tarsal) pad.
    HeelPad,
    /// The pad behind the toes, or a pit that no foot was found for.
    Pad,
}

/// A place where a pad may be. It is no measure until a person confirms it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Proposal {
    /// What it may be.
    pub kind: PadKind,
    /// Middle, mm in the scale's plane.
    pub at_mm: [f64; 2],
    /// Mean of half width and half length, mm.
    pub radius_mm: f64,
    /// 0–1; from [`STANDING`] it is shown unasked.
    pub confidence: f64,
}

/// From this confidence a proposal stands without being asked for.
pub const STANDING: f64 = 0.5;
/// More proposals are no help.
const MOST: usize = 12;
/// Pixels a millimetre in which pads are looked for.
const PX_PER_MM: f64 = 1.5;
/// Pits of a size that are tried as parts of a foot.
const TRIED: usize = 40;

/// What is known of the light's direction, degrees clockwise from the plane's +x.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Towards {
    /// The light comes from there.
    Known(f64),
    /// The light comes from there or from the opposite side; prints are pits, so the side that shows the better foot is taken.
    EitherWay(f64),
    /// The light is even.
    Even,
}

/// Proposes pads on a part of the ground, surest first. A `card` that lies there is left out.
pub fn propose(luma: &Luma, plane: &Plane, part: &Window, card: Option<&Layout>, towards: Towards) -> Vec<Proposal> {
    let lit = |deg: f64| lit_from(luma, plane, part, card, Some(deg));
    match towards {
        Towards::Known(deg) => lit(deg),
        Towards::Even => lit_from(luma, plane, part, card, None),
        Towards::EitherWay(deg) => {
            let sure = |proposals: &[Proposal]| proposals.iter().map(|p| p.confidence).sum::<f64>();
            let (one, other) = (lit(deg), lit(deg + 180.0));
            if sure(&one) >= sure(&other) { one } else { other }
        }
    }
}

fn lit_from(
    luma: &Luma,
    plane: &Plane,
    part: &Window,
    card: Option<&Layout>,
    towards_deg: Option<f64>,
) -> Vec<Proposal> {
    let window = part.turned(towards_deg.unwrap_or(part.turn_deg), PX_PER_MM);
    let rectified = Rectified::of(luma, plane, window, part, card);
    let evidence = Evidence::of(&rectified, towards_deg.is_some());
    let by_size: Vec<_> = (0..SIGMAS_MM.len()).map(|size| evidence.of_size(&rectified, size, TRIED)).collect();
    let blobs = strongest(&by_size, MOST);
    let mut proposals = foot::best(&by_size);
    for blob in &blobs {
        if proposals.iter().all(|p| distance(p.at_mm, blob.at_mm) > 0.8 * p.radius_mm.max(blob.radius_mm)) {
            let confidence = 0.45 * (1.0 - (-blob.score / 6.0).exp());
            proposals.push(Proposal { kind: PadKind::Pad, at_mm: blob.at_mm, radius_mm: blob.radius_mm, confidence });
        }
    }
    proposals.sort_by(|a, b| b.confidence.total_cmp(&a.confidence));
    proposals.truncate(MOST);
    proposals
}
