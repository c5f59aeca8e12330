//! Identifiers that stay: the same record has the same one in every export, and nothing can be worked out from it.

use sha2::{Digest as _, Sha256};

use crate::store::Digest;

/// A UUID of version 8 (RFC 9562, 5.8) out of the visit's root and what it is of.
pub(super) fn id(root: &Digest, of: &[&str]) -> String {
    let mut hash = Sha256::new_with_prefix(root);
    for part in of {
        hash.update((part.len() as u64).to_be_bytes());
        hash.update(part);
    }
    let mut bytes: [u8; 16] = std::array::from_fn(|_| 0);
    bytes.copy_from_slice(&hash.finalize()[..16]);
    bytes[6] = bytes[6] & 0x0f | 0x80;
    bytes[8] = bytes[8] & 0x3f | 0x80;
    let hex = hex::encode(bytes);
    [&hex[..8], &hex[8..12], &hex[12..16], &hex[16..20], &hex[20..]].join("-")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_identifier_is_a_uuid_that_says_which_and_stays() {
        let made = id(&[7; 32], &["sign", "s1"]);
        assert_eq!(made, id(&[7; 32], &["sign", "s1"]));
        assert_eq!((made.len(), &made[14..15]), (36, "8"));
        assert!("89ab".contains(&made[19..20]));
        let others = [id(&[8; 32], &["sign", "s1"]), id(&[7; 32], &["sign", "s2"]), id(&[7; 32], &["sig", "ns1"])];
        assert!(others.iter().all(|other| *other != made));
    }
}
