//! One encrypted file that holds a whole store, and the way back.
//!
//! It is an [age](https://age-encryption.org/v1) file around a tar archive: where there is no Rakelight, `age -d FILE | tar x` opens it.
//! The device's key isn't in it, so that a restored store goes on under a new device id and no two stores write the same log.

use std::fs::{self, File};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::str::FromStr;

use age::secrecy::SecretString;
use age::{DecryptError, Decryptor, Encryptor, Identity, Recipient};
use rusqlite::Connection;
use rusqlite::backup::{Backup, StepResult};
use serde::Serialize;

use super::{FILE, Store, StoreError, Verified, connect, files};

/// What the base's service keeps beside the records.
const SERVICE: &str = "service.sqlite";

/// scrypt's cost as a power of two, that of the `age` program: about a second and 256 MiB for each try at a passphrase.
const WORK: u8 = 18;
/// A backup that asks for more than this isn't tried: 1 GiB.
const MOST_WORK: u8 = 20;

/// Who can open a backup.
pub struct Lock(Vec<Box<dyn Recipient + Send>>);

impl Lock {
    /// Whoever knows this passphrase.
    ///
    /// # Errors
    /// It is empty.
    pub fn with_passphrase(passphrase: &str) -> Result<Self, StoreError> {
        let mut recipient = age::scrypt::Recipient::new(secret(passphrase)?);
        recipient.set_work_factor(WORK);
        Ok(Self(vec![Box::new(recipient)]))
    }

    /// Whoever holds the identity of one of these recipients: `age1…`, as `age-keygen` says it.
    ///
    /// # Errors
    /// None is given, or one isn't a recipient.
    pub fn for_recipients(recipients: &[String]) -> Result<Self, StoreError> {
        let parsed =
            parse::<age::x25519::Recipient>(recipients.iter().map(String::as_str), "an age recipient (age1…)")?;
        Ok(Self(parsed.into_iter().map(|recipient| Box::new(recipient) as _).collect()))
    }
}

/// What opens a backup.
pub struct Unlock(Vec<Box<dyn Identity + Send>>);

impl Unlock {
    /// The passphrase that it was made with.
    ///
    /// # Errors
    /// It is empty.
    pub fn with_passphrase(passphrase: &str) -> Result<Self, StoreError> {
        let mut identity = age::scrypt::Identity::new(secret(passphrase)?);
        identity.set_max_work_factor(MOST_WORK);
        Ok(Self(vec![Box::new(identity)]))
    }

    /// The text of an identity file: lines of `AGE-SECRET-KEY-1…`, and comments after `#`, as `age-keygen` writes them.
    ///
    /// # Errors
    /// It holds no identity, or something else.
    pub fn with_identities(file: &str) -> Result<Self, StoreError> {
        let lines = file.lines().map(str::trim).filter(|line| !line.is_empty() && !line.starts_with('#'));
        let parsed = parse::<age::x25519::Identity>(lines, "an age identity (AGE-SECRET-KEY-1…)")?;
        Ok(Self(parsed.into_iter().map(|identity| Box::new(identity) as _).collect()))
    }
}

fn secret(passphrase: &str) -> Result<SecretString, StoreError> {
    let empty = || StoreError::BackupKey { expected: "a passphrase: it is empty".into() };
    (!passphrase.is_empty()).then(|| passphrase.into()).ok_or_else(empty)
}

/// What is wrong is said without the text itself, which may be a secret.
fn parse<'t, T: FromStr>(texts: impl Iterator<Item = &'t str>, expected: &str) -> Result<Vec<T>, StoreError> {
    let wrong = |which: String| StoreError::BackupKey { expected: format!("{expected}: {which}") };
    let parsed =
        texts.enumerate().map(|(i, text)| text.parse().map_err(|_| wrong(format!("the {}. isn't one", i + 1))));
    let parsed: Vec<T> = parsed.collect::<Result<_, _>>()?;
    if parsed.is_empty() { Err(wrong("there is none".into())) } else { Ok(parsed) }
}

/// What went into a backup.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct BackedUp {
    /// How many photographs.
    pub photographs: usize,
    /// The length of the file, bytes.
    pub bytes: u64,
}

impl Store {
    /// Writes all of the store but the device's key into one encrypted file, whole or not at all; a file that is there under this name is
    /// replaced. Others may read and write the store meanwhile: what goes in is the state at one moment, with every photograph that it names.
    ///
    /// # Errors
    /// Another backup of this store is being made, something can't be read, or `out` can't be written.
    pub fn backup(&self, out: &Path, lock: &Lock) -> Result<BackedUp, StoreError> {
        let copies = Copies::take(self)?;
        // Photographs are listed after the database is copied: one that an entry names was there before the entry.
        let unlisted = |e| StoreError::of_file(&self.dir, e);
        let photographs = names_in(&self.dir, "photos").map_err(unlisted)?;
        let service = names_in(&self.dir, "service").map_err(unlisted)?;
        let bytes = files::write_whole(out, |file| {
            let recipients = lock.0.iter().map(|recipient| &**recipient as &dyn Recipient);
            let sealed = Encryptor::with_recipients(recipients).map_err(io::Error::other)?.wrap_output(file)?;
            let mut tar = tar::Builder::new(sealed);
            copies.names.iter().try_for_each(|name| pack(&mut tar, &copies.folder, name))?;
            photographs.iter().chain(&service).try_for_each(|name| pack(&mut tar, &self.dir, name))?;
            let file = tar.into_inner()?.finish()?;
            Ok(file.metadata()?.len())
        });
        let bytes = bytes.map_err(|e| StoreError::of_file(out, e))?;
        Ok(BackedUp { photographs: photographs.len(), bytes })
    }
}

/// The databases at one moment, in a folder inside the store's, where they are no more in the open than they were. Gone when this goes out
/// of use; what a killed process left of it is cleared by the next backup.
struct Copies {
    folder: PathBuf,
    names: Vec<&'static str>,
    /// Locked as long as this lives, so that two backups at once don't share a folder.
    _guard: File,
}

impl Copies {
    fn take(store: &Store) -> Result<Self, StoreError> {
        let folder = store.dir.join("backup.part");
        let failed = |e| StoreError::of_file(&folder, e);
        let guard = files::private().open(store.dir.join("backup.lock")).map_err(failed)?;
        guard.try_lock().map_err(|e| match e {
            fs::TryLockError::WouldBlock => StoreError::BackupRunning { dir: store.dir.to_path_buf() },
            fs::TryLockError::Error(e) => failed(e),
        })?;
        if folder.exists() {
            fs::remove_dir_all(&folder).map_err(failed)?;
        }
        files::ensure_folder(&folder).map_err(failed)?;
        let mut copies = Self { folder, names: vec![], _guard: guard };
        copies.add(&store.connection, FILE)?;
        let service = store.dir.join(SERVICE);
        if service.is_file() {
            let connection = connect(&service).map_err(|e| StoreError::of_database(&service, e))?;
            copies.add(&connection, SERVICE)?;
        }
        Ok(copies)
    }

    fn add(&mut self, from: &Connection, name: &'static str) -> Result<(), StoreError> {
        let file = self.folder.join(name);
        files::ensure_file(&file).map_err(|e| StoreError::of_file(&file, e))?;
        match copy_database(from, &file).map_err(|e| StoreError::of_database(&file, e))? {
            StepResult::Done => self.names.push(name),
            _ => return Err(StoreError::Busy { file: from.path().map_or(file, PathBuf::from) }),
        }
        Ok(())
    }
}

impl Drop for Copies {
    fn drop(&mut self) {
        _ = fs::remove_dir_all(&self.folder);
    }
}

/// In one step, which sees one state of the database and keeps nobody from writing.
fn copy_database(from: &Connection, file: &Path) -> rusqlite::Result<StepResult> {
    let mut to = Connection::open(file)?;
    to.pragma_update(None, "journal_mode", "OFF")?;
    Backup::new(from, &mut to)?.step(-1)
}

/// The names of what belongs into a backup from one folder of the store, such as `photos/ab/abcd….jpg`, sorted.
fn names_in(dir: &Path, folder: &str) -> io::Result<Vec<String>> {
    let mut names = Vec::new();
    let listed = match fs::read_dir(dir.join(folder)) {
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(names),
        listed => listed?,
    };
    for file in listed {
        let file = file?;
        let Ok(name) = file.file_name().into_string() else { continue };
        let (name, kind) = (format!("{folder}/{name}"), file.file_type()?);
        if kind.is_dir() {
            names.extend(names_in(dir, &name)?);
        } else if kind.is_file() && has_its_place(&name) {
            names.push(name);
        }
    }
    names.sort();
    Ok(names)
}

/// Whether a file of this name belongs to a store that can be carried elsewhere. Nothing else goes into a backup or comes out of one.
fn has_its_place(name: &str) -> bool {
    let hexadecimal = |text: &str| text.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'));
    let is_plain = |text: &str| {
        text.starts_with(|c: char| c.is_ascii_alphanumeric())
            && text.chars().all(|c| c.is_ascii_alphanumeric() || "._-".contains(c))
            && ![".part", "-wal", "-shm", "-journal"].iter().any(|unfinished| text.ends_with(unfinished))
    };
    match name.split('/').collect::<Vec<_>>()[..] {
        [FILE | SERVICE] => true,
        ["photos", folder, photo] => photo.split_once('.').is_some_and(|(digest, ending)| {
            let of_a_photo =
                digest.len() == 64 && hexadecimal(digest) && folder.len() == 2 && digest.starts_with(folder);
            of_a_photo && !ending.is_empty() && ending.bytes().all(|b| b.is_ascii_lowercase())
        }),
        ["service", name] => is_plain(name),
        _ => false,
    }
}

fn pack(tar: &mut tar::Builder<impl Write>, dir: &Path, name: &str) -> io::Result<()> {
    let path = dir.join(name);
    let packed = File::open(&path).and_then(|file| {
        let about = file.metadata()?;
        let written = about.modified()?.duration_since(std::time::UNIX_EPOCH).unwrap_or_default();
        let mut header = tar::Header::new_gnu();
        header.set_size(about.len());
        header.set_mode(0o600);
        header.set_mtime(written.as_secs());
        tar.append_data(&mut header, name, Exactly { file, left: about.len() })
    });
    packed.map_err(|e| io::Error::new(e.kind(), format!("{}: {e}", path.display())))
}

/// A file as long as its header in the archive says: one that grows meanwhile is cut there, one that shrinks is an error.
struct Exactly {
    file: File,
    left: u64,
}

impl Read for Exactly {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let n = (&mut self.file).take(self.left).read(buffer)?;
        self.left -= n as u64;
        if n == 0 && self.left > 0 && !buffer.is_empty() {
            return Err(io::Error::new(io::ErrorKind::UnexpectedEof, "it became shorter while it was read"));
        }
        Ok(n)
    }
}

/// Makes a store again from a backup, in a folder that is empty or not there yet: it is there whole or not at all. Damage that was in the
/// store when it was backed up comes with it and is in the answer. Its next entry goes into a new log, under a new device id.
///
/// # Errors
/// The folder isn't empty, the key is the wrong one, the file was cut off or changed or isn't a backup, or the disk is full.
pub fn restore(file: &Path, unlock: &Unlock, dir: &Path) -> Result<Verified, StoreError> {
    let dir = free_folder(dir)?;
    let part = files::with_part(&dir);
    let failed = |e| StoreError::of_file(&part, e);
    if let Some(above) = dir.parent().filter(|above| !above.as_os_str().is_empty()) {
        files::ensure_folder(above).map_err(failed)?;
    }
    fs::create_dir(&part).map_err(|e| match e.kind() {
        io::ErrorKind::AlreadyExists => StoreError::NotEmpty { dir: part.clone() },
        _ => failed(e),
    })?;
    let restored = unpack(file, unlock, &part).and_then(|()| verify(file, &part)).and_then(|verified| {
        files::replace_folder(&part, &dir).map_err(failed)?;
        Ok(verified)
    });
    if restored.is_err() {
        _ = fs::remove_dir_all(&part);
    }
    restored
}

/// The folder under its full name, if nothing is in it.
fn free_folder(dir: &Path) -> Result<PathBuf, StoreError> {
    match fs::read_dir(dir).map(|mut files| files.next().is_none()) {
        Ok(true) => fs::canonicalize(dir).map_err(|e| StoreError::of_file(dir, e)),
        Ok(false) => Err(StoreError::NotEmpty { dir: dir.to_owned() }),
        Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(dir.components().collect()),
        Err(e) => Err(StoreError::of_file(dir, e)),
    }
}

fn verify(file: &Path, part: &Path) -> Result<Verified, StoreError> {
    match Store::open(part) {
        Err(StoreError::Missing { .. }) => Err(foreign(file, "it holds no store.sqlite")),
        opened => opened?.verify(),
    }
}

fn foreign(file: &Path, detail: impl Into<String>) -> StoreError {
    StoreError::NotABackup { file: file.to_owned(), detail: detail.into() }
}

fn unpack(file: &Path, unlock: &Unlock, part: &Path) -> Result<(), StoreError> {
    let torn = |e: io::Error| StoreError::BackupTorn { file: file.to_owned(), detail: e.to_string() };
    let mut tar = tar::Archive::new(Sealed(open(file, unlock)?));
    // Raw: no name or size from an extension is taken, and none of our names needs one.
    for entry in tar.entries().map_err(torn)?.raw(true) {
        let mut entry = entry.map_err(torn)?;
        let (kind, name) = (entry.header().entry_type(), entry.path_bytes().into_owned());
        let name = String::from_utf8_lossy(&name).into_owned();
        let name = name.strip_prefix("./").unwrap_or(&name);
        // The folders themselves, and what some archivers note beside a file.
        if kind.is_dir() || kind.is_pax_local_extensions() || kind.is_pax_global_extensions() {
            continue;
        }
        if !kind.is_file() || !has_its_place(name) {
            return Err(foreign(file, format!("it holds {name:?}, which has no place in a store")));
        }
        let target = part.join(name);
        let (copied, expected) = (copy(&mut entry, &target), entry.size());
        match copied {
            Ok(bytes) if bytes == expected => {}
            Ok(_) => return Err(torn(io::ErrorKind::UnexpectedEof.into())),
            Err(e) if e.kind() == io::ErrorKind::InvalidData => return Err(torn(e)),
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {
                return Err(foreign(file, format!("it holds {name:?} twice")));
            }
            Err(e) => return Err(StoreError::of_file(&target, e)),
        }
    }
    // The last piece says that nothing was cut off.
    io::copy(&mut tar.into_inner(), &mut io::sink()).map_err(torn)?;
    Ok(())
}

/// Writes one file that isn't there yet.
fn copy(from: &mut impl Read, target: &Path) -> io::Result<u64> {
    target.parent().map_or(Ok(()), files::ensure_folder)?;
    let mut to = files::private().create_new(true).open(target)?;
    let bytes = io::copy(from, &mut to)?;
    to.sync_all()?;
    Ok(bytes)
}

/// What is inside of the encryption.
fn open(file: &Path, unlock: &Unlock) -> Result<impl Read + use<>, StoreError> {
    let unreadable = |e| StoreError::of_file(file, e);
    let source = io::BufReader::new(File::open(file).map_err(unreadable)?);
    let decryptor = Decryptor::new_buffered(source).map_err(|e| match e {
        DecryptError::Io(e) if e.kind() != io::ErrorKind::UnexpectedEof && e.kind() != io::ErrorKind::InvalidData => {
            unreadable(e)
        }
        _ => foreign(file, "it isn't an age file, or its first bytes are damaged"),
    })?;
    let by_passphrase = decryptor.is_scrypt();
    decryptor.decrypt(unlock.0.iter().map(|identity| &**identity as &dyn Identity)).map_err(|e| match e {
        DecryptError::InvalidMac | DecryptError::InvalidHeader => foreign(file, "its first bytes are damaged"),
        DecryptError::ExcessiveWork { required, .. } => {
            foreign(file, format!("its passphrase asks for more work than Rakelight does (2^{required})"))
        }
        _ => StoreError::BackupLocked {
            file: file.to_owned(),
            by: if by_passphrase { "passphrase" } else { "identity" },
        },
    })
}

/// Tells what can't be read of the backup from what can't be written of the store.
struct Sealed<R>(R);

impl<R: Read> Read for Sealed<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        self.0.read(buffer).map_err(|e| match e.kind() {
            io::ErrorKind::Interrupted => e,
            _ => io::Error::new(io::ErrorKind::InvalidData, e),
        })
    }
}

#[cfg(test)]
mod tests;
