//! Positions, tracks, generalising a position.

mod generalise;
mod position;
mod track;

pub use generalise::{Category, Generalised};
pub use position::{PlaceError, Position};
pub use track::{Fix, Track, TrackError};
