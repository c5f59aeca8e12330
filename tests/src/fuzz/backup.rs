//! A backup, and what is inside of its encryption.

use std::fs;
use std::io::{Read, Write};

use rakelight_core::store::{Lock, Unlock, restore};

use super::exchange::target;
use super::scratch;

/// Opens the examples; it guards nothing.
const IDENTITY: &str = "AGE-SECRET-KEY-123M4RYKAYPKQUKTSFPR3TED7A4CN7LSHQ7H0GZLUQZGTP4KDFDDQJ0QZFA";

/// Restores an age file, or an archive that is sealed as one before.
pub fn backup(bytes: &[u8]) {
    if bytes.starts_with(b"age-encryption.org/") {
        _ = restored(bytes);
    } else {
        _ = sealed(&with_checksums(bytes.to_vec())).and_then(|file| restored(&file));
    }
}

fn restored(file: &[u8]) -> Option<()> {
    let folder = scratch()?;
    let path = folder.path().join("backup.age");
    fs::write(&path, file).ok()?;
    let unlock = Unlock::with_identities(IDENTITY).ok()?;
    let dir = folder.path().join("store");
    let done = restore(&path, &unlock, &dir);
    assert_eq!(done.is_ok(), dir.exists(), "a store is there whole or not at all");
    assert!(!folder.path().join("store.part").exists(), "nothing half is left");
    let beside = fs::read_dir(folder.path()).ok()?.count();
    assert_eq!(beside, 1 + usize::from(done.is_ok()), "nothing is written anywhere else");
    Some(())
}

fn recipient() -> Option<age::x25519::Recipient> {
    Some(IDENTITY.parse::<age::x25519::Identity>().ok()?.to_public())
}

fn sealed(archive: &[u8]) -> Option<Vec<u8>> {
    let (recipient, mut file) = (recipient()?, Vec::new());
    let encryptor = age::Encryptor::with_recipients(std::iter::once(&recipient as &dyn age::Recipient)).ok()?;
    let mut sealing = encryptor.wrap_output(&mut file).ok()?;
    sealing.write_all(archive).ok()?;
    sealing.finish().ok()?;
    Some(file)
}

/// With the checksum of each header (POSIX.1-1988, ustar: bytes 148 to 155, themselves counted as blanks) put right, so that a change in a name or a
/// size isn't noticed by that alone.
fn with_checksums(mut archive: Vec<u8>) -> Vec<u8> {
    const BLOCK: usize = 512;
    let mut at = 0;
    while let Some(header) = archive.get_mut(at..at + BLOCK) {
        if header.iter().all(|byte| *byte == 0) {
            break;
        }
        header[148..156].fill(b' ');
        let sum: u32 = header.iter().map(|byte| u32::from(*byte)).sum();
        header[148..156].copy_from_slice(format!("{sum:06o}\0 ").as_bytes());
        let size = std::str::from_utf8(&header[124..135]).ok().and_then(|size| usize::from_str_radix(size, 8).ok());
        at += BLOCK + size.unwrap_or(0).div_ceil(BLOCK) * BLOCK;
    }
    archive
}

/// A backup of a small store, and the archive in it.
pub fn some_backups() -> Vec<Vec<u8>> {
    let made = || {
        let target = target()?;
        let file = target.folder.path().join("backup.age");
        let lock = Lock::for_recipients(&[recipient()?.to_string()]).ok()?;
        target.store.backup(&file, &lock).ok()?;
        fs::read(file).ok()
    };
    let opened = |file: &[u8]| {
        let identity: age::x25519::Identity = IDENTITY.parse().ok()?;
        let decryptor = age::Decryptor::new(file).ok()?;
        let mut archive = Vec::new();
        decryptor.decrypt(std::iter::once(&identity as &dyn age::Identity)).ok()?.read_to_end(&mut archive).ok()?;
        Some(archive)
    };
    made().into_iter().flat_map(|file| [opened(&file), Some(file)]).flatten().collect()
}
