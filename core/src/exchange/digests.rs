//! Digests of what is sent, as RFC 9530 writes them in `Repr-Digest` and `Content-Digest`.

use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use sha2::{Digest, Sha256, Sha512};

/// What is wrong with a field.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum DigestError {
    /// It can't be read.
    #[error("isn't written as RFC 9530 has it: sha-256=:…:, the digest in Base64")]
    Malformed,
    /// It is of other bytes.
    #[error("is of other bytes: they were changed on their way")]
    OtherBytes,
}

/// The field for bytes with this SHA-256.
///
/// ```
/// // RFC 9530, appendix D: of a representation without content.
/// let sha256 = hex::decode("e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855")?.try_into().unwrap();
/// let field = rakelight_core::exchange::digests::field(&sha256);
/// assert_eq!(field, "sha-256=:47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=:");
/// # Ok::<(), hex::FromHexError>(())
/// ```
pub fn field(sha256: &[u8; 32]) -> String {
    format!("sha-256=:{}:", BASE64_STANDARD.encode(sha256))
}

/// Whether bytes are what a field says. Algorithms other than SHA-2 are passed over, as RFC 9530 lets a reader do.
///
/// # Errors
/// See [`DigestError`].
pub fn check(field: &str, bytes: &[u8]) -> Result<(), DigestError> {
    // An empty field is an empty dictionary (RFC 9651): nothing is said.
    let members = field.split(',').map(str::trim).filter(|_| !field.is_empty());
    members.into_iter().try_for_each(|member| check_one(member, bytes))
}

fn check_one(member: &str, bytes: &[u8]) -> Result<(), DigestError> {
    let (algorithm, value) = member.split_once('=').ok_or(DigestError::Malformed)?;
    let own = match algorithm {
        "sha-256" => Sha256::digest(bytes).to_vec(),
        "sha-512" => Sha512::digest(bytes).to_vec(),
        "" => return Err(DigestError::Malformed),
        _ => return Ok(()),
    };
    let value = value.strip_prefix(':').and_then(|value| value.strip_suffix(':')).ok_or(DigestError::Malformed)?;
    let stated = BASE64_STANDARD.decode(value).map_err(|_| DigestError::Malformed)?;
    if own == stated { Ok(()) } else { Err(DigestError::OtherBytes) }
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

    #[test]
    fn the_values_of_rfc_9530_come_out() {
        for (body, sha_256, sha_512) in VALUES {
            assert_eq!(field(&Sha256::digest(body).into()), format!("sha-256=:{sha_256}:"));
            let both = format!("sha-512=:{sha_512}:, sha-256=:{sha_256}:");
            assert_eq!(check(&both, body.as_bytes()), Ok(()));
            assert_eq!(check(&both, b"another"), Err(DigestError::OtherBytes));
        }
    }

    #[test]
    fn what_is_not_a_digest_is_refused_and_an_unknown_algorithm_is_passed_over() {
        for value in ["sha-256", "sha-256=abc", "sha-256=:***:", "=", ",sha-256=::"] {
            assert_eq!(check(value, b""), Err(DigestError::Malformed), "{value}");
        }
        assert_eq!(check("sha-256=::", b""), Err(DigestError::OtherBytes));
        assert_eq!(check("", b"x"), Ok(()));
        assert_eq!(check("unixsum=:30637:, crc32c=:Cx6SGw==:", b"x"), Ok(()));
    }
}
