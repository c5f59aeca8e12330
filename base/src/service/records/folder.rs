//! In a store of its own folder.

use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use rakelight_core::exchange::wire::Accepted;
use rakelight_core::store::{Admission, Heads, Store, StoreError};

use super::{Records, ServiceError};

/// One store, open as many times as requests use it at once.
pub struct Folder {
    dir: PathBuf,
    idle: Mutex<Vec<Store>>,
}

impl Records for Folder {
    fn device(&self) -> Result<String, ServiceError> {
        self.with(Store::device)
    }

    fn heads(&self) -> Result<Heads, ServiceError> {
        self.with(|store| store.heads())
    }

    fn lacking(&self, theirs: &Heads, limit: usize) -> Result<Vec<u8>, ServiceError> {
        self.with(|store| store.lacking(theirs, limit))
    }

    fn accept(&self, entries: &[u8], may_write: &dyn Fn(&str) -> Admission) -> Result<Accepted, ServiceError> {
        self.with(|store| store.accept(entries, may_write))
    }

    fn wanted(&self, limit: usize) -> Result<Vec<String>, ServiceError> {
        self.with(|store| store.wanted_photos(limit))
    }

    fn wants(&self, sha256: &str) -> Result<bool, ServiceError> {
        self.with(|store| store.wants_photo(sha256))
    }

    fn trust(&self, devices: &[String]) -> Result<(), ServiceError> {
        self.with(|store| store.trust(devices))
    }

    fn forks(&self) -> Result<Vec<String>, ServiceError> {
        self.with(|store| store.forks())
    }

    fn check(&self) -> Result<(), ServiceError> {
        Ok(Store::open(&self.dir).map(drop)?)
    }
}

impl Folder {
    /// Opens it; makes it where there is none.
    pub fn open(dir: &Path) -> Result<Self, StoreError> {
        Ok(Self { dir: dir.to_owned(), idle: Mutex::new(vec![Store::open_or_create(dir)?]) })
    }

    /// The store's folder.
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// A store that panicked in use isn't used again.
    pub fn with<T>(&self, work: impl FnOnce(&mut Store) -> Result<T, StoreError>) -> Result<T, ServiceError> {
        let idle = || self.idle.lock().unwrap_or_else(PoisonError::into_inner);
        let waiting = idle().pop();
        let mut store = waiting.map_or_else(|| Store::open(&self.dir), Ok)?;
        let done = work(&mut store);
        idle().push(store);
        Ok(done?)
    }
}
