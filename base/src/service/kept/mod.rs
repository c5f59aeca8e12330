//! The photographs: those that are here whole, and those on their way.

mod files;
mod objects;

use std::fs::File;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use axum::body::Body;
use object_store::{ObjectStore, path::Path as Name};
use tempfile::NamedTempFile;
use tokio::io::{AsyncReadExt, AsyncSeekExt};
use tokio_util::io::ReaderStream;

use super::problem::Problem;
use super::state::{State, Upload, UploadId};
use super::{Id, ServiceError};

pub use files::Files;
pub use objects::{Objects, ObjectsError};

/// Where photographs are kept.
pub trait Kept: Send + Sync {
    /// A photograph that is here whole.
    fn find(&self, sha256: &Id) -> Result<Option<Photo>, ServiceError>;

    /// Makes room for an upload.
    fn begin(&self, id: &UploadId) -> Result<(), ServiceError>;

    /// How many bytes of it have arrived; `None` where another request has just taken it in or dropped it.
    fn arrived(&self, upload: &Upload) -> Result<Option<u64>, ServiceError>;

    /// Appends a piece where just `offset` bytes have arrived, and says how many that are then; else `None`, and nothing is changed. What was
    /// appended outlives a power cut.
    fn append(&self, upload: &Upload, offset: u64, bytes: Vec<u8>) -> Result<Option<u64>, ServiceError>;

    /// All that has arrived, to be looked at; `None` where another request has just taken it in or dropped it.
    fn whole(&self, upload: &Upload) -> Result<Option<Whole>, ServiceError>;

    /// Makes a photograph of it.
    fn keep(&self, upload: &Upload, whole: &Path) -> Result<(), ServiceError>;

    /// Throws away what has arrived.
    fn forget(&self, id: &UploadId) -> Result<(), ServiceError>;

    /// Erases photographs that were withdrawn, where that isn't done with their entries.
    fn erase_withdrawn(&self) -> Result<(), ServiceError>;

    /// Throws away what nobody knows of any more and that arrived before a time.
    fn forget_strays(&self, state: &dyn State, before_ms: i64) -> Result<(), ServiceError>;
}

/// An upload's bytes as a file.
pub enum Whole {
    /// The file itself, locked: nobody else looks at it meanwhile.
    Locked(PathBuf, #[expect(dead_code, reason = "it holds the lock")] File),
    /// A copy that goes when it is dropped.
    Copied(NamedTempFile),
}

impl Whole {
    pub fn path(&self) -> &Path {
        match self {
            Self::Locked(path, _) => path,
            Self::Copied(file) => file.path(),
        }
    }
}

/// A photograph that is here whole.
pub struct Photo {
    pub bytes: u64,
    /// As core's store names it by its first bytes: `jpg`, `png` or `bin`.
    pub ending: String,
    content: Content,
}

enum Content {
    File(PathBuf),
    Object(Arc<dyn ObjectStore>, Name),
}

impl Photo {
    /// A part of its bytes, as they are read.
    pub async fn part(self, part: Range<u64>) -> Result<Body, Problem> {
        Ok(match self.content {
            Content::File(path) => {
                let mut file = tokio::fs::File::open(path).await?;
                file.seek(std::io::SeekFrom::Start(part.start)).await?;
                Body::from_stream(ReaderStream::with_capacity(file.take(part.end - part.start), 1 << 16))
            }
            Content::Object(store, name) => {
                let options = object_store::GetOptions { range: Some(part.into()), ..Default::default() };
                let got = store.get_opts(&name, options).await.map_err(Problem::machine)?;
                Body::from_stream(got.into_stream())
            }
        })
    }
}
