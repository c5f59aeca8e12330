//! The one object that the app holds: its store, in one language.

use std::borrow::Cow;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use chrono::{DateTime, Utc};
use rakelight_core::identify::Facts;
use rakelight_core::photo::Photo;
use rakelight_core::store::Store;
use rakelight_core::survey::{Record, Visit};
use rakelight_core::words::Words;

use crate::ShellError;

/// The app's records and photographs. Safe to call from several threads; calls that touch the store wait for each other.
#[derive(uniffi::Object)]
pub struct Workspace {
    store: Mutex<Store>,
    /// With the region's list, once one is set.
    regional: Mutex<Option<Facts>>,
    /// The photograph that was looked at last.
    pub(crate) table: Mutex<Option<Arc<Photo>>>,
    pub(crate) words: Words,
}

/// How much is stored.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
#[allow(missing_docs)]
pub struct Stored {
    pub visits: i32,
    pub entries: i32,
    pub photographs: i32,
    pub photograph_bytes: i64,
}

#[uniffi::export]
impl Workspace {
    /// Opens the store in a folder of the app's own, and makes it where there is none. `language` is an ISO 639-1 code; a language
    /// that the core doesn't speak gives English.
    #[uniffi::constructor]
    pub fn open(folder: String, language: String) -> Result<Arc<Self>, ShellError> {
        Self::around(Store::open_or_create(Path::new(&folder))?, &language)
    }

    /// From now on identifies with a region's list: which track makers live there, are rare or absent, as the text of a TOML file (name,
    /// source, present, rare, absent).
    pub fn set_region(&self, list: String) -> Result<(), ShellError> {
        let facts = Facts::builtin().map_err(ShellError::internal)?.clone();
        let regional = facts.with_region("the region's list", &list).map_err(ShellError::input)?;
        *self.regional.lock().unwrap_or_else(PoisonError::into_inner) = Some(regional);
        Ok(())
    }

    /// The visits in the store, by their ids.
    pub fn visits(&self) -> Result<Vec<String>, ShellError> {
        Ok(self.store().visits()?)
    }

    /// How much is stored.
    pub fn stored(&self) -> Result<Stored, ShellError> {
        let store = self.store();
        let photographs = store.photos()?;
        let size = |sha256: &String| {
            Ok(store.photo_path(sha256)?.and_then(|path| path.metadata().ok()).map_or(0, |m| m.len()))
        };
        let bytes = photographs.iter().map(size).sum::<Result<u64, ShellError>>()?;
        Ok(Stored {
            visits: store.visits()?.len() as i32,
            entries: store.entry_count()? as i32,
            photographs: photographs.len() as i32,
            photograph_bytes: bytes as i64,
        })
    }
}

impl Workspace {
    pub(crate) fn around(store: Store, language: &str) -> Result<Arc<Self>, ShellError> {
        let words = Words::load(language).or_else(|_| Words::load("en")).map_err(ShellError::internal)?;
        Ok(Arc::new(Self { store: Mutex::new(store), regional: Mutex::default(), table: Mutex::default(), words }))
    }

    /// The store. A panic in another call leaves no half-done work in it (SQLite rolls back), so its lock is taken over.
    pub(crate) fn store(&self) -> MutexGuard<'_, Store> {
        self.store.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What is known of the track makers, with the region's list where one is set.
    pub(crate) fn facts(&self) -> Result<Cow<'static, Facts>, ShellError> {
        match &*self.regional.lock().unwrap_or_else(PoisonError::into_inner) {
            Some(facts) => Ok(Cow::Owned(facts.clone())),
            None => Ok(Cow::Borrowed(Facts::builtin().map_err(ShellError::internal)?)),
        }
    }

    pub(crate) fn visit(&self, id: &str) -> Result<Visit, ShellError> {
        self.store().visit(id)?.ok_or_else(|| ShellError::NotFound { what: "visit".into(), id: id.into() })
    }

    /// Writes records of a visit; those that the store has already stay as they are.
    pub(crate) fn write(&self, visit: &Visit, records: Vec<Record>, now: DateTime<Utc>) -> Result<(), ShellError> {
        self.store().write_records(&visit.id, visit.author(), &records, now)?;
        Ok(())
    }

    /// Where a photograph of the store lies.
    pub(crate) fn photo_file(&self, sha256: &str) -> Result<PathBuf, ShellError> {
        let path = self.store().photo_path(sha256)?;
        path.ok_or_else(|| ShellError::NotFound { what: "photograph".into(), id: sha256.into() })
    }
}
