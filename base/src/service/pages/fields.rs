//! What a form sent.

use std::collections::HashMap;

use axum::extract::{FromRequest, Request};

use super::refusal::Refusal;
use crate::service::bodies;

/// No form is longer.
const LIMIT: usize = 256 << 10;

/// A form's fields; of one that came twice the last.
pub struct Fields(HashMap<String, String>);

impl<S: Send + Sync> FromRequest<S> for Fields {
    type Rejection = std::convert::Infallible;

    /// A body that isn't a form's has no fields, so that its token is missing and it is refused in the reader's language.
    async fn from_request(request: Request, _: &S) -> Result<Self, Self::Rejection> {
        let (parts, body) = request.into_parts();
        let read = bodies::whole(&parts.headers, body, "application/x-www-form-urlencoded", LIMIT).await;
        Ok(Self(form_urlencoded::parse(&read.unwrap_or_default()).into_owned().collect()))
    }
}

impl Fields {
    /// Of an address: `?from=50`.
    pub fn of_query(query: Option<&str>) -> Self {
        Self(form_urlencoded::parse(query.unwrap_or_default().as_bytes()).into_owned().collect())
    }

    /// What was entered, without blanks around; `None` where that is nothing.
    pub fn get(&self, name: &str) -> Option<&str> {
        self.0.get(name).map(|value| value.trim()).filter(|value| !value.is_empty())
    }

    /// What has to be there.
    pub fn need(&self, name: &str) -> Result<&str, Refusal> {
        self.get(name).ok_or(Refusal::wrong("pages.refused.missing"))
    }

    /// All of it.
    pub fn all(&self) -> &HashMap<String, String> {
        &self.0
    }

    /// What was entered, as it was entered.
    pub fn raw(&self, name: &str) -> &str {
        self.0.get(name).map_or("", String::as_str)
    }
}
