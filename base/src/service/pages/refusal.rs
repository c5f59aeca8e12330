//! What a page can't do, and what to do about it.

use axum::http::StatusCode;

use crate::service::ServiceError;
use crate::service::log::log;

/// Why there is no page.
#[derive(Debug)]
pub enum Refusal {
    /// Nobody is logged in: that comes first.
    LogIn,
    /// A text by its key.
    Say(StatusCode, &'static str),
    /// Too often: seconds to wait.
    TooOften(u64),
}

impl Refusal {
    pub const NOT_THERE: Self = Self::Say(StatusCode::NOT_FOUND, "pages.refused.not_there");
    pub const NOT_ALLOWED: Self = Self::Say(StatusCode::FORBIDDEN, "pages.refused.not_allowed");
    pub const STALE: Self = Self::Say(StatusCode::FORBIDDEN, "pages.refused.stale");

    pub fn wrong(key: &'static str) -> Self {
        Self::Say(StatusCode::UNPROCESSABLE_ENTITY, key)
    }

    /// A fault of the machine; what it is stands in the log.
    pub fn machine(fault: impl std::fmt::Display) -> Self {
        log(format_args!("rakelight: {fault}"));
        Self::Say(StatusCode::INTERNAL_SERVER_ERROR, "pages.refused.machine")
    }
}

impl From<ServiceError> for Refusal {
    fn from(error: ServiceError) -> Self {
        match error {
            ServiceError::Store(rakelight_core::store::StoreError::NotAnId { .. }) => Self::NOT_THERE,
            error => Self::machine(error),
        }
    }
}
