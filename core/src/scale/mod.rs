//! The known thing in the picture: from it the plane that turns pixels into millimetres, with covariance.

mod blobs;
pub mod card;
mod coin;
pub mod draw;
mod find;
mod known;
mod lens;
pub mod light;
mod marker;
mod plane;
pub mod preview;
mod quad;
mod taps;

pub use coin::{CoinFound, Ellipse, of_coin};
pub use find::{BENT_MM, CardFound, ScaleError, find_card};
pub use known::{ByHand, Coin, Sheet};
pub use lens::Lens;
pub use plane::{Length, Plane, Points, Stance, Tie};
pub use taps::{KnownError, SheetFound, find_sheet};
