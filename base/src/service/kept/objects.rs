//! Each photograph and each piece of an upload is an object: in a bucket, or in a folder that all processes share. What there is of them
//! stands in the database, and is written there only once the object is there.

use std::future::ready;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use futures_util::{StreamExt, TryStreamExt};
use object_store::aws::AmazonS3Builder;
use object_store::buffered::BufWriter;
use object_store::local::LocalFileSystem;
use object_store::{ObjectStore, ObjectStoreExt, RetryConfig, path::Path as Name};
use tokio::io::AsyncWriteExt;
use tokio::runtime::Handle;

use super::{Content, Kept, Photo, Whole};
use crate::service::postgres::Database;
use crate::service::state::{State, Upload, UploadId};
use crate::service::{Id, ServiceError, random};

/// More pieces than a whole photograph needs, however bad the line.
const MOST_PIECES: i32 = 4_096;
/// What is larger goes in parts of this size.
const PART_BYTES: usize = 8 << 20;

/// Why photographs can't be kept or read.
#[derive(Debug, thiserror::Error)]
pub enum ObjectsError {
    #[error("--photos {0:?} is neither a folder nor a bucket: give it as /path/to/folder or s3://bucket/prefix")]
    NoPlace(String),
    #[error(
        "{place}: {source}; check that it is there, AWS_ENDPOINT_URL, AWS_REGION, AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY, and the rights"
    )]
    Failed { place: String, source: object_store::Error },
    #[error("{place}: {source}; check the disk, the temporary folder and the rights")]
    File { place: String, source: std::io::Error },
}

/// Objects under a prefix, and the database that knows of them.
pub struct Objects {
    database: Arc<Database>,
    store: Arc<dyn ObjectStore>,
    prefix: Name,
    /// As it was given.
    place: String,
    runtime: Handle,
}

impl Objects {
    /// `s3://bucket/prefix`, reached as the usual `AWS_…` variables say, or a folder. To be called where a runtime is at hand.
    pub fn open(place: &str, database: Arc<Database>) -> Result<Self, ServiceError> {
        let failed = |source| ObjectsError::Failed { place: place.into(), source };
        let (store, prefix): (Arc<dyn ObjectStore>, &str) = match place.split_once("://") {
            Some(("s3", rest)) => {
                let (bucket, prefix) = rest.split_once('/').unwrap_or((rest, ""));
                (Arc::new(bucket_of(bucket).map_err(failed)?), prefix)
            }
            Some(_) => return Err(ObjectsError::NoPlace(place.into()).into()),
            None => {
                make_folder(Path::new(place)).map_err(|source| ObjectsError::File { place: place.into(), source })?;
                (Arc::new(LocalFileSystem::new_with_prefix(place).map_err(failed)?.with_fsync(true)), "")
            }
        };
        let runtime = Handle::try_current()
            .map_err(|error| ObjectsError::File { place: place.into(), source: std::io::Error::other(error) })?;
        let objects = Self { database, store, prefix: Name::from(prefix), place: place.into(), runtime };
        objects.check()?;
        Ok(objects)
    }

    /// Whether they can be listed: better known at the start than at the first photograph.
    fn check(&self) -> Result<(), ServiceError> {
        let arriving = self.prefix.clone().join("arriving");
        self.wait(async { self.store.list(Some(&arriving)).next().await.transpose() }).map(drop)
    }

    /// As in a store's folder: `ab/abcd….jpg`.
    fn photograph(&self, sha256: &Id, ending: &str) -> Name {
        let name = hex::encode(sha256);
        self.prefix.clone().join(&name[..2]).join(format!("{name}.{ending}"))
    }

    fn arriving(&self, id: &UploadId) -> Name {
        self.prefix.clone().join("arriving").join(hex::encode(id))
    }

    fn wait<T>(&self, work: impl Future<Output = object_store::Result<T>>) -> Result<T, ServiceError> {
        let failed = |source| ObjectsError::Failed { place: self.place.clone(), source };
        Ok(self.runtime.block_on(work).map_err(failed)?)
    }

    fn wait_for_file<T>(&self, work: impl Future<Output = std::io::Result<T>>) -> Result<T, ServiceError> {
        let failed = |source| ObjectsError::File { place: self.place.clone(), source };
        Ok(self.runtime.block_on(work).map_err(failed)?)
    }

    /// Deletes the objects below a name that are older than a time.
    fn delete(&self, below: &Name, before_ms: i64) -> Result<(), ServiceError> {
        self.wait(async {
            let old = self.store.list(Some(below)).try_filter_map(move |about| {
                ready(Ok((about.last_modified.timestamp_millis() < before_ms).then_some(about.location)))
            });
            self.store.delete_stream(old.boxed()).try_for_each(async |_| Ok(())).await
        })
    }
}

impl Kept for Objects {
    fn find(&self, sha256: &Id) -> Result<Option<Photo>, ServiceError> {
        let found = self.database.photograph(sha256)?;
        Ok(found.map(|(bytes, ending)| {
            let content = Content::Object(self.store.clone(), self.photograph(sha256, &ending));
            Photo { bytes, ending, content }
        }))
    }

    fn begin(&self, _: &UploadId) -> Result<(), ServiceError> {
        Ok(())
    }

    fn arrived(&self, upload: &Upload) -> Result<Option<u64>, ServiceError> {
        Ok(self.database.pieces(&upload.id)?.map(|(arrived, _)| arrived))
    }

    /// First the object, then the row that knows of it: whoever comes second there has to begin the piece anew.
    fn append(&self, upload: &Upload, offset: u64, bytes: Vec<u8>) -> Result<Option<u64>, ServiceError> {
        let arrived = offset + bytes.len() as u64;
        if bytes.is_empty() {
            return Ok(Some(arrived));
        }
        let piece: [u8; 16] = random().map_err(|_| ServiceError::Randomness)?;
        let name = self.arriving(&upload.id).join(hex::encode(piece));
        self.wait(self.store.put(&name, bytes.into()))?;
        let added = self.database.add_piece(&upload.id, offset, arrived, &piece, MOST_PIECES)?;
        if !added {
            self.wait(self.store.delete(&name))?;
        }
        Ok(added.then_some(arrived))
    }

    /// Copied piece by piece into a temporary file: a photograph is never whole in memory.
    fn whole(&self, upload: &Upload) -> Result<Option<Whole>, ServiceError> {
        let Some((_, pieces)) = self.database.pieces(&upload.id)?.filter(|(arrived, _)| *arrived == upload.bytes)
        else {
            return Ok(None);
        };
        let failed = |source| ObjectsError::File { place: std::env::temp_dir().display().to_string(), source };
        let temporary = tempfile::NamedTempFile::new().map_err(failed)?;
        let mut file = tokio::fs::File::from_std(temporary.reopen().map_err(failed)?);
        for piece in pieces {
            let name = self.arriving(&upload.id).join(hex::encode(piece));
            let mut bytes = match self.runtime.block_on(self.store.get(&name)) {
                // Another process was faster.
                Err(object_store::Error::NotFound { .. }) => return Ok(None),
                got => self.wait(async { got })?.into_stream(),
            };
            while let Some(chunk) = self.wait(bytes.try_next())? {
                self.wait_for_file(file.write_all(&chunk))?;
            }
        }
        self.wait_for_file(file.flush())?;
        Ok(Some(Whole::Copied(temporary)))
    }

    fn keep(&self, upload: &Upload, whole: &Path) -> Result<(), ServiceError> {
        let ending = self.wait_for_file(async { ending_of(whole) })?;
        let name = self.photograph(&upload.sha256, ending);
        self.wait_for_file(async {
            let mut from = tokio::fs::File::open(whole).await?;
            let mut to = BufWriter::with_capacity(self.store.clone(), name, PART_BYTES);
            tokio::io::copy(&mut from, &mut to).await?;
            to.shutdown().await
        })?;
        self.database.add_photograph(&upload.sha256, upload.bytes, ending)
    }

    fn forget(&self, id: &UploadId) -> Result<(), ServiceError> {
        self.delete(&self.arriving(id), i64::MAX)
    }

    fn erase_withdrawn(&self) -> Result<(), ServiceError> {
        for (sha256, ending) in self.database.erased()? {
            match self.runtime.block_on(self.store.delete(&self.photograph(&sha256, &ending))) {
                Ok(()) | Err(object_store::Error::NotFound { .. }) => self.database.has_gone(&sha256)?,
                failed => self.wait(async { failed })?,
            }
        }
        Ok(())
    }

    /// An upload is forgotten before the first of its pieces is so old.
    fn forget_strays(&self, _: &dyn State, before_ms: i64) -> Result<(), ServiceError> {
        self.delete(&self.prefix.clone().join("arriving"), before_ms)
    }
}

fn bucket_of(bucket: &str) -> object_store::Result<impl ObjectStore> {
    // The one TLS of this program; where another was chosen before, that is it as well.
    _ = rustls::crypto::ring::default_provider().install_default();
    let patience = RetryConfig { max_retries: 5, retry_timeout: Duration::from_secs(60), ..RetryConfig::default() };
    AmazonS3Builder::from_env().with_bucket_name(bucket).with_retry(patience).build()
}

/// Its owner's alone, and with it all that is in it.
fn make_folder(folder: &Path) -> std::io::Result<()> {
    let mut builder = std::fs::DirBuilder::new();
    builder.recursive(true);
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
    builder.create(folder)
}

/// As core's store names photographs: by their first bytes. Others than these two don't get here.
fn ending_of(file: &Path) -> std::io::Result<&'static str> {
    let mut first = [0];
    std::io::Read::read_exact(&mut std::fs::File::open(file)?, &mut first)?;
    Ok(if first == [0xFF] { "jpg" } else { "png" })
}
