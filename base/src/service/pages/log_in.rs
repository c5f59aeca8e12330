//! Logging in by a link that works once, and by password.

use axum::extract::Path;
use axum::response::Response;
use rakelight_core::exchange::wire::Role;

use super::ask::{Ask, Reader, own_path, to, with_session};
use super::fields::Fields;
use super::passkeys;
use super::passwords;
use super::refusal::Refusal;
use super::templates::context;
use crate::service::state::Person;
use crate::service::{digests, now_ms};

pub async fn page(ask: Ask) -> Response {
    ask.anyone(|reader| {
        let passkeys = passkeys::host(reader).is_some();
        reader.page("log_in.html", context! { next => own_path(reader.query.get("next")), passkeys })
    })
    .await
}

pub async fn with_password(ask: Ask, fields: Fields) -> Response {
    ask.open_form(fields, |reader, fields| {
        let (pages, now) = (reader.pages, now_ms());
        let name = fields.need("name")?;
        let who = digests::sha256(name.to_lowercase().as_bytes());
        pages.wrong_passwords.look(who, now).map_err(Refusal::TooOften)?;
        pages.wrong_passwords_by_address.look(reader.client, now).map_err(Refusal::TooOften)?;
        let person = pages.state.person_named(name)?.filter(|person| !person.barred);
        let kept = person.as_ref().and_then(|person| person.password.as_deref());
        let right = passwords::is_right(fields.raw("password"), kept);
        match person.filter(|_| right) {
            Some(person) => Ok(logged_in(reader, &person, own_path(fields.get("next")))),
            None => {
                _ = pages.wrong_passwords.take(who, now);
                _ = pages.wrong_passwords_by_address.take(reader.client, now);
                Err(Refusal::Say(axum::http::StatusCode::FORBIDDEN, "pages.refused.wrong_password"))
            }
        }
    })
    .await
}

/// Only shows a button: programs that look at links in e-mails don't use them up.
pub async fn link(ask: Ask, Path(token): Path<String>) -> Response {
    ask.anyone(move |reader| {
        let person = looked_up(reader, |pages| pages.state.log_in_link(&digests::sha256(token.as_bytes()), now_ms()))?;
        reader.page("link.html", context! { name => person.name })
    })
    .await
}

pub async fn with_link(ask: Ask, Path(token): Path<String>, fields: Fields) -> Response {
    ask.open_form(fields, move |reader, _| {
        let sha256 = digests::sha256(token.as_bytes());
        let person = looked_up(reader, |pages| pages.state.use_log_in_link(&sha256, now_ms()))?;
        let comes_again = person.password.is_some() || !reader.pages.state.passkeys(&person.id)?.is_empty();
        let next = if comes_again { "/" } else { "/me?new=1" };
        Ok(logged_in(reader, &person, next))
    })
    .await
}

/// Links can't be guessed, and not be tried by the thousand either.
fn looked_up(
    reader: &Reader,
    look: impl FnOnce(&super::Pages) -> Result<Option<Person>, crate::service::ServiceError>,
) -> Result<Person, Refusal> {
    let (limit, now) = (&reader.pages.wrong_links_by_address, now_ms());
    limit.look(reader.client, now).map_err(Refusal::TooOften)?;
    look(reader.pages)?.ok_or_else(|| {
        _ = limit.take(reader.client, now);
        Refusal::Say(axum::http::StatusCode::GONE, "pages.refused.link_over")
    })
}

/// Goes on, with a session.
pub fn logged_in(reader: &Reader, person: &Person, next: &str) -> Response {
    let session = reader.pages.seals.page_session(&person.id, person.era, now_ms());
    with_session(to(next), Some(&session))
}

pub async fn out(ask: Ask, fields: Fields) -> Response {
    ask.form(Role::FieldWorker, fields, |reader, person, _| {
        reader.pages.state.end_sessions(&person.id)?;
        Ok(with_session(to("/log-in"), None))
    })
    .await
}

pub async fn me(ask: Ask) -> Response {
    ask.person(Role::FieldWorker, |reader, person| {
        let new = reader.query.get("new").is_some();
        let values = context! {
            new, has_password => person.password.is_some(), shortest => passwords::SHORTEST,
            passkeys => passkeys::listed(reader, person)?, can_have_passkeys => passkeys::host(reader).is_some(),
        };
        reader.page("me.html", values)
    })
    .await
}

pub async fn set_password(ask: Ask, fields: Fields) -> Response {
    ask.form(Role::FieldWorker, fields, |reader, person, fields| {
        let password = fields.raw("password");
        if person.password.is_some() && !passwords::is_right(fields.raw("old"), person.password.as_deref()) {
            return Err(Refusal::wrong("pages.refused.wrong_old_password"));
        }
        if password != fields.raw("again") {
            return Err(Refusal::wrong("pages.refused.not_the_same"));
        }
        reader.pages.state.set_password(&person.id, &passwords::kept(password)?)?;
        // All other sessions are over; this one goes on.
        let person = reader.pages.state.person(&person.id)?.ok_or(Refusal::LogIn)?;
        Ok(logged_in(reader, &person, "/"))
    })
    .await
}
