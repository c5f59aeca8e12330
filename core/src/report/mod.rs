//! A season's report for the team: places, effort, findings, map, methods, tables. Positions in it are rounded; every figure that isn't a count has its
//! uncertainty.

mod animals;
mod effort;
mod map;
mod places;

use chrono::NaiveDate;
use serde::Serialize;

use crate::analysis::animals::SignsError;
use crate::analysis::occupancy::ModelError;
use crate::analysis::of_store::Span;
use crate::plot::PlotError;
use crate::summary::plain::{line, names};
use crate::summary::template;
use crate::survey::{SeasonPlan, State, Task, Visit, Walk, name_key, walks};
use crate::words::Words;

/// Why a report can't be made.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// The days.
    #[error("the report's first day {from} is after its last day {to}: exchange them")]
    Days {
        /// First.
        from: NaiveDate,
        /// Last.
        to: NaiveDate,
    },
    /// The page can't be filled in.
    #[error("the report can't be written: {0}")]
    Template(#[from] minijinja::Error),
    /// Occupancy can't be worked out.
    #[error("occupancy can't be worked out: {0}")]
    Occupancy(#[from] ModelError),
    /// The least number of animals can't be worked out.
    #[error("the least number of animals can't be worked out: {0}")]
    Animals(#[from] SignsError),
    /// A plot can't be drawn.
    #[error("a plot can't be drawn: {0}")]
    Plot(#[from] PlotError),
}

/// What a report is of.
#[derive(Debug, Clone, Copy)]
pub struct Season<'a> {
    /// All visits of the store: those of the same days a year before are compared with.
    pub visits: &'a [Visit],
    /// What was planned.
    pub plans: &'a [SeasonPlan],
    /// The first day, by the clock of the places.
    pub from: NaiveDate,
    /// The last day.
    pub to: NaiveDate,
    /// What is due is due on this day.
    pub today: NaiveDate,
}

#[derive(Serialize)]
struct Page {
    title: String,
    made: String,
    notices: Vec<String>,
    short: Vec<String>,
    found: Vec<animals::Found>,
    analysed: Vec<animals::Analysed>,
    map: Option<String>,
    places: Vec<places::Row>,
    due: Vec<[String; 4]>,
    methods: Vec<String>,
    passed_over: Vec<String>,
    limits: Vec<String>,
}

/// The report as HTML, one file.
///
/// # Errors
/// The days are the wrong way round, or the numbers that are built in can't be read.
pub fn html(season: &Season<'_>, words: &Words) -> Result<String, ReportError> {
    let Season { from, to, today, .. } = *season;
    if from > to {
        return Err(ReportError::Days { from, to });
    }
    let visits: Vec<&Visit> =
        season.visits.iter().filter(|visit| (from..=to).contains(&visit.opened.start.date_naive())).collect();
    let walked = walks(visits.iter().copied());
    let span = Span { from: Some(from), to: Some(to), months: vec![] };
    let targets = animals::targets(&visits);
    let all: Vec<(animals::Analysed, Vec<String>)> =
        targets.iter().map(|maker| animals::analysed(season, maker, &span, words)).collect::<Result<_, _>>()?;
    let (analysed, passed_over): (Vec<_>, Vec<_>) = all.into_iter().unzip();
    let mut notices: Vec<String> = visits.iter().filter_map(|visit| visit.opened.notice.clone()).collect();
    notices.sort_unstable();
    notices.dedup();
    let page = Page {
        title: words.fill("report.title", &[("from", &words.day(from)), ("to", &words.day(to))]),
        made: words.fill("report.made", &[("day", &words.day(today)), ("version", env!("CARGO_PKG_VERSION"))]),
        notices: notices.iter().take(3).map(|notice| line(notice, 250)).collect(),
        short: in_short(&visits, &walked, words),
        found: animals::found(&visits, words),
        map: map::draw(&visits, words),
        places: places::rows(&visits, &walked, words),
        due: due(season, words),
        methods: methods(&visits, !analysed.is_empty(), words),
        analysed,
        passed_over: passed_over.concat(),
        limits: vec![words.say("report.limit_counts").into(), words.say("report.limit_positions").into()],
    };
    Ok(template::render("report.html", include_str!("report.html"), &page, words)?)
}

/// How much was done, in a few lines.
fn in_short(visits: &[&Visit], walked: &[Walk], words: &Words) -> Vec<String> {
    if visits.is_empty() {
        return vec![words.say("report.no_visits").into()];
    }
    let mut places: Vec<String> = walked.iter().map(|walk| name_key(&walk.place)).collect();
    let mut people: Vec<&String> = walked.iter().flat_map(|walk| &walk.people).collect();
    places.sort_unstable();
    people.sort_unstable();
    places.dedup();
    people.dedup();
    let counts = [
        ("visits", words.count("report.visits", walked.len())),
        ("places", words.count("report.places", places.len())),
        ("people", words.count("summary.people", people.len())),
    ];
    let counts: Vec<(&str, &str)> = counts.iter().map(|(name, text)| (*name, text.as_str())).collect();
    let signs: usize = visits.iter().map(|visit| visit.signs.len()).sum();
    let identified: usize = visits.iter().map(|visit| visit.identified.len()).sum();
    let checked = |visit: &&Visit| visit.signs.iter().filter(|sign| visit.verdict(&sign.id).is_some()).count();
    let checked: usize = visits.iter().map(checked).sum();
    let searched = effort::of_walks(visits, walked);
    let hours: f64 =
        walked.iter().map(|walk| (walk.end - walk.start).num_minutes() as f64 / 60.0 * walk.people.len() as f64).sum();
    vec![
        words.fill("report.short_visits", &counts),
        words.fill("report.short_effort", &[("length", &searched.say(words)), ("hours", &words.number(hours, 1))]),
        words.fill(
            "report.short_signs",
            &[
                ("signs", &words.count("summary.sign_count", signs)),
                ("identified", &identified.to_string()),
                ("checked", &checked.to_string()),
            ],
        ),
    ]
}

/// Which places were to be visited in these days, and what became of it.
fn due(season: &Season<'_>, words: &Words) -> Vec<[String; 4]> {
    let walked = walks(season.visits);
    let in_these_days = |task: &Task| task.given.from <= season.to && task.given.until >= season.from;
    let tasks = season.plans.iter().flat_map(|plan| plan.tasks(&walked, season.today, None)).filter(in_these_days);
    let mut tasks: Vec<Task> = tasks.collect();
    tasks.sort_by_key(|task| (task.state == State::Done, task.given.until));
    let row = |task: &Task| {
        [
            line(&task.given.place, 60),
            names(&task.given.people, 4),
            words.day(task.given.until),
            words.say(task.state.key()).to_owned(),
        ]
    };
    tasks.iter().map(row).collect()
}

/// How was searched, and how figures were worked out.
fn methods(visits: &[&Visit], analysed: bool, words: &Words) -> Vec<String> {
    let mut protocols: Vec<String> = visits
        .iter()
        .filter_map(|visit| {
            let protocol = visit.opened.protocol.as_ref()?;
            let key = format!("protocol.{protocol}");
            let text = if words.has(&key) { words.say(&key).to_owned() } else { line(protocol, 150) };
            Some(match &visit.opened.protocol_rules {
                Some(rules) => format!("{text} ({})", rules.source),
                None => text,
            })
        })
        .collect();
    protocols.sort_unstable();
    protocols.dedup();
    let mut methods: Vec<String> =
        protocols.iter().map(|method| words.fill("summary.method", &[("method", method)])).collect();
    methods.push(words.say("report.method_searched").into());
    methods.push(words.say("report.method_grade").into());
    if analysed {
        for key in ["analyse.occupancy.assumptions", "analyse.animals.no_density", "analyse.animals.no_range"] {
            methods.push(words.say(key).into());
        }
    }
    methods
}

#[cfg(test)]
mod tests;
