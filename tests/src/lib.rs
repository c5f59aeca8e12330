//! What the checks share: where things are, and chance that is the same in every run.

pub mod chance;
pub mod fuzz;
pub mod trails;

use std::path::PathBuf;

/// A file or folder of the repository.
pub fn repository(path: &str) -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/..")).join(path)
}
