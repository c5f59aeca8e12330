//! Photographs as they were taken, each under its own SHA-256.

use std::fs::{self, File};
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use rusqlite::{OptionalExtension, Transaction, params};
use serde::Serialize;

use super::encoding::Digest;
use super::read::id_of;
use super::{Failure, Store, StoreError, files};

/// A photograph in the store.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Photograph {
    /// Its digest, 64 hexadecimal digits: its name in the store.
    pub sha256: String,
    /// Its length in bytes.
    pub bytes: u64,
    /// Whether it was written now, because it wasn't there or was damaged.
    pub added: bool,
}

impl Store {
    /// Takes a copy of a photograph, byte by byte the same. One that is there already isn't written again; one that is missing or damaged
    /// in the store is put right. When this returns, the photograph is on the disk.
    ///
    /// # Errors
    /// The photograph can't be read, changes meanwhile, or the store can't be written.
    pub fn add_photo(&mut self, photo: &Path) -> Result<Photograph, StoreError> {
        let unreadable = |e| StoreError::of_file(photo, e);
        let (digest, bytes) = files::digest_file(photo).map_err(unreadable)?;
        let ending = ending_of(photo).map_err(unreadable)?;
        let stored = |added| Photograph { sha256: hex::encode(digest), bytes, added };
        let is_there = |file: &Path| files::digest_file(file).is_ok_and(|(found, _)| found == digest);
        if self.photo_path(&hex::encode(digest))?.is_some_and(|file| is_there(&file)) {
            return Ok(stored(false));
        }
        self.write(|transaction, dir| {
            copy(photo, &path_of(dir, &digest, ending), &digest)?;
            let sql = "INSERT INTO photographs (sha256, bytes, ending) VALUES (?1, ?2, ?3) ON CONFLICT (sha256)
                       DO UPDATE SET bytes = excluded.bytes, ending = excluded.ending";
            transaction.execute(sql, params![digest, bytes as i64, ending])?;
            Ok(transaction.execute("DELETE FROM wanted_photographs WHERE sha256 = ?1", [digest])?)
        })?;
        Ok(stored(true))
    }

    /// Takes a photograph that arrived in a file of [`Store::arriving_folder`], and the file with it. Says no, and throws the file away, where it
    /// isn't what its digest says.
    ///
    /// # Errors
    /// As [`Store::add_photo`].
    pub fn take_photo(&mut self, sha256: &str, file: &Path) -> Result<bool, StoreError> {
        let (digest, _) = files::digest_file(file).map_err(|e| StoreError::of_file(file, e))?;
        let fits = digest == id_of(sha256)?;
        if fits {
            self.add_photo(file)?;
        }
        fs::remove_file(file).map_err(|e| StoreError::of_file(file, e))?;
        Ok(fits)
    }

    /// Where photographs lie that have come in part.
    ///
    /// # Errors
    /// The folder can't be made.
    pub fn arriving_folder(&self) -> Result<PathBuf, StoreError> {
        let folder = self.dir.join("arriving");
        files::ensure_folder(&folder).map_err(|e| StoreError::of_file(&folder, e))?;
        Ok(folder)
    }

    /// The digests of all photographs here.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn photos(&self) -> Result<Vec<String>, StoreError> {
        self.query("SELECT sha256 FROM photographs", [], |row| Ok(hex::encode(row.get::<_, Digest>(0)?)))
    }

    /// Where the photograph with this digest lies; `None` where the store has none such.
    ///
    /// # Errors
    /// `sha256` isn't 64 hexadecimal digits, or the store can't be read.
    pub fn photo_path(&self, sha256: &str) -> Result<Option<PathBuf>, StoreError> {
        let digest = id_of(sha256)?;
        let sql = "SELECT ending FROM photographs WHERE sha256 = ?1";
        let endings: Vec<String> = self.query(sql, [digest], |row| row.get(0))?;
        Ok(endings.first().map(|ending| path_of(&self.dir, &digest, ending)))
    }
}

/// Erases a photograph, before its line is gone for good: a file that nobody knows of would stay.
pub(super) fn erase(transaction: &Transaction, dir: &Path, digest: &Digest) -> Result<(), Failure> {
    let sql = "DELETE FROM photographs WHERE sha256 = ?1 RETURNING ending";
    let ending: Option<String> = transaction.prepare_cached(sql)?.query_row([digest], |row| row.get(0)).optional()?;
    let Some(ending) = ending else { return Ok(()) };
    let file = path_of(dir, digest, &ending);
    match fs::remove_file(&file) {
        Err(e) if e.kind() != io::ErrorKind::NotFound => Err(StoreError::of_file(&file, e).into()),
        _ => Ok(()),
    }
}

/// Copies a photograph whole or not at all. What is there under the target's name is damaged, or was left by a process that was killed.
fn copy(photo: &Path, target: &Path, digest: &Digest) -> Result<(), StoreError> {
    if let Some(folder) = target.parent() {
        files::ensure_folder(folder).map_err(|e| StoreError::of_file(folder, e))?;
    }
    let mut source = File::open(photo).map_err(|e| StoreError::of_file(photo, e))?;
    files::write_whole(target, |file| match files::copy_digested(&mut source, file)? {
        (copied, _) if copied == *digest => Ok(()),
        _ => Err(io::ErrorKind::InvalidData.into()),
    })
    .map_err(|e| match e.kind() {
        io::ErrorKind::InvalidData => StoreError::PhotographChanging { file: photo.to_owned() },
        _ => StoreError::of_file(target, e),
    })
}

/// `photos/ab/abcd….jpg`. A digest and an ending of ours: nothing that came from elsewhere gets into a path.
pub(super) fn path_of(dir: &Path, digest: &Digest, ending: &str) -> PathBuf {
    let name = hex::encode(digest);
    dir.join("photos").join(&name[..2]).join(format!("{name}.{ending}"))
}

/// The ending that the first bytes ask for: JPEG (ITU-T T.81, SOI marker), PNG (W3C PNG, signature), or none of these.
fn ending_of(photo: &Path) -> io::Result<&'static str> {
    let mut first = Vec::new();
    File::open(photo)?.take(8).read_to_end(&mut first)?;
    Ok(match first[..] {
        [0xFF, 0xD8, 0xFF, ..] => "jpg",
        [0x89, b'P', b'N', b'G', b'\r', b'\n', 0x1A, b'\n'] => "png",
        _ => "bin",
    })
}
