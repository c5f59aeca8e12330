//! The known thing in the picture: from it the plane that turns pixels into millimetres, with covariance.

mod blobs;
pub mod card;
pub mod draw;
mod find;
mod lens;
pub mod light;
mod marker;
mod plane;
mod quad;

pub use find::{CardFound, ScaleError, find_card};
pub use lens::Lens;
pub use plane::{Length, Plane, Stance, Tie};
