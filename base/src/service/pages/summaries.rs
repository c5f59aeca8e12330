//! What goes to others as a page: the landowner's summary, looked at here and given out by a private link that ends and can be taken back; a season's report.

use axum::extract::Path;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use chrono::{NaiveDate, Utc};
use rakelight_core::exchange::wire::Role;
use rakelight_core::report::{self, ReportError, Season};
use rakelight_core::summary::{self, Besides};
use rakelight_core::survey::Consent;
use rakelight_core::words::{LANGUAGES, Words};

use super::ask::{Ask, Reader, to};
use super::fields::Fields;
use super::people::token;
use super::refusal::Refusal;
use super::sign::encoded;
use super::templates::context;
use crate::service::log::log;
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
            let exact = reader.query.get("exact").is_some();
            if reader.query.get("page") == Some("pdf") {
                return pdf(&html(reader, &id, lang, exact)?, "summary.pdf");
            }
            return whole(reader, &id, lang, exact);
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
            context! { id => hex::encode(link.token_sha256), by => link.given_by, lang => link.lang, until => reader.day(link.expires_ms) }
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
            exact: fields.get("exact").is_some(),
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
        whole(reader, &link.visit, &link.lang, link.exact)
    })
    .await
}

/// The summary as it is handed out. Its style stands in it, so that one file is all of it.
fn whole(reader: &Reader, id: &str, lang: &str, exact: bool) -> Result<Response, Refusal> {
    Ok(self_contained(html(reader, id, lang, exact)?))
}

/// A page as a file to send.
pub fn pdf(html: &str, name: &str) -> Result<Response, Refusal> {
    let bytes = crate::page::pdf(html).map_err(|error| {
        log(format_args!("rakelight: {error}"));
        Refusal::wrong("pages.refused.no_pdf")
    })?;
    let headers = [
        (header::CONTENT_TYPE, "application/pdf".to_owned()),
        (header::CONTENT_DISPOSITION, format!("attachment; filename=\"{name}\"")),
    ];
    Ok((headers, bytes).into_response())
}

fn html(reader: &Reader, id: &str, lang: &str, exact_places: bool) -> Result<String, Refusal> {
    let words = Words::load(lang).map_err(|_| Refusal::NOT_THERE)?;
    let (visit, _) = reader.visit(id)?;
    let plans = reader.pages.plans()?;
    let back = summary::back(&plans, &visit, Utc::now().date_naive());
    let path = |sha256: &str| reader.pages.with_store(|store| store.photo_path(sha256)).ok().flatten();
    let besides = Besides { back, exact_places, ..Besides::default() };
    summary::html_with(&visit, &besides, &words, path).map_err(Refusal::machine)
}

/// The season's report.
pub async fn report(ask: Ask) -> Response {
    ask.person(Role::Checker, |reader, _| {
        let day =
            |name| reader.query.need(name)?.parse::<NaiveDate>().map_err(|_| Refusal::wrong("pages.refused.no_date"));
        let (from, to) = (day("from")?, day("to")?);
        let visits = reader.pages.all_visits()?;
        let plans = reader.pages.plans()?;
        let season = Season { visits: &visits, plans: &plans, from, to, today: Utc::now().date_naive() };
        match report::html(&season, reader.words) {
            Ok(html) if reader.query.get("as") == Some("pdf") => pdf(&html, "report.pdf"),
            Ok(html) => Ok(self_contained(html)),
            Err(ReportError::Days { .. }) => Err(Refusal::wrong("pages.refused.days_backwards")),
            Err(error) => Err(Refusal::machine(error)),
        }
    })
    .await
}

/// A page that is one file, for people elsewhere.
fn self_contained(html: String) -> Response {
    let policy = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";
    let headers = [
        (header::CONTENT_TYPE, "text/html; charset=utf-8"),
        (header::CONTENT_SECURITY_POLICY, policy),
        (header::HeaderName::from_static("x-robots-tag"), "noindex, nofollow"),
    ];
    (headers, html).into_response()
}
