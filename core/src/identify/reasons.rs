//! Why: the weight of each observation between candidates. And what to look at next.

use serde::{Deserialize, Serialize};

use super::draw::Draw;
use super::evidence::Evidence;
use super::facts::Facts;
use super::features::CLEARNESS;
use super::model::{KINDS, Kind, Model, Without};
use super::signs::{ShownByDroppings, pattern_chances};
use super::verdict::{Contender, by_contender};
use crate::words::Words;

/// The weight of one observation between the leading candidate and another.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reason {
    /// The key of the evidence.
    pub observation: String,
    /// The other candidate.
    pub against: String,
    /// How many times likelier the observation is from the leader than from the other, given all the rest; below 1 it speaks for the other.
    pub factor: f64,
    /// For people.
    pub text: String,
}

/// Something not looked at yet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Look {
    /// The key of the evidence.
    pub look_for: String,
    /// How much doubt it is expected to remove, in bits.
    pub bits: f64,
    /// For people.
    pub text: String,
}

/// Something given that has no weight.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Ignored {
    /// The key of the evidence.
    pub observation: String,
    /// For people: why.
    pub text: String,
}

/// How many candidates after the first the reasons speak of, and how many reasons of each.
const OTHERS: usize = 3;
const REASONS: usize = 3;
/// A weight below this factor, and a look below these bits, is not worth a line.
const LEAST_FACTOR: f64 = 1.5;
const LEAST_BITS: f64 = 0.01;
/// So that a factor stays a number that JSON can hold.
const LARGEST_LN: f64 = 600.0;

/// All weights: what each candidate loses in log likelihood by each kind of observation.
pub(super) struct Weighing<'a> {
    evidence: &'a Evidence,
    facts: &'a Facts,
    words: &'a Words,
    model: &'a Model<'a>,
    contenders: &'a [Contender<'a>],
    probabilities: &'a [f64],
    leader: usize,
    weights: Vec<(Kind, &'static str, Vec<f64>)>,
}

/// What was seen, line by line, in words; without what it means.
///
/// ```
/// use rakelight_core::{identify::{Evidence, observed}, words::Words};
/// let evidence = Evidence::from_json(r#"{"prints": [{"foot": "hind", "toes_seen": 5, "claws": "seen"}]}"#).expect("evidence");
/// assert_eq!(observed(&evidence, &Words::load("en").expect("English")), ["toes seen: 5", "claw marks seen"]);
/// ```
pub fn observed(evidence: &Evidence, words: &Words) -> Vec<String> {
    KINDS.iter().filter_map(|(kind, key)| observation(evidence, *kind, key, words)).collect()
}

/// One kind of it, each value once; `None` where nothing of it was seen.
fn observation(evidence: &Evidence, kind: Kind, key: &str, words: &Words) -> Option<String> {
    let mut different: Vec<String> = Vec::new();
    for value in values(evidence, kind, words) {
        if !different.contains(&value) {
            different.push(value);
        }
    }
    let key = format!("identify.observation.{key}");
    (!different.is_empty()).then(|| words.fill(&key, &[("values", &different.join(", "))]))
}

impl<'a> Weighing<'a> {
    pub fn new(
        evidence: &'a Evidence,
        facts: &'a Facts,
        words: &'a Words,
        model: &'a Model<'a>,
        contenders: &'a [Contender<'a>],
        ln_likelihoods: &[f64],
        probabilities: &'a [f64],
    ) -> Self {
        let weights = KINDS
            .iter()
            .filter(|(kind, _)| !values(evidence, *kind, words).is_empty())
            .map(|(kind, key)| {
                let without = by_contender(model, contenders, Without::kind(*kind));
                (*kind, *key, std::iter::zip(ln_likelihoods, without).map(|(with, without)| with - without).collect())
            })
            .collect();
        let leader = (0..contenders.len()).max_by(|a, b| probabilities[*a].total_cmp(&probabilities[*b])).unwrap_or(0);
        Self { evidence, facts, words, model, contenders, probabilities, leader, weights }
    }

    /// The observation that weighs most for the leader against this candidate.
    pub fn speaks_most_against(&self, candidate: usize) -> Option<&'static str> {
        self.weights
            .iter()
            .map(|(_, key, ln)| (*key, ln[self.leader] - ln[candidate]))
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .filter(|(_, ln)| *ln > 0.0)
            .map(|(key, _)| key)
    }

    /// Between the first candidate and the next ones.
    pub fn reasons(&self, order: &[usize]) -> Vec<Reason> {
        let mut reasons = Vec::new();
        for &other in order.iter().skip(1).take(OTHERS) {
            let mut factors: Vec<(Kind, &str, f64)> = self
                .weights
                .iter()
                .map(|(kind, key, ln)| (*kind, *key, ln[self.leader] - ln[other]))
                .filter(|(_, _, ln)| ln.abs() >= LEAST_FACTOR.ln())
                .collect();
            factors.sort_by(|a, b| b.2.abs().total_cmp(&a.2.abs()));
            reasons.extend(factors.iter().take(REASONS).map(|(kind, key, ln)| Reason {
                observation: (*key).into(),
                against: self.contenders[other].id.into(),
                factor: ln.clamp(-LARGEST_LN, LARGEST_LN).exp(),
                text: self.say(*kind, key, *ln, other),
            }));
        }
        reasons
    }

    fn say(&self, kind: Kind, key: &str, ln: f64, other: usize) -> String {
        let words = self.words;
        let observation = observation(self.evidence, kind, key, words).unwrap_or_default();
        let (from, than) = if ln >= 0.0 { (self.leader, other) } else { (other, self.leader) };
        let name = |i: usize| self.facts.name(self.contenders[i].id, words);
        words.fill(
            "identify.reason",
            &[
                ("observation", &observation),
                ("factor", &times(ln.abs().exp(), words)),
                ("maker", &name(from)),
                ("other", &name(than)),
            ],
        )
    }

    /// Kinds nobody has looked at, by the doubt one more look is expected to remove.
    pub fn next_looks(&self) -> Vec<Look> {
        let mut looks: Vec<Look> = KINDS
            .iter()
            .filter(|(kind, _)| values(self.evidence, *kind, self.words).is_empty() && self.could_be_seen(*kind))
            .filter_map(|(kind, key)| {
                let bits = self.expected_bits(*kind)?;
                let text = self.words.say(&format!("identify.look.{key}")).to_owned();
                (bits >= LEAST_BITS).then(|| Look { look_for: (*key).into(), bits, text })
            })
            .collect();
        looks.sort_by(|a, b| b.bits.total_cmp(&a.bits));
        looks
    }

    /// Prints show something only where there are prints; so do droppings.
    fn could_be_seen(&self, kind: Kind) -> bool {
        match kind {
            Kind::Contents | Kind::Form | Kind::Smell | Kind::ProminentSpot | Kind::Vegetation => {
                !self.evidence.droppings.is_empty()
            }
            _ => !self.evidence.prints.is_empty() || self.evidence.droppings.is_empty(),
        }
    }

    /// The mutual information of candidate and outcome; `None` for what is measured, not seen.
    fn expected_bits(&self, kind: Kind) -> Option<f64> {
        let outcomes: Vec<Vec<f64>> =
            self.contenders.iter().map(|c| self.outcomes(kind, c)).collect::<Option<Vec<_>>>()?;
        let kinds = outcomes.first()?.len();
        let overall: Vec<f64> =
            (0..kinds).map(|v| std::iter::zip(self.probabilities, &outcomes).map(|(p, o)| p * o[v]).sum()).collect();
        let bits = std::iter::zip(self.probabilities, &outcomes)
            .map(|(p, o)| {
                p * std::iter::zip(o, &overall)
                    .map(|(o, all)| if *o > 0.0 { o * (o / all).log2() } else { 0.0 })
                    .sum::<f64>()
            })
            .sum::<f64>();
        Some(bits.max(0.0))
    }

    /// The probability of each outcome of a look at one more print, or at the droppings, from one candidate.
    fn outcomes(&self, kind: Kind, contender: &Contender) -> Option<Vec<f64>> {
        let mut sum: Vec<f64> = Vec::new();
        for &m in &contender.members {
            let of_member = self.outcomes_of_maker(kind, m)?;
            sum.resize(of_member.len(), 0.0);
            sum.iter_mut().zip(of_member).for_each(|(s, p)| *s += p / contender.members.len() as f64);
        }
        Some(sum)
    }

    fn outcomes_of_maker(&self, kind: Kind, m: usize) -> Option<Vec<f64>> {
        let constants = &self.facts.constants;
        let mut still = Draw::still(&constants.band);
        let maker = self.facts.makers().get(m);
        let either = |p: f64| vec![p, 1.0 - p];
        let mut of_droppings = || {
            let facts = maker.and_then(|m| m.droppings.as_ref()).unwrap_or(&constants.elsewhere.droppings);
            ShownByDroppings::new(facts, constants, &mut still)
        };
        Some(match kind {
            Kind::Toes => self.average(m, |s| s.toes.to_vec()),
            Kind::Claws => self.average(m, |s| either(s.claws)),
            Kind::Webbing => self.average(m, |s| either(s.webbing)),
            Kind::HeelPad => self.average(m, |s| either(s.heel_pad)),
            Kind::Arrangement => self.average(m, |s| s.arrangement.to_vec()),
            Kind::Form => of_droppings().form.to_vec(),
            Kind::Smell => of_droppings().smell.to_vec(),
            Kind::Vegetation => of_droppings().vegetation.to_vec(),
            Kind::ProminentSpot => either(of_droppings().prominent_spot),
            Kind::Pattern => pattern_chances(maker, constants, &mut Draw::still(&constants.band)).to_vec(),
            Kind::DragMark => either(maker.map_or(constants.none_of_these.drag_mark, |m| m.drag_mark.chance.get())),
            _ => return None,
        })
    }

    /// Over clearness and both feet.
    fn average(&self, m: usize, of: impl Fn(&super::features::Shown) -> Vec<f64>) -> Vec<f64> {
        let mut sum: Vec<f64> = Vec::new();
        for (shown, (_, weight)) in self.model.makers[m].shown.iter().zip(CLEARNESS) {
            for foot in shown {
                let p = of(foot);
                sum.resize(p.len(), 0.0);
                sum.iter_mut().zip(p).for_each(|(s, p)| *s += 0.5 * weight * p);
            }
        }
        sum
    }
}

/// What was said of one kind, for people; empty where nothing was.
fn values(evidence: &Evidence, kind: Kind, words: &Words) -> Vec<String> {
    let mm = |value: Option<f64>| value.map(|v| format!("{} mm", decimal(v, 0, words)));
    let word = |name: &str| (name != "not_looked").then(|| words.say(&format!("identify.value.{name}")).to_owned());
    let prints = |of: &dyn Fn(&super::PrintEvidence) -> Option<String>| evidence.prints.iter().filter_map(of).collect();
    let droppings =
        |of: &dyn Fn(&super::DroppingEvidence) -> Option<String>| evidence.droppings.iter().filter_map(of).collect();
    let trail = |of: &dyn Fn(&super::TrailEvidence) -> Option<String>| evidence.trail.iter().filter_map(of).collect();
    match kind {
        Kind::Width => prints(&|p| mm(p.width_mm)),
        Kind::LengthWithoutHeel => prints(&|p| mm(p.length_without_heel_mm)),
        Kind::LengthWithHeel => prints(&|p| mm(p.length_with_heel_mm)),
        Kind::Toes => prints(&|p| match &p.which_toes {
            Some(which) => Some(words.fill("identify.which_toes", &[("which", &listed(which))])),
            None => p.toes_seen.map(|n| n.to_string()),
        }),
        Kind::Claws => prints(&|p| word(p.claws.name())),
        Kind::Webbing => prints(&|p| word(p.webbing.name())),
        Kind::HeelPad => prints(&|p| word(p.heel_pad.name())),
        Kind::Arrangement => prints(&|p| word(p.arrangement.name())),
        Kind::Pattern => trail(&|t| word(t.pattern?.name())),
        Kind::Stride => trail(&|t| mm(t.stride_mm)),
        Kind::Straddle => trail(&|t| mm(t.straddle_mm)),
        Kind::DragMark => trail(&|t| word(t.drag_mark.name())),
        Kind::Contents => {
            let contents = evidence.droppings.iter().flat_map(|d| d.contents.iter().flatten());
            contents.map(|c| words.say(&format!("identify.content.{}", c.name())).to_owned()).collect()
        }
        Kind::Form => droppings(&|d| word(d.form.name())),
        Kind::DroppingWidth => droppings(&|d| mm(d.width_mm)),
        Kind::DroppingLength => droppings(&|d| mm(d.length_mm)),
        Kind::Feeding => evidence
            .feeding_remains
            .iter()
            .map(|f| words.say(&format!("identify.remains.{}", f.name())).to_owned())
            .collect(),
        Kind::Smell => droppings(&|d| word(d.smell.name())),
        Kind::ProminentSpot => droppings(&|d| word(if d.prominent_spot? { "seen" } else { "absent" })),
        Kind::Vegetation => droppings(&|d| word(d.vegetation.name())),
    }
}

fn listed(which: &[u8]) -> String {
    let mut which = which.to_vec();
    which.sort_unstable();
    which.iter().map(u8::to_string).collect::<Vec<_>>().join("-")
}

/// A factor as people say it.
fn times(factor: f64, words: &Words) -> String {
    match factor {
        f if f > 1000.0 => words.fill("identify.over", &[("n", "1000")]),
        f if f >= 10.0 => decimal(f, 0, words),
        f => decimal(f, 1, words),
    }
}

fn decimal(value: f64, places: usize, words: &Words) -> String {
    format!("{value:.places$}").replace('.', words.say("identify.decimal_sign"))
}

/// What was given and has no weight.
pub(super) fn ignored(evidence: &Evidence, words: &Words) -> Vec<Ignored> {
    let group_length = evidence.trail.as_ref().is_some_and(|t| t.group_length_mm.is_some());
    let tidal = evidence.setting.as_ref().is_some_and(|s| s.tidal.is_some());
    [("tidal", tidal), ("group_length_mm", group_length)]
        .into_iter()
        .filter(|(_, given)| *given)
        .map(|(key, _)| Ignored { observation: key.into(), text: words.say(&format!("identify.ignored.{key}")).into() })
        .collect()
}
