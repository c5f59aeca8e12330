//! One binary of checks.
