//! What goes wrong, as RFC 9457 has it: what is wrong, and what to do.

use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use rakelight_core::store::StoreError;
use serde_json::json;

use super::ServiceError;
use super::log::log;

/// The media type.
pub const PROBLEM: &str = "application/problem+json";

/// An answer other than what was asked for.
#[derive(Debug)]
pub struct Problem {
    status: StatusCode,
    /// `urn:rakelight:…`, for programs; `about:blank` where the status says it all.
    kind: &'static str,
    detail: String,
    headers: Vec<(HeaderName, HeaderValue)>,
}

impl Problem {
    /// One that the status says it all about.
    pub fn new(status: StatusCode, detail: impl Into<String>) -> Self {
        Self { status, kind: "about:blank", detail: detail.into(), headers: Vec::new() }
    }

    /// One that programs may tell from others of the same status.
    pub fn of(status: StatusCode, kind: &'static str, detail: impl Into<String>) -> Self {
        Self { kind, ..Self::new(status, detail) }
    }

    pub fn bad_request(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, detail)
    }

    pub fn not_found(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::NOT_FOUND, detail)
    }

    /// A fault of the machine. What it is stands in the log, not in the answer: it may name files.
    pub fn machine(fault: impl std::fmt::Display) -> Self {
        log(format_args!("rakelight: {fault}"));
        Self::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            "the base has a fault, which its log names; nothing of this request was kept, try again later",
        )
    }

    /// No session, or one that is over.
    pub fn unauthorized(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::UNAUTHORIZED, detail).with(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"))
    }

    /// Too much at once.
    pub fn too_many(seconds: u64) -> Self {
        let detail = format!("too many requests: wait {seconds} s, then go on");
        Self::new(StatusCode::TOO_MANY_REQUESTS, detail).with(header::RETRY_AFTER, seconds.into())
    }

    pub fn with(mut self, name: HeaderName, value: HeaderValue) -> Self {
        self.headers.push((name, value));
        self
    }
}

/// Of tus: the bytes aren't those that were promised. It has no name of its own in HTTP.
pub fn checksum_mismatch() -> StatusCode {
    StatusCode::from_u16(460).unwrap_or(StatusCode::BAD_REQUEST)
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let title = match self.status.as_u16() {
            460 => "Checksum Mismatch",
            _ => self.status.canonical_reason().unwrap_or("Problem"),
        };
        let body = json!({
            "type": self.kind, "title": title, "status": self.status.as_u16(), "detail": self.detail,
        });
        let mut response = (self.status, [(header::CONTENT_TYPE, PROBLEM)], body.to_string()).into_response();
        response.headers_mut().extend(self.headers);
        response
    }
}

impl From<ServiceError> for Problem {
    fn from(error: ServiceError) -> Self {
        match error {
            ServiceError::Store(error) => error.into(),
            ServiceError::Database(error) => {
                log(format_args!("rakelight: {error}"));
                let detail = "the base's database is busy or can't be reached: send it again in a moment";
                Self::new(StatusCode::SERVICE_UNAVAILABLE, detail).with(header::RETRY_AFTER, 1.into())
            }
            error => Self::machine(error),
        }
    }
}

impl From<StoreError> for Problem {
    fn from(error: StoreError) -> Self {
        match error {
            StoreError::NotAnId { .. } => Self::new(StatusCode::UNPROCESSABLE_ENTITY, error.to_string()),
            StoreError::Busy { .. } => {
                let detail = "another program is writing to the store: send it again in a moment";
                Self::new(StatusCode::SERVICE_UNAVAILABLE, detail).with(header::RETRY_AFTER, 1.into())
            }
            StoreError::Full { .. } => {
                log(format_args!("rakelight: {error}"));
                let detail = "the base's disk is full: nothing of this was kept, tell who runs the base";
                Self::new(StatusCode::INSUFFICIENT_STORAGE, detail)
            }
            error => Self::machine(error),
        }
    }
}

impl From<std::io::Error> for Problem {
    fn from(error: std::io::Error) -> Self {
        Self::machine(error)
    }
}
