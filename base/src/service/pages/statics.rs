//! Style and scripts. What is bundled from npm is there where it was built (`base/pages/build`); without it the pages are whole all the same.

use axum::extract::Path;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};

/// Whether what comes from npm is part of this program.
pub fn is_built() -> bool {
    cfg!(pages_built)
}

/// How the form on paper looks.
pub const PAPER_STYLE: &str = include_str!("static/paper.css");

pub async fn file(Path(name): Path<String>) -> Response {
    let found: Option<(&str, &'static [u8])> = match name.as_str() {
        "paper.css" => Some(("text/css; charset=utf-8", PAPER_STYLE.as_bytes())),
        "pages.css" => Some(("text/css; charset=utf-8", include_bytes!("static/pages.css"))),
        "pages.js" => Some(("text/javascript; charset=utf-8", include_bytes!("static/pages.js"))),
        "icon.svg" => Some(("image/svg+xml", include_bytes!("static/icon.svg"))),
        name => built(name),
    };
    match found {
        Some((kind, bytes)) => {
            ([(header::CONTENT_TYPE, kind), (header::CACHE_CONTROL, "public, max-age=3600")], bytes).into_response()
        }
        None => StatusCode::NOT_FOUND.into_response(),
    }
}

#[cfg(pages_built)]
fn built(name: &str) -> Option<(&'static str, &'static [u8])> {
    match name {
        "map.js" => Some(("text/javascript; charset=utf-8", include_bytes!("../../../pages/built/map.js"))),
        "map.css" => Some(("text/css; charset=utf-8", include_bytes!("../../../pages/built/map.css"))),
        _ => None,
    }
}

#[cfg(not(pages_built))]
fn built(_: &str) -> Option<(&'static str, &'static [u8])> {
    None
}
