//! From a stranger to a session: a challenge, the device's signature over it, and the first time an invitation's code.

use std::net::IpAddr;

use axum::body::Body;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::{Extension, Json};
use rakelight_core::exchange::wire::{Challenge, Join, PROTOCOL, Proof, Role, Session};
use rakelight_core::store;

use super::problem::Problem;
use super::state::{Joined, Member};
use super::{App, Id, Service, blocking, bodies, codes, id_of, now_ms, seals, session, trusted};

/// No such body is longer.
const LIMIT: usize = 16 << 10;

pub async fn challenge(State(app): State<App>) -> Result<Json<Challenge>, Problem> {
    let challenge = app.seals.challenge(now_ms()).map_err(Problem::machine)?;
    Ok(Json(Challenge { protocol: PROTOCOL, base: app.device.clone(), challenge }))
}

pub async fn session(State(app): State<App>, headers: HeaderMap, body: Body) -> Result<Json<Session>, Problem> {
    let proof: Proof = bodies::json(&headers, body, LIMIT).await?;
    blocking(&app, move |service| {
        let device = proven(service, &proof)?;
        let member = session::admitted(service.base.state.member(&device)?)?;
        service.base.state.exchanged(&device, now_ms())?;
        begin(service, &member)
    })
    .await
}

pub async fn join(
    State(app): State<App>,
    Extension(client): Extension<IpAddr>,
    headers: HeaderMap,
    body: Body,
) -> Result<Json<Session>, Problem> {
    let looked = app.wrong_codes.look((), now_ms()).and(app.wrong_codes_by_address.look(client, now_ms()));
    looked.map_err(Problem::too_many)?;
    let join: Join = bodies::json(&headers, body, LIMIT).await?;
    blocking(&app, move |service| {
        let device = proven(service, &join.proof)?;
        let refuse = |kind, detail: &str| Err(Problem::of(StatusCode::FORBIDDEN, kind, detail));
        match service.base.state.join(&codes::sha256(&join.code), &device, now_ms())? {
            Joined::Member(member) => {
                if member.role == Role::Coordinator {
                    service.base.spread_trust().map_err(Problem::machine)?;
                }
                begin(service, &member)
            }
            Joined::Barred => Err(session::barred()),
            Joined::Used => refuse(
                "urn:rakelight:code_used",
                "another device has joined with this invitation: ask a coordinator for one of your own",
            ),
            Joined::Expired => {
                refuse("urn:rakelight:code_expired", "the invitation has expired: ask a coordinator for a new one")
            }
            Joined::NoSuchCode => {
                service.counts.codes_refused.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
                let taken =
                    [service.wrong_codes.take((), now_ms()), service.wrong_codes_by_address.take(client, now_ms())];
                taken.into_iter().collect::<Result<(), u64>>().map_err(Problem::too_many)?;
                refuse("urn:rakelight:code_unknown", "no invitation has this code: read it again, or ask for a new one")
            }
        }
    })
    .await
}

/// The device, where it has shown that it has its key, to this very base and now.
fn proven(service: &Service, proof: &Proof) -> Result<Id, Problem> {
    if proof.protocol != PROTOCOL {
        let detail = format!("this base speaks protocol {PROTOCOL}, not {}: update the older program", proof.protocol);
        return Err(Problem::of(StatusCode::UNPROCESSABLE_ENTITY, "urn:rakelight:protocol", detail));
    }
    if !service.seals.is_challenge(&proof.challenge, now_ms()) {
        let detail = "the challenge is over or isn't of this base: fetch another with GET /v1/challenge";
        return Err(Problem::unauthorized(detail));
    }
    let fingerprint = service.base.identity.fingerprint();
    let holds = store::proof_holds(&proof.device, proof.challenge.as_bytes(), &fingerprint, &proof.signature);
    id_of(&proof.device).filter(|_| holds).ok_or_else(|| {
        Problem::unauthorized(
            "the signature isn't the device's own over this challenge and this base's certificate: nobody may stand between",
        )
    })
}

fn begin(service: &Service, member: &Member) -> Result<Json<Session>, Problem> {
    Ok(Json(Session {
        token: service.seals.session(&member.device, now_ms()),
        seconds: seals::SESSION_S,
        role: member.role,
        trusted: trusted(&*service.base.state)?,
    }))
}
