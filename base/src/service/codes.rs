//! Invitation codes: 80 random bits in letters and digits that nobody mistakes for each other.

use ring::rand;

use super::Id;

/// Base 32 without I, L, O and U.
const LETTERS: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";

/// A new code, `7K3M-…`: four groups of four.
pub fn new() -> Result<String, ring::error::Unspecified> {
    let bits: [u8; 10] = rand::generate(&rand::SystemRandom::new())?.expose();
    let number = bits.iter().fold(0u128, |number, byte| number << 8 | u128::from(*byte));
    let letters: Vec<u8> = (0..16).rev().map(|i| LETTERS[(number >> (5 * i) & 31) as usize]).collect();
    Ok(letters.chunks(4).map(String::from_utf8_lossy).collect::<Vec<_>>().join("-"))
}

/// A code's SHA-256, however it was typed: in small letters, without dashes, with O for 0.
pub fn sha256(code: &str) -> Id {
    let meant = |letter: char| match letter.to_ascii_uppercase() {
        'O' => '0',
        'I' | 'L' => '1',
        other => other,
    };
    let typed: String = code.chars().filter(|letter| letter.is_ascii_alphanumeric()).map(meant).collect();
    super::digests::sha256(typed.as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_is_known_however_it_was_typed() {
        let code = new().unwrap();
        assert_eq!(code.len(), 19);
        assert_ne!(code, new().unwrap());
        assert!(code.bytes().all(|letter| letter == b'-' || LETTERS.contains(&letter)), "{code}");
        let typed = code.to_lowercase().replace('-', " ").replace('0', "o").replace('1', "l");
        assert_eq!(sha256(&typed), sha256(&code));
        assert_ne!(sha256(&new().unwrap()), sha256(&code));
    }
}
