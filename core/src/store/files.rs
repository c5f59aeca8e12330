//! Files that are there whole or not at all, also after the power has gone.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use sha2::{Digest as _, Sha256};

use super::encoding::Digest;

/// Writes `target` under a temporary name beside it, syncs, renames, syncs the folder. One writer at a time: a file that a killed
/// writer left under the temporary name is written over.
pub(crate) fn write_whole<T>(target: &Path, write: impl FnOnce(&mut File) -> io::Result<T>) -> io::Result<T> {
    let temporary = with_part(target);
    let written = private().truncate(true).open(&temporary).and_then(|mut file| {
        let result = write(&mut file)?;
        file.sync_all()?;
        Ok(result)
    });
    let written = written.and_then(|result| fs::rename(&temporary, target).map(|()| result));
    if written.is_err() {
        _ = fs::remove_file(&temporary);
    }
    let result = written?;
    if let Some(folder) = target.parent() {
        sync_folder(folder)?;
    }
    Ok(result)
}

/// Makes a folder that may be there already, and syncs the one it is in.
pub(crate) fn ensure_folder(folder: &Path) -> io::Result<()> {
    if folder.is_dir() {
        return Ok(());
    }
    fs::create_dir_all(folder)?;
    folder.parent().filter(|above| !above.as_os_str().is_empty()).map_or(Ok(()), sync_folder)
}

/// Gives the folder `part` the name `target`, under which there is none, or an empty one.
pub(crate) fn replace_folder(part: &Path, target: &Path) -> io::Result<()> {
    if target.is_dir() {
        fs::remove_dir(target)?;
    }
    fs::rename(part, target)?;
    target.parent().filter(|above| !above.as_os_str().is_empty()).map_or(Ok(()), sync_folder)
}

/// Makes an empty file where there is none.
pub(crate) fn ensure_file(path: &Path) -> io::Result<()> {
    private().truncate(false).open(path).map(drop)
}

/// The SHA-256 of what can be read, and how many bytes that is, while it is copied to `to`.
pub(crate) fn copy_digested(from: &mut impl Read, to: &mut impl Write) -> io::Result<(Digest, u64)> {
    let (mut hasher, mut bytes, mut buffer) = (Sha256::new(), 0, vec![0; 1 << 16]);
    loop {
        let n = match from.read(&mut buffer) {
            Ok(0) => return Ok((hasher.finalize().into(), bytes)),
            Ok(n) => n,
            Err(e) if e.kind() == io::ErrorKind::Interrupted => continue,
            Err(e) => return Err(e),
        };
        hasher.update(&buffer[..n]);
        to.write_all(&buffer[..n])?;
        bytes += n as u64;
    }
}

/// The SHA-256 of a file and its length in bytes.
pub(crate) fn digest_file(path: &Path) -> io::Result<(Digest, u64)> {
    copy_digested(&mut File::open(path)?, &mut io::sink())
}

/// The temporary name beside `target`.
pub(crate) fn with_part(target: &Path) -> PathBuf {
    let mut name = target.as_os_str().to_owned();
    name.push(".part");
    name.into()
}

/// What a store writes is its owner's alone: places of protected animals, voices, a key.
pub(crate) fn private() -> OpenOptions {
    let mut options = OpenOptions::new();
    options.write(true).create(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    options
}

/// A renamed file stays renamed after a power cut only once its folder is synced; only Unix lets a folder be opened for that.
fn sync_folder(folder: &Path) -> io::Result<()> {
    if cfg!(unix) { File::open(folder)?.sync_all() } else { Ok(()) }
}
