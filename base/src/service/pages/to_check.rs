//! The list of what is to be checked, and how well those agree who check.

use std::collections::HashMap;

use axum::response::Response;
use rakelight_core::analysis::{Agreement, agreement as agree};
use rakelight_core::exchange::wire::Role;
use rakelight_core::survey::Stage;
use serde::Serialize;

use super::ask::{Ask, Reader, to};
use super::list::Task;
use super::refusal::Refusal;
use super::templates::context;

/// Signs on one page.
const ON_A_PAGE: usize = 50;

/// The lists, as their addresses name them.
pub const LISTS: [(&str, Task); 6] = [
    ("first", Task::Check(Stage::First)),
    ("unsettled", Task::Check(Stage::Unsettled)),
    ("second", Task::Check(Stage::Second)),
    ("settled", Task::Check(Stage::Settled)),
    ("done", Task::Done),
    ("own", Task::Own),
];

#[derive(Serialize)]
struct Row<'l> {
    visit: &'l str,
    sign: &'l str,
    kind: String,
    place: &'l str,
    date: String,
    photographs: usize,
    looked: usize,
}

pub async fn home(ask: Ask) -> Response {
    ask.person(Role::FieldWorker, |_, person| {
        Ok(to(if person.role == Role::FieldWorker { "/visits" } else { "/to-check" }))
    })
    .await
}

pub async fn list(ask: Ask) -> Response {
    ask.person(Role::FieldWorker, |reader, person| {
        let named = reader.query.get("list").unwrap_or("first");
        let (chosen, task) = LISTS.into_iter().find(|(name, _)| *name == named).ok_or(Refusal::NOT_THERE)?;
        let from: usize =
            reader.query.get("from").and_then(|from| from.parse().ok()).unwrap_or(0).min(usize::MAX - ON_A_PAGE);
        let lines = reader.pages.list.now(&reader.pages.store)?;
        let (mut counts, mut rows): (HashMap<Task, usize>, Vec<Row>) = (HashMap::new(), Vec::new());
        for (of_sign, of) in lines.tasks(&person.name) {
            let before = counts.entry(of_sign).or_default();
            if of_sign == task && (from..from + ON_A_PAGE).contains(before) {
                rows.push(Row {
                    visit: of.visit,
                    sign: &of.sign.sign,
                    kind: reader.kind(of.sign.kind),
                    place: &of.line.place,
                    date: reader.date(of.line.start),
                    photographs: of.photographs,
                    looked: of.sign.opinions.len(),
                });
            }
            *before += 1;
        }
        let count = |task: &Task| counts.get(task).copied().unwrap_or(0);
        let lists: Vec<_> = LISTS.iter().map(|(name, task)| context! { name, count => count(task) }).collect();
        let next = (from + rows.len() < count(&task)).then_some(from + ON_A_PAGE);
        let before = (from > 0).then_some(from.saturating_sub(ON_A_PAGE));
        reader.page("to_check.html", context! { list => chosen, lists, rows, from, next, before })
    })
    .await
}

#[derive(Serialize)]
struct Pair {
    one: String,
    other: Option<String>,
    signs: usize,
    same: usize,
    kappa: Option<f64>,
    low: Option<f64>,
    high: Option<f64>,
}

impl Pair {
    fn new(one: String, other: Option<String>, said: &[(String, String)]) -> Self {
        let Agreement { signs, same, kappa, interval, .. } = agree(said);
        Self { one, other, signs, same, kappa, low: interval.map(|i| i[0]), high: interval.map(|i| i[1]) }
    }
}

pub async fn agreement(ask: Ask) -> Response {
    ask.person(Role::Checker, |reader, _| {
        let lines = reader.pages.list.now(&reader.pages.store)?;
        let pairs: Vec<Pair> =
            lines.blind_pairs().into_iter().map(|((one, other), said)| Pair::new(one, Some(other), &said)).collect();
        let core: Vec<Pair> =
            lines.beside_the_core().into_iter().map(|(one, said)| Pair::new(one, None, &said)).collect();
        reader.page("agreement.html", context! { pairs, core })
    })
    .await
}

impl Reader<'_> {
    /// What a sign is, in words.
    pub fn kind(&self, kind: rakelight_core::survey::SignKind) -> String {
        let name =
            serde_json::to_value(kind).ok().and_then(|name| name.as_str().map(str::to_owned)).unwrap_or_default();
        self.words.say(&format!("pages.kind.{name}")).to_owned()
    }

    /// A day, as the language writes it.
    pub fn date(&self, at: chrono::DateTime<chrono::FixedOffset>) -> String {
        self.words.day(at.date_naive())
    }

    /// The day of a moment, UTC.
    pub fn day(&self, ms: i64) -> String {
        self.date(chrono::DateTime::from_timestamp_millis(ms).unwrap_or_default().fixed_offset())
    }

    /// A day and the time by the clock of the place.
    pub fn time(&self, at: chrono::DateTime<chrono::FixedOffset>) -> String {
        format!("{}, {}", self.date(at), at.format("%H:%M"))
    }
}
