//! What a visit says of each track maker, and with how much effort it was looked for.

use serde::Serialize;

use super::absence::{Absence, absence};
use super::later::{Check, Verdict};
use super::record::{Bank, Identified};
use super::searched::{Searched, TimedPlace, searched};
use super::visit::Visit;
pub use crate::identify::Grade;
use crate::identify::{Candidate, Facts, checked_grade};
use crate::words::Words;

/// One track maker (or group that can't be told apart) on one visit.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Finding {
    /// By name as in the species facts.
    pub maker: String,
    /// In the reader's language.
    pub name: String,
    /// The best grade among its signs; `None` for a target of which nothing was found.
    pub grade: Grade,
    /// The rule that gave the grade, in words.
    pub rule: Option<String>,
    /// The probability of its best sign.
    pub probability: Option<f64>,
    /// How far that moves when the facts are varied.
    pub band: Option<[f64; 2]>,
    /// Whether the verdict survives that.
    pub firm: bool,
    /// Its signs, the best first.
    pub signs: Vec<String>,
    /// Whether the standard method would count the place as positive: one print, trail or dropping of a target is enough. A target that wasn't found makes it
    /// negative only where enough was searched.
    pub positive: Option<bool>,
    /// Of a target of which nothing was found: with which effort, under which conditions.
    pub absence: Option<Absence>,
}

/// What was searched.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Effort {
    /// Stretch by stretch.
    pub stretches: Vec<StretchEffort>,
    /// Length of the worker's track, m.
    pub walked_m: Option<f64>,
    /// From start to end of the visit, minutes.
    pub minutes: Option<i64>,
    /// How many people searched.
    pub people: usize,
}

/// What was searched of one stretch.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StretchEffort {
    /// The stretch.
    pub name: String,
    /// Which bank.
    pub bank: Option<Bank>,
    /// Its length, m.
    pub length_m: f64,
    /// How much of it was searched, as the worker says, m.
    pub searched_m: Option<f64>,
    /// How much of it the track was walked along.
    pub by_track: Option<Searched>,
}

/// The findings of a visit: by grade, then by how sure; targets without a sign at the end. Where a second person checked a sign, that decides: what fits is
/// graded as checked, what doesn't is no sign of that maker.
pub fn findings(visit: &Visit, words: &Words) -> Vec<Finding> {
    let mut findings: Vec<Finding> = Vec::new();
    for next in visit.identified.iter().filter_map(|identified| finding(visit, identified, words)) {
        match findings.iter_mut().find(|finding| finding.maker == next.maker) {
            None => findings.push(next),
            Some(known) => {
                let mut other = next;
                if (other.grade, other.probability) > (known.grade, known.probability) {
                    std::mem::swap(known, &mut other);
                }
                known.signs.append(&mut other.signs);
            }
        }
    }
    // Once a maker, not once a sign: what was searched has to be worked out for it.
    for finding in &mut findings {
        finding.positive = positive(visit, &finding.maker, finding.grade);
    }
    findings.sort_by(|a, b| {
        b.grade.cmp(&a.grade).then(b.probability.unwrap_or(0.0).total_cmp(&a.probability.unwrap_or(0.0)))
    });
    let missing = visit.opened.targets.iter().filter(|target| !findings.iter().any(|f| f.maker == **target));
    let missing: Vec<Finding> = missing.map(|target| not_found(visit, target, words)).collect();
    findings.extend(missing);
    findings
}

/// The likeliest maker, where the evidence gives it a grade at all.
fn leader(identified: &Identified) -> Option<&Candidate> {
    identified.result.leader().filter(|_| identified.result.grade > Grade::None)
}

/// What one sign says; whether the place is positive is said of all of a maker's signs together.
fn finding(visit: &Visit, identified: &Identified, words: &Words) -> Option<Finding> {
    match visit.verdict(&identified.sign) {
        Some(Check { verdict: Verdict::DoesNotFit, instead, .. }) => {
            Some(by_second_person(identified, instead.as_deref()?, words))
        }
        Some(Check { verdict: Verdict::Fits, .. }) => {
            let graded = |facts: &Facts| checked_grade(&identified.evidence, &identified.result, facts, words);
            let unchecked = || (identified.result.grade, identified.result.rule.clone());
            by_the_core(identified, Facts::builtin().map_or_else(|_| unchecked(), graded), words)
        }
        _ => by_the_core(identified, (identified.result.grade, identified.result.rule.clone()), words),
    }
}

fn by_the_core(identified: &Identified, (grade, rule): (Grade, String), words: &Words) -> Option<Finding> {
    let leader = leader(identified)?;
    // The reader's language may be another one than that in which it was identified.
    let key = format!("maker.{}", leader.maker);
    let name = if words.has(&key) { words.say(&key).to_owned() } else { leader.name.clone() };
    Some(Finding {
        maker: leader.maker.clone(),
        name,
        grade,
        rule: Some(rule),
        probability: Some(leader.probability),
        band: Some(leader.band),
        firm: identified.result.firm,
        signs: vec![identified.sign.clone()],
        positive: None,
        absence: None,
    })
}

/// Two people differ: what the second took it for is possible, no more.
fn by_second_person(identified: &Identified, maker: &str, words: &Words) -> Finding {
    Finding {
        maker: maker.into(),
        name: words.say(&format!("maker.{maker}")).into(),
        grade: Grade::Possible,
        rule: Some(words.say("identify.rule.second_person").into()),
        probability: None,
        band: None,
        firm: false,
        signs: vec![identified.sign.clone()],
        positive: None,
        absence: None,
    }
}

/// One likely sign of a target makes the place positive; with less it is negative only where enough was searched.
fn positive(visit: &Visit, maker: &str, grade: Grade) -> Option<bool> {
    let is_target = visit.opened.targets.iter().any(|target| target == maker);
    let enough = || absence(visit, maker).is_ok_and(|absence| absence.enough);
    match () {
        () if !is_target => None,
        () if grade >= Grade::Likely => Some(true),
        () => enough().then_some(false),
    }
}

fn not_found(visit: &Visit, target: &str, words: &Words) -> Finding {
    let absence = absence(visit, target).ok();
    Finding {
        maker: target.into(),
        name: words.say(&format!("maker.{target}")).into(),
        grade: Grade::None,
        rule: None,
        probability: None,
        band: None,
        firm: false,
        signs: vec![],
        positive: absence.as_ref().is_some_and(|absence| absence.enough).then_some(false),
        absence,
    }
}

/// What it means that nothing was found of a target, what makes it likelier that something was missed, and how likely that is, sentence by sentence; nothing
/// where something was found.
pub fn absence_texts(finding: &Finding, words: &Words) -> Vec<String> {
    let Some(absence) = &finding.absence else { return vec![] };
    let answer = if absence.enough { "summary.answer_not_found" } else { "summary.answer_not_enough" };
    let mut texts = vec![words.fill(answer, &[("name", &finding.name)])];
    if !absence.lowers.is_empty() {
        let what = absence.lowers.iter().map(|lowers| words.say(&format!("absence.{}", lowers.id)).to_owned());
        texts.push(format!("{} {}.", words.say("summary.lowers"), what.collect::<Vec<_>>().join("; ")));
    }
    texts.extend(absence.missed.as_ref().map(|missed| {
        let percent = words.number(100.0 * missed.by_one_visit.chance, 0);
        let visits = missed.visits_until_5_percent.to_string();
        words.fill(
            "summary.missed",
            &[("percent", &percent), ("visits", &visits), ("source", missed.detection.source())],
        )
    }));
    texts
}

/// The effort of a visit.
pub fn effort(visit: &Visit) -> Effort {
    let track: Vec<TimedPlace> = visit.track.iter().flat_map(|piece| piece.fixes.iter().copied()).collect();
    let by_track = |s: &super::StretchWalked| (!track.is_empty()).then(|| searched(&s.name, &s.line, &track).ok());
    let stretch = |s: &super::StretchWalked| StretchEffort {
        name: s.name.clone(),
        bank: s.bank,
        length_m: s.length_m(),
        searched_m: s.searched_m,
        by_track: by_track(s).flatten(),
    };
    Effort {
        stretches: visit.stretches.iter().map(stretch).collect(),
        walked_m: (!visit.track.is_empty()).then(|| visit.track.iter().map(super::TrackPiece::length_m).sum()),
        minutes: visit.closed.as_ref().map(|closed| (closed.end - visit.opened.start).num_minutes()),
        people: visit.opened.people.len(),
    }
}
