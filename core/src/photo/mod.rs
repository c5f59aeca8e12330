//! A photograph: pixels, time, place, orientation, digest.
//!
//! Pixels are those of the upright picture: x right, y down, the centre of the first pixel is (0, 0).

mod code;
mod exif;
mod jpeg;
mod kind;
mod plane;
mod png;
mod read;
mod upright;

pub use code::read_code;
pub use exif::{Clock, NoFocal, Taken};
pub use plane::PlaneError;
pub use read::{Luma, MAX_MEGAPIXELS, MIN_SIDE_PX, Photo, PhotoError, read_colour};
pub use upright::Orientation;

use sha2::{Digest, Sha256};

/// The SHA-256 of a photograph's bytes in lower-case hexadecimal: its name in every store.
///
/// ```
/// // FIPS 180-4, the message "abc".
/// assert!(rakelight_core::photo::digest(b"abc").starts_with("ba7816bf8f01cfea"));
/// ```
pub fn digest(bytes: &[u8]) -> String {
    hex::encode(Sha256::digest(bytes))
}
