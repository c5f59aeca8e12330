//! Entries either way, and which photographs are wanted.

use std::collections::BTreeMap;
use std::sync::atomic::Ordering;

use axum::Json;
use axum::body::Body;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use rakelight_core::exchange::wire::{Accepted, ENTRIES, ENTRIES_BYTES, Wanted};
use rakelight_core::store::{Admission, Heads};

use super::problem::Problem;
use super::session::Session;
use super::{App, ServiceError, State as Members, blocking, bodies, now_ms};

/// Heads of some thousand devices.
const HEADS_BYTES: usize = 1 << 20;
/// What was signed at once isn't cut, however much more than [`ENTRIES_BYTES`] it is.
const BATCH_BYTES: usize = 8 * ENTRIES_BYTES;
/// So many photographs are asked for at once.
const WANTED: usize = 1_000;

pub async fn heads(State(app): State<App>, _: Session) -> Result<Json<Heads>, Problem> {
    blocking(&app, |service| Ok(Json(service.base.records.heads()?))).await
}

pub async fn lacking(
    State(app): State<App>,
    Session(member): Session,
    headers: HeaderMap,
    body: Body,
) -> Result<Response, Problem> {
    let theirs: Heads = bodies::json(&headers, body, HEADS_BYTES).await?;
    blocking(&app, move |service| {
        service.base.state.exchanged(&member.device, now_ms())?;
        let entries = service.base.records.lacking(&theirs, ENTRIES_BYTES)?;
        Ok(match entries.is_empty() {
            true => StatusCode::NO_CONTENT.into_response(),
            false => ([(header::CONTENT_TYPE, ENTRIES)], entries).into_response(),
        })
    })
    .await
}

pub async fn entries(
    State(app): State<App>,
    Session(member): Session,
    headers: HeaderMap,
    body: Body,
) -> Result<Json<Accepted>, Problem> {
    let entries = bodies::whole(&headers, body, ENTRIES, BATCH_BYTES).await?;
    blocking(&app, move |service| {
        service.base.state.exchanged(&member.device, now_ms())?;
        let admissions = admissions(&*service.base.state)?;
        let admission = |device: &str| admissions.get(device).copied().unwrap_or(Admission::Unknown);
        let accepted = service.base.records.accept(&entries, &admission)?;
        if accepted.taken > 0 {
            service.kept.erase_withdrawn()?;
        }
        service.counts.entries_taken.fetch_add(accepted.taken as u64, Ordering::Relaxed);
        Ok(Json(accepted))
    })
    .await
}

pub async fn wanted(State(app): State<App>, _: Session) -> Result<Json<Wanted>, Problem> {
    blocking(&app, |service| Ok(Json(Wanted { sha256: service.base.records.wanted(WANTED)? }))).await
}

/// By device id.
pub type Admissions = BTreeMap<String, Admission>;

/// Whose entries may come in: members', whoever carries them here. The base is one of them.
pub fn admissions(state: &dyn Members) -> Result<Admissions, ServiceError> {
    let members = state.members()?.into_iter();
    let admission = |barred| if barred { Admission::Barred } else { Admission::Welcome };
    Ok(members.map(|member| (hex::encode(member.device), admission(member.barred))).collect())
}
