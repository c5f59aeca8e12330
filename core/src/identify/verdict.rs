//! The answer: candidates with probability, band and standing, the grade, the reasons.

use serde::{Deserialize, Serialize};

use super::draw::Draw;
use super::evidence::Evidence;
use super::facts::Facts;
use super::grade::{Case, Grade, rule_for};
use super::maker::Maker;
use super::model::{Model, Without, ln_sum};
use super::possible::EvidenceError;
use super::reasons::{Ignored, Look, Reason, Weighing, ignored};
use crate::words::Words;

/// The id of the open set.
pub(super) const NONE_OF_THESE: &str = "none_of_these";

/// Who made it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Identification {
    /// All of them, the likeliest first; the probabilities sum to 1.
    pub candidates: Vec<Candidate>,
    /// What the prior rests on, in words.
    pub prior: String,
    /// Whether the first survives the band.
    pub firm: bool,
    /// The evidence grade.
    pub grade: Grade,
    /// The rule that gave the grade, in words.
    pub rule: String,
    /// What weighs between the first and those after it, the heaviest first.
    pub reasons: Vec<Reason>,
    /// What to look at next, the most telling first.
    pub next: Vec<Look>,
    /// What was given but has no weight, and why.
    pub ignored: Vec<Ignored>,
    /// The facts it was worked out with (SHA-256).
    pub facts: String,
}

impl Identification {
    /// The likeliest maker, unless it is ruled out.
    pub fn leader(&self) -> Option<&Candidate> {
        self.candidates.first().filter(|first| first.standing != Standing::RuledOut)
    }
}

/// One track maker or group that can't be told apart.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Candidate {
    /// Scientific name in snake case, a group, or `none_of_these`.
    pub maker: String,
    /// For people.
    pub name: String,
    /// Of a group.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub members: Vec<String>,
    /// Posterior probability, 0 to 1.
    pub probability: f64,
    /// 5 and 95 % of the probability when the facts are varied within their doubt.
    pub band: [f64; 2],
    /// Before anything was seen.
    pub prior: f64,
    /// By its likelihood against the best.
    pub standing: Standing,
    /// The observation that speaks most against it, where it doesn't fit.
    pub by: Option<String>,
}

/// How a candidate stands by its likelihood against the best.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Standing {
    /// About as good as the best.
    Fits,
    /// Worse, but it may be.
    NotRuledOut,
    /// Out.
    RuledOut,
}

/// A candidate's members by their place in the model.
pub(super) struct Contender<'a> {
    pub id: &'a str,
    pub members: Vec<usize>,
}

/// Who made it, how sure, why, and what to look at next. The same evidence and facts give the same answer.
///
/// # Errors
/// Evidence that can't be true; the error names the field, and nothing is computed from it.
pub fn identify(evidence: &Evidence, facts: &Facts, words: &Words) -> Result<Identification, EvidenceError> {
    evidence.check(facts)?;
    let contenders = contenders(facts);
    let band = &facts.constants.band;
    let model = Model::new(evidence, facts, &mut Draw::still(band), |_| true);
    let priors = priors(&model, &contenders);
    let ln_likelihoods = by_contender(&model, &contenders, Without::default());
    let probabilities = posterior(&priors, &ln_likelihoods);
    let bands = bands(evidence, facts, &contenders, &probabilities, LEAST_FOLLOWED);

    let mut order: Vec<usize> = (0..contenders.len()).collect();
    order.sort_by(|a, b| probabilities[*b].total_cmp(&probabilities[*a]));
    let leader = order[0];
    let verdict = &facts.constants.verdict;
    let firm = probabilities[leader] >= verdict.firm_probability && bands[leader][0] >= verdict.firm_band;

    let weighing = Weighing::new(evidence, facts, words, &model, &contenders, &ln_likelihoods, &probabilities);
    let best = ln_likelihoods.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let candidates = order
        .iter()
        .map(|&i| {
            let ratio = (ln_likelihoods[i] - best).exp();
            let standing = match ratio {
                r if r >= verdict.fits_ratio => Standing::Fits,
                r if r >= verdict.ruled_out_ratio => Standing::NotRuledOut,
                _ => Standing::RuledOut,
            };
            let by = (standing != Standing::Fits).then(|| weighing.speaks_most_against(i)).flatten();
            let group = contenders[i].members.len() > 1;
            Candidate {
                maker: contenders[i].id.into(),
                name: facts.name(contenders[i].id, words),
                members: contenders[i]
                    .members
                    .iter()
                    .filter(|_| group)
                    .map(|m| facts.makers()[*m].id.clone())
                    .collect(),
                probability: probabilities[i],
                band: bands[i],
                prior: priors[i],
                standing,
                by: by.map(str::to_owned),
            }
        })
        .collect();

    let members: Vec<&Maker> = contenders[leader].members.iter().filter_map(|m| facts.makers().get(*m)).collect();
    let case =
        Case { evidence, leader: contenders[leader].id, members: &members, probability: probabilities[leader], firm };
    let rule = rule_for(&case, facts);
    Ok(Identification {
        candidates,
        prior: said_of_prior(evidence, facts, words),
        firm,
        grade: rule.map_or(Grade::None, |r| r.grade),
        rule: rule.map_or_else(String::new, |r| words.say(&format!("identify.rule.{}", r.id)).to_owned()),
        reasons: weighing.reasons(&order),
        next: weighing.next_looks(),
        ignored: ignored(evidence, words),
        facts: facts.digest(),
    })
}

/// The grade and its rule, in words, once a second person has looked at the droppings and found that the identification fits; the candidates stay as they
/// were.
pub fn checked_grade(
    evidence: &Evidence,
    identification: &Identification,
    facts: &Facts,
    words: &Words,
) -> (Grade, String) {
    let mut evidence = evidence.clone();
    evidence.droppings.iter_mut().for_each(|dropping| dropping.checked = true);
    let leader = identification.candidates.first();
    let is_member =
        |maker: &&Maker| leader.is_some_and(|leader| leader.maker == maker.id || leader.members.contains(&maker.id));
    let members: Vec<&Maker> = facts.makers().iter().filter(is_member).collect();
    let rule = leader.and_then(|leader| {
        let firm = identification.firm;
        let case = Case {
            evidence: &evidence,
            leader: &leader.maker,
            members: &members,
            probability: leader.probability,
            firm,
        };
        rule_for(&case, facts)
    });
    match rule {
        Some(rule) => (rule.grade, words.say(&format!("identify.rule.{}", rule.id)).to_owned()),
        None => (identification.grade, identification.rule.clone()),
    }
}

/// The probabilities alone, by candidate, without band, reasons and grade: for many findings at once.
///
/// # Errors
/// As [`identify`].
///
/// ```
/// use rakelight_core::identify::{Evidence, Facts, probabilities};
/// let evidence = Evidence::from_json(r#"{"prints": [{"foot": "hind", "width_mm": 61, "u_width_mm": 2, "toes_seen": 5}]}"#)?;
/// let all = probabilities(&evidence, Facts::builtin()?)?;
/// assert!((all.iter().map(|(_, p)| p).sum::<f64>() - 1.0).abs() < 1e-9);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn probabilities<'a>(evidence: &Evidence, facts: &'a Facts) -> Result<Vec<(&'a str, f64)>, EvidenceError> {
    evidence.check(facts)?;
    let contenders = contenders(facts);
    let model = Model::new(evidence, facts, &mut Draw::still(&facts.constants.band), |_| true);
    let ln = by_contender(&model, &contenders, Without::default());
    let posterior = posterior(&priors(&model, &contenders), &ln);
    Ok(std::iter::zip(contenders, posterior).map(|(c, p)| (c.id, p)).collect())
}

/// What changes the even prior, in words.
fn said_of_prior(evidence: &Evidence, facts: &Facts, words: &Words) -> String {
    let water = evidence.setting.as_ref().and_then(|setting| setting.is_by_water(facts));
    let water =
        water.map(|near| words.say(if near { "identify.prior.water" } else { "identify.prior.dry" }).to_owned());
    let region = facts
        .region()
        .map(|region| words.fill("identify.prior.region", &[("name", &region.name), ("source", &region.source)]));
    let said: Vec<String> = region.into_iter().chain(water).collect();
    if said.is_empty() { words.say("identify.prior.even").into() } else { said.join("; ") }
}

/// Every maker or group once, the open set last.
fn contenders(facts: &Facts) -> Vec<Contender<'_>> {
    let mut contenders: Vec<Contender> = Vec::new();
    for (i, maker) in facts.makers().iter().enumerate() {
        let id = maker.group.as_deref().unwrap_or(&maker.id);
        match contenders.iter_mut().find(|c| c.id == id) {
            Some(group) => group.members.push(i),
            None => contenders.push(Contender { id, members: vec![i] }),
        }
    }
    contenders.push(Contender { id: NONE_OF_THESE, members: vec![facts.makers().len()] });
    contenders
}

/// Log likelihoods; a group's is that of its members weighted by their priors.
pub(super) fn by_contender(model: &Model, contenders: &[Contender], without: Without) -> Vec<f64> {
    let ln = model.ln_likelihoods(without);
    let prior = |m: &usize| model.makers[*m].prior;
    contenders
        .iter()
        .map(|c| {
            ln_sum(c.members.iter().map(|m| prior(m).ln() + ln[*m])) - c.members.iter().map(prior).sum::<f64>().ln()
        })
        .collect()
}

fn priors(model: &Model, contenders: &[Contender]) -> Vec<f64> {
    contenders.iter().map(|c| c.members.iter().map(|m| model.makers[*m].prior).sum()).collect()
}

/// Bayes.
fn posterior(priors: &[f64], ln_likelihoods: &[f64]) -> Vec<f64> {
    let joint = || std::iter::zip(priors, ln_likelihoods).map(|(prior, ln)| prior.ln() + ln);
    let total = ln_sum(joint());
    joint().map(|ln| (ln - total).exp()).collect()
}

/// Track makers below this probability aren't followed through the varied facts: no variation makes them worth showing.
const LEAST_FOLLOWED: f64 = 1e-6;

/// 5 and 95 % of each probability over the varied facts, widened to hold the probability itself.
fn bands(
    evidence: &Evidence,
    facts: &Facts,
    contenders: &[Contender],
    probabilities: &[f64],
    least_followed: f64,
) -> Vec<[f64; 2]> {
    let n = facts.constants.band.variations;
    let mut varied: Vec<Vec<f64>> = vec![Vec::with_capacity(n); contenders.len()];
    let mut followed = vec![false; facts.makers().len() + 1];
    for (contender, _) in std::iter::zip(contenders, probabilities).filter(|(_, p)| **p >= least_followed) {
        contender.members.iter().for_each(|m| followed[*m] = true);
    }
    for i in 0..n {
        let model = Model::new(evidence, facts, &mut Draw::nth(&facts.constants.band, i), |m| followed[m]);
        let posterior = posterior(&priors(&model, contenders), &by_contender(&model, contenders, Without::default()));
        varied.iter_mut().zip(posterior).for_each(|(all, p)| all.push(p));
    }
    std::iter::zip(&mut varied, probabilities)
        .map(|(all, p)| {
            all.sort_by(f64::total_cmp);
            let at = |q: f64| all.get((q * (n.max(1) - 1) as f64).round() as usize).copied().unwrap_or(*p);
            [at(0.05).min(*p), at(0.95).max(*p)]
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_band_is_the_same_when_every_track_maker_is_followed() {
        let facts = Facts::builtin().unwrap();
        for text in [
            include_str!("../../../fixtures/evidence/otter_estuary.json"),
            include_str!("../../../fixtures/evidence/fox_sand.json"),
        ] {
            let evidence = Evidence::from_json(text).unwrap();
            let contenders = contenders(facts);
            let all: Vec<f64> = probabilities(&evidence, facts).unwrap().into_iter().map(|(_, p)| p).collect();
            assert!(all.iter().any(|p| *p < LEAST_FOLLOWED), "nothing is left out here");
            let [usual, whole] = [LEAST_FOLLOWED, 0.0].map(|least| bands(&evidence, facts, &contenders, &all, least));
            for ((usual, whole), contender) in usual.iter().zip(&whole).zip(&contenders) {
                assert!(
                    (0..2).all(|end| (usual[end] - whole[end]).abs() < 1e-3),
                    "{}: {usual:?} {whole:?}",
                    contender.id
                );
            }
        }
    }
}
