//! Why a store can't do what was asked: what is wrong, where, and what to do.

use std::io;
use std::path::{Path, PathBuf};

use rusqlite::ErrorCode;

/// Why a store can't be opened, read or written. Whatever the reason, what was acknowledged before stays as it was.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// There is no store in this folder.
    #[error("there is no store in {dir}: it has no store.sqlite; check the path, or make a store there first")]
    Missing {
        /// The folder.
        dir: PathBuf,
    },
    /// The file is a database of another program, or none at all.
    #[error(
        "{file} isn't a store of Rakelight, or its first bytes are damaged; check the path, nothing was changed in it"
    )]
    Foreign {
        /// The file.
        file: PathBuf,
    },
    /// A newer program wrote the store.
    #[error("{file} has schema {found}, this program knows up to {known}; open it with a newer Rakelight")]
    Newer {
        /// The file.
        file: PathBuf,
        /// The schema it has.
        found: i64,
        /// The newest schema that is known here.
        known: i64,
    },
    /// Another process writes and doesn't finish.
    #[error("another program is writing to {file}; nothing was written, try again when it has finished")]
    Busy {
        /// The file.
        file: PathBuf,
    },
    /// Erased, but not yet gone from the disk.
    #[error(
        "the entry is erased, but its bytes are still in {file}-wal while another program reads there; erase it again when that is closed"
    )]
    StillInLog {
        /// The file.
        file: PathBuf,
    },
    /// The file or its folder can't be written.
    #[error(
        "{file} can't be written; check the rights of the file and of its folder, or copy the whole folder to where you may write"
    )]
    ReadOnly {
        /// The file.
        file: PathBuf,
    },
    /// The disk is full.
    #[error("no space is left for {file}; nothing of this was written, free some space and try again")]
    Full {
        /// The file.
        file: PathBuf,
    },
    /// The file is broken.
    #[error(
        "{file} is damaged ({detail}); keep the folder as it is, verify says what is damaged, and bring back a backup"
    )]
    Damaged {
        /// The file.
        file: PathBuf,
        /// What was found.
        detail: String,
    },
    /// More than an entry can hold.
    #[error(
        "the {what} of a {kind} has {bytes} bytes, an entry holds {limit}; nothing of this was written, split it or shorten it"
    )]
    TooLarge {
        /// Which part.
        what: String,
        /// Of which kind of entry.
        kind: String,
        /// How long it is.
        bytes: usize,
        /// How long it may be.
        limit: usize,
    },
    /// The device's key can't be used.
    #[error(
        "{file} isn't a device key (64 hexadecimal digits); bring it back from where it was, or move it away: then new entries go to a new log"
    )]
    Key {
        /// The file.
        file: PathBuf,
    },
    /// The device's key is wrapped by a key store that doesn't open it, or doesn't wrap it.
    #[error(
        "the key store of this phone doesn't give the key in {file} ({detail}); nothing was changed, reading goes on. If that key store is lost, move the file away: then new entries go to a new log"
    )]
    KeyWrapped {
        /// The key's file.
        file: PathBuf,
        /// What the key store said.
        detail: String,
    },
    /// The system has no randomness for a key or a salt.
    #[error("the system gives no random bytes ({detail}); nothing was written, try again")]
    Randomness {
        /// What the system said.
        detail: String,
    },
    /// A photograph changed while it was taken in.
    #[error("{file} changed while it was read; nothing was kept of it, try again when it has been copied in full")]
    PhotographChanging {
        /// The photograph as it was given.
        file: PathBuf,
    },
    /// Something isn't a SHA-256 or a device id.
    #[error("{given:?} isn't 64 hexadecimal digits, as a device id or the SHA-256 of a photograph has them")]
    NotAnId {
        /// What was given.
        given: String,
    },
    /// Another backup of the same store is under way.
    #[error("another backup of {dir} is being made; try again when it has finished")]
    BackupRunning {
        /// The store's folder.
        dir: PathBuf,
    },
    /// A passphrase, recipient or identity can't be.
    #[error("expected {expected}")]
    BackupKey {
        /// What was expected, and what is wrong, without the secret itself.
        expected: String,
    },
    /// The wrong key for a backup.
    #[error("{file} doesn't open with this: it takes the {by} that it was made with; nothing was restored")]
    BackupLocked {
        /// The backup.
        file: PathBuf,
        /// What it was made with: "passphrase" or "identity".
        by: &'static str,
    },
    /// A backup that isn't all there, or isn't as it was written.
    #[error(
        "{file} was cut off or changed ({detail}); nothing was restored, take another copy of it or an older backup"
    )]
    BackupTorn {
        /// The backup.
        file: PathBuf,
        /// What was found.
        detail: String,
    },
    /// The file isn't a backup of a store.
    #[error("{file} isn't a backup of a store: {detail}; nothing was restored")]
    NotABackup {
        /// The file.
        file: PathBuf,
        /// What was found.
        detail: String,
    },
    /// A store can't be restored over something else.
    #[error("{dir} isn't empty; name a new folder, or move away what is in it")]
    NotEmpty {
        /// The folder.
        dir: PathBuf,
    },
    /// The file system refused.
    #[error("{path}: {source}; check that it is there, its rights, and the disk")]
    File {
        /// Which file or folder.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// Anything else that the database says.
    #[error("{file}: {source}; verify says whether it is damaged")]
    Database {
        /// The file.
        file: PathBuf,
        /// What SQLite said.
        source: rusqlite::Error,
    },
}

impl StoreError {
    /// What an error of SQLite about `file` means.
    pub(crate) fn of_database(file: &Path, source: rusqlite::Error) -> Self {
        let file = file.to_owned();
        match source.sqlite_error_code() {
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => Self::Busy { file },
            Some(ErrorCode::ReadOnly | ErrorCode::PermissionDenied | ErrorCode::CannotOpen) => Self::ReadOnly { file },
            Some(ErrorCode::DiskFull) => Self::Full { file },
            Some(ErrorCode::NotADatabase) => Self::Foreign { file },
            Some(ErrorCode::DatabaseCorrupt) => Self::Damaged { file, detail: source.to_string() },
            _ => Self::Database { file, source },
        }
    }

    /// What an error of the file system about `path` means.
    pub(crate) fn of_file(path: &Path, source: io::Error) -> Self {
        let file = path.to_owned();
        match source.kind() {
            io::ErrorKind::StorageFull => Self::Full { file },
            io::ErrorKind::ReadOnlyFilesystem => Self::ReadOnly { file },
            _ => Self::File { path: file, source },
        }
    }
}
