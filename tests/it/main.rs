//! Checks that cross the crates' borders, in one binary.

mod demo;
mod fuzz;
mod ground;
mod lamps;
mod later;
mod space;
mod summary;
mod taps;
mod trail;
