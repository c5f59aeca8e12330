//! How often toes, claws, webbing, heel and arrangement show, by ground and by how clear the trail is.

use super::constants::{Constants, Misread, NoneOfThese};
use super::draw::Draw;
use super::evidence::PrintEvidence;
use super::maker::{Chance, FootFacts, Shares, Substrate};
use super::named::{Arrangement, Feature};

/// Poor, middling and clear trails: deviate and weight (Gauss and Hermite, three nodes for a normal).
pub(super) const CLEARNESS: [(f64, f64); 3] =
    [(-1.732_050_807_568_877_2, 1.0 / 6.0), (0.0, 2.0 / 3.0), (1.732_050_807_568_877_2, 1.0 / 6.0)];

/// The kinds of arrangement a worker can name.
pub(super) const ARRANGEMENTS: usize = Arrangement::ALL.len() - 1;

/// What one foot of one maker shows on this ground, as probabilities.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Shown {
    /// By the number of toes seen, 0 to 5.
    pub toes: [f64; 6],
    /// Each toe for itself from the inner one of five; `None` where nothing is held about single toes.
    each_toe: Option<[f64; 5]>,
    pub claws: f64,
    pub webbing: f64,
    pub heel_pad: f64,
    /// In the order of [`Arrangement::ALL`].
    pub arrangement: [f64; ARRANGEMENTS],
}

impl Shown {
    /// How likely the toes are that registered.
    pub fn of_toes(&self, said: &PrintEvidence) -> f64 {
        let Some(toes) = said.toes() else { return 1.0 };
        let of_count = self.toes[usize::from(toes).min(5)];
        match (&said.which_toes, self.each_toe) {
            (None, _) => of_count,
            // Every choice of so many toes is as likely as another.
            (Some(_), None) => of_count / WAYS[usize::from(toes).min(5)],
            (Some(which), Some(each)) => {
                std::iter::zip(1.., each).map(|(toe, p)| if which.contains(&toe) { p } else { 1.0 - p }).product()
            }
        }
    }
}

/// How many ways there are to choose so many of five toes.
const WAYS: [f64; 6] = [1.0, 5.0, 10.0, 10.0, 5.0, 1.0];

/// For poor, middling and clear trails.
pub(super) fn shown(foot: &FootFacts, ground: &Substrate, constants: &Constants, draw: &mut Draw) -> [Shown; 3] {
    let sd = draw.chance_sd(foot.status);
    // Of the clearness too, which adds to the log odds that are moderated.
    let clearness_sd = constants.trail.clearness_sd * draw.moderation(sd);
    let mut log_odds = |chance: Chance, shift: f64| draw.log_odds(chance.log_odds() + shift, sd);
    // With how much each varies from trail to trail: whether a faint toe prints does so more than whether a sure one does.
    let count = foot.toe_chances.len();
    let mut toes = [(0.0, 0.0); 5];
    for (to, chance) in toes.iter_mut().zip(&foot.toe_chances) {
        let varies = if chance.get() >= constants.trail.sure_toe { constants.trail.sure_toe_share } else { 1.0 };
        *to = (log_odds(*chance, ground.toes), varies);
    }
    let claws = log_odds(foot.claws, ground.claws);
    let webbing = log_odds(foot.webbing, ground.webbing);
    let heel_pad = log_odds(foot.heel_pad, ground.heel_pad);
    let misread = &constants.misread;
    let arrangement = shares(&foot.arrangement, Arrangement::ALL, misread.arrangement, sd, draw);
    CLEARNESS.map(|(deviate, _)| {
        let clear = deviate * clearness_sd;
        let toes = toes.map(|(log_odds, varies)| chance(log_odds + varies * clear));
        let feature = |log_odds: f64| seen(chance(log_odds + clear), misread);
        Shown {
            toes: toe_counts(&toes[..count], misread.extra_toe),
            each_toe: Some(each_toe(&toes[..count], misread.extra_toe)),
            claws: feature(claws),
            webbing: feature(webbing),
            heel_pad: feature(heel_pad),
            arrangement,
        }
    })
}

/// What an unknown maker shows: nearly anything.
pub(super) fn shown_by_none(none: &NoneOfThese) -> [Shown; 3] {
    [Shown {
        toes: none.toes_seen,
        each_toe: None,
        claws: none.claws,
        webbing: none.webbing,
        heel_pad: none.heel_pad,
        arrangement: [1.0 / ARRANGEMENTS as f64; ARRANGEMENTS],
    }; 3]
}

/// A probability from its log odds.
pub(super) fn chance(log_odds: f64) -> f64 {
    1.0 / (1.0 + (-log_odds).exp())
}

/// A chance as it is read by people who err.
fn seen(p: f64, misread: &Misread) -> f64 {
    p + misread.feature * (1.0 - 2.0 * p)
}

/// How many toes are counted: each registers for itself, and a mark may be taken for one more.
fn toe_counts(toes: &[f64], extra: f64) -> [f64; 6] {
    let mut counts = [0.0; 6];
    counts[0] = 1.0;
    for p in toes.iter().chain([&extra]) {
        add_toe(&mut counts, *p);
    }
    counts
}

/// Each toe at its place of five: four toes are the outer four, fewer lack outer ones too. A mark may be taken for a toe that isn't there.
fn each_toe(toes: &[f64], extra: f64) -> [f64; 5] {
    let first = [0, 2, 2, 1, 1, 0][toes.len().min(5)];
    let mut each = [extra; 5];
    each[first..first + toes.len()].copy_from_slice(toes);
    each
}

fn add_toe(counts: &mut [f64; 6], p: f64) {
    for k in (0..6).rev() {
        let before = if k > 0 { counts[k - 1] } else { 0.0 };
        // Nobody reports more than five.
        let stays = if k == 5 { 1.0 } else { 1.0 - p };
        counts[k] = counts[k] * stays + before * p;
    }
}

/// The shares of the first `N` kinds, varied, with some misreading spread over all.
pub(super) fn shares<K: Ord + Copy, const N: usize>(
    shares: &Shares<K>,
    kinds: &[K],
    misread: f64,
    sd: f64,
    draw: &mut Draw,
) -> [f64; N] {
    let mut p: [f64; N] = std::array::from_fn(|i| shares.share(kinds[i], N).max(0.0) * draw.factor(sd));
    let sum: f64 = p.iter().sum();
    for p in &mut p {
        *p = (1.0 - misread) * *p / sum + misread / N as f64;
    }
    p
}

/// The probability of what was said of a feature; 1 where nobody looked.
pub(super) fn of_feature(said: Feature, p: f64) -> f64 {
    match said {
        Feature::Seen => p,
        Feature::Absent => 1.0 - p,
        Feature::NotLooked => 1.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::identify::Facts;

    fn five_toes(maker: &str, substrate: &str) -> f64 {
        let facts = Facts::builtin().unwrap();
        let mut draw = Draw::still(&facts.constants.band);
        let foot = &facts.maker(maker).unwrap().hind;
        shown(foot, facts.substrate(substrate).unwrap(), &facts.constants, &mut draw)[1].toes[5]
    }

    #[test]
    fn toe_counts_are_those_of_toes_registering_each_for_itself() {
        // Two toes, chances 1/2 and 1/4, nobody errs: none 3/8, one 4/8, two 1/8.
        let counts = toe_counts(&[0.5, 0.25], 0.0);
        for (p, expected) in counts.iter().zip([0.375, 0.5, 0.125, 0.0, 0.0, 0.0]) {
            assert!((p - expected).abs() < 1e-12);
        }
    }

    #[test]
    fn a_missing_inner_toe_says_less_than_a_missing_outer_one() {
        let facts = Facts::builtin().unwrap();
        let mut draw = Draw::still(&facts.constants.band);
        let foot = &facts.maker("lutra_lutra").unwrap().hind;
        let otter = shown(foot, facts.substrate("firm_mud").unwrap(), &facts.constants, &mut draw)[1];
        let seen =
            |which: &[u8]| otter.of_toes(&PrintEvidence { which_toes: Some(which.into()), ..Default::default() });
        assert!(seen(&[2, 3, 4, 5]) > 5.0 * seen(&[1, 2, 3, 4]));
        let of_sets: f64 =
            (0..32u8).map(|set| seen(&(1..=5).filter(|toe| set & 1 << (toe - 1) != 0).collect::<Vec<_>>())).sum();
        assert!((of_sets - 1.0).abs() < 1e-12, "every set of toes once: {of_sets}");
    }

    #[test]
    fn every_count_and_arrangement_adds_up() {
        let facts = Facts::builtin().unwrap();
        for maker in facts.makers() {
            for (foot, substrate) in [(&maker.fore, "gravel"), (&maker.hind, "soft_mud")] {
                let mut draw = Draw::nth(&facts.constants.band, 1);
                for s in shown(foot, facts.substrate(substrate).unwrap(), &facts.constants, &mut draw) {
                    assert!((s.toes.iter().sum::<f64>() - 1.0).abs() < 1e-9, "{}", maker.id);
                    assert!((s.arrangement.iter().sum::<f64>() - 1.0).abs() < 1e-9, "{}", maker.id);
                }
            }
        }
    }

    #[test]
    fn an_otter_seldom_shows_its_fifth_toe_on_gravel() {
        assert!(five_toes("lutra_lutra", "soft_mud") > 0.2);
        assert!(five_toes("lutra_lutra", "gravel") < 0.05);
        assert!(five_toes("canis_familiaris", "soft_mud") < 0.05);
    }
}
