//! Places: when they were visited, what was found there, what is due.

use std::collections::{BTreeMap, HashSet};

use axum::Json;
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, FixedOffset, Utc};
use rakelight_core::exchange::wire::Role;
use rakelight_core::place::{LocalPlane, Position};
use rakelight_core::survey::{Finding, Opinion, SeasonPlan, Task, Visit, findings, name_key, same_name, walks};
use serde::Serialize;
use serde_json::{Value, json};

use super::ask::{Ask, Reader};
use super::list::Lines;
use super::refusal::Refusal;
use super::sign::encoded;
use super::templates::context;

/// One place in the list.
#[derive(Debug, Default, Serialize)]
struct Row {
    name: String,
    address: String,
    visits: usize,
    last: Option<String>,
    due: Option<String>,
    until: Option<String>,
    #[serde(skip)]
    at: Option<[f64; 2]>,
    #[serde(skip)]
    last_start: Option<DateTime<FixedOffset>>,
}

/// What one visit found of what it looked for, for the strip.
#[derive(Serialize)]
struct Past {
    visit: String,
    date: String,
    people: Vec<String>,
    hidden: bool,
    targets: Vec<Target>,
}

#[derive(Serialize)]
struct Target {
    name: String,
    /// `found`, `not_found` or `not_enough`.
    outcome: &'static str,
}

pub async fn list(ask: Ask) -> Response {
    ask.person(Role::FieldWorker, |reader, _| {
        let tasks = tasks(reader)?;
        let lines = reader.pages.list.now(&reader.pages.store)?;
        let rows = rows(reader, &lines, &tasks);
        let schematic = schematic(&rows);
        let tiles = &reader.pages.tiles;
        reader.page("places.html", context! { rows, schematic, tiles })
    })
    .await
}

pub async fn place(ask: Ask) -> Response {
    ask.person(Role::FieldWorker, |reader, person| {
        let name = reader.query.get("name").ok_or(Refusal::NOT_THERE)?;
        let visits = visits_at(reader, name)?;
        let tasks = tasks(reader)?;
        let tasks: Vec<&Task> = tasks.iter().map(|(task, _)| task).filter(|task| same_name(&task.given.place, name)).collect();
        if visits.is_empty() && tasks.is_empty() {
            return Err(Refusal::NOT_THERE);
        }
        let due: Vec<_> = tasks
            .iter()
            .map(|task| {
                let (from, until) = (task.given.from.to_string(), task.given.until.to_string());
                context! { people => task.given.people, from, until, state => reader.words.say(task.state.key()), may_enter => reader.words.say(task.may_enter.key()) }
            })
            .collect();
        let past = |(visit, opinions): &(Visit, Vec<Opinion>)| {
            let hidden = reader.is_blind(visit, opinions, person, &visit.id)?;
            Ok(past(reader, visit, hidden))
        };
        let mut past: Vec<Past> = visits.iter().map(past).collect::<Result<_, Refusal>>()?;
        past.reverse();
        let tiles = &reader.pages.tiles;
        reader.page("place.html", context! { name, address => encoded(name), past, due, tiles })
    })
    .await
}

/// What the map draws: places, or one place's stretches and signs.
pub async fn map(ask: Ask) -> Response {
    ask.person(Role::FieldWorker, |reader, _| {
        let features: Vec<Value> = match reader.query.get("place") {
            Some(name) => visits_at(reader, name)?.iter().flat_map(|(visit, _)| of_visit(reader, visit)).collect(),
            None => {
                let tasks = tasks(reader)?;
                let lines = reader.pages.list.now(&reader.pages.store)?;
                let rows = rows(reader, &lines, &tasks);
                let place = |row: &Row| {
                    let [lat, lon] = row.at?;
                    let href = format!("/place?name={}", row.address);
                    Some(feature(&json!({ "type": "Point", "coordinates": [lon, lat] }), &row.name, Some(&href)))
                };
                rows.iter().filter_map(place).collect()
            }
        };
        Ok(Json(json!({ "type": "FeatureCollection", "features": features })).into_response())
    })
    .await
}

fn of_visit(reader: &Reader, visit: &Visit) -> Vec<Value> {
    let lines = visit
        .stretches
        .iter()
        .filter(|stretch| stretch.line.len() > 1)
        .map(|stretch| feature(&json!({ "type": "LineString", "coordinates": stretch.line }), &stretch.name, None));
    let signs = visit.signs.iter().filter_map(|noted| {
        let [lat, lon] = noted.place?;
        let label = format!("{}, {}", reader.kind(noted.sign), reader.date(visit.opened.start));
        let href = format!("/visits/{}/signs/{}", encoded(&visit.id), encoded(&noted.id));
        Some(feature(&json!({ "type": "Point", "coordinates": [lon, lat] }), &label, Some(&href)))
    });
    lines.chain(signs).collect()
}

fn feature(geometry: &Value, label: &str, href: Option<&str>) -> Value {
    json!({ "type": "Feature", "geometry": geometry, "properties": { "label": label, "href": href } })
}

fn rows(reader: &Reader, lines: &Lines, tasks: &[Placed]) -> Vec<Row> {
    let mut rows: BTreeMap<String, Row> = BTreeMap::new();
    for line in lines.visits.values() {
        let row = rows.entry(name_key(&line.place)).or_default();
        row.visits += 1;
        if row.last_start.is_none_or(|last| line.start >= last) {
            row.last_start = Some(line.start);
            row.name.clone_from(&line.place);
        }
        row.at = row.at.or(line.at);
    }
    for (task, at) in tasks {
        let row = rows.entry(name_key(&task.given.place)).or_default();
        if row.name.is_empty() {
            row.name.clone_from(&task.given.place);
        }
        row.at = at.or(row.at);
        row.due = Some(reader.words.say(task.state.key()).to_owned());
        row.until = Some(task.given.until.to_string());
    }
    let finish = |mut row: Row| {
        row.last = row.last_start.map(|start| reader.date(start));
        row.address = encoded(&row.name);
        row
    };
    rows.into_values().map(finish).collect()
}

/// What was given to somebody, and where it is: latitude and longitude, degrees.
type Placed = (Task, Option<[f64; 2]>);

/// All of it, the last to end last.
fn tasks(reader: &Reader) -> Result<Vec<Placed>, Refusal> {
    let plans = reader.pages.plans()?;
    let planned: HashSet<String> =
        plans.iter().flat_map(|plan| &plan.places).map(|place| name_key(&place.name)).collect();
    let ids: Vec<String> = {
        let lines = reader.pages.list.now(&reader.pages.store)?;
        let at_planned = lines.visits.iter().filter(|(_, line)| planned.contains(&name_key(&line.place)));
        at_planned.map(|(id, _)| id.clone()).collect()
    };
    let visits: Vec<Visit> = reader
        .pages
        .with_store(|store| ids.iter().filter_map(|id| store.way(id).transpose()).collect::<Result<_, _>>())?;
    let (walks, today) = (walks(&visits), Utc::now().date_naive());
    let of_plan = |plan: &SeasonPlan| {
        let at = |task: &Task| plan.place(&task.given.place).map(|place| place.at);
        plan.tasks(&walks, today, None).into_iter().map(|task| (task.clone(), at(&task))).collect::<Vec<_>>()
    };
    let mut tasks: Vec<_> = plans.iter().flat_map(of_plan).collect();
    tasks.sort_by_key(|(task, _)| task.given.until);
    Ok(tasks)
}

fn visits_at(reader: &Reader, name: &str) -> Result<Vec<(Visit, Vec<Opinion>)>, Refusal> {
    let ids: Vec<String> = {
        let lines = reader.pages.list.now(&reader.pages.store)?;
        let mut at: Vec<_> = lines.visits.iter().filter(|(_, line)| same_name(&line.place, name)).collect();
        at.sort_by_key(|(_, line)| line.start);
        at.into_iter().map(|(id, _)| id.clone()).collect()
    };
    reader.pages.with_store(|store| {
        ids.iter().filter_map(|id| store.visit_and_opinions(id).transpose()).collect::<Result<_, _>>()
    })
}

/// What was found is `hidden` from somebody who may yet look at signs of the visit blind.
fn past(reader: &Reader, visit: &Visit, hidden: bool) -> Past {
    let findings = if hidden { vec![] } else { findings(visit, reader.words) };
    let looked_for = |maker: &String| findings.iter().find(|finding| finding.maker == *maker);
    let targets = visit.opened.targets.iter().filter_map(looked_for);
    Past {
        visit: visit.id.clone(),
        date: reader.date(visit.opened.start),
        people: visit.opened.people.clone(),
        hidden,
        targets: targets.map(|finding| Target { name: finding.name.clone(), outcome: outcome(finding) }).collect(),
    }
}

/// What a finding of a target says.
pub fn outcome(finding: &Finding) -> &'static str {
    match finding.positive {
        Some(true) => "found",
        Some(false) => "not_found",
        None => "not_enough",
    }
}

/// Where the places lie to each other: dots with numbers, north up, one scale. It stands where there is no map.
fn schematic(rows: &[Row]) -> Option<String> {
    use std::fmt::Write;
    const WIDTH: f64 = 640.0;
    const MARGIN: f64 = 24.0;
    let placed: Vec<(usize, [f64; 2])> = rows.iter().enumerate().filter_map(|(i, row)| Some((i, row.at?))).collect();
    let [lat, lon] = placed.first()?.1;
    let plane = LocalPlane::at(&Position::new(lat, lon, None).ok()?);
    let metres: Vec<(usize, [f64; 2])> = placed.iter().map(|(i, [lat, lon])| (*i, plane.metres(*lat, *lon))).collect();
    let end = |axis: usize, pick: fn(f64, f64) -> f64| metres.iter().map(|(_, m)| m[axis]).reduce(pick).unwrap_or(0.0);
    let (west, east, south, north) = (end(0, f64::min), end(0, f64::max), end(1, f64::min), end(1, f64::max));
    let across = (east - west).max((north - south) * 1.2).max(500.0);
    let scale = (WIDTH - 2.0 * MARGIN) / across;
    let height = (north - south) * scale + 2.0 * MARGIN + 40.0;
    let mut svg = format!(
        r##"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height:.0}" class="schematic" aria-hidden="true">"##
    );
    for (i, [x, y]) in &metres {
        let (x, y) = (WIDTH / 2.0 + (x - (west + east) / 2.0) * scale, MARGIN + (north - y) * scale);
        _ = write!(
            svg,
            r##"<circle cx="{x:.1}" cy="{y:.1}" r="11" fill="#EAE6DA" stroke="#14222B" stroke-width="2"/><text x="{x:.1}" y="{:.1}" font-size="12" text-anchor="middle" fill="#14222B">{}</text>"##,
            y + 4.2,
            i + 1
        );
    }
    let bar_m = 10_f64.powf((across / 3.0).log10().floor());
    let (x, y) = (MARGIN, height - 16.0);
    let length = bar_m * scale;
    let label = if bar_m >= 1000.0 { format!("{} km", bar_m / 1000.0) } else { format!("{bar_m} m") };
    _ = write!(
        svg,
        r##"<path d="M{x} {y}h{length:.1}M{x} {}v8M{:.1} {}v8" stroke="#14222B" stroke-width="2" fill="none"/><text x="{:.1}" y="{:.1}" font-size="13" fill="#14222B">{label}</text><path d="M{n} {y}v-26m-6 9l6 -9l6 9" stroke="#14222B" stroke-width="2" fill="none"/><text x="{n}" y="{:.1}" font-size="12" text-anchor="middle" fill="#14222B">N</text></svg>"##,
        y - 4.0,
        x + length,
        y - 4.0,
        x + length + 8.0,
        y + 4.0,
        y + 14.0,
        n = WIDTH - MARGIN,
    );
    Some(svg)
}
