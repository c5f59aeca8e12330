//! What whoever runs the base asks of it.

use axum::Json;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::IntoResponse;
use serde_json::{Value, json};

use super::problem::Problem;
use super::{App, blocking};

/// 200 where store and members can be read now.
pub async fn health(State(app): State<App>) -> Result<Json<Value>, Problem> {
    let checked = blocking(&app, |service| {
        service.base.records.check()?;
        service.base.state.members()?;
        Ok(())
    });
    let down = |_| Problem::new(StatusCode::SERVICE_UNAVAILABLE, "the store can't be opened; the log says why");
    checked.await.map_err(down).map(|()| Json(json!({ "status": "ok" })))
}

pub async fn metrics(State(app): State<App>) -> impl IntoResponse {
    ([(header::CONTENT_TYPE, "text/plain; version=0.0.4; charset=utf-8")], app.counts.page())
}

pub async fn openapi() -> impl IntoResponse {
    ([(header::CONTENT_TYPE, "application/json")], include_str!("openapi.json"))
}
