//! The evidence grade of a finding, by the rules of `grades.toml`.

use serde::{Deserialize, Serialize};

use super::evidence::{DroppingEvidence, Evidence};
use super::facts::Facts;
use super::maker::Maker;
use super::named::Form;
use super::published::Status;

/// How far a finding counts as evidence; what a protocol makes of it is another question.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Grade {
    /// Nothing.
    None,
    /// It may be.
    Possible,
    /// The most that prints alone can give.
    Likely,
    /// Confirmed by what the trade takes as confirming.
    Recorded,
}

impl Grade {
    /// Its name in the texts' keys, such as `visit.grade_likely`.
    pub fn key(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::Possible => "possible",
            Self::Likely => "likely",
            Self::Recorded => "recorded",
        }
    }
}

/// One rule: fires where all its conditions hold.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct GradeRule {
    pub id: String,
    pub grade: Grade,
    evidence: Option<Needed>,
    leader: Option<String>,
    checked: Option<bool>,
    firm: Option<bool>,
    min_probability: Option<f64>,
    pub source: String,
    #[allow(dead_code, reason = "shown in the file, not used in the rule")]
    status: Status,
}

/// What evidence a rule asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Needed {
    Nothing,
    TypicalDroppings,
}

/// What a rule is held against.
pub(super) struct Case<'a> {
    pub evidence: &'a Evidence,
    /// The leading candidate and its members.
    pub leader: &'a str,
    pub members: &'a [&'a Maker],
    pub probability: f64,
    pub firm: bool,
}

impl GradeRule {
    pub fn is_unconditional(&self) -> bool {
        self.evidence.is_none()
            && self.leader.is_none()
            && self.checked.is_none()
            && self.firm.is_none()
            && self.min_probability.is_none()
    }

    fn fires(&self, case: &Case) -> bool {
        let evidence = match self.evidence {
            None => true,
            Some(Needed::Nothing) => says_nothing(case.evidence),
            Some(Needed::TypicalDroppings) => case
                .evidence
                .droppings
                .iter()
                .filter(|d| self.checked.is_none_or(|checked| d.checked == checked))
                .any(|d| case.members.iter().any(|maker| is_typical(d, maker))),
        };
        evidence
            && self.leader.as_deref().is_none_or(|leader| leader == case.leader)
            && self.firm.is_none_or(|firm| firm == case.firm)
            && self.min_probability.is_none_or(|p| case.probability >= p)
    }
}

/// The first rule that fires; the last one has no conditions.
pub(super) fn rule_for<'a>(case: &Case, facts: &'a Facts) -> Option<&'a GradeRule> {
    facts.rules.iter().find(|rule| rule.fires(case))
}

/// Typical contents and the typical smell together, in a form that doesn't speak against it.
fn is_typical(dropping: &DroppingEvidence, maker: &Maker) -> bool {
    maker.droppings.as_ref().is_some_and(|facts| {
        facts.typical_smell == Some(dropping.smell)
            && (dropping.form == Form::NotLooked || facts.typical_forms.contains(&dropping.form))
            && dropping.contents.iter().flatten().any(|content| facts.typical_contents.contains(content))
    })
}

fn says_nothing(evidence: &Evidence) -> bool {
    let unsaid_print = |p: &super::PrintEvidence| *p == super::PrintEvidence { foot: p.foot, ..Default::default() };
    evidence.prints.iter().all(unsaid_print)
        && evidence.trail.as_ref().is_none_or(|t| *t == super::TrailEvidence::default())
        && evidence.droppings.is_empty()
        && evidence.feeding_remains.is_empty()
}
