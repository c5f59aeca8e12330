//! Checks that cross the crates' borders, in one binary.

mod demo;
mod lamps;
mod space;
mod summary;
mod taps;
