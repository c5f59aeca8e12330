//! From a store's visits to what the analyses take.

use std::collections::BTreeMap;

use chrono::{Datelike, Months, NaiveDate};
use serde::Serialize;

use super::animals::Sign;
use super::change::{Change, Season, change};
use super::contents::Spraint;
use super::occupancy::{Histories, ModelError, Place};
use crate::survey::{Finding, Grade, Identified, SignNoted, Verdict, Visit, findings, name_key, utc_text, walks};
use crate::words::Words;

/// Which visits count.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Span {
    /// From this day on, by the clock of the place.
    pub from: Option<NaiveDate>,
    /// Up to this day, itself included.
    pub to: Option<NaiveDate>,
    /// Of these months only (1 to 12), where there are any.
    pub months: Vec<u32>,
}

/// Histories out of a store, and what didn't count.
#[derive(Debug, Clone, PartialEq)]
pub struct Gathered {
    /// Place by place, visits in order of time.
    pub histories: Histories,
    /// Visits within the span that don't count.
    pub passed_over: Vec<PassedOver>,
    /// The months in which counting visits were made.
    pub months: Vec<u32>,
}

/// A visit that doesn't count.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PassedOver {
    /// Its id.
    pub visit: String,
    /// Where.
    pub place: String,
    /// When it began.
    pub start: String,
    /// Why it doesn't count.
    pub why: Why,
}

/// Why a visit doesn't count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Why {
    /// It wasn't closed, so what it searched may be more or less than what is noted.
    NotClosed,
    /// Nobody said that any length of bank was searched.
    NothingSearched,
    /// Less was searched than the protocol asks, and nothing found.
    TooLittleSearched,
    /// The animal wasn't looked for.
    NotLookedFor,
    /// It was made in a month that not all seasons have.
    OtherMonth,
}

impl Why {
    /// The key of its words.
    pub fn key(self) -> &'static str {
        match self {
            Self::NotClosed => "analyse.passed_over.not_closed",
            Self::NothingSearched => "analyse.passed_over.nothing_searched",
            Self::TooLittleSearched => "analyse.passed_over.too_little_searched",
            Self::NotLookedFor => "analyse.passed_over.not_looked_for",
            Self::OtherMonth => "analyse.passed_over.other_month",
        }
    }
}

impl Span {
    fn has(&self, visit: &Visit) -> bool {
        let day = visit.opened.start.date_naive();
        self.from.is_none_or(|from| day >= from) && self.to.is_none_or(|to| day <= to)
    }
}

/// The histories of a maker: visits grouped by the place's name, in order of time; found is what the standard method counts as positive. People who were
/// there together are one visit.
pub fn histories(visits: &[Visit], maker: &str, span: &Span, words: &Words) -> Gathered {
    let within: BTreeMap<&str, &Visit> =
        visits.iter().filter(|visit| span.has(visit)).map(|visit| (visit.id.as_str(), visit)).collect();
    let mut places: BTreeMap<String, Place> = BTreeMap::new();
    let (mut passed_over, mut months) = (Vec::new(), Vec::new());
    for walk in walks(within.values().copied()) {
        let mut found = None;
        for visit in walk.visits.iter().filter_map(|id| within.get(id.as_str())) {
            match outcome(visit, maker, span, words) {
                Ok(positive) => found = Some(found.unwrap_or(false) || positive),
                Err(why) => passed_over.push(PassedOver {
                    visit: visit.id.clone(),
                    place: visit.opened.place_name.clone(),
                    start: utc_text(visit.opened.start),
                    why,
                }),
            }
        }
        if found.is_some() {
            let empty = || Place { name: walk.place.trim().to_owned(), visits: vec![] };
            places.entry(name_key(&walk.place)).or_insert_with(empty).visits.push(found);
            months.push(walk.start.month());
        }
    }
    months.sort_unstable();
    months.dedup();
    Gathered { histories: Histories::of_places(places.into_values().collect()), passed_over, months }
}

/// Whether a visit found the animal, or why it doesn't count.
fn outcome(visit: &Visit, maker: &str, span: &Span, words: &Words) -> Result<bool, Why> {
    if visit.closed.is_none() {
        return Err(Why::NotClosed);
    }
    if !visit.opened.targets.iter().any(|target| target == maker) {
        return Err(Why::NotLookedFor);
    }
    if !span.months.is_empty() && !span.months.contains(&visit.opened.start.month()) {
        return Err(Why::OtherMonth);
    }
    let finding = findings(visit, words).into_iter().find(|finding| finding.maker == maker);
    let searched = |finding: &Finding| finding.absence.as_ref().and_then(|absence| absence.searched_m);
    match finding {
        Some(Finding { positive: Some(positive), .. }) => Ok(positive),
        Some(finding) if searched(&finding).is_some_and(|metres| metres > 0.0) => Err(Why::TooLittleSearched),
        _ => Err(Why::NothingSearched),
    }
}

/// A season to compare, by its name.
#[derive(Debug, Clone, PartialEq)]
pub struct Days {
    /// Such as "2026".
    pub name: String,
    /// The first day, by the clock of the place.
    pub from: NaiveDate,
    /// The last day.
    pub to: NaiveDate,
}

impl Days {
    /// The months of the year that they touch.
    fn months(&self) -> Vec<u32> {
        let first = self.from.with_day(1).unwrap_or(self.from);
        let months = (0..12).filter_map(|n| first.checked_add_months(Months::new(n)));
        months.take_while(|day| *day <= self.to).map(|day| day.month()).collect()
    }

    fn span(&self, months: Vec<u32>) -> Span {
        Span { from: Some(self.from), to: Some(self.to), months }
    }

    fn season(&self, gathered: Gathered) -> Season {
        Season { name: self.name.clone(), histories: gathered.histories, months: Some(gathered.months) }
    }
}

/// These days and the same ones of so many years before, oldest first; nothing where they are longer than a year, so that no visit counts twice.
///
/// ```
/// use rakelight_core::analysis::of_store::years;
/// let winters = years("2025-11-01".parse()?, "2026-02-28".parse()?, 1);
/// assert_eq!(winters.iter().map(|days| &*days.name).collect::<Vec<_>>(), ["2024–2025", "2025–2026"]);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn years(from: NaiveDate, to: NaiveDate, back: u32) -> Vec<Days> {
    let one = |ago: u32| {
        let before = |day: NaiveDate| day.checked_sub_months(Months::new(12 * ago));
        let (from, to) = (before(from)?, before(to)?);
        let (first, last) = (from.year(), to.year());
        let name = if first == last { first.to_string() } else { format!("{first}–{last}") };
        Some(Days { name, from, to })
    };
    if from.checked_add_months(Months::new(12)).is_none_or(|next| to >= next) {
        return vec![];
    }
    (0..=back).rev().filter_map(one).collect()
}

/// Seasons to compare, in the order given: of each only the months that all of them span, as marking changes through the year (Yoxon & Yoxon 2014); and
/// what didn't count. `None` where they have no month in common.
pub fn seasons(visits: &[Visit], maker: &str, given: &[Days], words: &Words) -> Option<(Vec<Season>, Vec<PassedOver>)> {
    let mut common: Vec<u32> = (1..=12).collect();
    given.iter().for_each(|days| common.retain(|month| days.months().contains(month)));
    if common.is_empty() {
        return None;
    }
    let (mut seasons, mut passed_over) = (Vec::new(), Vec::new());
    for days in given {
        let mut gathered = histories(visits, maker, &days.span(common.clone()), words);
        passed_over.append(&mut gathered.passed_over);
        seasons.push(days.season(gathered));
    }
    Some((seasons, passed_over))
}

/// What changed from year to year in the same days, which have the same months, back to so many years ago, as far as anybody was there then; `None` where
/// nobody was. `gathered` is what these days gave.
///
/// # Errors
/// As [`fit`](super::occupancy::fit).
pub fn change_since(
    visits: &[Visit],
    maker: &str,
    (from, to): (NaiveDate, NaiveDate),
    back: u32,
    gathered: &Gathered,
    words: &Words,
) -> Result<Option<Change>, ModelError> {
    let years = years(from, to, back);
    let Some((these, before)) = years.split_last() else { return Ok(None) };
    let earlier = |days: &Days| days.season(histories(visits, maker, &days.span(vec![]), words));
    let mut seasons: Vec<Season> = before.iter().map(earlier).collect();
    seasons.push(these.season(gathered.clone()));
    seasons.retain(|season| season.histories.places_visited() > 0);
    if seasons.len() < 2 { Ok(None) } else { change(seasons).map(Some) }
}

/// The signs of a maker, likely at least, of the visits within the span. Signs of one trail are one animal's; a fresh one is taken as of the night before
/// the day on which it was noted.
pub fn signs(visits: &[Visit], maker: &str, span: &Span) -> Vec<Sign> {
    let of_visit = |visit: &Visit| {
        let sign = |(noted, identified): (&SignNoted, &Identified)| {
            let at = noted.time.unwrap_or(visit.opened.start);
            let fresh = noted.freshness.as_deref() == Some("fresh");
            Sign {
                id: format!("{} {} {}", visit.opened.place_name, visit.opened.start.date_naive(), noted.id),
                trail: noted.trail.as_ref().map(|trail| format!("{} {trail}", visit.id)),
                substrate: identified.evidence.substrate.clone(),
                prints: identified.evidence.prints.iter().flat_map(super::animals::sizes).collect(),
                fresh_night: fresh.then(|| at.date_naive().pred_opt()).flatten(),
                place: noted.place,
            }
        };
        of_maker(visit, maker).map(sign).collect::<Vec<_>>()
    };
    visits.iter().filter(|visit| span.has(visit)).flat_map(of_visit).collect()
}

/// The droppings of a maker, likely at least, of the visits within the span.
pub fn spraints(visits: &[Visit], maker: &str, span: &Span) -> Vec<Spraint> {
    let of_visit = |visit: &Visit| {
        let droppings = of_maker(visit, maker).flat_map(|(_, identified)| identified.evidence.droppings.clone());
        droppings.map(|dropping| Spraint { contents: dropping.contents }).collect::<Vec<_>>()
    };
    visits.iter().filter(|visit| span.has(visit)).flat_map(of_visit).collect()
}

fn of_maker<'a>(visit: &'a Visit, maker: &'a str) -> impl Iterator<Item = (&'a SignNoted, &'a Identified)> {
    let is_it = move |identified: &Identified| {
        identified.result.grade >= Grade::Likely
            && identified.result.leader().is_some_and(|leader| leader.maker == maker)
    };
    let doubted = |sign: &str| visit.verdict(sign).is_some_and(|check| check.verdict == Verdict::DoesNotFit);
    visit.signs.iter().filter(move |sign| !doubted(&sign.id)).filter_map(move |sign| {
        let identified = visit.identification(&sign.id).filter(|identified| is_it(identified))?;
        Some((sign, identified))
    })
}

#[cfg(test)]
mod tests;
