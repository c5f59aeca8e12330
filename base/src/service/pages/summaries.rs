//! The landowner's summary: looked at here, and given out by a private link that ends and can be taken back.

use axum::extract::Path;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use rakelight_core::exchange::wire::Role;
use rakelight_core::summary;
use rakelight_core::survey::Consent;
use rakelight_core::words::{LANGUAGES, Words};

use super::ask::{Ask, Reader, to};
use super::fields::Fields;
use super::people::token;
use super::refusal::Refusal;
use super::sign::encoded;
use super::templates::context;
use crate::service::state::SummaryLink;
use crate::service::{digests, id_of, now_ms};

const DAY_MS: i64 = 24 * 3_600_000;
/// A link is good for so many days at most.
const MOST_DAYS: i64 = 366;

pub async fn preview(ask: Ask, Path(id): Path<String>) -> Response {
    ask.person(Role::FieldWorker, move |reader, person| {
        let (visit, opinions) = reader.visit(&id)?;
        if reader.is_blind(&visit, &opinions, person, &id)? {
            return Err(Refusal::wrong("pages.refused.blind"));
        }
        if reader.query.get("page").is_some() {
            let lang = reader.query.get("lang").unwrap_or(reader.words.language());
            return whole(reader, &id, lang);
        }
        show(reader, &id, None)
    })
    .await
}

fn show(reader: &Reader, id: &str, made: Option<String>) -> Result<Response, Refusal> {
    let (visit, _) = reader.visit(id)?;
    let links: Vec<_> = reader
        .pages
        .state
        .summary_links(id, now_ms())?
        .into_iter()
        .map(|link| {
            let until = chrono::DateTime::from_timestamp_millis(link.expires_ms).unwrap_or_default();
            context! { id => hex::encode(link.token_sha256), by => link.given_by, lang => link.lang, until => reader.date(until.fixed_offset()) }
        })
        .collect();
    let agreed = visit.consent() != Consent::None;
    let values = context! { visit => id, place => visit.opened.place_name, date => reader.date(visit.opened.start), landowner => visit.opened.landowner };
    reader.page("summary.html", context! { links, made, agreed, languages => LANGUAGES, ..values })
}

pub async fn give(ask: Ask, Path(id): Path<String>, fields: Fields) -> Response {
    ask.form(Role::Coordinator, fields, move |reader, person, fields| {
        let (visit, _) = reader.visit(&id)?;
        if visit.consent() == Consent::None {
            return Err(Refusal::wrong("pages.refused.no_consent"));
        }
        let lang = fields
            .get("lang")
            .filter(|lang| LANGUAGES.contains(lang))
            .ok_or(Refusal::wrong("pages.refused.missing"))?;
        let days: Option<i64> = fields.get("days").and_then(|days| days.parse().ok());
        let days = days.filter(|days| (1..=MOST_DAYS).contains(days)).ok_or(Refusal::wrong("pages.refused.days"))?;
        let (token, now) = (token()?, now_ms());
        let link = SummaryLink {
            token_sha256: digests::sha256(token.as_bytes()),
            visit: id.clone(),
            lang: lang.into(),
            given_by: person.name.clone(),
            given_ms: now,
            expires_ms: now + days * DAY_MS,
        };
        reader.pages.state.give_summary(&link)?;
        show(reader, &id, Some(format!("{}/summary/{token}", reader.address()?)))
    })
    .await
}

pub async fn withdraw(ask: Ask, Path(id): Path<String>, fields: Fields) -> Response {
    ask.form(Role::Coordinator, fields, move |reader, _, fields| {
        let link = id_of(fields.need("link")?).ok_or(Refusal::NOT_THERE)?;
        reader.pages.state.withdraw_summary(&link)?;
        Ok(to(&format!("/visits/{}/summary", encoded(&id))))
    })
    .await
}

/// What a landowner sees. Without their consent there is nothing, whoever has the link.
pub async fn by_link(ask: Ask, Path(token): Path<String>) -> Response {
    ask.anyone(move |reader| {
        let (limit, now) = (&reader.pages.wrong_links_by_address, now_ms());
        limit.look(reader.client, now).map_err(Refusal::TooOften)?;
        let over = || Refusal::Say(axum::http::StatusCode::GONE, "pages.refused.summary_over");
        let link = reader.pages.state.summary_link(&digests::sha256(token.as_bytes()), now)?;
        let link = link.ok_or_else(|| {
            _ = limit.take(reader.client, now);
            over()
        })?;
        let (visit, _) = reader.visit(&link.visit).map_err(|_| over())?;
        if visit.consent() == Consent::None {
            return Err(over());
        }
        whole(reader, &link.visit, &link.lang)
    })
    .await
}

/// The summary as it is handed out. Its style stands in it, so that one file is all of it.
fn whole(reader: &Reader, id: &str, lang: &str) -> Result<Response, Refusal> {
    let words = Words::load(lang).map_err(|_| Refusal::NOT_THERE)?;
    let (visit, _) = reader.visit(id)?;
    let path = |sha256: &str| reader.pages.with_store(|store| store.photo_path(sha256)).ok().flatten();
    let html = summary::html(&visit, &[], &words, path).map_err(Refusal::machine)?;
    let policy = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";
    let headers = [
        (header::CONTENT_TYPE, "text/html; charset=utf-8"),
        (header::CONTENT_SECURITY_POLICY, policy),
        (header::HeaderName::from_static("x-robots-tag"), "noindex, nofollow"),
    ];
    Ok((headers, html).into_response())
}
