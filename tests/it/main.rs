//! One binary of checks.

mod space;
