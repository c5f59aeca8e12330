//! Which pits stand together as a foot does: an arc of four or five toes of one size before a larger pad.
//!
//! The proportions are those of mammal feet in general, in toe radii, wide enough for otter, mink, badger, fox, dog and cat (assumed; no
//! published table gives them). A fifth toe is taken only on evidence like the others': a foot with four stays one with four.

use super::blobs::{Blob, distance};
use super::pads::{PadKind, Proposal};

/// A foot: toes in order around the pad.
#[derive(Debug, Clone)]
struct Foot {
    pad: Blob,
    toes: Vec<Blob>,
    score: f64,
}

/// Expected value and standard deviation.
struct Usual(f64, f64);

impl Usual {
    /// Half the squared deviation, as far as a limit beyond which it isn't a foot.
    fn cost(&self, value: f64) -> Option<f64> {
        let off = (value - self.0) / self.1;
        (off.abs() < 3.0).then_some(0.5 * off * off)
    }
}

/// Toe to middle of the pad, in toe radii.
const REACH: Usual = Usual(5.0, 0.9);
/// Toe to next toe, in toe radii.
const SPACING: Usual = Usual(2.8, 0.75);
/// Angle between neighbouring toes seen from the pad, degrees.
const STEP_DEG: Usual = Usual(30.0, 11.0);
/// Sizes by which a pad is larger than its toes.
const PAD_STEPS: std::ops::RangeInclusive<usize> = 2..=4;
/// What a pit must have to be worth a toe, standard deviations.
const TOE_FROM: f64 = 2.2;
/// More than this makes no pit surer.
const MOST_SCORE: f64 = 8.0;
/// What the pad's own pit counts beside a toe's: lobes and shadows break it up.
const PAD_SHARE: f64 = 0.5;
/// A fifth toe needs this share of the mean of the others.
const FIFTH_SHARE: f64 = 0.6;

/// The pads of the best foot; empty where none stands together. Pits come size by size, from small to large.
pub(super) fn best(by_size: &[Vec<Blob>]) -> Vec<Proposal> {
    let pads_for = |size: usize| PAD_STEPS.filter_map(move |step| by_size.get(size + step)).flatten();
    let feet = (0..by_size.len()).flat_map(|size| pads_for(size).filter_map(move |pad| chain(&by_size[size], *pad)));
    feet.max_by(|a, b| a.score.total_cmp(&b.score)).map_or(vec![], |foot| proposals(&foot))
}

/// A pit as a toe: its angle seen from the pad, degrees; which one; what it is worth.
type Seen = (f64, usize, f64);

/// The best chain of toes of one size around a pad, by dynamic programming over the toes in order of their angle.
fn chain(toes: &[Blob], pad: Blob) -> Option<Foot> {
    let toe_mm = toes.first()?.radius_mm;
    let mut around: Vec<Seen> = (0..toes.len())
        .filter_map(|k| {
            let cost = REACH.cost(distance(toes[k].at_mm, pad.at_mm) / toe_mm)?;
            let (dx, dy) = (toes[k].at_mm[0] - pad.at_mm[0], toes[k].at_mm[1] - pad.at_mm[1]);
            Some((dy.atan2(dx).to_degrees(), k, toes[k].score.min(MOST_SCORE) - TOE_FROM - cost))
        })
        .collect();
    if around.len() < 3 {
        return None;
    }
    around.sort_by(|a, b| a.0.total_cmp(&b.0));
    // Twice around, so that a chain may cross the angle's seam.
    let n = around.len();
    let twice: Vec<Seen> =
        around.iter().copied().chain(around.iter().map(|&(deg, k, worth)| (deg + 360.0, k, worth))).collect();
    let mut table: Vec<[Option<Chain>; 5]> = vec![[None; 5]; 2 * n];
    let mut best: Option<(f64, usize, usize)> = None;
    for i in 0..2 * n {
        table[i][0] = Some((twice[i].2, None));
        for before in (i + 1).saturating_sub(n)..i {
            let Some(cost) = neighbours(toes, twice[before], twice[i]) else { continue };
            for count in 1..5 {
                let Some((score, _)) = table[before][count - 1] else { continue };
                let score = score + twice[i].2 - cost;
                if table[i][count].is_none_or(|(old, _)| score > old) {
                    table[i][count] = Some((score, Some(before)));
                }
            }
        }
        for (count, chain) in table[i].iter().enumerate().skip(2) {
            if let Some((score, _)) = chain.filter(|(s, _)| best.is_none_or(|(old, ..)| *s > old)) {
                best = Some((score, i, count));
            }
        }
    }
    let (score, mut at, mut count) = best?;
    let mut chosen = vec![toes[twice[at].1]];
    while let Some((_, Some(before))) = table[at][count] {
        (at, count) = (before, count - 1);
        chosen.push(toes[twice[at].1]);
    }
    Some(Foot { pad, toes: chosen, score: score + PAD_SHARE * pad.score.min(MOST_SCORE) })
}

/// The worth of the best chain of toes that ends here, and where the toe before it stands.
type Chain = (f64, Option<usize>);

/// What it costs to take two pits as neighbouring toes.
fn neighbours(toes: &[Blob], a: Seen, b: Seen) -> Option<f64> {
    let spacing = SPACING.cost(distance(toes[a.1].at_mm, toes[b.1].at_mm) / toes[a.1].radius_mm)?;
    Some(spacing + STEP_DEG.cost(b.0 - a.0)?)
}

fn proposals(foot: &Foot) -> Vec<Proposal> {
    let mut toes = foot.toes.clone();
    if toes.len() == 5 {
        // The weaker of the outer two has to hold against the others.
        let end = if toes[0].score < toes[4].score { 0 } else { 4 };
        let others = toes.iter().enumerate().filter(|(k, _)| *k != end).map(|(_, t)| t.score).sum::<f64>() / 4.0;
        if toes[end].score < FIFTH_SHARE * others {
            toes.remove(end);
        }
    }
    let proposal = |kind, blob: &Blob| {
        let confidence = 0.5 + 0.5 * (1.0 - (-blob.score / 4.0).exp());
        Proposal { kind, at_mm: blob.at_mm, radius_mm: blob.radius_mm, confidence }
    };
    let pad = proposal(PadKind::Pad, &foot.pad);
    toes.iter().map(|toe| proposal(PadKind::ToePad, toe)).chain([pad]).collect()
}
