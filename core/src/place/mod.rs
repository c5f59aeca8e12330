//! Positions, tracks, generalising a position.

mod generalise;
mod grid;
mod local;
mod position;
mod track;

pub use generalise::{Category, Generalised};
pub use grid::Epsg3035;
pub use local::LocalPlane;
pub use position::{PlaceError, Position};
pub use track::{Fix, Track, TrackError};
