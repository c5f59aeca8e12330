//! Checks that cross the crates' borders, in one binary.

mod demo;
mod fuzz;
mod ground;
mod space;
mod summary;
mod taps;
