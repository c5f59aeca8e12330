//! Checks that cross the crates' borders, in one binary.

mod demo;
mod fuzz;
mod space;
mod summary;
mod taps;
