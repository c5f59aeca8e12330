//! All that Rakelight computes: from a photograph of a print to the landowner's summary.
//!
//! The core is pure: it has no network, no user interface, no clock and no randomness of its own (keys and salts excepted).

pub mod analysis;
mod chance;
pub mod exchange;
pub mod export;
pub mod identify;
pub mod import;
pub mod lamps;
pub mod measured;
pub mod photo;
pub mod place;
pub mod plan;
pub mod plot;
pub mod print;
pub mod raster;
pub mod relief;
pub mod report;
mod rows;
pub mod scale;
pub mod space;
pub mod store;
pub mod summary;
pub mod survey;
pub mod time;
pub mod trail;
pub mod words;
