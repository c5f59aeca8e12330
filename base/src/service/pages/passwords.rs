//! Passwords: kept as Argon2id makes them (RFC 9106), never as they are.

use argon2::Argon2;
use argon2::password_hash::{PasswordHasher, PasswordVerifier};

use super::refusal::Refusal;

/// A password has at least so many characters; nothing else is asked of it (NIST SP 800-63B asks for 8, from memory).
pub const SHORTEST: usize = 10;
/// More than this is no password but an attack on the machine's time.
const LONGEST_BYTES: usize = 1_000;

/// What is kept of a password.
pub fn kept(password: &str) -> Result<String, Refusal> {
    if password.chars().count() < SHORTEST || password.len() > LONGEST_BYTES {
        return Err(Refusal::wrong("pages.refused.password_length"));
    }
    Argon2::default().hash_password(password.as_bytes()).map(|kept| kept.to_string()).map_err(Refusal::machine)
}

/// Whether this is the password. Where there is none it takes as long all the same, so that nobody learns who has one.
pub fn is_right(password: &str, kept: Option<&str>) -> bool {
    /// Of a password that nobody has.
    const NOBODYS: &str =
        "$argon2id$v=19$m=19456,t=2,p=1$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA";
    if password.len() > LONGEST_BYTES {
        return false;
    }
    let parsed = argon2::PasswordHash::new(kept.unwrap_or(NOBODYS));
    let right = parsed.is_ok_and(|kept| Argon2::default().verify_password(password.as_bytes(), &kept).is_ok());
    right && kept.is_some()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_password_is_known_again_and_stands_nowhere() {
        let password = "low sun over the mud";
        let one = kept(password).unwrap();
        assert!(one.starts_with("$argon2id$") && !one.contains("mud") && one != kept(password).unwrap());
        assert!(is_right(password, Some(&one)) && !is_right("low sun over the sea", Some(&one)));
        assert!(!is_right(password, None) && !is_right("", None) && !is_right(password, Some("nonsense")));
        assert!(kept("too short").is_err() && kept(&"long".repeat(1_000)).is_err());
    }
}
