//! Photographs as they were taken, whole or a part (RFC 9110, section 14).

use std::ops::Range;

use axum::extract::{Path, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::response::{IntoResponse, Response};

use super::problem::Problem;
use super::session::Session;
use super::{App, blocking, digests, id_of};

pub async fn photograph(
    State(app): State<App>,
    _: Session,
    Path(sha256): Path<String>,
    method: Method,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let missing = || Problem::not_found("no photograph with this SHA-256 is here");
    // From here on it is 32 bytes: nothing of the request's text gets into a path.
    let id = id_of(&sha256).ok_or_else(missing)?;
    let name = hex::encode(id);
    let photo = blocking(&app, move |service| Ok(service.kept.find(&id)?)).await?.ok_or_else(missing)?;
    let content_type = match photo.ending.as_str() {
        "jpg" => "image/jpeg",
        "png" => "image/png",
        _ => "application/octet-stream",
    };
    let length = photo.bytes;
    let etag = format!("\"{name}\"");
    let (status, part) = match asked_for(&headers, &method, &etag, length) {
        None => (StatusCode::OK, 0..length),
        Some(Some(part)) => (StatusCode::PARTIAL_CONTENT, part),
        Some(None) => {
            let problem = Problem::new(
                StatusCode::RANGE_NOT_SATISFIABLE,
                format!("the photograph has {length} bytes: the range lies behind its end"),
            );
            return Err(problem.with(header::CONTENT_RANGE, ascii(format!("bytes */{length}"))?));
        }
    };
    let mut response = status.into_response();
    let fields = response.headers_mut();
    fields.insert(header::CONTENT_TYPE, HeaderValue::from_static(content_type));
    fields.insert(header::CONTENT_LENGTH, (part.end - part.start).into());
    fields.insert(header::ACCEPT_RANGES, HeaderValue::from_static("bytes"));
    fields.insert(header::ETAG, ascii(etag)?);
    // Of the whole photograph, whatever part is sent: it is its name.
    fields.insert(digests::REPR_DIGEST, digests::field(&id)?);
    if status == StatusCode::PARTIAL_CONTENT {
        let range = format!("bytes {}-{}/{length}", part.start, part.end.saturating_sub(1));
        fields.insert(header::CONTENT_RANGE, ascii(range)?);
    }
    if method != Method::HEAD {
        *response.body_mut() = photo.part(part).await?;
    }
    Ok(response)
}

/// The part that is asked for: `None` is the whole, `Some(None)` can't be given. Several parts at once are given as the whole, as RFC 9110
/// lets a server do; so is a part of something else than what `If-Range` names.
fn asked_for(headers: &HeaderMap, method: &Method, etag: &str, length: u64) -> Option<Option<Range<u64>>> {
    let range = headers.get(header::RANGE)?.to_str().ok()?;
    if method != Method::GET || headers.get(header::IF_RANGE).is_some_and(|known| known != etag) {
        return None;
    }
    let (unit, range) = range.split_once('=')?;
    let (first, last) = range.trim().split_once('-')?;
    if !unit.trim().eq_ignore_ascii_case("bytes") {
        return None;
    }
    let number = |text: &str| text.bytes().all(|b| b.is_ascii_digit()).then(|| text.parse::<u64>().ok()).flatten();
    let part = match (first, last) {
        ("", last) => length.saturating_sub(number(last)?)..length,
        (first, "") => number(first)?..length,
        (first, last) => {
            let (first, last) = (number(first)?, number(last)?);
            if last < first {
                return None;
            }
            first..last.saturating_add(1).min(length)
        }
    };
    Some((part.start < part.end).then_some(part))
}

fn ascii(value: String) -> Result<HeaderValue, Problem> {
    HeaderValue::try_from(value).map_err(Problem::machine)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 9110, sections 14.1.2 and 14.2, of a representation of 10 000 bytes; the last ones are its rules, not its examples.
    #[test]
    fn the_ranges_of_rfc_9110_come_out() {
        let of = |range: &str, if_range: Option<&str>| {
            let mut headers = HeaderMap::new();
            headers.insert(header::RANGE, range.parse().unwrap());
            if_range.map(|known| headers.insert(header::IF_RANGE, known.parse().unwrap()));
            asked_for(&headers, &Method::GET, "\"a\"", 10_000)
        };
        for (range, part) in [
            ("bytes=0-499", Some(Some(0..500))),
            ("bytes=500-999", Some(Some(500..1_000))),
            ("bytes=-500", Some(Some(9_500..10_000))),
            ("bytes=9500-", Some(Some(9_500..10_000))),
            ("bytes=9999-99999", Some(Some(9_999..10_000))),
            ("bytes=-99999", Some(Some(0..10_000))),
            ("bytes=10000-", Some(None)),
            ("bytes=-0", Some(None)),
            ("bytes=0-0,-1", None),
            ("bytes=9-3", None),
            ("bytes=+1-3", None),
            ("lines=0-3", None),
            ("bytes=-", None),
        ] {
            assert_eq!(of(range, None), part, "{range}");
        }
        assert_eq!(of("bytes=0-4", Some("\"a\"")), Some(Some(0..5)));
        assert_eq!((of("bytes=0-4", Some("\"b\"")), of("bytes=0-4", Some("W/\"a\""))), (None, None));
    }
}
