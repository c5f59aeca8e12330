//! What a second person checks: who may check what, what waits, and in which order.
//!
//! Who was there doesn't check what was found there. The hardest comes first: what is least sure, rarest and has the most consequence, as bits
//! added up (`core/data/checking.toml`).

use std::collections::HashMap;

use serde::Deserialize;

use super::later::{Check, Verdict};
use super::record::{Identified, Person, SignKind};
use super::season::same_name;
use super::visit::Visit;
use crate::identify::Grade;

/// A check, and who said it.
#[derive(Debug, Clone, PartialEq)]
pub struct Opinion {
    /// The author of its entry.
    pub by: Person,
    /// What was said.
    pub check: Check,
}

/// Whether somebody was on the visit: their own signs are checked by others.
pub fn was_there(people: &[Person], person: &str) -> bool {
    people.iter().any(|name| same_name(name, person))
}

/// How a sign stands with those who check, by what each of them said last of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Stage {
    /// Nobody but those who were there has looked yet.
    First,
    /// Something was asked, is open, or two see it differently.
    Unsettled,
    /// One has decided; a second blind look would show how well checkers agree.
    Second,
    /// Two or more decided, all alike.
    Settled,
}

/// A sign as the list of what is to be checked has it.
#[derive(Debug, Clone, PartialEq)]
pub struct ToCheck {
    /// The sign's name within the visit.
    pub sign: String,
    /// What it is.
    pub kind: SignKind,
    /// The maker that is likeliest by the core, with its probability; none where the sign isn't identified, or names nobody.
    pub leader: Option<(String, f64)>,
    /// How sure that is.
    pub grade: Grade,
    /// What those said who weren't there, oldest first.
    pub opinions: Vec<Opinion>,
    /// Doubt and consequence, bits.
    own_bits: f64,
}

#[derive(Deserialize)]
struct Weights {
    doubt: Doubt,
    rarity: Rarity,
    consequence: Consequence,
}

#[derive(Deserialize)]
struct Doubt {
    open_bits: f64,
    unidentified_bits: f64,
}

#[derive(Deserialize)]
struct Rarity {
    found_before: f64,
}

#[derive(Deserialize)]
struct Consequence {
    target_bits: f64,
    decides_bits: f64,
}

fn weights() -> Result<Weights, toml::de::Error> {
    toml::from_str(include_str!("../../data/checking.toml"))
}

/// Every sign of a visit. `opinions`: all checks that were written of it.
///
/// # Errors
/// The data that is built in can't be read.
pub fn to_check(visit: &Visit, opinions: &[Opinion]) -> Result<Vec<ToCheck>, toml::de::Error> {
    let weights = weights()?;
    let leaders: HashMap<&str, (&str, f64)> =
        visit.identified.iter().filter_map(|of| Some((of.sign.as_str(), leader(of)?))).collect();
    let decides = |sign: &str, maker: &str| {
        let likely = |of: &&Identified| of.result.grade >= Grade::Likely && leader(of).is_some_and(|l| l.0 == maker);
        let mut likely = visit.identified.iter().filter(likely);
        likely.next().is_some_and(|first| first.sign == sign) && likely.next().is_none()
    };
    let mut by_sign: HashMap<&str, Vec<Opinion>> = HashMap::new();
    for opinion in opinions.iter().filter(|opinion| !was_there(&visit.opened.people, &opinion.by)) {
        by_sign.entry(&opinion.check.sign).or_default().push(opinion.clone());
    }
    let row = |sign: &super::SignNoted| {
        let identified = visit.identification(&sign.id);
        let leader = leaders.get(sign.id.as_str()).copied();
        let target = leader.filter(|(maker, _)| visit.opened.targets.iter().any(|target| target == maker));
        let consequence = target.map_or(0.0, |(maker, _)| {
            let decides = if decides(&sign.id, maker) { weights.consequence.decides_bits } else { 0.0 };
            weights.consequence.target_bits + decides
        });
        let mut opinions = by_sign.remove(sign.id.as_str()).unwrap_or_default();
        opinions.sort_by_key(|opinion| opinion.check.at);
        ToCheck {
            sign: sign.id.clone(),
            kind: sign.sign,
            leader: leader.map(|(maker, probability)| (maker.to_owned(), probability)),
            grade: identified.map_or(Grade::None, |identified| identified.result.grade),
            opinions,
            own_bits: consequence + identified.map_or(weights.doubt.unidentified_bits, |of| doubt(of, &weights.doubt)),
        }
    };
    Ok(visit.signs.iter().map(row).collect())
}

fn leader(identified: &Identified) -> Option<(&str, f64)> {
    identified.result.leader().map(|leader| (leader.maker.as_str(), leader.probability))
}

/// Shannon's entropy of the candidates, bits, and more where the verdict is open.
fn doubt(identified: &Identified, weights: &Doubt) -> f64 {
    let bits = |p: f64| if p > 0.0 { -p * p.log2() } else { 0.0 };
    let entropy: f64 = identified.result.candidates.iter().map(|candidate| bits(candidate.probability)).sum();
    entropy + if identified.result.firm { 0.0 } else { weights.open_bits }
}

impl ToCheck {
    /// How it stands.
    pub fn stage(&self) -> Stage {
        let mut last: Vec<&Opinion> = Vec::new();
        for opinion in &self.opinions {
            last.retain(|other| !same_name(&other.by, &opinion.by));
            last.push(opinion);
        }
        let decided = |o: &&Opinion| matches!(o.check.verdict, Verdict::Fits | Verdict::DoesNotFit);
        let alike = |a: &Opinion, b: &Opinion| a.check.verdict == b.check.verdict && a.check.instead == b.check.instead;
        match last[..] {
            [] => Stage::First,
            _ if !last.iter().all(decided) || !last.iter().all(|other| alike(other, last[0])) => Stage::Unsettled,
            [_] => Stage::Second,
            _ => Stage::Settled,
        }
    }

    /// Whether this person has said something of it.
    pub fn seen_by(&self, person: &str) -> bool {
        self.opinions.iter().any(|opinion| same_name(&opinion.by, person))
    }
}

/// How often each maker leads among all signs of a store.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Found(HashMap<String, usize>);

impl Found {
    /// Counts a sign.
    pub fn count(&mut self, sign: &ToCheck) {
        if let Some((maker, _)) = &sign.leader {
            *self.0.entry(maker.clone()).or_default() += 1;
        }
    }

    /// How hard each of these signs is, bits: its doubt, its consequence, and how rare its maker is among all that was found (the information of
    /// a sign of it; a sign without a maker is as rare as the rarest).
    ///
    /// # Errors
    /// The data that is built in can't be read.
    pub fn hardness<'a>(&self, signs: impl IntoIterator<Item = &'a ToCheck>) -> Result<Vec<f64>, toml::de::Error> {
        let before = weights()?.rarity.found_before;
        let all = self.0.values().map(|n| *n as f64 + before).sum::<f64>() + before;
        let rarity = |sign: &ToCheck| {
            let found = sign.leader.as_ref().and_then(|(maker, _)| self.0.get(maker)).map_or(0.0, |n| *n as f64);
            (all / (found + before)).log2()
        };
        Ok(signs.into_iter().map(|sign| sign.own_bits + rarity(sign)).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::identify::{Evidence, Facts, identify};
    use crate::survey::{Opened, SignNoted, parse_time};
    use crate::words::Words;

    const PRINT: &str = r#"{"substrate": "soft_mud", "prints": [{"foot": "hind", "width_mm": 61, "u_width_mm": 2,
        "length_without_heel_mm": 58, "u_length_without_heel_mm": 2, "toes_seen": 5, "arrangement": "arc", "webbing": "seen"}]}"#;
    const VAGUE: &str = r#"{"substrate": "gravel", "prints": [{"foot": "unknown", "width_mm": 61, "u_width_mm": 9}]}"#;

    fn visit(signs: &[(&str, Option<&str>)]) -> Visit {
        let opened = Opened::invented("Sallow Bridge", parse_time("2026-10-03T07:00Z").unwrap(), &["Ada Marsh"]);
        let mut visit = Visit::open(opened);
        for (id, evidence) in signs {
            let sign = format!(r#"{{"id": "{id}", "sign": "print", "photos": []}}"#);
            visit.signs.push(serde_json::from_str::<SignNoted>(&sign).unwrap());
            let Some(evidence) = evidence else { continue };
            let evidence = Evidence::from_json(evidence).unwrap();
            let result = identify(&evidence, Facts::builtin().unwrap(), &Words::load("en").unwrap()).unwrap();
            let sign = (*id).to_owned();
            let (core_version, facts_digest) = (String::new(), String::new());
            visit.identified.push(Identified { sign, evidence, result, core_version, facts_digest });
        }
        visit
    }

    fn opinion(by: &str, verdict: Verdict, instead: Option<&str>, minute: u32) -> Opinion {
        let at = parse_time(&format!("2026-11-01T10:{minute:02}Z")).unwrap();
        let instead = instead.map(str::to_owned);
        Opinion { by: by.into(), check: Check { sign: "a".into(), verdict, instead, why: None, blind: true, at } }
    }

    fn stage(opinions: &[Opinion]) -> Stage {
        to_check(&visit(&[("a", Some(PRINT))]), opinions).unwrap()[0].stage()
    }

    #[test]
    fn who_was_there_does_not_check_what_was_found_there() {
        assert_eq!(stage(&[opinion("ada  MARSH", Verdict::Fits, None, 0)]), Stage::First);
        assert_eq!(stage(&[opinion("Bo", Verdict::Fits, None, 0)]), Stage::Second);
    }

    #[test]
    fn a_sign_is_settled_once_two_others_decided_alike() {
        let (bo, cy) = (opinion("Bo", Verdict::Fits, None, 0), opinion("Cy", Verdict::Fits, None, 1));
        assert_eq!(stage(&[bo.clone(), cy.clone()]), Stage::Settled);
        let differs = opinion("Cy", Verdict::DoesNotFit, Some("canis_familiaris"), 1);
        assert_eq!(stage(&[bo.clone(), differs.clone()]), Stage::Unsettled);
        assert_eq!(
            stage(&[bo.clone(), differs, opinion("Cy", Verdict::Fits, None, 2)]),
            Stage::Settled,
            "Cy looked again"
        );
        assert_eq!(stage(&[bo, opinion("Cy", Verdict::Question, None, 1)]), Stage::Unsettled);
    }

    #[test]
    fn the_hardest_comes_first() {
        let hardness = |visit: &Visit| {
            let signs = to_check(visit, &[]).unwrap();
            let mut found = Found::default();
            signs.iter().for_each(|sign| found.count(sign));
            found.hardness(&signs).unwrap()
        };
        let many = [("a", Some(PRINT)), ("b", Some(PRINT)), ("c", Some(PRINT)), ("d", Some(VAGUE)), ("e", None)];
        let bits = hardness(&visit(&many));
        assert!(bits[3] > bits[0], "what is least sure: {bits:?}");
        assert!(bits[4] > bits[0], "what nobody has named: {bits:?}");
        // A finding that rests on one sign outweighs what makes the same sign commoner.
        assert!(hardness(&visit(&many[..1]))[0] > bits[0], "what decides");
    }
}
