//! What a visit says of each track maker, and with how much effort it was looked for.

use serde::Serialize;

use super::absence::{Absence, absence};
use super::record::{Bank, Identified};
use super::searched::{Searched, TimedPlace, searched};
use super::visit::Visit;
pub use crate::identify::Grade;
use crate::identify::{Candidate, Standing};
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

/// The findings of a visit: by grade, then by how sure; targets without a sign at the end.
pub fn findings(visit: &Visit, words: &Words) -> Vec<Finding> {
    let mut findings: Vec<Finding> = Vec::new();
    for (identified, leader) in visit.identified.iter().filter_map(|i| Some((i, leader(i)?))) {
        let grade = identified.result.grade;
        match findings.iter_mut().find(|finding| finding.maker == leader.maker) {
            None => findings.push(finding(visit, identified, leader)),
            Some(known) => {
                let better = (grade, leader.probability) > (known.grade, known.probability.unwrap_or(0.0));
                let mut signs = std::mem::take(&mut known.signs);
                if better {
                    *known = finding(visit, identified, leader);
                    known.signs.append(&mut signs);
                } else {
                    signs.push(identified.sign.clone());
                    known.signs = signs;
                }
            }
        }
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
    let leader = identified.result.candidates.first()?;
    (identified.result.grade > Grade::None && leader.standing != Standing::RuledOut).then_some(leader)
}

fn finding(visit: &Visit, identified: &Identified, leader: &Candidate) -> Finding {
    let grade = identified.result.grade;
    let is_target = visit.opened.targets.contains(&leader.maker);
    Finding {
        maker: leader.maker.clone(),
        name: leader.name.clone(),
        grade,
        rule: Some(identified.result.rule.clone()),
        probability: Some(leader.probability),
        band: Some(leader.band),
        firm: identified.result.firm,
        signs: vec![identified.sign.clone()],
        positive: is_target.then_some(grade >= Grade::Likely),
        absence: None,
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
