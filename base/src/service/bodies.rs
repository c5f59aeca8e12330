//! Reading what is sent: within a length, within a time, and only if it is what its digests say.

use std::time::Duration;

use axum::body::Body;
use axum::http::{HeaderMap, StatusCode, header};
use http_body_util::BodyExt;
use serde::de::DeserializeOwned;
use tokio::time::timeout;

use super::digests;
use super::problem::Problem;

/// Nothing may come for so long.
const SILENCE: Duration = Duration::from_secs(20);
/// So much beyond what is allowed is still read, so that the answer reaches a client that is still sending.
const READ_ON_BYTES: usize = 16 << 20;

/// What came of a body.
pub struct Received {
    pub bytes: Vec<u8>,
    /// It broke off, or nothing came any more.
    pub cut: bool,
}

/// Reads at most `limit` bytes.
///
/// # Errors
/// 413 where more comes, 415 where it is compressed.
pub async fn receive(headers: &HeaderMap, mut body: Body, limit: usize) -> Result<Received, Problem> {
    if headers.get(header::CONTENT_ENCODING).is_some_and(|coding| coding != "identity") {
        return Err(Problem::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, "send the body without a Content-Encoding"));
    }
    let (mut received, mut beyond) = (Received { bytes: Vec::new(), cut: false }, 0);
    while beyond < READ_ON_BYTES {
        match timeout(SILENCE, body.frame()).await {
            Ok(None) => break,
            Ok(Some(Ok(frame))) => {
                let Some(data) = frame.data_ref() else { continue };
                let fits = data.len().min(limit - received.bytes.len());
                received.bytes.extend_from_slice(&data[..fits]);
                beyond += data.len() - fits;
            }
            Ok(Some(Err(_))) | Err(_) => {
                received.cut = true;
                break;
            }
        }
    }
    if beyond > 0 {
        let detail = format!("at most {limit} bytes are taken at once here: send less");
        return Err(Problem::new(StatusCode::PAYLOAD_TOO_LARGE, detail));
    }
    Ok(received)
}

/// A whole body of this media type.
pub async fn whole(headers: &HeaderMap, body: Body, media_type: &str, limit: usize) -> Result<Vec<u8>, Problem> {
    if !is(headers, media_type) {
        return Err(Problem::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, format!("send it as Content-Type: {media_type}")));
    }
    let received = receive(headers, body, limit).await?;
    if received.cut {
        return Err(Problem::new(StatusCode::REQUEST_TIMEOUT, "the body broke off: send it again"));
    }
    digests::check(headers, &received.bytes)?;
    Ok(received.bytes)
}

/// A JSON document.
pub async fn json<T: DeserializeOwned>(headers: &HeaderMap, body: Body, limit: usize) -> Result<T, Problem> {
    let bytes = whole(headers, body, "application/json", limit).await?;
    serde_json::from_slice(&bytes).map_err(|error| {
        let status = if error.is_data() { StatusCode::UNPROCESSABLE_ENTITY } else { StatusCode::BAD_REQUEST };
        Problem::new(status, format!("the JSON can't be taken: {error}"))
    })
}

/// Whether the body is of this media type, whatever its parameters.
pub fn is(headers: &HeaderMap, media_type: &str) -> bool {
    let value = headers.get(header::CONTENT_TYPE).and_then(|value| value.to_str().ok()).unwrap_or_default();
    value.split(';').next().is_some_and(|essence| essence.trim().eq_ignore_ascii_case(media_type))
}
