//! Digests of requests and answers (`Repr-Digest`, `Content-Digest`), and of files.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode};
use rakelight_core::exchange::digests::{self, DigestError};
use ring::digest::{self, SHA256};

use super::Id;
use super::problem::Problem;

pub const REPR_DIGEST: HeaderName = HeaderName::from_static("repr-digest");
pub const CONTENT_DIGEST: HeaderName = HeaderName::from_static("content-digest");

pub fn sha256(bytes: &[u8]) -> Id {
    let mut id = [0; 32];
    id.copy_from_slice(digest::digest(&SHA256, bytes).as_ref());
    id
}

/// The SHA-256 of a file.
pub fn sha256_of_file(path: &Path) -> io::Result<Id> {
    let (mut file, mut context, mut buffer) = (File::open(path)?, digest::Context::new(&SHA256), vec![0; 1 << 16]);
    loop {
        match file.read(&mut buffer)? {
            0 => break,
            n => context.update(&buffer[..n]),
        }
    }
    let mut id = [0; 32];
    id.copy_from_slice(context.finish().as_ref());
    Ok(id)
}

/// `Repr-Digest` for a representation with this SHA-256.
pub fn field(sha256: &Id) -> Result<HeaderValue, Problem> {
    HeaderValue::from_str(&digests::field(sha256)).map_err(Problem::machine)
}

/// Whether a request's body is what its digests say. It is its whole representation, so both fields are about the same bytes.
pub fn check(headers: &HeaderMap, body: &[u8]) -> Result<(), Problem> {
    for name in [REPR_DIGEST, CONTENT_DIGEST] {
        for value in headers.get_all(&name) {
            digests::check(value.to_str().unwrap_or("="), body).map_err(|error| {
                let detail = format!("{name} {error}; send it again");
                match error {
                    DigestError::Malformed => Problem::bad_request(detail),
                    DigestError::OtherBytes => {
                        Problem::of(StatusCode::UNPROCESSABLE_ENTITY, "urn:rakelight:digest_mismatch", detail)
                    }
                }
            })?;
        }
    }
    Ok(())
}
