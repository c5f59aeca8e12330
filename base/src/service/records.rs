//! The store behind the service: what requests ask of it, and nothing else.

use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use rakelight_core::exchange::wire::Accepted;
use rakelight_core::store::{Admission, Heads, Store, StoreError};

/// One store, open as many times as requests use it at once.
pub struct Records {
    dir: PathBuf,
    idle: Mutex<Vec<Store>>,
}

impl Records {
    /// Opens it; makes it where there is none.
    pub fn open(dir: &Path) -> Result<Self, StoreError> {
        Ok(Self { dir: dir.to_owned(), idle: Mutex::new(vec![Store::open_or_create(dir)?]) })
    }

    /// The base's own device id.
    pub fn device(&self) -> Result<String, StoreError> {
        self.with(Store::device)
    }

    pub fn heads(&self) -> Result<Heads, StoreError> {
        self.with(|store| store.heads())
    }

    pub fn lacking(&self, theirs: &Heads, limit: usize) -> Result<Vec<u8>, StoreError> {
        self.with(|store| store.lacking(theirs, limit))
    }

    pub fn accept(&self, entries: &[u8], may_write: &dyn Fn(&str) -> Admission) -> Result<Accepted, StoreError> {
        self.with(|store| store.accept(entries, may_write))
    }

    /// Photographs that entries speak of and that aren't there, at most so many.
    pub fn wanted(&self, limit: usize) -> Result<Vec<String>, StoreError> {
        self.with(|store| store.wanted_photos(limit))
    }

    /// Whether entries speak of this photograph while it isn't there.
    pub fn wants(&self, sha256: &str) -> Result<bool, StoreError> {
        self.with(|store| store.wants_photo(sha256))
    }

    /// Where a photograph lies.
    pub fn photograph(&self, sha256: &str) -> Result<Option<PathBuf>, StoreError> {
        self.with(|store| store.photo_path(sha256))
    }

    pub fn add_photograph(&self, file: &Path) -> Result<(), StoreError> {
        self.with(|store| store.add_photo(file).map(drop))
    }

    /// Whose withdrawals of others' entries hold.
    pub fn trust(&self, devices: &[String]) -> Result<(), StoreError> {
        self.with(|store| store.trust(devices))
    }

    /// Devices whose log forked.
    pub fn forks(&self) -> Result<Vec<String>, StoreError> {
        self.with(|store| store.forks())
    }

    /// Whether the store can be opened now.
    pub fn check(&self) -> Result<(), StoreError> {
        Store::open(&self.dir).map(drop)
    }

    /// A store that panicked in use isn't used again.
    fn with<T>(&self, work: impl FnOnce(&mut Store) -> Result<T, StoreError>) -> Result<T, StoreError> {
        let idle = || self.idle.lock().unwrap_or_else(PoisonError::into_inner);
        let waiting = idle().pop();
        let mut store = waiting.map_or_else(|| Store::open(&self.dir), Ok)?;
        let done = work(&mut store);
        idle().push(store);
        done
    }
}
