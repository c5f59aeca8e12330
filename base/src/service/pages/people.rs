//! People and phones: who may do what, whose phone exchanged when, and what hasn't arrived.

use axum::response::Response;
use base64::Engine;
use base64::prelude::{BASE64_STANDARD, BASE64_URL_SAFE_NO_PAD};
use rakelight_core::exchange::Invitation;
use rakelight_core::exchange::wire::Role;
use serde_json::Value;

use super::ask::{Ask, Reader, to};
use super::fields::Fields;
use super::refusal::Refusal;
use super::templates::context;
use crate::service::state::{Invited, PersonId, State, role_name, role_of};
use crate::service::{codes, digests, id_of, now_ms, qr, random};

/// An invitation, and a link to log in with, are good for so long.
const GOOD_MS: i64 = 72 * 3_600_000;

pub async fn list(ask: Ask) -> Response {
    ask.person(Role::Coordinator, |reader, _| show(reader, Value::Null)).await
}

fn show(reader: &Reader, made: Value) -> Result<Response, Refusal> {
    let state = &reader.pages.state;
    let forks = reader.pages.with_store(|store| store.forks())?;
    let own = reader.pages.with_store(rakelight_core::store::Store::device)?;
    let members: Vec<_> = state
        .members()?
        .into_iter()
        .map(|member| {
            let device = hex::encode(member.device);
            context! {
                name => member.name, role => role_name(member.role), barred => member.barred,
                last => member.last_exchange_ms.map(|ms| moment(reader, ms)), forked => forks.contains(&device), base => device == own, device,
            }
        })
        .collect();
    let people: Vec<_> = state
        .people()?
        .into_iter()
        .map(|person| {
            context! {
                id => hex::encode(person.id), name => person.name, role => role_name(person.role), barred => person.barred,
                seen => person.seen_ms.map(|ms| moment(reader, ms)), has_password => person.password.is_some(),
            }
        })
        .collect();
    let wanted = reader.pages.with_store(|store| store.wanted_photos(1_000))?.len();
    reader.page("people.html", context! { members, people, wanted, made })
}

fn moment(reader: &Reader, ms: i64) -> String {
    let at = chrono::DateTime::from_timestamp_millis(ms).unwrap_or_default();
    format!("{} UTC", reader.time(at.fixed_offset()))
}

/// Invites a phone, or somebody to these pages: what is to be handed to them is shown once.
pub async fn invite(ask: Ask, fields: Fields) -> Response {
    ask.form(Role::Coordinator, fields, |reader, _, fields| {
        let name = fields.need("name")?;
        if name.chars().count() > 200 {
            return Err(Refusal::wrong("pages.refused.too_long"));
        }
        let role = fields.get("role").and_then(role_of).ok_or(Refusal::wrong("pages.refused.missing"))?;
        let address = reader.address()?;
        let now = now_ms();
        let made = if fields.get("what") == Some("pages") {
            let (token, id) = (token()?, random::<16>().map_err(Refusal::machine)?);
            let sha256 = digests::sha256(token.as_bytes());
            reader.pages.state.give_log_in(&id, name, role, &sha256, [now, now + GOOD_MS])?;
            context! { name, pages => true, text => format!("{address}/log-in/{token}") }
        } else {
            let code = codes::new().map_err(Refusal::machine)?;
            let invited =
                Invited { code_sha256: codes::sha256(&code), name: name.into(), role, expires_ms: now + GOOD_MS };
            let text = Invitation { address, certificate: reader.pages.certificate, code }.to_string();
            let picture = qr::png(&text).map_err(Refusal::machine)?;
            reader.pages.state.invite(&invited, now)?;
            context! { name, pages => false, text, picture => BASE64_STANDARD.encode(picture) }
        };
        show(reader, made)
    })
    .await
}

/// Bars a phone or a person, or lets them in again.
pub async fn bar(ask: Ask, fields: Fields) -> Response {
    ask.form(Role::Coordinator, fields, |reader, me, fields| {
        let (state, barred) = (&reader.pages.state, fields.get("barred") == Some("yes"));
        if let Some(device) = fields.get("device") {
            let own = reader.pages.with_store(rakelight_core::store::Store::device)?;
            let id = id_of(device).filter(|_| device != own).ok_or(Refusal::wrong("pages.refused.not_yourself"))?;
            if !state.set_barred(&id, barred)? {
                return Err(Refusal::NOT_THERE);
            }
            let coordinators = crate::service::trusted(&**state)?;
            reader.pages.with_store(|store| store.trust(&coordinators))?;
        } else {
            let id: Option<PersonId> = hex::decode(fields.need("person")?).ok().and_then(|id| id.try_into().ok());
            let id = id.filter(|id| *id != me.id).ok_or(Refusal::wrong("pages.refused.not_yourself"))?;
            state.bar_person(&id, barred)?;
        }
        Ok(to("/people"))
    })
    .await
}

/// 128 random bits as text: what a link hangs on.
pub fn token() -> Result<String, Refusal> {
    Ok(BASE64_URL_SAFE_NO_PAD.encode(random::<16>().map_err(Refusal::machine)?))
}
