//! One binary of checks.

mod space;
mod taps;
