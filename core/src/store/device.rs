//! This device's key, which signs its log.

use std::fs;
use std::io::Write;
use std::path::Path;

use ed25519_dalek::SigningKey;

use super::encoding::{DeviceId, Salt};
use super::{StoreError, files};

/// The key in the folder `dir`; a new one where there is none: a store that came without its key goes on under a new device id.
/// Only for the process that holds the store's write lock.
pub(crate) fn key_of(dir: &Path) -> Result<SigningKey, StoreError> {
    let file = dir.join("device.key");
    if !file.exists() {
        let mut secret = [0; 32];
        fill(&mut secret)?;
        let key = SigningKey::from_bytes(&secret);
        let text = hex::encode(key.to_bytes()) + "\n";
        files::write_whole(&file, |out| out.write_all(text.as_bytes())).map_err(|e| StoreError::of_file(&file, e))?;
        return Ok(key);
    }
    let text = fs::read(&file).map_err(|e| StoreError::of_file(&file, e))?;
    let secret = hex::decode(text.trim_ascii()).ok().and_then(|secret| secret.try_into().ok());
    secret.map(|secret| SigningKey::from_bytes(&secret)).ok_or(StoreError::Key { file })
}

/// Whose key lies in the folder, if one does.
pub(crate) fn id_of_key(dir: &Path) -> Result<Option<DeviceId>, StoreError> {
    let key = if dir.join("device.key").exists() { Some(key_of(dir)?) } else { None };
    Ok(key.map(|key| key.verifying_key().to_bytes()))
}

/// Moves the key aside: the next entry begins a log of its own. Only for the process that holds the store's write lock.
pub(crate) fn retire(dir: &Path) -> Result<(), StoreError> {
    let file = dir.join("device.key");
    fs::rename(&file, dir.join("device.key.retired")).map_err(|e| StoreError::of_file(&file, e))
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
