//! Challenges and sessions that nobody has to remember: what is handed out carries its end and a MAC that only this base can make.

use base64::Engine;
use base64::prelude::BASE64_URL_SAFE_NO_PAD as BASE64;
use ring::{hmac, rand};

use super::Id;

/// A challenge is good for so long.
const CHALLENGE_MS: i64 = 120_000;
/// A session is good for so long.
pub const SESSION_S: u64 = 900;

/// A person's session with the pages is good for so long: a day's work.
const PAGE_SESSION_MS: i64 = 12 * 3_600_000;

/// The key that all processes of a base share.
pub struct Seals {
    key: hmac::Key,
}

impl Seals {
    pub fn new(secret: &[u8]) -> Self {
        Self { key: hmac::Key::new(hmac::HMAC_SHA256, secret) }
    }

    /// Something to sign. It can be answered more than once while it is good: each answer gives a session to who holds the key, no one else.
    pub fn challenge(&self, now_ms: i64) -> Result<String, ring::error::Unspecified> {
        let nonce: [u8; 16] = rand::generate(&rand::SystemRandom::new())?.expose();
        Ok(self.seal("challenge", &nonce, now_ms + CHALLENGE_MS))
    }

    /// Whether this is a challenge of ours and still good.
    pub fn is_challenge(&self, text: &str, now_ms: i64) -> bool {
        self.open::<16>("challenge", text, now_ms).is_some()
    }

    /// A device's session.
    pub fn session(&self, device: &Id, now_ms: i64) -> String {
        self.seal("session", device, now_ms + 1_000 * SESSION_S.cast_signed())
    }

    /// The device whose session this is; `None` where it isn't of ours, or over.
    pub fn device_of(&self, session: &str, now_ms: i64) -> Option<Id> {
        self.open("session", session, now_ms)
    }

    /// A person's session with the pages.
    pub fn page_session(&self, person: &[u8; 16], era: i64, now_ms: i64) -> String {
        let content = [&person[..], &era.to_be_bytes()].concat();
        self.seal("pages", &content, now_ms + PAGE_SESSION_MS)
    }

    /// Whose session this is and of which era; `None` where it isn't of ours, or over.
    pub fn person_of(&self, session: &str, now_ms: i64) -> Option<([u8; 16], i64)> {
        let content: [u8; 24] = self.open("pages", session, now_ms)?;
        let (person, era) = content.split_first_chunk()?;
        Some((*person, i64::from_be_bytes(*era.first_chunk()?)))
    }

    /// What a form of this session carries, so that no other site can send it.
    pub fn form_token(&self, session: &str) -> String {
        BASE64.encode(hmac::sign(&self.key, &[b"form\0", session.as_bytes()].concat()))
    }

    /// Whether a form carries it.
    pub fn is_form_token(&self, session: &str, token: &str) -> bool {
        let tag = BASE64.decode(token).unwrap_or_default();
        hmac::verify(&self.key, &[b"form\0", session.as_bytes()].concat(), &tag).is_ok()
    }

    fn seal(&self, what: &str, content: &[u8], end_ms: i64) -> String {
        let sealed = [content, &end_ms.to_be_bytes()].concat();
        let tag = hmac::sign(&self.key, &[what.as_bytes(), b"\0", &sealed].concat());
        BASE64.encode([&sealed, tag.as_ref()].concat())
    }

    fn open<const N: usize>(&self, what: &str, text: &str, now_ms: i64) -> Option<[u8; N]> {
        let bytes = BASE64.decode(text).ok()?;
        let (sealed, tag) = bytes.split_at_checked(N + 8)?;
        hmac::verify(&self.key, &[what.as_bytes(), b"\0", sealed].concat(), tag).ok()?;
        let (content, end_ms) = sealed.split_first_chunk()?;
        (i64::from_be_bytes(*end_ms.first_chunk()?) > now_ms).then_some(*content)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW: i64 = 1_790_000_000_000;

    #[test]
    fn a_session_names_its_device_until_it_ends_and_nobody_else_can_make_one() {
        let (seals, others) = (Seals::new(&[1; 32]), Seals::new(&[2; 32]));
        let session = seals.session(&[7; 32], NOW);
        assert_eq!(seals.device_of(&session, NOW + 899_999), Some([7; 32]));
        assert_eq!(seals.device_of(&session, NOW + 900_000), None);
        assert_eq!(others.device_of(&session, NOW), None);
        for at in 0..session.len() {
            let mut changed = session.clone().into_bytes();
            changed[at] = if changed[at] == b'A' { b'B' } else { b'A' };
            assert_eq!(seals.device_of(std::str::from_utf8(&changed).unwrap(), NOW), None, "character {at}");
            assert_eq!(seals.device_of(&session[..at], NOW), None);
        }
    }

    #[test]
    fn a_challenge_is_good_for_two_minutes_and_is_no_session() {
        let seals = Seals::new(&[1; 32]);
        let challenge = seals.challenge(NOW).unwrap();
        assert_ne!(challenge, seals.challenge(NOW).unwrap());
        assert!(seals.is_challenge(&challenge, NOW + 119_999) && !seals.is_challenge(&challenge, NOW + 120_000));
        assert!(seals.device_of(&challenge, NOW).is_none() && !seals.is_challenge(&seals.session(&[7; 32], NOW), NOW));
    }
}
