//! Visits: the list, and one with all that was noted.

use axum::extract::Path;
use axum::response::Response;
use chrono::Utc;
use rakelight_core::exchange::wire::Role;
use rakelight_core::survey::{
    Consent, Finding, LandownerConsent, Record, Stage, absence_texts, effort, findings, was_there,
};
use serde::Serialize;

use super::ask::{Ask, Reader, to};
use super::fields::Fields;
use super::places::outcome;
use super::refusal::Refusal;
use super::sign::encoded;
use super::templates::context;
use crate::service::now_ms;

/// Visits on one page.
const ON_A_PAGE: usize = 50;

#[derive(Serialize)]
struct Row<'l> {
    visit: &'l str,
    date: String,
    place: &'l str,
    people: &'l [String],
    signs: usize,
    checked: usize,
}

pub async fn list(ask: Ask) -> Response {
    ask.person(Role::FieldWorker, |reader, person| {
        let from: usize = reader.query.get("from").and_then(|from| from.parse().ok()).unwrap_or(0);
        let own = reader.query.get("own").is_some();
        let lines = reader.pages.list.now(&reader.pages.store)?;
        let mut visits: Vec<_> =
            lines.visits.iter().filter(|(_, line)| !own || was_there(&line.people, &person.name)).collect();
        visits.sort_by_key(|(_, line)| std::cmp::Reverse(line.start));
        let all = visits.len();
        let decided = |stage: Stage| matches!(stage, Stage::Second | Stage::Settled);
        let rows: Vec<Row> = visits
            .into_iter()
            .skip(from)
            .take(ON_A_PAGE)
            .map(|(visit, line)| Row {
                visit,
                date: reader.date(line.start),
                place: &line.place,
                people: &line.people,
                signs: line.signs.len(),
                checked: line.signs.iter().filter(|sign| decided(sign.stage())).count(),
            })
            .collect();
        let next = (from + rows.len() < all).then_some(from + ON_A_PAGE);
        let before = (from > 0).then_some(from.saturating_sub(ON_A_PAGE));
        reader.page("visits.html", context! { rows, all, own, from, next, before })
    })
    .await
}

#[derive(Serialize)]
struct Found {
    name: String,
    grade: rakelight_core::identify::Grade,
    outcome: Option<&'static str>,
    rule: Option<String>,
    percent: Option<String>,
    width: f64,
    low: f64,
    span: f64,
    firm: bool,
    signs: Vec<String>,
    absent: Vec<String>,
}

pub async fn visit(ask: Ask, Path(id): Path<String>) -> Response {
    ask.person(Role::FieldWorker, move |reader, person| {
        let (visit, opinions) = reader.visit(&id)?;
        let own = was_there(&visit.opened.people, &person.name);
        // Who has signs of it to look at blind yet doesn't see what was made of them, unless they give that up.
        let blind = reader.is_blind(&visit, &opinions, person, &id)?;
        let findings: Vec<Found> =
            if blind { vec![] } else { findings(&visit, reader.words).iter().map(|one| found(reader, one)).collect() };
        let effort = effort(&visit);
        let stretches: Vec<_> = effort
            .stretches
            .iter()
            .map(|stretch| {
                context! { name => stretch.name, length_m => stretch.length_m.round(), searched_m => stretch.searched_m.map(f64::round) }
            })
            .collect();
        let signs: Vec<_> = visit.signs.iter().take(500).map(|noted| context! {
            sign => noted.id, kind => reader.kind(noted.sign), time => noted.time.map(|time| time.format("%H:%M").to_string()),
            photographs => noted.photos.len(),
        }).collect();
        let consent = match visit.consent() {
            Consent::None => "none",
            Consent::SummaryOnly => "summary_only",
            Consent::ExactOnOwnLand => "exact_on_own_land",
        };
        let given = context! { consent, landowner => visit.opened.landowner };
        let head = context! {
            visit => id, place => visit.opened.place_name, date => reader.date(visit.opened.start),
            people => visit.opened.people, purpose => visit.opened.purpose, notice => visit.opened.notice,
            minutes => effort.minutes, walked_m => effort.walked_m.map(f64::round),
            notes => visit.notes.iter().map(|note| &note.text).collect::<Vec<_>>(),
        };
        let samples: Vec<_> = visit.samples.iter().map(|sample| context! { pot => sample.pot, held_by => sample.held_by }).collect();
        let links = reader.pages.state.summary_links(&id, now_ms())?;
        let more = visit.signs.len().saturating_sub(500);
        reader.page("visit.html", context! { own, blind, findings, stretches, signs, more, samples, links_given => links.len(), ..given, ..head })
    })
    .await
}

fn found(reader: &Reader, finding: &Finding) -> Found {
    let words = reader.words;
    let [low, high] = finding.band.unwrap_or_default();
    Found {
        name: finding.name.clone(),
        grade: finding.grade,
        outcome: finding.positive.map(|_| outcome(finding)),
        rule: finding.rule.clone(),
        percent: finding.probability.map(|p| words.number(100.0 * p, 1)),
        width: 200.0 * finding.probability.unwrap_or(0.0),
        low: 200.0 * low,
        span: (200.0 * (high - low)).max(1.0),
        firm: finding.firm,
        signs: finding.signs.iter().take(20).cloned().collect(),
        absent: absence_texts(finding, words),
    }
}

/// What the landowner said later, as the coordinator was told it.
pub async fn consent(ask: Ask, Path(id): Path<String>, fields: Fields) -> Response {
    ask.form(Role::Coordinator, fields, move |reader, person, fields| {
        let (visit, _) = reader.visit(&id)?;
        let consent = match fields.need("consent")? {
            "none" => Consent::None,
            "summary_only" => Consent::SummaryOnly,
            "exact_on_own_land" => Consent::ExactOnOwnLand,
            _ => return Err(Refusal::wrong("pages.refused.missing")),
        };
        let note = fields.get("note").map(str::to_owned);
        let given = Utc::now().fixed_offset();
        let said = LandownerConsent { landowner: visit.opened.landowner, consent, given, note };
        reader.pages.write(&id, &person.name, &[Record::LandownerConsent(said)])?;
        Ok(to(&format!("/visits/{}", encoded(&id))))
    })
    .await
}

/// Gives up looking blind at a visit's signs, and shows what was made of them.
pub async fn show(ask: Ask, Path(id): Path<String>, fields: Fields) -> Response {
    ask.form(Role::FieldWorker, fields, move |reader, person, _| {
        reader.visit(&id)?;
        reader.pages.state.show_findings(&person.id, &id)?;
        Ok(to(&format!("/visits/{}", encoded(&id))))
    })
    .await
}
