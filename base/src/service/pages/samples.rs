//! Samples: where each pot is, and what was found in it at base.

use axum::response::Response;
use chrono::{SubsecRound, Utc};
use rakelight_core::exchange::wire::Role;
use rakelight_core::identify::{Content, Facts, identify};
use rakelight_core::survey::{Identified, Record, SampleTaken, Visit};
use serde::Serialize;

use super::ask::{Ask, Reader, to};
use super::fields::Fields;
use super::refusal::Refusal;
use super::templates::context;

#[derive(Serialize)]
struct Row {
    visit: String,
    place: String,
    sample: SampleTaken,
    since: String,
    kind: Option<String>,
    /// Whether it is of a dropping, whose contents are looked at.
    dropping: bool,
    contents: Option<Vec<Content>>,
    said: Option<String>,
}

pub async fn list(ask: Ask) -> Response {
    ask.person(Role::FieldWorker, |reader, _| {
        let ids: Vec<String> = {
            let lines = reader.pages.list.now(&reader.pages.store)?;
            let with_pots = lines.visits.iter().filter(|(_, line)| line.pots > 0);
            with_pots.map(|(id, _)| id.clone()).collect()
        };
        let visits: Vec<Visit> =
            reader.pages.with_store(|store| ids.iter().filter_map(|id| store.visit(id).transpose()).collect())?;
        let mut rows: Vec<Row> = visits.iter().flat_map(|visit| rows(reader, visit)).collect();
        rows.sort_by_key(|row| std::cmp::Reverse(row.sample.since));
        let contents: Vec<_> = contents(reader);
        reader.page("samples.html", context! { rows, contents })
    })
    .await
}

fn rows(reader: &Reader, visit: &Visit) -> Vec<Row> {
    let row = |sample: &SampleTaken| {
        let noted = visit.signs.iter().find(|noted| noted.id == sample.sign);
        let dropping = visit.identification(&sample.sign).and_then(|of| of.evidence.droppings.first());
        let contents = dropping.and_then(|dropping| dropping.contents.clone());
        let said = contents
            .as_ref()
            .map(|contents| contents.iter().map(|content| name(reader, *content)).collect::<Vec<_>>().join(", "));
        Row {
            visit: visit.id.clone(),
            place: visit.opened.place_name.clone(),
            since: reader.date(sample.since),
            sample: sample.clone(),
            kind: noted.map(|noted| reader.kind(noted.sign)),
            dropping: dropping.is_some(),
            contents,
            said,
        }
    };
    visit.samples.iter().map(row).collect()
}

/// Each kind of contents: its key, and in words.
fn contents(reader: &Reader) -> Vec<(String, String)> {
    Content::ALL.iter().map(|content| (content.name().to_owned(), name(reader, *content))).collect()
}

fn name(reader: &Reader, content: Content) -> String {
    reader.words.say(&format!("identify.content.{}", content.name())).to_owned()
}

/// What a pot held: the sign's evidence with these contents, identified anew. What was said of it before stays in the log.
pub async fn contents_found(ask: Ask, fields: Fields) -> Response {
    ask.form(Role::Checker, fields, |reader, person, fields| {
        let (id, pot) = (fields.need("visit")?, fields.need("pot")?);
        let (visit, _) = reader.visit(id)?;
        let sample = visit.samples.iter().find(|sample| sample.pot == pot).ok_or(Refusal::NOT_THERE)?;
        let known = visit.identification(&sample.sign).ok_or(Refusal::NOT_THERE)?;
        let found: Vec<Content> =
            Content::ALL.iter().copied().filter(|content| fields.get(content.name()).is_some()).collect();
        if found.is_empty() || (found.len() > 1 && found.contains(&Content::NothingIdentifiable)) {
            return Err(Refusal::wrong("pages.refused.no_contents"));
        }
        let mut evidence = known.evidence.clone();
        evidence.droppings.first_mut().ok_or(Refusal::NOT_THERE)?.contents = Some(found);
        let facts = Facts::builtin().map_err(Refusal::machine)?;
        let result = identify(&evidence, facts, reader.words).map_err(Refusal::machine)?;
        let identified = Identified {
            sign: sample.sign.clone(),
            evidence,
            result,
            core_version: env!("CARGO_PKG_VERSION").into(),
            facts_digest: facts.digest(),
        };
        reader.pages.write(id, &person.name, &[Record::Identification(identified)])?;
        Ok(to("/samples"))
    })
    .await
}

/// A pot changes hands.
pub async fn hand_over(ask: Ask, fields: Fields) -> Response {
    ask.form(Role::FieldWorker, fields, |reader, person, fields| {
        let (id, pot, held_by) = (fields.need("visit")?, fields.need("pot")?, fields.need("held_by")?);
        if held_by.chars().count() > 200 {
            return Err(Refusal::wrong("pages.refused.too_long"));
        }
        let (visit, _) = reader.visit(id)?;
        let sample = visit.samples.iter().find(|sample| sample.pot == pot).ok_or(Refusal::NOT_THERE)?;
        let since = Utc::now().trunc_subsecs(0).fixed_offset();
        let handed = SampleTaken { held_by: held_by.into(), since, ..sample.clone() };
        reader.pages.write(id, &person.name, &[Record::SampleTaken(handed)])?;
        Ok(to("/samples"))
    })
    .await
}
