//! Positions, tracks, grids, generalising a position.

mod generalise;
mod grid;
mod local;
mod national;
mod position;
mod projected;
mod track;
mod utm;

pub(crate) use generalise::to_95_percent;
pub use generalise::{Category, Generalised};
pub use grid::Epsg3035;
pub use local::LocalPlane;
pub use national::NationalGrid;
pub use position::{PlaceError, Position};
pub use track::{Fix, Track, TrackError};
pub use utm::Utm;
