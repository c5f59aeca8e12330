//! All that Rakelight computes: from a photograph of a print to the landowner's summary.
//!
//! The core is pure: it has no network, no user interface, no clock and no randomness of its own (keys and salts excepted).

pub mod measured;
pub mod scale;
pub mod trail;
pub mod words;
