//! The places, a row each: visited how often, searched how much, found what.

use std::collections::BTreeMap;

use serde::Serialize;

use super::effort;
use crate::place::{Category, Generalised, Position};
use crate::summary::plain::line;
use crate::survey::{Grade, Visit, Walk, findings, name_key};
use crate::words::Words;

/// A place in the table.
#[derive(Serialize)]
pub(super) struct Row {
    place: String,
    position: String,
    visits: usize,
    searched: String,
    found: String,
    last: String,
}

pub(super) fn rows(visits: &[&Visit], walks: &[Walk], words: &Words) -> Vec<Row> {
    let mut places: BTreeMap<String, Vec<&Walk>> = BTreeMap::new();
    for walk in walks {
        places.entry(name_key(&walk.place)).or_default().push(walk);
    }
    let row = |walks: Vec<&Walk>| {
        let here: Vec<&Visit> =
            visits.iter().copied().filter(|visit| walks.iter().any(|walk| walk.visits.contains(&visit.id))).collect();
        let last = walks.iter().max_by_key(|walk| walk.start)?;
        Some(Row {
            place: line(&last.place, 60),
            position: position(&here).map_or_else(String::new, |at| degrees(&at, category(&here), words)),
            visits: walks.len(),
            searched: effort::of_walks(&here, &walks.iter().copied().cloned().collect::<Vec<_>>()).say(words),
            found: found(&here, words),
            last: words.day(last.start.date_naive()),
        })
    };
    places.into_values().filter_map(row).collect()
}

/// The best grade of each animal there.
fn found(visits: &[&Visit], words: &Words) -> String {
    let mut best: BTreeMap<String, Grade> = BTreeMap::new();
    for finding in visits.iter().flat_map(|visit| findings(visit, words)) {
        let known = best.entry(finding.name).or_insert(Grade::None);
        *known = (*known).max(finding.grade);
    }
    let text = |(name, grade): (String, Grade)| {
        format!("{} ({})", line(&name, 40), words.say(&format!("visit.grade_{}", grade.key())))
    };
    let mut list: Vec<(String, Grade)> = best.into_iter().collect();
    list.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
    names_unclipped(&list.into_iter().map(text).collect::<Vec<_>>())
}

fn names_unclipped(list: &[String]) -> String {
    if list.len() <= 6 { list.join(", ") } else { format!("{}, + {}", list[..6].join(", "), list.len() - 6) }
}

/// The strictest of its visits.
pub(super) fn category(visits: &[&Visit]) -> Category {
    let strictest = visits.iter().map(|visit| visit.opened.sensitivity_category).min_by_key(|c| c.decimals());
    strictest.unwrap_or(Category::STRICTEST)
}

/// Where a place lies, rounded by the strictest category of its visits.
pub(super) fn position(visits: &[&Visit]) -> Option<Generalised> {
    let on_the_line =
        |visit: &&Visit| visit.stretches.iter().find_map(|s| s.line.first()).map(|[lon, lat]| [*lat, *lon]);
    let by_sign = |visit: &&Visit| visit.signs.iter().find_map(|sign| sign.place);
    let [lat, lon] = visits.iter().find_map(|visit| on_the_line(visit).or_else(|| by_sign(visit)))?;
    Some(category(visits).generalise(&Position::new(lat, lon, None).ok()?))
}

fn degrees(at: &Generalised, category: Category, words: &Words) -> String {
    let degrees = |value: f64| words.number(value, category.decimals());
    format!("{}°,\u{a0}{}° ±{}\u{a0}km", degrees(at.lat), degrees(at.lon), words.number(at.uncertainty_m / 1000.0, 1))
}
