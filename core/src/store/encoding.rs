//! The digests and signatures of format 1, as `encoding.md` states them. Pure: keys and salts come in.

use ciborium_ll::{Encoder, Header as CborHeader, simple};
use ed25519_dalek::{Signature, Signer, SigningKey, VerifyingKey};
use sha2::{Digest as _, Sha256};

use super::HybridTime;

/// A SHA-256 digest (FIPS 180-4).
pub type Digest = [u8; 32];
/// What stands before a payload where it is digested.
pub type Salt = [u8; 16];
/// A device's public key, which is its id.
pub type DeviceId = [u8; 32];

pub(crate) const FORMAT: u8 = 1;
const HEAD_DOMAIN: &[u8] = b"rakelight log head 1\0";
/// What the first entry of a log has as the digest of the one before.
pub(crate) const NO_PREVIOUS: Digest = [0; 32];

/// What the chain runs over.
#[derive(Debug, Clone)]
pub struct Header {
    /// Whose log it is in.
    pub device: DeviceId,
    /// Its place there, from 1.
    pub number: i64,
    /// When it was written.
    pub time: HybridTime,
    /// What kind of entry it is; any text, also with a NUL in it, as `visit` and `subject` are.
    pub kind: String,
    /// The visit's identifier.
    pub visit: String,
    /// What of the visit it is about.
    pub subject: String,
    /// [`salted`] over the author.
    pub author_digest: Digest,
    /// [`salted`] over the payload.
    pub payload_digest: Digest,
    /// The entry digest of the number before; 32 zeros for number 1.
    pub previous: Digest,
}

impl Header {
    /// The header as deterministic CBOR (RFC 8949, 4.2.1): ciborium writes the shortest integers and definite lengths.
    pub fn to_cbor(&self) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(320);
        let mut cbor = Cbor::array(&mut bytes, 11);
        cbor.integer(FORMAT.into());
        cbor.bytes(&self.device);
        cbor.integer(self.number);
        cbor.integer(self.time.wall_ms);
        cbor.integer(self.time.counter.into());
        for name in [&self.kind, &self.visit, &self.subject] {
            cbor.text(name);
        }
        for digest in [&self.author_digest, &self.payload_digest, &self.previous] {
            cbor.bytes(digest);
        }
        bytes
    }

    /// The entry digest.
    pub fn digest(&self) -> Digest {
        sha256(&[&self.to_cbor()])
    }
}

/// A CBOR array as it is written, item by item. Writing into memory has no way to fail: the one error of ciborium's encoder is that of its sink.
pub(crate) struct Cbor<'b>(Encoder<&'b mut Vec<u8>>);

impl<'b> Cbor<'b> {
    /// An array of so many items, after what is written already.
    pub fn array(written: &'b mut Vec<u8>, items: usize) -> Self {
        let mut encoder = Encoder::from(written);
        _ = encoder.push(CborHeader::Array(Some(items)));
        Self(encoder)
    }

    pub fn integer(&mut self, value: i64) {
        let header = match u64::try_from(value) {
            Ok(value) => CborHeader::Positive(value),
            Err(_) => CborHeader::Negative(!value as u64),
        };
        _ = self.0.push(header);
    }

    pub fn bytes(&mut self, bytes: &[u8]) {
        _ = self.0.bytes(bytes, None);
    }

    pub fn text(&mut self, text: &str) {
        _ = self.0.text(text, None);
    }

    /// Bytes, or null where there are none.
    pub fn bytes_or_null(&mut self, bytes: Option<&[u8]>) {
        match bytes {
            Some(bytes) => self.bytes(bytes),
            None => _ = self.0.push(CborHeader::Simple(simple::NULL)),
        }
    }
}

/// SHA-256 over the parts, one after the other.
pub(crate) fn sha256(parts: &[&[u8]]) -> Digest {
    let mut hasher = Sha256::new();
    parts.iter().for_each(|part| hasher.update(part));
    hasher.finalize().into()
}

/// The digest of something that can be erased: SHA-256(salt ‖ bytes).
pub fn salted(salt: &Salt, bytes: &[u8]) -> Digest {
    sha256(&[salt, bytes])
}

/// The signature of a device over the head of its log.
pub(crate) fn sign_head(key: &SigningKey, entry_digest: &Digest) -> [u8; 64] {
    sign(key, &head(entry_digest))
}

/// Whether `signature` is the device's own over the head of its log.
pub(crate) fn head_is_signed(device: &DeviceId, entry_digest: &Digest, signature: &[u8]) -> bool {
    is_signed(device, &head(entry_digest), signature)
}

fn head(entry_digest: &Digest) -> Vec<u8> {
    [HEAD_DOMAIN, entry_digest].concat()
}

pub(crate) fn sign(key: &SigningKey, message: &[u8]) -> [u8; 64] {
    key.sign(message).to_bytes()
}

/// Strict: a signature has one form only, and weak keys have none.
pub(crate) fn is_signed(device: &DeviceId, message: &[u8], signature: &[u8]) -> bool {
    let Ok(key) = VerifyingKey::from_bytes(device) else { return false };
    Signature::from_slice(signature).is_ok_and(|signature| key.verify_strict(message, &signature).is_ok())
}

#[cfg(test)]
mod tests {
    use super::*;

    const PUBLISHED: &str = include_str!("../../../fixtures/reference/digests_and_signatures.txt");

    fn array<const N: usize>(hexadecimal: &str) -> [u8; N] {
        hex::decode(hexadecimal).unwrap().try_into().unwrap()
    }

    /// FIPS 180-4 examples (csrc.nist.gov): the empty text, "abc" and the 448-bit text, whose digests the reference file holds.
    #[test]
    fn digests_are_those_of_fips_180_4() {
        let texts = ["", "abc", "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq"];
        let published: Vec<&str> = PUBLISHED
            .lines()
            .filter(|line| line.starts_with("b'"))
            .filter_map(|line| line.split_once(" sha256 "))
            .map(|(_, digest)| digest)
            .collect();
        assert_eq!(published.len(), texts.len());
        for (text, digest) in texts.iter().zip(published) {
            assert_eq!(hex::encode(sha256(&[text.as_bytes()])), digest, "{text:?}");
        }
        assert_eq!(sha256(&[b"a", b"", b"bc"]), sha256(&[b"abc"]));
    }

    /// RFC 8032, section 7.1, tests 1 to 3.
    #[test]
    fn signatures_are_those_of_rfc_8032() {
        let mut seen = 0;
        for line in PUBLISHED.lines().filter(|line| line.starts_with("ed25519 ")) {
            let [_, _, secret, _, public, _, message, _, signature] = line.split(' ').collect::<Vec<_>>()[..] else {
                panic!("not a line of nine words: {line}");
            };
            let key = SigningKey::from_bytes(&array(secret));
            let message = hex::decode(message).unwrap();
            assert_eq!(hex::encode(key.verifying_key().to_bytes()), public);
            assert_eq!(hex::encode(sign(&key, &message)), signature);
            assert!(is_signed(&array(public), &message, &hex::decode(signature).unwrap()));
            assert!(!is_signed(&array(public), b"another message", &hex::decode(signature).unwrap()));
            seen += 1;
        }
        assert_eq!(seen, 3);
    }

    /// RFC 8949, appendix A: the kinds of value that a header is made of.
    #[test]
    fn cbor_is_that_of_rfc_8949() {
        let written = |write: &dyn Fn(&mut Cbor)| {
            let mut bytes = Vec::new();
            write(&mut Cbor::array(&mut bytes, 3));
            hex::encode(bytes)
        };
        let numbers = [
            (0, "00"),
            (23, "17"),
            (24, "1818"),
            (100, "1864"),
            (1000, "1903e8"),
            (1_000_000, "1a000f4240"),
            (1_000_000_000_000, "1b000000e8d4a51000"),
            (-1, "20"),
            (-1000, "3903e7"),
        ];
        for (number, published) in numbers {
            assert_eq!(written(&|cbor| cbor.integer(number)), format!("83{published}"), "{number}");
        }
        for (text, published) in [("", "60"), ("IETF", "6449455446"), ("\u{fc}", "62c3bc")] {
            assert_eq!(written(&|cbor| cbor.text(text)), format!("83{published}"), "{text:?}");
        }
        assert_eq!(written(&|cbor| cbor.bytes(&[1, 2, 3, 4])), "834401020304");
        assert_eq!(written(&|cbor| cbor.bytes_or_null(None)), "83f6");
        assert_eq!(written(&|cbor| (1..=3).for_each(|n| cbor.integer(n))), "83010203");
    }

    #[derive(serde::Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Vectors {
        about: String,
        secret_key: String,
        device: String,
        entries: Vec<Vector>,
    }

    #[derive(serde::Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Vector {
        number: i64,
        wall_ms: i64,
        counter: u32,
        kind: String,
        visit: String,
        subject: String,
        salt: String,
        author: String,
        payload: String,
        author_digest: String,
        payload_digest: String,
        previous: String,
        header: String,
        digest: String,
        signature: Option<String>,
    }

    /// The vectors come from a Python program with its own CBOR and OpenSSL's Ed25519 (fixtures/store/vectors.py).
    #[test]
    fn entries_are_encoded_as_the_vectors_say() {
        let vectors: Vectors = serde_json::from_str(include_str!("../../../fixtures/store/vectors.json")).unwrap();
        assert!(!vectors.about.is_empty());
        let key = SigningKey::from_bytes(&array(&vectors.secret_key));
        let device = key.verifying_key().to_bytes();
        assert_eq!(hex::encode(device), vectors.device);
        let mut previous = NO_PREVIOUS;
        for vector in vectors.entries {
            let salt: Salt = array(&vector.salt);
            let header = Header {
                device,
                number: vector.number,
                time: HybridTime { wall_ms: vector.wall_ms, counter: vector.counter },
                kind: vector.kind,
                visit: vector.visit,
                subject: vector.subject,
                author_digest: salted(&salt, vector.author.as_bytes()),
                payload_digest: salted(&salt, vector.payload.as_bytes()),
                previous,
            };
            assert_eq!(hex::encode(header.author_digest), vector.author_digest);
            assert_eq!(hex::encode(header.payload_digest), vector.payload_digest);
            assert_eq!(hex::encode(header.previous), vector.previous);
            assert_eq!(hex::encode(header.to_cbor()), vector.header);
            assert_eq!(hex::encode(header.digest()), vector.digest);
            if let Some(signature) = vector.signature {
                assert_eq!(hex::encode(sign_head(&key, &header.digest())), signature);
                assert!(head_is_signed(&device, &header.digest(), &hex::decode(signature).unwrap()));
            }
            previous = header.digest();
        }
    }
}
