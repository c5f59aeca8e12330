//! Which pits stand together as a foot does: toes and pad as one of the known arrangements (`core/data/feet.toml`) has them, in any size and
//! direction.
//!
//! Every two strong pits are tried as two neighbouring toes of every arrangement; the others are then looked for where the arrangement has
//! them, and the whole is moved to where it fits best. An outer toe may be missing: a foot with four stays one with four.

use std::sync::LazyLock;

use super::blobs::{Blob, distance};

/// How toes stand before their pad.
#[derive(Debug, serde::Deserialize)]
struct Arrangement {
    #[allow(dead_code)]
    name: String,
    toes: Vec<[f64; 2]>,
    toe_mm: f64,
    pad_mm: f64,
    may_miss: bool,
}

/// What is taken as usual.
#[derive(Debug, serde::Deserialize)]
struct Usual {
    #[allow(dead_code)]
    status: String,
    scale: [f64; 2],
    spread_mm: f64,
    pad_spread_mm: f64,
    size_spread: f64,
    even: f64,
}

#[derive(Debug, serde::Deserialize)]
struct Feet {
    assumed: Usual,
    arrangement: Vec<Arrangement>,
}

static FEET: LazyLock<Option<Feet>> = LazyLock::new(|| toml::from_str(include_str!("../../data/feet.toml")).ok());

/// Worth of a pit as a toe: nothing at this strength, so much for each standard deviation more, within these limits (found on rendered pictures).
const WORTHLESS: f64 = 4.5;
const WORTH: f64 = 0.7;
const WORTH_LIMITS: [f64; 2] = [-2.0, 3.5];
/// An outer toe that isn't there costs so much.
const MISSING: f64 = 2.0;
/// The pad's own pit counts less than a toe's: lobes and shadows break it up. Without one so much is lost.
const PAD_SHARE: f64 = 0.5;
const NO_PAD: f64 = 1.0;
/// Claws ahead of the toes tell that these are the toes.
const CLAW_SHARE: f64 = 0.5;
/// Pits from this strength are tried as neighbouring toes.
const TRIED_FROM: f64 = 4.5;
/// So many of the best are moved to where they fit best.
const REFINED: usize = 80;
/// So many feet, that far behind the best at most, are worth a closer look.
const MOST_FEET: usize = 4;
const MARGIN: f64 = 8.0;
/// Pits nearer than this are the same toe, mm.
const SAME_MM: f64 = 5.0;

/// A foot: toes in order (an outer one may be missing), and the pad.
#[derive(Debug, Clone)]
pub(super) struct Foot {
    pub toes: Vec<Option<Blob>>,
    pub pad: Option<Blob>,
    /// Middle of the pad as the toes tell it, mm, and what one millimetre ahead in the arrangement is on the ground.
    pub middle_mm: [f64; 2],
    pub ahead: [f64; 2],
    /// How well it stands together, as logarithm of a likelihood.
    pub score: f64,
}

impl Foot {
    /// Whether it has more than half of its toes in common with another.
    fn is_as(&self, other: &Foot) -> bool {
        let near = |a: &Blob, b: &Blob| distance(a.at_mm, b.at_mm) < SAME_MM;
        let common = self.toes.iter().flatten().filter(|a| other.toes.iter().flatten().any(|b| near(a, b))).count();
        2 * common > self.toes.iter().flatten().count()
    }

    /// Its toes, then its pad.
    pub fn pits(&self) -> impl Iterator<Item = &Blob> {
        self.toes.iter().flatten().chain(&self.pad)
    }

    /// Whether a pit lies where a heel pad would: behind the pad, by about as much as toes lie ahead.
    pub fn is_behind(&self, blob: &Blob) -> bool {
        let (dx, dy) = (blob.at_mm[0] - self.middle_mm[0], blob.at_mm[1] - self.middle_mm[1]);
        let square = self.ahead[0].powi(2) + self.ahead[1].powi(2);
        let along = -(dx * self.ahead[0] + dy * self.ahead[1]) / square;
        let across = (dx * self.ahead[1] - dy * self.ahead[0]) / square;
        (20.0..50.0).contains(&along) && across.abs() < 12.0
    }
}

/// The best feet that share no more than half of their toes, best first. Pits come size by size, from small to large, each size
/// strongest first; claws may be among them.
pub(super) fn best(by_size: &[Vec<Blob>], claws: &[Vec<Blob>]) -> Vec<Foot> {
    let Some(feet) = FEET.as_ref() else { return vec![] };
    let mut tried: Vec<(f64, &Arrangement, Laid)> = Vec::new();
    for arrangement in &feet.arrangement {
        let search = Search { by_size, claws, usual: &feet.assumed, arrangement };
        search.every_start(&mut |laid| {
            tried.extend(search.lay(laid).map(|(foot, again)| (foot.score, arrangement, again)));
        });
    }
    tried.sort_by(|a, b| b.0.total_cmp(&a.0));
    tried.truncate(REFINED);
    let mut found: Vec<Foot> = Vec::new();
    for (_, arrangement, mut laid) in tried {
        let search = Search { by_size, claws, usual: &feet.assumed, arrangement };
        for _ in 0..4 {
            let Some((foot, again)) = search.lay(laid) else { break };
            laid = again;
            found.push(foot);
        }
    }
    found.sort_by(|a, b| b.score.total_cmp(&a.score));
    let mut kept: Vec<Foot> = Vec::new();
    for foot in found {
        let close = kept.first().is_none_or(|best| foot.score > best.score - MARGIN);
        if close && kept.len() < MOST_FEET && kept.iter().all(|other| !foot.is_as(other)) {
            kept.push(foot);
        }
    }
    kept
}

/// From an arrangement's frame to the ground: mirrored or not, turned and scaled, moved.
#[derive(Debug, Clone, Copy)]
struct Laid {
    mirror: f64,
    turn: [f64; 2],
    origin: [f64; 2],
}

/// A place in the arrangement, where it lies on the ground, and what that counts.
type Pair = ([f64; 2], [f64; 2], f64);

impl Laid {
    fn scale(&self) -> f64 {
        self.turn[0].hypot(self.turn[1])
    }

    fn place(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        let x = x * self.mirror;
        [self.origin[0] + x * self.turn[0] - y * self.turn[1], self.origin[1] + x * self.turn[1] + y * self.turn[0]]
    }

    /// Least squares over pairs of places.
    fn fit(mirror: f64, pairs: &[Pair]) -> Self {
        let n: f64 = pairs.iter().map(|(_, _, w)| w).sum();
        let mean = |of: &dyn Fn(&Pair) -> f64| pairs.iter().map(|pair| pair.2 * of(pair)).sum::<f64>() / n;
        let from = [mean(&|p| p.0[0] * mirror), mean(&|p| p.0[1])];
        let to = [mean(&|p| p.1[0]), mean(&|p| p.1[1])];
        let (mut dot, mut cross, mut square) = (0.0, 0.0, 0.0);
        for (a, b, w) in pairs {
            let ([x, y], [u, v]) = ([a[0] * mirror - from[0], a[1] - from[1]], [b[0] - to[0], b[1] - to[1]]);
            dot += w * (x * u + y * v);
            cross += w * (x * v - y * u);
            square += w * (x * x + y * y);
        }
        let [c, s] = [dot / square, cross / square];
        Self { mirror, turn: [c, s], origin: [to[0] - from[0] * c + from[1] * s, to[1] - from[0] * s - from[1] * c] }
    }
}

/// An arrangement that is looked for among pits.
struct Search<'a> {
    by_size: &'a [Vec<Blob>],
    claws: &'a [Vec<Blob>],
    usual: &'a Usual,
    arrangement: &'a Arrangement,
}

impl Search<'_> {
    fn local(&self, toe: usize) -> [f64; 2] {
        let [deg, far] = self.arrangement.toes[toe];
        let (sin, cos) = deg.to_radians().sin_cos();
        [far * sin, far * cos]
    }

    /// Lays it over every two strong pits of about one size that may be neighbouring toes.
    fn every_start(&self, try_it: &mut dyn FnMut(Laid)) {
        let sizes = self.by_size.len();
        let strong = |size: usize| self.by_size[size].iter().take_while(|blob| blob.score > TRIED_FROM);
        let pairs = || {
            (0..sizes).flat_map(|size| {
                let others = size.saturating_sub(1)..(size + 2).min(sizes);
                strong(size).flat_map(move |a| others.clone().flat_map(strong).map(move |b| (a, b)))
            })
        };
        for first in 0..self.arrangement.toes.len() - 1 {
            let (from, to) = (self.local(first), self.local(first + 1));
            let apart = distance(from, to);
            for (a, b) in pairs() {
                let scale = distance(a.at_mm, b.at_mm) / apart;
                let size = (a.radius_mm * b.radius_mm).sqrt() / (self.arrangement.toe_mm * scale);
                if !self.has_scale(scale) || (size.ln() / self.usual.size_spread).abs() > 1.7 {
                    continue;
                }
                for mirror in [1.0, -1.0] {
                    try_it(Laid::fit(mirror, &[(from, a.at_mm, 1.0), (to, b.at_mm, 1.0)]));
                }
            }
        }
    }

    fn has_scale(&self, scale: f64) -> bool {
        (self.usual.scale[0]..self.usual.scale[1]).contains(&scale)
    }

    /// The pits that stand where the arrangement has toes and pad, and where it then lies best.
    fn lay(&self, laid: Laid) -> Option<(Foot, Laid)> {
        let (usual, arrangement, scale) = (self.usual, self.arrangement, laid.scale());
        if !self.has_scale(scale) {
            return None;
        }
        let last = arrangement.toes.len() - 1;
        let (mut toes, mut pairs, mut score) = (Vec::new(), Vec::new(), 0.0);
        for k in 0..=last {
            let local = self.local(k);
            let found = self.pit(self.by_size, laid.place(local), arrangement.toe_mm * scale, usual.spread_mm * scale);
            let outer = arrangement.may_miss && (k == 0 || k == last);
            match found.filter(|(_, worth)| !outer || *worth > -MISSING) {
                Some((blob, worth)) => {
                    score += worth;
                    pairs.push((local, blob.at_mm, 1.0));
                    toes.push(Some(blob));
                }
                None if outer => {
                    score -= MISSING;
                    toes.push(None);
                }
                None => return None,
            }
        }
        let seen: Vec<Blob> = toes.iter().flatten().copied().collect();
        if seen.len() < 4 || self.crowded(&seen, scale) {
            return None;
        }
        score -= self.uneven(&seen);
        let middle_mm = laid.place([0.0, 0.0]);
        score += seen.iter().map(|toe| self.claw(toe, middle_mm, scale)).sum::<f64>();
        let pad = self.pit(self.by_size, middle_mm, arrangement.pad_mm * scale, usual.pad_spread_mm * scale);
        score += pad.map_or(-NO_PAD, |(_, worth)| (PAD_SHARE * worth).max(-NO_PAD));
        pairs.extend(pad.map(|(blob, _)| ([0.0, 0.0], blob.at_mm, 0.3)));
        let again = Laid::fit(laid.mirror, &pairs);
        let ahead = [-laid.turn[1], laid.turn[0]];
        Some((Foot { toes, pad: pad.map(|(blob, _)| blob), middle_mm, ahead, score }, again))
    }

    /// The pit of some that is worth most about a place, for a size.
    fn pit(&self, by_size: &[Vec<Blob>], place: [f64; 2], radius_mm: f64, spread_mm: f64) -> Option<(Blob, f64)> {
        let mut best: Option<(Blob, f64)> = None;
        for blobs in by_size {
            let Some(ratio) = blobs.first().map(|first| first.radius_mm / radius_mm) else { continue };
            let size = ratio.ln() / self.usual.size_spread;
            if size.abs() > 2.5 {
                continue;
            }
            for blob in blobs {
                let (dx, dy) = (blob.at_mm[0] - place[0], blob.at_mm[1] - place[1]);
                let square = (dx * dx + dy * dy) / (spread_mm * spread_mm);
                if square < 6.25 {
                    let worth = (WORTH * (blob.score - WORTHLESS)).clamp(WORTH_LIMITS[0], WORTH_LIMITS[1]);
                    let worth = worth - 0.5 * (square + size * size);
                    if best.is_none_or(|(_, old)| worth > old) {
                        best = Some((*blob, worth));
                    }
                }
            }
        }
        best
    }

    /// One pit can't be two toes.
    fn crowded(&self, toes: &[Blob], scale: f64) -> bool {
        let toe_mm = 2.0 * self.arrangement.toe_mm * scale;
        let touch = |a: &Blob, b: &Blob| distance(a.at_mm, b.at_mm) < 0.9 * (a.radius_mm + b.radius_mm).min(toe_mm);
        (0..toes.len()).any(|a| (0..a).any(|b| touch(&toes[a], &toes[b])))
    }

    /// Toes of one foot show about as strongly.
    fn uneven(&self, toes: &[Blob]) -> f64 {
        let logs: Vec<f64> = toes.iter().map(|toe| toe.score.clamp(1.0, 9.0).ln()).collect();
        let mean = logs.iter().sum::<f64>() / logs.len() as f64;
        logs.iter().map(|log| 0.5 * ((log - mean) / self.usual.even).powi(2)).sum()
    }

    fn claw(&self, toe: &Blob, middle_mm: [f64; 2], scale: f64) -> f64 {
        let toe_mm = self.arrangement.toe_mm * scale;
        let out = distance(middle_mm, toe.at_mm).max(1e-9);
        let ahead = |by: f64| [0, 1].map(|k| toe.at_mm[k] + (toe.at_mm[k] - middle_mm[k]) / out * by * toe_mm);
        let pit = |by: f64| self.pit(self.claws, ahead(by), 0.55 * toe_mm, self.usual.spread_mm * scale);
        let worth = [2.0, 3.0].into_iter().filter_map(pit).map(|(_, worth)| worth).fold(0.0, f64::max);
        CLAW_SHARE * worth.min(2.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Pits of one foot as the first arrangement has it, turned and half as large again, with as many toes as wanted.
    fn pits(toes: usize) -> Vec<Vec<Blob>> {
        let arrangement = &FEET.as_ref().unwrap().arrangement[0];
        let laid = Laid { mirror: -1.0, turn: [1.1, 0.6], origin: [40.0, 70.0] };
        let (scale, usual) = (laid.scale(), &FEET.as_ref().unwrap().assumed);
        let search = Search { by_size: &[], claws: &[], usual, arrangement };
        let toe = |k| Blob { at_mm: laid.place(search.local(k)), radius_mm: arrangement.toe_mm * scale, score: 8.0 };
        let pad = Blob { at_mm: laid.origin, radius_mm: arrangement.pad_mm * scale, score: 6.0 };
        vec![(5 - toes..5).map(toe).collect(), vec![pad]]
    }

    #[test]
    fn a_foot_is_found_in_any_size_and_direction() {
        let foot = &best(&pits(5), &[])[0];
        assert_eq!(foot.toes.iter().flatten().count(), 5);
        assert!(distance(foot.middle_mm, [40.0, 70.0]) < 0.1 && foot.pad.is_some());
    }

    #[test]
    fn four_toes_stay_four() {
        let foot = &best(&pits(4), &[])[0];
        assert_eq!(foot.toes.iter().flatten().count(), 4);
    }
}
