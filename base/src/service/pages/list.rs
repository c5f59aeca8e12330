//! What the store's visits look like in lists: kept in memory, and read anew where something was written since.

use std::collections::{BTreeMap, HashSet};
use std::sync::{Mutex, MutexGuard, PoisonError};

use chrono::{DateTime, FixedOffset};
use rakelight_core::store::{Store, StoreError};
use rakelight_core::survey::{Found, Person, Stage, ToCheck, Visit, same_name, to_check, was_there};

use super::refusal::Refusal;
use crate::service::Folder;

/// A visit as lists show it.
pub struct Line {
    pub place: String,
    pub start: DateTime<FixedOffset>,
    pub people: Vec<Person>,
    /// Where its first sign, stretch or track lies: latitude and longitude, degrees.
    pub at: Option<[f64; 2]>,
    pub signs: Vec<ToCheck>,
    /// Samples that were taken along.
    pub pots: usize,
    /// Photographs of each sign.
    pub photographs: Vec<usize>,
}

/// A sign of a visit.
pub struct Of<'l> {
    pub visit: &'l str,
    pub line: &'l Line,
    pub sign: &'l ToCheck,
    pub photographs: usize,
}

/// All visits, and their signs in the order in which they are to be checked.
#[derive(Default)]
pub struct Lines {
    arrival: i64,
    pub visits: BTreeMap<String, Line>,
    /// Visit and number of the sign in it, the hardest first.
    order: Vec<(String, usize)>,
}

/// The lines, brought up to date whenever they are asked for.
#[derive(Default)]
pub struct List(Mutex<Lines>);

/// What someone has to do with a sign.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Task {
    /// It is theirs to check: nobody has, or one or more see it open or differently, or one decided.
    Check(Stage),
    /// They said something already.
    Done,
    /// They were there.
    Own,
}

impl List {
    /// The lines as the store has them now.
    pub fn now(&self, store: &Folder) -> Result<MutexGuard<'_, Lines>, Refusal> {
        let mut lines = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let (written, arrival) = store.with(|store| store.written_since(lines.arrival))?;
        if arrival > lines.arrival {
            for visit in written {
                let line = store.with(|store| line(store, &visit))?;
                match line {
                    Some(line) => _ = lines.visits.insert(visit, line),
                    None => _ = lines.visits.remove(&visit),
                }
            }
            lines.sort()?;
            lines.arrival = arrival;
        }
        Ok(lines)
    }
}

fn line(store: &Store, id: &str) -> Result<Option<Line>, StoreError> {
    let Some((visit, opinions)) = store.visit_and_opinions(id)? else { return Ok(None) };
    // The data that is built in is read in a test too.
    let signs = to_check(&visit, &opinions).unwrap_or_default();
    let photographs = visit.signs.iter().map(|sign| sign.photos.len()).collect();
    let at = at(&visit);
    let Visit { opened, samples, .. } = visit;
    let (place, start, people, pots) = (opened.place_name, opened.start, opened.people, samples.len());
    Ok(Some(Line { place, start, people, at, signs, pots, photographs }))
}

fn at(visit: &Visit) -> Option<[f64; 2]> {
    let stretch = || visit.stretches.iter().find_map(|stretch| stretch.line.first()).map(|[lon, lat]| [*lat, *lon]);
    let track = || visit.track.iter().find_map(|piece| piece.fixes.first()).map(|(_, lat, lon)| [*lat, *lon]);
    visit.signs.iter().find_map(|sign| sign.place).or_else(stretch).or_else(track)
}

impl Lines {
    fn sort(&mut self) -> Result<(), Refusal> {
        let mut found = Found::default();
        self.visits.values().flat_map(|line| &line.signs).for_each(|sign| found.count(sign));
        let signs = || {
            self.visits.iter().flat_map(|(visit, line)| line.signs.iter().enumerate().map(move |(i, s)| (visit, i, s)))
        };
        let hardness = found.hardness(signs().map(|(_, _, sign)| sign)).map_err(Refusal::machine)?;
        let mut bits: Vec<(f64, &str, usize)> =
            hardness.into_iter().zip(signs()).map(|(bits, (visit, i, _))| (bits, visit.as_str(), i)).collect();
        bits.sort_by(|a, b| b.0.total_cmp(&a.0).then_with(|| (a.1, a.2).cmp(&(b.1, b.2))));
        self.order = bits.into_iter().map(|(_, visit, i)| (visit.to_owned(), i)).collect();
        Ok(())
    }

    /// All signs with what this person has to do with them, the hardest first.
    pub fn tasks<'l>(&'l self, person: &str) -> impl Iterator<Item = (Task, Of<'l>)> {
        let own: HashSet<&str> =
            self.visits.iter().filter(|(_, line)| was_there(&line.people, person)).map(|(id, _)| id.as_str()).collect();
        let person = person.to_owned();
        self.order.iter().filter_map(move |(visit, i)| {
            let (visit, line) = self.visits.get_key_value(visit)?;
            let sign = line.signs.get(*i)?;
            let task = match () {
                () if own.contains(visit.as_str()) => Task::Own,
                () if sign.seen_by(&person) => Task::Done,
                () => Task::Check(sign.stage()),
            };
            Some((task, Of { visit, line, sign, photographs: line.photographs.get(*i).copied().unwrap_or(0) }))
        })
    }

    /// What two people said in their first blind looks at the same signs, by pair of names. What they named is what is compared.
    pub fn blind_pairs(&self) -> BTreeMap<(String, String), Vec<(String, String)>> {
        let mut pairs: BTreeMap<(String, String), Vec<(String, String)>> = BTreeMap::new();
        for sign in self.visits.values().flat_map(|line| &line.signs) {
            let first: Vec<(&str, String)> = first_looks(sign);
            for (i, (a, said)) in first.iter().enumerate() {
                for (b, other) in &first[i + 1..] {
                    let (pair, said) = if a <= b {
                        (((*a).to_owned(), (*b).to_owned()), (said.clone(), other.clone()))
                    } else {
                        (((*b).to_owned(), (*a).to_owned()), (other.clone(), said.clone()))
                    };
                    pairs.entry(pair).or_default().push(said);
                }
            }
        }
        pairs
    }

    /// What each person said in blind first looks, beside what the core says.
    pub fn beside_the_core(&self) -> BTreeMap<String, Vec<(String, String)>> {
        let mut of: BTreeMap<String, Vec<(String, String)>> = BTreeMap::new();
        for sign in self.visits.values().flat_map(|line| &line.signs) {
            let core = sign.leader.as_ref().map_or_else(|| "open".to_owned(), |(maker, _)| maker.clone());
            for (by, said) in first_looks(sign) {
                of.entry(by.to_owned()).or_default().push((said, core.clone()));
            }
        }
        of
    }
}

/// Each person's first look at a sign, where it was blind and named somebody or said that it is open.
fn first_looks(sign: &ToCheck) -> Vec<(&str, String)> {
    use rakelight_core::survey::Verdict;
    let mut seen: Vec<&str> = Vec::new();
    let mut looks = Vec::new();
    for opinion in &sign.opinions {
        if seen.iter().any(|by| same_name(by, &opinion.by)) {
            continue;
        }
        seen.push(&opinion.by);
        let leader = || sign.leader.as_ref().map(|(maker, _)| maker.clone());
        let said = match opinion.check.verdict {
            _ if !opinion.check.blind => None,
            Verdict::Fits => leader(),
            Verdict::DoesNotFit => opinion.check.instead.clone(),
            Verdict::Open => Some("open".into()),
            Verdict::Question => None,
        };
        looks.extend(said.map(|said| (opinion.by.as_str(), said)));
    }
    looks
}
