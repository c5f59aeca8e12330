//! What all visits show together.

use axum::response::Response;
use chrono::NaiveDate;
use rakelight_core::analysis::change::Step;
use rakelight_core::analysis::occupancy::{Estimate, Model, Outcome, fit};
use rakelight_core::analysis::of_store::{self, Gathered, Span};
use rakelight_core::analysis::{animals, draw};
use rakelight_core::exchange::wire::Role;
use rakelight_core::identify::Facts;
use rakelight_core::survey::Visit;
use serde_json::Value;

use super::ask::{Ask, Reader};
use super::refusal::Refusal;
use super::templates::context;

pub async fn page(ask: Ask) -> Response {
    ask.person(Role::Checker, |reader, _| {
        let facts = Facts::builtin().map_err(Refusal::machine)?;
        let maker = reader.query.get("maker").unwrap_or("lutra_lutra");
        facts.maker(maker).ok_or(Refusal::NOT_THERE)?;
        let day = |name| match reader.query.get(name) {
            Some(text) => text.parse::<NaiveDate>().map(Some).map_err(|_| Refusal::wrong("pages.refused.no_date")),
            None => Ok(None),
        };
        let span = Span { from: day("from")?, to: day("to")?, months: vec![] };
        let visits = reader.pages.all_visits()?;
        let gathered = of_store::histories(&visits, maker, &span, reader.words);
        let passed: Vec<_> = gathered
            .passed_over
            .iter()
            .map(|passed| context! { visit => passed.visit, place => passed.place, start => passed.start, why => reader.words.say(passed.why.key()) })
            .collect();
        let signs = of_store::signs(&visits, maker, &span);
        let at_least = animals::at_least(&signs, None).map_err(Refusal::machine)?;
        let reasons: Vec<String> =
            at_least.reasons().map(|pair| at_least.say(pair, &signs, None, reader.words)).collect();
        let animals = context! { least => at_least.set.len(), reasons, notes => at_least.notes(None, reader.words) };
        let mut makers: Vec<(String, String)> =
            facts.makers().iter().map(|maker| (maker.id.clone(), facts.name(&maker.id, reader.words))).collect();
        makers.sort_by(|a, b| a.1.cmp(&b.1));
        let histories = &gathered.histories;
        let counts = context! {
            places => histories.places_visited(), found_at => histories.found_at(),
            made => histories.visits_made(), detections => histories.detections(),
        };
        let rows: Vec<_> =
            histories.places().iter().map(|place| context! { name => place.name, history => place.history() }).collect();
        let asked = context! { maker, makers, from => span.from.map(|d| d.to_string()), to => span.to.map(|d| d.to_string()), name => facts.name(maker, reader.words) };
        let occupancy = occupancy(reader, histories)?;
        let change = match span.from.zip(span.to) {
            Some(days) => changed(reader, &visits, maker, days, &gathered)?,
            None => Value::Null,
        };
        reader.page("findings.html", context! { counts, rows, passed, animals, occupancy, change, ..asked })
    })
    .await
}

/// How far back years are compared.
const YEARS_BACK: u32 = 9;

/// What changed in the same days of the years before.
fn changed(
    reader: &Reader,
    visits: &[Visit],
    maker: &str,
    days: (NaiveDate, NaiveDate),
    gathered: &Gathered,
) -> Result<Value, Refusal> {
    let change = of_store::change_since(visits, maker, days, YEARS_BACK, gathered, reader.words);
    let change = change.map_err(Refusal::machine)?;
    let Some(change) = change else { return Ok(Value::Null) };
    let step =
        |step: &Step| context! { said => change.say(step, reader.words), common => step.say_common(reader.words) };
    let steps: Vec<_> = change.steps.iter().map(step).collect();
    let plot = draw::plot(&draw::of_change(&change, reader.words), change.level, reader.words).ok();
    Ok(context! { steps, plot, notes => change.notes(reader.words) })
}

/// At how many of the places it is, given that a visit may miss it; nothing where no place was visited.
fn occupancy(reader: &Reader, histories: &rakelight_core::analysis::occupancy::Histories) -> Result<Value, Refusal> {
    if histories.visits_made() == 0 {
        return Ok(Value::Null);
    }
    let model = Model::default();
    let fitted = fit(histories, &model, 0.95).map_err(Refusal::machine)?;
    let groups = draw::of_occupancy(histories, &fitted, &model, reader.words);
    let plot = groups.ok().and_then(|groups| draw::plot(&groups, 0.95, reader.words).ok());
    let warnings: Vec<String> = fitted.warnings.iter().map(|warning| warning.say(reader.words)).collect();
    let estimate = match &fitted.outcome {
        Outcome::Estimated(estimate) => Some(estimated(reader, estimate)),
        _ => None,
    };
    Ok(context! { estimate, warnings, plot })
}

fn estimated(reader: &Reader, estimate: &Estimate) -> Value {
    let number = |value: f64| reader.words.number(value, 2);
    let (psi, p) = (estimate.psi(0), estimate.p(0, 0));
    let ends = |profile: Option<[f64; 2]>, wald: Option<[f64; 2]>| profile.or(wald).map(|ends| ends.map(number));
    let p_profile = estimate.p_profile().and_then(|profiles| profiles.first().copied());
    context! {
        psi => number(psi.value), psi_ends => ends(estimate.psi_profile(), psi.interval),
        p => number(p.value), p_ends => ends(p_profile, p.interval),
    }
}
