//! What was found of each animal; and of those that were looked for, at how many places they are, at least how many, and whether that changed.

use std::collections::BTreeMap;

use serde::Serialize;

use super::{ReportError, Season};
use crate::analysis::animals::at_least;
use crate::analysis::draw;
use crate::analysis::occupancy::{Model, fit};
use crate::analysis::of_store::{self, Span};
use crate::summary::plain::line;
use crate::survey::{Grade, Visit, findings, name_key, walks};
use crate::words::Words;

/// An animal's row.
#[derive(Serialize)]
pub(super) struct Found {
    name: String,
    visits: usize,
    places: usize,
    signs: usize,
    grade: String,
}

/// What is said of an animal that was looked for.
#[derive(Serialize)]
pub(super) struct Analysed {
    name: String,
    lines: Vec<String>,
    plot: Option<String>,
    notes: Vec<String>,
}

pub(super) fn targets(visits: &[&Visit]) -> Vec<String> {
    let mut targets: Vec<String> = visits.iter().flat_map(|visit| visit.opened.targets.clone()).collect();
    targets.sort_unstable();
    targets.dedup();
    targets
}

/// Each animal, by its best grade.
pub(super) fn found(visits: &[&Visit], words: &Words) -> Vec<Found> {
    struct Sum {
        name: String,
        walks: Vec<usize>,
        places: Vec<String>,
        signs: usize,
        best: Grade,
    }
    let walked = walks(visits.iter().copied());
    let mut makers: BTreeMap<String, Sum> = BTreeMap::new();
    for visit in visits {
        for finding in findings(visit, words).into_iter().filter(|finding| finding.grade > Grade::None) {
            let empty =
                || Sum { name: finding.name.clone(), walks: vec![], places: vec![], signs: 0, best: Grade::None };
            let sum = makers.entry(finding.maker.clone()).or_insert_with(empty);
            sum.walks.extend(walked.iter().position(|walk| walk.visits.contains(&visit.id)));
            sum.places.push(name_key(&visit.opened.place_name));
            sum.signs += finding.signs.len();
            sum.best = sum.best.max(finding.grade);
        }
    }
    let mut sums: Vec<Sum> = makers.into_values().collect();
    sums.sort_by(|a, b| b.best.cmp(&a.best).then(b.signs.cmp(&a.signs)));
    let row = |mut sum: Sum| {
        sum.walks.sort_unstable();
        sum.places.sort_unstable();
        sum.walks.dedup();
        sum.places.dedup();
        Found {
            name: line(&sum.name, 40),
            visits: sum.walks.len(),
            places: sum.places.len(),
            signs: sum.signs,
            grade: words.say(&format!("visit.grade_{}", sum.best.key())).to_owned(),
        }
    };
    sums.into_iter().map(row).collect()
}

/// Occupancy, the least number of animals and the change since the year before, each as far as the visits allow; and which visits don't count, and why.
pub(super) fn analysed(
    season: &Season<'_>,
    maker: &str,
    span: &Span,
    words: &Words,
) -> Result<(Analysed, Vec<String>), ReportError> {
    let gathered = of_store::histories(season.visits, maker, span, words);
    let histories = &gathered.histories;
    let fit = fit(histories, &Model::default(), 0.95)?;
    let (found, visited) = (histories.found_at(), histories.places_visited());
    let naive = words.number(found as f64 / visited.max(1) as f64, 2);
    let counts = [
        ("found", found.to_string()),
        ("visited", visited.to_string()),
        ("naive", naive),
        ("made", histories.visits_made().to_string()),
        ("detections", histories.detections().to_string()),
    ];
    let counts: Vec<(&str, &str)> = counts.iter().map(|(name, text)| (*name, text.as_str())).collect();
    let mut lines = vec![words.fill("analyse.occupancy.places", &counts)];
    let mut plot = None;
    if let Some(estimate) = fit.estimate() {
        let p = estimate.p_profile().and_then(|profiles| profiles.first().copied());
        for (key, value, interval) in
            [("report.psi", estimate.psi(0).value, estimate.psi_profile()), ("report.p", estimate.p(0, 0).value, p)]
        {
            lines.push(words.fill(key, &[("value", &with_interval(value, interval, words))]));
        }
        let groups = draw::of_occupancy(histories, &fit, &Model::default(), words);
        plot = groups.ok().map(|groups| draw::plot(&groups, 0.95, words)).transpose()?;
    }
    let signs = of_store::signs(season.visits, maker, span);
    if !signs.is_empty() {
        let bound = at_least(&signs, None)?;
        lines.push(words.count("analyse.animals.at_least", bound.set.len()));
    }
    let mut notes: Vec<String> = fit.warnings.iter().map(|warning| warning.say(words)).collect();
    if let Some(change) = of_store::change_since(season.visits, maker, (season.from, season.to), 1, &gathered, words)? {
        lines.extend(change.steps.iter().map(|step| change.say(step, words)));
        notes.extend(change.notes(words));
    }
    let name = words.say(&format!("maker.{maker}")).to_owned();
    let passed_over = passed_over(&name, gathered.passed_over, words);
    Ok((Analysed { name, lines, plot, notes }, passed_over))
}

/// Which visits don't count for occupancy, and why.
fn passed_over(name: &str, visits: Vec<of_store::PassedOver>, words: &Words) -> Vec<String> {
    let text = |passed: of_store::PassedOver| {
        let values =
            [("place", line(&passed.place, 60)), ("start", passed.start), ("why", words.say(passed.why.key()).into())];
        let values: Vec<(&str, &str)> = values.iter().map(|(key, text)| (*key, text.as_str())).collect();
        format!("{name}: {}", words.fill("analyse.passed_over.line", &values))
    };
    visits.into_iter().map(text).collect()
}

fn with_interval(value: f64, interval: Option<[f64; 2]>, words: &Words) -> String {
    let number = |value: f64| words.number(value, 2);
    match interval {
        Some([low, high]) => {
            words.fill("analyse.interval", &[("value", &number(value)), ("low", &number(low)), ("high", &number(high))])
        }
        None => format!("{} ({})", number(value), words.say("analyse.drawn.no_interval")),
    }
}
