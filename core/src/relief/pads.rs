//! Pad proposals: pits that stand together as a foot's pads do.

use super::blobs::{Blob, Evidence, distance, strongest};
use super::foot::{self, Foot};
use super::rectify::{Rectified, Window};
use super::snap::{self, Rough, Snapped};
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
    /// Half axes, mm, the longer first; alike where no edge was found.
    pub half_axes_mm: [f64; 2],
    /// Direction of the longer one, degrees clockwise from the plane's +x, 0 ≤ … < 180.
    pub deg: f64,
    /// 0–1; from [`STANDING`] it is shown unasked.
    pub confidence: f64,
}

impl Proposal {
    /// Without an edge.
    fn round(kind: PadKind, blob: &Blob, confidence: f64) -> Self {
        Self { kind, at_mm: blob.at_mm, half_axes_mm: [blob.radius_mm; 2], deg: 0.0, confidence }
    }

    /// Mean of half width and half length, mm.
    pub fn radius_mm(&self) -> f64 {
        (self.half_axes_mm[0] + self.half_axes_mm[1]) / 2.0
    }
}

/// From this confidence a proposal stands without being asked for.
pub const STANDING: f64 = 0.5;
/// More proposals are no help.
const MOST: usize = 12;
/// Pixels a millimetre in which pads are looked for.
const PX_PER_MM: f64 = 1.5;
/// Pits of a size that are tried as parts of a foot.
const TRIED: usize = 40;

/// A pad is larger than the pit that its shading makes, by this much (found on rendered pictures).
const LOOKS_SMALLER: f64 = 1.2;
/// An edge belongs to its pit if its middle lies within the pit or this near, mm.
const LEAST_MOVE_MM: f64 = 6.0;
/// A pad whose edge is less sure than this doesn't stand: it is faint, or not seen.
const LEAST_SURE: f64 = 0.5;

/// Half the logarithm of a toe's length over its width: up to this as usual, beyond with this standard deviation (assumed); a claw's mark is
/// narrower.
const ELONGATION: (f64, f64) = (0.28, 0.09);
/// No toe makes a foot worse than this.
const LEAST_WORTH: f64 = -4.0;

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
    let [by_size, claws] = evidence.pits(&rectified, TRIED);
    let settled = |foot: Foot| {
        let rough: Vec<Rough> =
            foot.pits().map(|b| Rough { at_mm: b.at_mm, radius_mm: b.radius_mm * LOOKS_SMALLER }).collect();
        let edges = snap::settle(luma, plane, card, towards_deg, &rough);
        (foot, edges)
    };
    let feet = foot::best(&by_size, &claws).into_iter().map(settled);
    let best = feet.max_by(|a, b| worth(a).total_cmp(&worth(b)));
    let foot = best.as_ref().map(|(foot, _)| foot);
    let mut proposals = best.as_ref().map_or(vec![], |(foot, edges)| of_foot(foot, edges));
    for blob in strongest(&by_size, MOST) {
        if proposals.iter().all(|p| distance(p.at_mm, blob.at_mm) > 0.8 * p.radius_mm().max(blob.radius_mm)) {
            let behind = foot.is_some_and(|foot| foot.is_behind(&blob));
            let kind = if behind { PadKind::HeelPad } else { PadKind::Pad };
            let confidence = 0.45 * (1.0 - (-blob.score / 6.0).exp());
            proposals.push(Proposal::round(kind, &blob, confidence));
        }
    }
    proposals.sort_by(|a, b| b.confidence.total_cmp(&a.confidence));
    proposals.truncate(MOST);
    proposals
}

/// What a foot is worth once its edges are known: its toes should be there, and no narrower than toes are.
fn worth((foot, edges): &(Foot, Vec<Option<Snapped>>)) -> f64 {
    let toe = |edge: &Option<Snapped>| {
        let Some(edge) = edge else { return LEAST_WORTH };
        let elongation = 0.5 * (edge.half_axes_mm[0] / edge.half_axes_mm[1]).ln();
        let narrow = 0.5 * ((elongation - ELONGATION.0).max(0.0) / ELONGATION.1).powi(2);
        ((edge.confidence + 0.02).ln() - narrow).max(LEAST_WORTH)
    };
    let toes = foot.toes.iter().flatten().count();
    foot.score + edges[..toes].iter().map(toe).sum::<f64>()
}

/// The foot's pads with their edges. A pit whose edge isn't found, or an outer one that shows far less than the others, doesn't stand.
fn of_foot(foot: &Foot, edges: &[Option<Snapped>]) -> Vec<Proposal> {
    let toes = foot.toes.iter().flatten().count();
    let sure: Vec<f64> = edges.iter().map(|edge| edge.map_or(0.0, |edge| edge.confidence)).collect();
    let proposal = |(k, (blob, edge)): (usize, (&Blob, &Option<Snapped>))| {
        let kind = if k < toes { PadKind::ToePad } else { PadKind::Pad };
        let near = edge.filter(|edge| distance(edge.centre_mm, blob.at_mm) < blob.radius_mm.max(LEAST_MOVE_MM));
        let confidence = if sure[k] < LEAST_SURE { 0.45 * sure[k] } else { STANDING + 0.5 * sure[k] };
        match near {
            Some(edge) => Proposal {
                kind,
                at_mm: edge.centre_mm,
                half_axes_mm: edge.half_axes_mm,
                deg: edge.deg,
                confidence: confidence.min(1.0),
            },
            None => Proposal::round(kind, blob, confidence.min(0.6)),
        }
    };
    foot.pits().zip(edges).enumerate().map(proposal).collect()
}
