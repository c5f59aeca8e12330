//! Logging in by a passkey (Web Authentication, Level 3): by what unlocks a phone or computer, or by a key on a stick. Browsers have that only where they
//! know the base's certificate, and reach the base by a name.

use std::net::IpAddr;
use std::sync::{Mutex, MutexGuard, PoisonError};

use axum::Json;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use rakelight_core::exchange::wire::Role;
use serde_json::Value;
use webauthn_rp::bin::{Decode, Encode};
use webauthn_rp::request::auth::AuthenticationVerificationOptions;
use webauthn_rp::request::register::{
    CredProtect, Nickname, PublicKeyCredentialUserEntity, RegistrationVerificationOptions, UserHandle, Username,
};
use webauthn_rp::request::{AsciiDomain, FixedCapHashSet, InsertResult, PublicKeyCredentialDescriptor, RpId};
use webauthn_rp::response::register::{DynamicState, StaticState};
use webauthn_rp::response::{AuthTransports, CredentialId};
use webauthn_rp::{
    AuthenticatedCredential, DiscoverableAuthentication, DiscoverableAuthenticationServerState,
    DiscoverableCredentialRequestOptions, PublicKeyCredentialCreationOptions, Registration, RegistrationServerState,
};

use super::ask::{Ask, Reader, own_path, to};
use super::fields::Fields;
use super::log_in::logged_in;
use super::refusal::Refusal;
use super::templates::context;
use crate::service::log::log;
use crate::service::now_ms;
use crate::service::state::{Passkey, Person, PersonId};

/// A name for a passkey isn't longer (characters).
const LONGEST_LABEL: usize = 60;
/// So many may be about to make a passkey, or to log in with one, at the same time.
const AT_ONCE: usize = 1_000;

const UNKNOWN: Refusal = Refusal::Say(StatusCode::FORBIDDEN, "pages.refused.passkey");

/// What was asked of browsers and isn't answered yet; for five minutes.
pub struct Passkeys {
    new: Mutex<FixedCapHashSet<RegistrationServerState<16>>>,
    log_ins: Mutex<FixedCapHashSet<DiscoverableAuthenticationServerState>>,
}

impl Default for Passkeys {
    fn default() -> Self {
        Self { new: Mutex::new(FixedCapHashSet::new(AT_ONCE)), log_ins: Mutex::new(FixedCapHashSet::new(AT_ONCE)) }
    }
}

impl Passkeys {
    fn new_ones(&self) -> MutexGuard<'_, FixedCapHashSet<RegistrationServerState<16>>> {
        self.new.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn log_ins(&self) -> MutexGuard<'_, FixedCapHashSet<DiscoverableAuthenticationServerState>> {
        self.log_ins.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The name of the base in the browser's address, if it has one.
pub fn host(reader: &Reader) -> Option<String> {
    let address = reader.address().ok()?;
    let host = address.strip_prefix("https://")?;
    let name = host.rsplit_once(':').map_or(host, |(name, _)| name).to_ascii_lowercase();
    let is_number = name.starts_with('[') || name.parse::<IpAddr>().is_ok();
    (!is_number).then_some(name)
}

/// A person's passkeys, as their own page shows them.
pub fn listed(reader: &Reader, person: &Person) -> Result<Vec<Value>, Refusal> {
    let passkeys = reader.pages.state.passkeys(&person.id)?.into_iter();
    Ok(passkeys.map(|one| context! { id => hex::encode(one.credential), label => one.label, host => one.host, made => reader.day(one.made_ms), used => one.used_ms.map(|ms| reader.day(ms)) }).collect())
}

/// The party that a passkey is for: this base by this name.
fn party(reader: &Reader) -> Result<(String, RpId), Refusal> {
    let host = host(reader).ok_or(UNKNOWN)?;
    let domain = AsciiDomain::try_from(host.clone()).map_err(refused)?;
    Ok((host, RpId::Domain(domain)))
}

fn handle(person: &PersonId) -> UserHandle<16> {
    match UserHandle::decode(*person) {
        Ok(handle) => handle,
    }
}

/// What a browser is asked to make a passkey by.
pub async fn ask_new(ask: Ask, fields: Fields) -> Response {
    ask.form(Role::FieldWorker, fields, |reader, person, _| {
        let (_, party) = party(reader)?;
        let known = reader.pages.state.passkeys(&person.id)?;
        let known = known.into_iter().filter_map(|passkey| {
            let id = CredentialId::decode(passkey.credential).ok()?;
            Some(PublicKeyCredentialDescriptor { id, transports: AuthTransports::decode(passkey.transports).ok()? })
        });
        // An account's name has no blanks there (RFC 8265), the name that is shown does (RFC 8266).
        let joined = person.name.split_whitespace().collect::<Vec<_>>().join(".");
        let user = PublicKeyCredentialUserEntity {
            name: Username::try_from(joined)
                .or_else(|_| Username::try_from(hex::encode(person.id)))
                .map_err(refused)?,
            id: &handle(&person.id),
            display_name: Nickname::try_from(person.name.as_str()).ok(),
        };
        let mut options = PublicKeyCredentialCreationOptions::passkey(&party, user, known.collect());
        // Most phones' keys don't know this extension, and to insist on it refuses them; that somebody is verified is asked for anyway.
        options.extensions.cred_protect = CredProtect::None;
        let (asked, told) = options.start_ceremony().map_err(refused)?;
        begun(reader.pages.passkeys.new_ones().insert_or_replace_all_expired(asked))?;
        Ok(Json(told).into_response())
    })
    .await
}

/// What the browser made.
pub async fn made(ask: Ask, fields: Fields) -> Response {
    ask.form(Role::FieldWorker, fields, |reader, person, fields| {
        let (host, party) = party(reader)?;
        let made = Registration::from_json_relaxed(fields.raw("credential").as_bytes()).map_err(refused)?;
        let asked = reader.pages.passkeys.new_ones().take(&made.challenge_relaxed().map_err(refused)?);
        let asked = asked.ok_or(UNKNOWN)?;
        let origins = [reader.address()?];
        let options =
            RegistrationVerificationOptions::<String, String> { allowed_origins: &origins, ..Default::default() };
        let new = asked.verify(&party, &made, &options).map_err(refused)?;
        let label = fields.get("label").unwrap_or(&host).chars().take(LONGEST_LABEL).collect();
        let passkey = Passkey {
            credential: new.id().inner().to_vec(),
            person: person.id,
            host,
            label,
            transports: new.transports().encode().map_err(refused)?,
            lasting: new.static_state().encode().map_err(refused)?,
            changing: new.dynamic_state().encode().map_err(refused)?,
            made_ms: now_ms(),
            used_ms: None,
        };
        // Somebody else's question was answered, or somebody's passkey made anew.
        if *new.user_id() != handle(&person.id) || !reader.pages.state.add_passkey(&passkey)? {
            return Err(UNKNOWN);
        }
        Ok(to("/me"))
    })
    .await
}

pub async fn remove(ask: Ask, fields: Fields) -> Response {
    ask.form(Role::FieldWorker, fields, |reader, person, fields| {
        let credential = hex::decode(fields.need("passkey")?).map_err(|_| Refusal::NOT_THERE)?;
        reader.pages.state.remove_passkey(&person.id, &credential)?;
        Ok(to("/me"))
    })
    .await
}

/// What a browser is asked to log somebody in by.
pub async fn ask_log_in(ask: Ask, fields: Fields) -> Response {
    ask.open_form(fields, |reader, _| {
        reader.pages.passkeys_by_address.take(reader.client, now_ms()).map_err(Refusal::TooOften)?;
        let (_, party) = party(reader)?;
        let (asked, told) = DiscoverableCredentialRequestOptions::passkey(&party).start_ceremony().map_err(refused)?;
        begun(reader.pages.passkeys.log_ins().insert_or_replace_all_expired(asked))?;
        Ok(Json(told).into_response())
    })
    .await
}

pub async fn log_in(ask: Ask, fields: Fields) -> Response {
    ask.open_form(fields, |reader, fields| {
        let person = person_of(reader, fields.raw("credential").as_bytes())?;
        Ok(logged_in(reader, &person, own_path(fields.get("next"))))
    })
    .await
}

/// Whose passkey answered what was asked.
fn person_of(reader: &Reader, answer: &[u8]) -> Result<Person, Refusal> {
    let (host, party) = party(reader)?;
    let state = &reader.pages.state;
    let answer = DiscoverableAuthentication::<16>::from_json_relaxed(answer).map_err(refused)?;
    let asked = reader.pages.passkeys.log_ins().take(&answer.challenge_relaxed().map_err(refused)?);
    let passkey = state.passkey(answer.raw_id().inner(), &host)?;
    let (asked, mut passkey) = asked.zip(passkey).ok_or(UNKNOWN)?;
    let handle = handle(&passkey.person);
    let mut known = AuthenticatedCredential::new(
        CredentialId::decode(passkey.credential.as_slice()).map_err(refused)?,
        &handle,
        StaticState::decode(&passkey.lasting).map_err(refused)?,
        DynamicState::decode(passkey.changing).map_err(refused)?,
    )
    .map_err(refused)?;
    let origins = [reader.address()?];
    let options =
        AuthenticationVerificationOptions::<String, String> { allowed_origins: &origins, ..Default::default() };
    asked.verify(&party, &answer, &mut known, &options).map_err(refused)?;
    passkey.changing = known.dynamic_state().encode().map_err(refused)?;
    let person = state.person(&passkey.person)?.filter(|person| !person.barred);
    let person = person.ok_or(UNKNOWN)?;
    state.used_passkey(&passkey, now_ms())?;
    Ok(person)
}

fn begun(asked: InsertResult) -> Result<(), Refusal> {
    match asked {
        InsertResult::Success => Ok(()),
        _ => Err(Refusal::TooOften(60)),
    }
}

/// Why exactly stands in the log; whoever tries is told no more than that it wasn't it.
fn refused(why: impl std::fmt::Display) -> Refusal {
    log(format_args!("rakelight: a passkey was refused: {why}"));
    UNKNOWN
}
