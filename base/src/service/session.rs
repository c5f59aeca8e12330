//! Who asks: a device that has joined and has shown that it has its key.

use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use axum::http::{StatusCode, header};

use super::problem::Problem;
use super::state::Member;
use super::{App, blocking, now_ms};

/// The member whose session came with the request.
pub struct Session(pub Member);

impl FromRequestParts<App> for Session {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, Problem> {
        let authorization = parts.headers.get(header::AUTHORIZATION).and_then(|value| value.to_str().ok());
        let (scheme, token) = authorization
            .and_then(|value| value.split_once(' '))
            .ok_or_else(|| Problem::unauthorized("send a session: Authorization: Bearer …, from POST /v1/session"))?;
        let device = app.seals.device_of(token.trim(), now_ms()).filter(|_| scheme.eq_ignore_ascii_case("bearer"));
        let device = device.ok_or_else(|| {
            Problem::unauthorized("the session is over or isn't of this base: begin another with POST /v1/session")
        })?;
        app.requests_by_device.take(device, now_ms()).map_err(Problem::too_many)?;
        admitted(blocking(app, move |service| Ok(service.base.state.member(&device)?)).await?).map(Self)
    }
}

/// A member that isn't barred.
pub fn admitted(member: Option<Member>) -> Result<Member, Problem> {
    match member {
        None => Err(Problem::of(
            StatusCode::FORBIDDEN,
            "urn:rakelight:unknown_device",
            "nobody here knows this device: ask a coordinator for an invitation, then join",
        )),
        Some(member) if member.barred => Err(barred()),
        Some(member) => Ok(member),
    }
}

pub fn barred() -> Problem {
    let detail = "this device is barred here: ask a coordinator";
    Problem::of(StatusCode::FORBIDDEN, "urn:rakelight:barred_device", detail)
}
