//! What to know before an estimate is relied on.

use super::estimate::{Coefficient, Estimate};
use super::histories::Histories;
use super::{Outcome, Parameter};
use crate::analysis::OccupancyNumbers;
use crate::words::Words;

/// One thing to know.
#[derive(Debug, Clone, PartialEq)]
#[allow(missing_docs, reason = "the words say it: [analyse.warning]")]
pub enum Warning {
    NothingVisited,
    NeverFound,
    AlwaysFound,
    VisitedOnce,
    /// Places that nobody visited; they don't count.
    NotVisited {
        places: usize,
    },
    /// Detection below what keeps occupancy unbiased.
    LowDetection {
        p: f64,
    },
    /// ψ (or p) is at 0 or 1.
    Edge {
        parameter: Parameter,
    },
    /// A covariate parts found from not found entirely.
    Separation {
        parameter: Parameter,
        name: String,
    },
    /// The interval of ψ says next to nothing.
    Flat,
    FewPlaces {
        places: usize,
        coefficients: usize,
    },
    NotConverged,
}

/// All that applies.
pub fn warnings(histories: &Histories, outcome: &Outcome, numbers: &OccupancyNumbers) -> Vec<Warning> {
    let mut warnings = Vec::new();
    let not_visited = histories.places().len() - histories.places_visited();
    if not_visited > 0 {
        warnings.push(Warning::NotVisited { places: not_visited });
    }
    match outcome {
        Outcome::NothingVisited => return vec![Warning::NothingVisited],
        Outcome::NeverFound => warnings.push(Warning::NeverFound),
        Outcome::AlwaysFound => warnings.push(Warning::AlwaysFound),
        Outcome::VisitedOnce => warnings.push(Warning::VisitedOnce),
        Outcome::Estimated(estimate) => of_estimate(histories, estimate, numbers, &mut warnings),
    }
    warnings
}

fn of_estimate(histories: &Histories, estimate: &Estimate, numbers: &OccupancyNumbers, warnings: &mut Vec<Warning>) {
    if !estimate.converged() {
        warnings.push(Warning::NotConverged);
    }
    let p: Vec<f64> = histories
        .places()
        .iter()
        .enumerate()
        .flat_map(|(i, place)| (0..place.visits.len()).filter(|v| place.visits[*v].is_some()).map(move |v| (i, v)))
        .map(|(place, visit)| estimate.p_value(place, visit))
        .collect();
    let visited: Vec<usize> =
        (0..histories.places().len()).filter(|i| histories.places()[*i].visits_made() > 0).collect();
    let mean_p = p.iter().sum::<f64>() / p.len() as f64;
    if mean_p < numbers.low_detection {
        warnings.push(Warning::LowDetection { p: mean_p });
    }
    let at_edge = |value: f64| value == 0.0 || value == 1.0;
    if visited.iter().any(|place| at_edge(estimate.psi_value(*place))) {
        warnings.push(Warning::Edge { parameter: Parameter::Psi });
    }
    if p.iter().any(|p| at_edge(*p)) {
        warnings.push(Warning::Edge { parameter: Parameter::P });
    }
    let coefficients = estimate.coefficients();
    let is_covariate = |c: &&Coefficient| c.name != "intercept" && !c.name.starts_with("visit_");
    for Coefficient { parameter, name, .. } in coefficients.iter().filter(is_covariate).filter(|c| c.se.is_none()) {
        warnings.push(Warning::Separation { parameter: *parameter, name: name.clone() });
    }
    let wide = |[low, high]: [f64; 2]| high - low > numbers.wide_interval;
    if visited.iter().all(|place| estimate.psi(*place).interval.is_some_and(wide)) {
        warnings.push(Warning::Flat);
    }
    let (places, n) = (visited.len(), coefficients.len());
    if places < numbers.few_places.max(n * numbers.places_per_coefficient) {
        warnings.push(Warning::FewPlaces { places, coefficients: n });
    }
}

impl Warning {
    /// In words, with what to do.
    pub fn say(&self, words: &Words) -> String {
        let parameter = |parameter: &Parameter| match parameter {
            Parameter::Psi => words.say("analyse.psi").to_owned(),
            Parameter::P => words.say("analyse.p").to_owned(),
        };
        match self {
            Self::NothingVisited => words.say("analyse.warning.nothing_visited").into(),
            Self::NeverFound => words.say("analyse.warning.never_found").into(),
            Self::AlwaysFound => words.say("analyse.warning.always_found").into(),
            Self::VisitedOnce => words.say("analyse.warning.visited_once").into(),
            Self::NotVisited { places } => words.count("analyse.warning.not_visited", *places),
            Self::LowDetection { p } => words.fill("analyse.warning.low_detection", &[("p", &words.number(*p, 2))]),
            Self::Edge { parameter: of } => words.fill("analyse.warning.edge", &[("parameter", &parameter(of))]),
            Self::Separation { parameter: of, name } => {
                words.fill("analyse.warning.separation", &[("parameter", &parameter(of)), ("name", name)])
            }
            Self::Flat => words.say("analyse.warning.flat").into(),
            Self::FewPlaces { places, coefficients } => words.fill(
                "analyse.warning.few_places",
                &[("places", &places.to_string()), ("coefficients", &coefficients.to_string())],
            ),
            Self::NotConverged => words.say("analyse.warning.not_converged").into(),
        }
    }
}
