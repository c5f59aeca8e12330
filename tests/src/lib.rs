//! What the checks share: where things are, and chance that is the same in every run.

pub mod chance;
pub mod fuzz;
pub mod service;
pub mod trails;

use std::path::PathBuf;

/// A file or folder of the repository.
pub fn repository(path: &str) -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/..")).join(path)
}

/// A folder for a benchmark, on the disk under `target/bench`, empty now.
///
/// # Errors
/// It can't be emptied or made.
pub fn bench_folder(name: &str) -> std::io::Result<PathBuf> {
    let folder = repository("target/bench").join(name);
    if folder.exists() {
        std::fs::remove_dir_all(&folder)?;
    }
    std::fs::create_dir_all(&folder)?;
    Ok(folder)
}
