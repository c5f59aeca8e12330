//! This device's key, which signs its log.

use std::fs::{self, File};
use std::io::{self, Read, Write};
use std::ops::Deref;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::UNIX_EPOCH;

use base64::Engine;
use base64::engine::general_purpose::STANDARD as BASE64;
use ed25519_dalek::SigningKey;
use zeroize::Zeroizing;

use super::encoding::{DeviceId, Salt};
use super::{Store, StoreError, files};

const KEY_FILE: &str = "device.key";
/// What stands before a secret that only the phone's key store opens.
const WRAPPED: &str = "wrapped ";

/// A key store of the phone, whose own key never leaves it: what it wraps, only it opens.
pub trait KeyWrapping: Send + Sync {
    /// Encrypts the secret.
    ///
    /// # Errors
    /// What the key store says.
    fn wrap(&self, secret: Vec<u8>) -> Result<Vec<u8>, String>;

    /// Gives back what was wrapped.
    ///
    /// # Errors
    /// What the key store says; among others that it was wrapped by another key.
    fn unwrap(&self, wrapped: Vec<u8>) -> Result<Vec<u8>, String>;
}

/// A store's folder, and what wraps the key in it.
#[derive(Clone)]
pub(super) struct Folder {
    path: PathBuf,
    wrapping: Option<Arc<dyn KeyWrapping>>,
}

impl Folder {
    pub fn plain(path: &Path) -> Self {
        Self { path: path.to_owned(), wrapping: None }
    }
}

impl Deref for Folder {
    type Target = Path;

    fn deref(&self) -> &Path {
        &self.path
    }
}

impl std::fmt::Debug for Folder {
    fn fmt(&self, f: &mut std::fmt::Formatter) -> std::fmt::Result {
        self.path.fmt(f)
    }
}

impl Store {
    /// As [`Store::open_or_create`], with the device's key wrapped by the phone's key store: `device.key` then doesn't hold the plain secret. A
    /// plain key that is there is wrapped now. Reading goes on where the key can't be unwrapped; writing doesn't, and changes nothing.
    ///
    /// # Errors
    /// As [`Store::open_or_create`], or the key store refuses to wrap.
    pub fn open_or_create_wrapped(dir: &Path, wrapping: Arc<dyn KeyWrapping>) -> Result<Self, StoreError> {
        let mut store = Self::open_or_create(dir)?;
        store.dir.wrapping = Some(wrapping);
        store.write(|_, folder| Ok(wrap_in_place(folder)?))?;
        Ok(store)
    }
}

/// The key in the folder; a new one where there is none, or where it was copied from elsewhere: a store that came without its own key goes on
/// under a new device id. Only for the process that holds the store's write lock.
pub(super) fn key_of(folder: &Folder) -> Result<SigningKey, StoreError> {
    if let Some(key) = own_key(folder)? {
        return Ok(key);
    }
    if folder.join(KEY_FILE).exists() {
        move_aside(folder, "copied")?;
    }
    let mut secret = Zeroizing::new([0; 32]);
    fill(&mut *secret)?;
    let key = SigningKey::from_bytes(&secret);
    keep(folder, &key)?;
    Ok(key)
}

/// Whose key lies in the folder, if it is this store's own.
pub(super) fn id_of_key(folder: &Folder) -> Result<Option<DeviceId>, StoreError> {
    Ok(own_key(folder)?.map(|key| key.verifying_key().to_bytes()))
}

/// Moves the key aside: the next entry begins a log of its own. Only for the process that holds the store's write lock.
pub(super) fn retire(folder: &Folder) -> Result<(), StoreError> {
    move_aside(folder, "retired")
}

fn move_aside(folder: &Folder, why: &str) -> Result<(), StoreError> {
    let file = folder.join(KEY_FILE);
    fs::rename(&file, folder.join(format!("{KEY_FILE}.{why}"))).map_err(|e| StoreError::of_file(&file, e))
}

/// A key's file as it was read.
struct Kept {
    secret: Zeroizing<String>,
    /// Whether the file says that it was born at another time than it was: then it is a copy of the one that was written here.
    copied: bool,
}

/// The file holds the secret and, where the file system tells it, when the file was born.
fn read(folder: &Folder) -> Result<Option<Kept>, StoreError> {
    let path = folder.join(KEY_FILE);
    let mut file = match File::open(&path) {
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(None),
        opened => opened.map_err(|e| StoreError::of_file(&path, e))?,
    };
    let mut text = Zeroizing::new(String::new());
    file.read_to_string(&mut text).map_err(|e| match e.kind() {
        io::ErrorKind::InvalidData => StoreError::Key { file: path.clone() },
        _ => StoreError::of_file(&path, e),
    })?;
    let (secret, born) = text.trim_ascii().split_once('\n').unwrap_or((text.trim_ascii(), ""));
    let copied = match (born.strip_prefix("born "), birth(&file)) {
        (Some(said), Some(now)) => said != now.to_string(),
        // A key of an older program, or a file system that doesn't tell.
        _ => false,
    };
    Ok(Some(Kept { secret: Zeroizing::new(secret.to_owned()), copied }))
}

/// When a file was made on this disk, nanoseconds since 1970: no copy of it has the same.
fn birth(file: &File) -> Option<u128> {
    let born = file.metadata().ok()?.created().ok()?;
    Some(born.duration_since(UNIX_EPOCH).ok()?.as_nanos())
}

fn own_key(folder: &Folder) -> Result<Option<SigningKey>, StoreError> {
    let Some(kept) = read(folder)?.filter(|kept| !kept.copied) else { return Ok(None) };
    let file = folder.join(KEY_FILE);
    let secret = match kept.secret.strip_prefix(WRAPPED) {
        None => hex::decode(&*kept.secret).ok(),
        Some(wrapped) => match BASE64.decode(wrapped) {
            Err(_) => None,
            Ok(wrapped) => Some(unwrap(folder, wrapped)?),
        },
    };
    let secret = secret.map(Zeroizing::new).and_then(|secret| <[u8; 32]>::try_from(&secret[..]).ok());
    let secret = Zeroizing::new(secret.ok_or(StoreError::Key { file })?);
    Ok(Some(SigningKey::from_bytes(&secret)))
}

fn unwrap(folder: &Folder, wrapped: Vec<u8>) -> Result<Vec<u8>, StoreError> {
    let wrapping = folder.wrapping.as_ref().ok_or("this program was given no key store");
    let opened = wrapping.map_err(str::to_owned).and_then(|wrapping| wrapping.unwrap(wrapped));
    opened.map_err(|detail| StoreError::KeyWrapped { file: folder.join(KEY_FILE), detail })
}

/// Writes the key, wrapped where there is a key store.
fn keep(folder: &Folder, key: &SigningKey) -> Result<(), StoreError> {
    let file = folder.join(KEY_FILE);
    let secret = Zeroizing::new(match &folder.wrapping {
        None => hex::encode(key.to_bytes()),
        Some(wrapping) => {
            let refused = |detail| StoreError::KeyWrapped { file: file.clone(), detail };
            let wrapped = wrapping.wrap(key.to_bytes().to_vec()).map_err(refused)?;
            // A key store that can't open its own would cost the log.
            if *Zeroizing::new(unwrap(folder, wrapped.clone())?) != key.to_bytes() {
                return Err(refused("the key store doesn't give back what it wrapped".into()));
            }
            WRAPPED.to_owned() + &BASE64.encode(wrapped)
        }
    });
    let write = |out: &mut File| {
        writeln!(out, "{}", *secret)?;
        birth(out).map_or(Ok(()), |born| writeln!(out, "born {born}"))
    };
    files::write_whole(&file, write).map_err(|e| StoreError::of_file(&file, e))
}

/// Wraps a key that still lies there plain.
fn wrap_in_place(folder: &Folder) -> Result<(), StoreError> {
    let plain = read(folder)?.is_some_and(|kept| !kept.copied && !kept.secret.starts_with(WRAPPED));
    if plain && let Some(key) = own_key(folder)? { keep(folder, &key) } else { Ok(()) }
}

/// So many new salts.
pub(crate) fn salts(count: usize) -> Result<Vec<Salt>, StoreError> {
    let mut salts = vec![Salt::default(); count];
    fill(salts.as_flattened_mut())?;
    Ok(salts)
}

fn fill(bytes: &mut [u8]) -> Result<(), StoreError> {
    getrandom::fill(bytes).map_err(|e| StoreError::Randomness { detail: e.to_string() })
}

#[cfg(test)]
mod tests;
