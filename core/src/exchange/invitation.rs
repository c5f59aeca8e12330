//! An invitation to join a base, as a text or a picture of one (a QR code) carries it.

use std::fmt;
use std::str::FromStr;

/// Where a base is, by what it is known, and the code that lets one device in.
///
/// ```
/// use rakelight_core::exchange::Invitation;
/// let text = format!("rakelight:join?address=https://192.168.1.4:8443&certificate={}&code=7KQ2", "ab".repeat(32));
/// let invitation: Invitation = text.parse()?;
/// assert_eq!(invitation.address, "https://192.168.1.4:8443");
/// assert_eq!(invitation.to_string(), text);
/// # Ok::<(), String>(())
/// ```
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Invitation {
    /// `https://host:port`.
    pub address: String,
    /// The SHA-256 of the base's certificate (DER): nobody else can answer for it.
    pub certificate: [u8; 32],
    /// Good once, and for a while.
    pub code: String,
}

const START: &str = "rakelight:join?";

impl fmt::Display for Invitation {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        let certificate = hex::encode(self.certificate);
        write!(f, "{START}address={}&certificate={certificate}&code={}", self.address, self.code)
    }
}

impl FromStr for Invitation {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong = |what: &str| format!("this isn't an invitation: {what}; copy it whole, it begins with {START}");
        let parts = text.trim().strip_prefix(START).ok_or_else(|| wrong("its beginning is missing"))?;
        let part = |name: &str| {
            let value = parts.split('&').find_map(|part| part.strip_prefix(name)?.strip_prefix('='));
            value.ok_or_else(|| wrong(&format!("its {name} is missing")))
        };
        let (address, code) = (part("address")?, part("code")?);
        let plain = |text: &str, also: &str| text.chars().all(|c| c.is_ascii_alphanumeric() || also.contains(c));
        if !address.strip_prefix("https://").is_some_and(|host| !host.is_empty() && plain(host, ".:-[]_")) {
            return Err(wrong("its address isn't https://host:port"));
        }
        if code.is_empty() || !plain(code, "-") {
            return Err(wrong("its code has signs that no code has"));
        }
        let certificate = hex::decode(part("certificate")?).ok().and_then(|bytes| bytes.try_into().ok());
        let certificate = certificate.ok_or_else(|| wrong("its certificate isn't 64 hexadecimal digits"))?;
        Ok(Self { address: address.to_owned(), certificate, code: code.to_owned() })
    }
}
