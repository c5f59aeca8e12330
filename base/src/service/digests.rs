//! Digests of what is sent, as RFC 9530 has them (`Repr-Digest`, `Content-Digest`), and of files.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode};
use base64::Engine;
use base64::prelude::BASE64_STANDARD as BASE64;
use ring::digest::{self, Algorithm, SHA256, SHA512};

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
    let value = format!("sha-256=:{}:", BASE64.encode(sha256));
    HeaderValue::from_str(&value).map_err(Problem::machine)
}

/// Whether a request's body is what its digests say. Algorithms other than SHA-2 are passed over, as RFC 9530 lets a reader do. A
/// request's body is its whole representation, so both fields are about the same bytes.
pub fn check(headers: &HeaderMap, body: &[u8]) -> Result<(), Problem> {
    for name in [REPR_DIGEST, CONTENT_DIGEST] {
        for value in headers.get_all(&name) {
            // An empty field is an empty dictionary (RFC 9651): nothing is said.
            let members = value.to_str().unwrap_or("=").split(',').map(str::trim);
            for member in members.filter(|_| !value.is_empty()) {
                check_one(&name, member, body)?;
            }
        }
    }
    Ok(())
}

fn check_one(name: &HeaderName, member: &str, body: &[u8]) -> Result<(), Problem> {
    let malformed =
        || Problem::bad_request(format!("{name} isn't written as RFC 9530 has it: sha-256=:…:, the digest in Base64"));
    let (algorithm, value) = member.split_once('=').ok_or_else(malformed)?;
    let algorithm: &Algorithm = match algorithm {
        "sha-256" => &SHA256,
        "sha-512" => &SHA512,
        "" => return Err(malformed()),
        _ => return Ok(()),
    };
    let value = value.strip_prefix(':').and_then(|value| value.strip_suffix(':')).ok_or_else(malformed)?;
    let stated = BASE64.decode(value).map_err(|_| malformed())?;
    if digest::digest(algorithm, body).as_ref() == stated {
        return Ok(());
    }
    let detail = format!("the body isn't what its {name} says: it was changed on its way, send it again");
    Err(Problem::of(StatusCode::UNPROCESSABLE_ENTITY, "urn:rakelight:digest_mismatch", detail))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 9530, appendices B.1 and D: digests of `{"hello": "world"}` with a line's end, without, and of nothing.
    const VALUES: [(&str, &str, &str); 3] = [
        (
            "{\"hello\": \"world\"}\n",
            "RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg=",
            "YMAam51Jz/jOATT6/zvHrLVgOYTGFy1d6GJiOHTohq4yP+pgk4vf2aCsyRZOtw8MjkM7iw7yZ/WkppmM44T3qg==",
        ),
        (
            "{\"hello\": \"world\"}",
            "X48E9qOokqqrvdts8nOJRJN3OWDUoyWxBf7kbu9DBPE=",
            "WZDPaVn/7XgHaAy8pmojAkGWoRx2UFChF41A2svX+TaPm+AbwAgBWnrIiYllu7BNNyealdVLvRwEmTHWXvJwew==",
        ),
        (
            "",
            "47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=",
            "z4PhNX7vuL3xVChQ1m2AB9Yg5AULVxXcg/SpIdNs6c5H0NE8XYXysP+DGNKHfuwvY7kxvUdBeoGlODJ6+SfaPg==",
        ),
    ];

    fn headers(name: HeaderName, value: &str) -> HeaderMap {
        HeaderMap::from_iter([(name, HeaderValue::from_str(value).unwrap())])
    }

    #[test]
    fn the_values_of_rfc_9530_come_out() {
        for (body, sha_256, sha_512) in VALUES {
            assert_eq!(field(&sha256(body.as_bytes())).unwrap(), format!("sha-256=:{sha_256}:").as_str());
            let both = format!("sha-512=:{sha_512}:, sha-256=:{sha_256}:");
            for name in [REPR_DIGEST, CONTENT_DIGEST] {
                check(&headers(name.clone(), &both), body.as_bytes()).unwrap();
                check(&headers(name, &both), b"another").unwrap_err();
            }
        }
    }

    #[test]
    fn what_is_not_a_digest_is_refused_and_an_unknown_algorithm_is_passed_over() {
        for value in ["sha-256", "sha-256=abc", "sha-256=:***:", "sha-256=::", "=", ",sha-256=::"] {
            check(&headers(REPR_DIGEST, value), b"").unwrap_err();
        }
        check(&headers(REPR_DIGEST, ""), b"x").unwrap();
        check(&headers(REPR_DIGEST, "unixsum=:30637:, crc32c=:Cx6SGw==:"), b"x").unwrap();
    }
}
