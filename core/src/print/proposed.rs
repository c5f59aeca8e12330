//! Where a print's landmarks may be, from the pads that the ground shows: a start for the hand, no measure until a person confirms it.

use std::collections::BTreeMap;

use super::light::PadProposal;
use crate::relief::{PadKind, STANDING};

/// Fewer toes than this don't tell which way a foot points.
const FEWEST_TOES: usize = 3;

/// The landmarks of the print around a point of the picture, by the pads within `reach_px` of it that are sure enough: the toes' outer edges, the foremost
/// toe's tip (`toe_3_tip`), and where there is a pad behind them that is larger than a toe its rear edge, and that of the heel. Empty where fewer than
/// three toes tell which way the foot points: forward lies on that side of the two outer toes on which the others are.
///
/// ```
/// use rakelight_core::print::{PadProposal, proposed_landmarks};
/// use rakelight_core::relief::PadKind;
/// let pad = |kind, x, y, r| PadProposal { kind, at_px: [x, y], radius_px: r, half_axes_px: [r, r], deg: 0.0, confidence: 0.9 };
/// let toes = [(60.0, 60.0), (90.0, 40.0), (130.0, 60.0)].map(|(x, y)| pad(PadKind::ToePad, x, y, 10.0));
/// let marks = proposed_landmarks(&[&toes[..], &[pad(PadKind::Pad, 95.0, 100.0, 15.0)]].concat(), [95.0, 70.0], 100.0);
/// assert!((marks["widest_left"][0] - 50.0).abs() < 1.0 && (marks["pad_rear"][1] - 115.0).abs() < 1.0);
/// ```
pub fn proposed_landmarks(pads: &[PadProposal], middle_px: [f64; 2], reach_px: f64) -> BTreeMap<String, [f64; 2]> {
    let near = |pad: &&PadProposal| pad.confidence >= STANDING && distance(pad.at_px, middle_px) <= reach_px;
    let near: Vec<&PadProposal> = pads.iter().filter(near).collect();
    let of = |kind: PadKind| near.iter().copied().filter(move |pad| pad.kind == kind);
    let toes: Vec<&PadProposal> = of(PadKind::ToePad).collect();
    let Some(forward) = forward(&toes) else { return BTreeMap::new() };
    let (left, back) = ([forward[1], -forward[0]], forward.map(|x| -x));
    let farthest = |towards: [f64; 2]| {
        let edges = toes.iter().map(|toe| edge(toe, towards));
        edges.max_by(|a, b| dot(*a, towards).total_cmp(&dot(*b, towards)))
    };
    // A pit that no foot was found for is a pad too: the one behind the toes that is larger than any of them.
    let largest_toe = toes.iter().map(|toe| toe.radius_px).fold(0.0, f64::max);
    let hindmost_toe = toes.iter().map(|toe| dot(toe.at_px, forward)).fold(f64::INFINITY, f64::min);
    let is_behind = |pad: &&PadProposal| pad.radius_px > largest_toe && dot(pad.at_px, forward) < hindmost_toe;
    let behind = of(PadKind::Pad).filter(is_behind).max_by(|a, b| a.confidence.total_cmp(&b.confidence));
    let marks = [
        ("widest_left", farthest(left)),
        ("widest_right", farthest(left.map(|x| -x))),
        ("toe_3_tip", farthest(forward)),
        ("pad_rear", behind.map(|pad| edge(pad, back))),
        ("heel_rear", of(PadKind::HeelPad).next().map(|heel| edge(heel, back))),
    ];
    marks.into_iter().filter_map(|(name, at)| Some((name.to_owned(), at?))).collect()
}

/// Which way a foot points, by its toes: across the two that stand farthest apart, to the side of the others.
fn forward(toes: &[&PadProposal]) -> Option<[f64; 2]> {
    if toes.len() < FEWEST_TOES {
        return None;
    }
    let pairs = toes.iter().enumerate().flat_map(|(i, a)| toes[i + 1..].iter().map(move |b| [a.at_px, b.at_px]));
    let [a, b] = pairs.max_by(|[a, b], [c, d]| distance(*a, *b).total_cmp(&distance(*c, *d)))?;
    let apart = distance(a, b);
    let across = [(b[1] - a[1]) / apart, (a[0] - b[0]) / apart];
    // The two themselves lie at none.
    let others: f64 = toes.iter().map(|toe| dot([toe.at_px[0] - a[0], toe.at_px[1] - a[1]], across)).sum();
    let sure = others.is_finite() && others != 0.0;
    sure.then(|| across.map(|x| x * others.signum()))
}

/// The point of a pad's outline, an ellipse, that lies farthest in a direction (of length 1).
fn edge(pad: &PadProposal, towards: [f64; 2]) -> [f64; 2] {
    let (sin, cos) = pad.deg.to_radians().sin_cos();
    let [a, b] = pad.half_axes_px;
    let (along, across) = (dot(towards, [cos, sin]), dot(towards, [-sin, cos]));
    let support = (a * along).hypot(b * across).max(f64::MIN_POSITIVE);
    let (along, across) = (a * a * along / support, b * b * across / support);
    [pad.at_px[0] + along * cos - across * sin, pad.at_px[1] + along * sin + across * cos]
}

fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

fn dot(a: [f64; 2], b: [f64; 2]) -> f64 {
    a[0] * b[0] + a[1] * b[1]
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn pad(kind: PadKind, at_px: [f64; 2], half_axes_px: [f64; 2], deg: f64) -> PadProposal {
        PadProposal {
            kind,
            at_px,
            radius_px: (half_axes_px[0] + half_axes_px[1]) / 2.0,
            half_axes_px,
            deg,
            confidence: 0.9,
        }
    }

    /// A foot of four toes that points up.
    fn foot() -> Vec<PadProposal> {
        let toes = [[60.0, 60.0], [85.0, 40.0], [115.0, 42.0], [140.0, 62.0]];
        let toes = toes.map(|at| pad(PadKind::ToePad, at, [9.0, 6.0], 80.0));
        [
            &toes[..],
            &[
                pad(PadKind::Pad, [100.0, 110.0], [20.0, 15.0], 5.0),
                pad(PadKind::HeelPad, [100.0, 160.0], [12.0, 12.0], 0.0),
            ],
        ]
        .concat()
    }

    fn turned(pads: &[PadProposal], deg: f64) -> Vec<PadProposal> {
        let (sin, cos) = deg.to_radians().sin_cos();
        let turn = |[x, y]: [f64; 2]| [x * cos - y * sin, x * sin + y * cos];
        pads.iter()
            .map(|pad| PadProposal { at_px: turn(pad.at_px), deg: (pad.deg + deg).rem_euclid(180.0), ..*pad })
            .collect()
    }

    #[test]
    fn without_a_pad_its_rear_stays_to_be_marked_and_with_two_toes_or_elsewhere_nothing_is_proposed() {
        let all = foot();
        let toes = proposed_landmarks(&all[..4], [100.0, 80.0], 150.0);
        assert_eq!(toes.keys().collect::<Vec<_>>(), ["toe_3_tip", "widest_left", "widest_right"]);
        assert!(proposed_landmarks(&all[2..], [100.0, 80.0], 150.0).is_empty());
        assert!(proposed_landmarks(&all, [400.0, 80.0], 150.0).is_empty());
    }

    #[test]
    fn the_foremost_toe_the_sides_and_the_rear_are_where_the_outlines_end() {
        let marks = proposed_landmarks(&foot(), [100.0, 80.0], 150.0);
        assert_eq!(marks.len(), 5);
        assert!(marks["widest_left"][0] < 54.5 && marks["widest_right"][0] > 145.5, "{marks:?}");
        assert!((marks["toe_3_tip"][1] - 31.1).abs() < 1.0 && (marks["heel_rear"][1] - 172.0).abs() < 1.0, "{marks:?}");
    }

    proptest! {
        #[test]
        fn a_print_that_lies_turned_has_its_landmarks_turned(deg in 0.0..360.0) {
            let (sin, cos) = f64::to_radians(deg).sin_cos();
            let turn = |[x, y]: [f64; 2]| [x * cos - y * sin, x * sin + y * cos];
            let straight = proposed_landmarks(&foot(), [100.0, 80.0], 150.0);
            let lying = proposed_landmarks(&turned(&foot(), deg), turn([100.0, 80.0]), 150.0);
            for (name, at) in straight {
                prop_assert!(distance(turn(at), lying[&name]) < 1e-6, "{} {:?} {:?}", name, turn(at), lying[&name]);
            }
        }
    }
}
