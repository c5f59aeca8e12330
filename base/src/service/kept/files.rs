//! In the folder of the store. How far an upload has come is the length of its file.

use std::fs::File;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use super::{Content, Kept, Photo, Whole};
use crate::service::records::Folder;
use crate::service::state::{State, Upload, UploadId};
use crate::service::uploads::upload_id;
use crate::service::{Id, ServiceError, ensure_folder, private};

/// `photos/` and `service/uploads/`.
pub struct Files {
    store: Folder,
    uploads: PathBuf,
}

impl Files {
    /// Makes the folders where there are none.
    pub fn open(dir: &Path) -> Result<Self, ServiceError> {
        let uploads = dir.join("service").join("uploads");
        ensure_folder(&uploads)?;
        Ok(Self { store: Folder::open(dir)?, uploads })
    }

    /// A name of ours: 32 hexadecimal digits.
    fn file_of(&self, id: &UploadId) -> PathBuf {
        self.uploads.join(hex::encode(id))
    }
}

impl Kept for Files {
    fn find(&self, sha256: &Id) -> Result<Option<Photo>, ServiceError> {
        let Some(path) = self.store.with(|store| store.photo_path(&hex::encode(sha256)))? else { return Ok(None) };
        let bytes = std::fs::metadata(&path).map_err(failed(&path))?.len();
        let ending = path.extension().unwrap_or_default().to_string_lossy().into_owned();
        Ok(Some(Photo { bytes, ending, content: Content::File(path) }))
    }

    fn begin(&self, id: &UploadId) -> Result<(), ServiceError> {
        let file = self.file_of(id);
        private().create_new(true).open(&file).map(drop).map_err(failed(&file))
    }

    fn arrived(&self, upload: &Upload) -> Result<Option<u64>, ServiceError> {
        let file = self.file_of(&upload.id);
        Ok(there(std::fs::metadata(&file)).map_err(failed(&file))?.map(|about| about.len()))
    }

    /// The file's lock keeps out a second request, also one to another process of the base.
    fn append(&self, upload: &Upload, offset: u64, bytes: Vec<u8>) -> Result<Option<u64>, ServiceError> {
        let path = self.file_of(&upload.id);
        let append = || -> io::Result<Option<u64>> {
            let Some(mut file) = there(private().append(true).open(&path))? else { return Ok(None) };
            file.lock()?;
            if file.metadata()?.len() != offset {
                return Ok(None);
            }
            file.write_all(&bytes)?;
            file.sync_all()?;
            Ok(Some(offset + bytes.len() as u64))
        };
        append().map_err(failed(&path))
    }

    fn whole(&self, upload: &Upload) -> Result<Option<Whole>, ServiceError> {
        let path = self.file_of(&upload.id);
        let Some(file) = there(File::open(&path)).map_err(failed(&path))? else { return Ok(None) };
        file.lock().map_err(failed(&path))?;
        Ok(Some(Whole::Locked(path, file)))
    }

    fn keep(&self, _: &Upload, whole: &Path) -> Result<(), ServiceError> {
        self.store.with(|store| store.add_photo(whole).map(drop))
    }

    fn forget(&self, id: &UploadId) -> Result<(), ServiceError> {
        _ = std::fs::remove_file(self.file_of(id));
        Ok(())
    }

    /// The store has done it.
    fn erase_withdrawn(&self) -> Result<(), ServiceError> {
        Ok(())
    }

    fn forget_strays(&self, state: &dyn State, before_ms: i64) -> Result<(), ServiceError> {
        for file in std::fs::read_dir(&self.uploads).map_err(failed(&self.uploads))?.flatten() {
            let id: Option<UploadId> = file.file_name().to_str().and_then(upload_id);
            let changed =
                file.metadata().and_then(|metadata| metadata.modified()).map(chrono::DateTime::<chrono::Utc>::from);
            let old = changed.is_ok_and(|changed| changed.timestamp_millis() < before_ms);
            if old && id.map(|id| state.upload(&id)).transpose()?.flatten().is_none() {
                _ = std::fs::remove_file(file.path());
            }
        }
        Ok(())
    }
}

/// What may have gone.
fn there<T>(result: io::Result<T>) -> io::Result<Option<T>> {
    match result {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        other => other.map(Some),
    }
}

fn failed(path: &Path) -> impl FnOnce(io::Error) -> ServiceError {
    |source| ServiceError::File { path: path.to_owned(), source }
}
