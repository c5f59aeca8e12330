//! What is the same around every request: how often, how long, what is counted and logged, and that every answer carries its digest.

use std::net::IpAddr;
use std::time::{Duration, Instant};

use axum::Extension;
use axum::body::{Body, HttpBody, to_bytes};
use axum::extract::{MatchedPath, Request, State};
use axum::http::{HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::log::log;
use super::problem::{PROBLEM, Problem};
use super::{App, digests, now_ms};

/// An answer is begun within this time; bodies of requests are read in it.
const PATIENCE: Duration = Duration::from_secs(300);

pub async fn around(
    State(app): State<App>,
    Extension(client): Extension<IpAddr>,
    request: Request,
    next: Next,
) -> Response {
    let begun = Instant::now();
    let method = name_of(request.method());
    let route = request.extensions().get::<MatchedPath>().map_or("none", MatchedPath::as_str).to_owned();
    let answer = match app.requests_by_address.take(client, now_ms()) {
        Ok(()) => answer(next, request).await,
        Err(seconds) => Problem::too_many(seconds).into_response(),
    };
    let answer = digested(answer, method == "HEAD").await;
    let status = answer.status().as_u16();
    app.counts.request(method, &route, status);
    log(format_args!("{method} {route} {status} {} ms", begun.elapsed().as_millis()));
    answer
}

/// In a task of its own: a panic ends it alone, and what was begun goes on when the client is gone.
async fn answer(next: Next, request: Request) -> Response {
    let mut task = tokio::spawn(next.run(request));
    let problem = match tokio::time::timeout(PATIENCE, &mut task).await {
        Ok(Ok(response)) => return worded(response),
        Ok(Err(panicked)) => Problem::machine(panicked),
        Err(_) => {
            task.abort();
            Problem::new(StatusCode::REQUEST_TIMEOUT, "this took too long: send it again, in smaller pieces")
        }
    };
    problem.into_response()
}

/// What the framework refuses by itself, as a problem too.
fn worded(response: Response) -> Response {
    let status = response.status();
    let kind = response.headers().get(header::CONTENT_TYPE).and_then(|kind| kind.to_str().ok()).unwrap_or_default();
    if kind == PROBLEM || kind.starts_with("text/html") || !(status.is_client_error() || status.is_server_error()) {
        return response;
    }
    Problem::new(status, "the request can't be read: GET /openapi.json says how it is written").into_response()
}

/// RFC 9530: with its `Repr-Digest`, unless it has none to give or brings it already.
async fn digested(response: Response, head: bool) -> Response {
    let (mut parts, body) = response.into_parts();
    parts.headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    if head || body.is_end_stream() || parts.headers.contains_key(digests::REPR_DIGEST) {
        return Response::from_parts(parts, body);
    }
    match to_bytes(body, usize::MAX).await {
        Ok(bytes) => {
            if let Ok(field) = digests::field(&digests::sha256(&bytes)) {
                parts.headers.insert(digests::REPR_DIGEST, field);
            }
            Response::from_parts(parts, Body::from(bytes))
        }
        Err(error) => Problem::machine(error).into_response(),
    }
}

/// Anyone may make up methods; the counts know these.
fn name_of(method: &Method) -> &'static str {
    match *method {
        Method::GET => "GET",
        Method::HEAD => "HEAD",
        Method::POST => "POST",
        Method::PATCH => "PATCH",
        Method::DELETE => "DELETE",
        Method::OPTIONS => "OPTIONS",
        _ => "other",
    }
}
