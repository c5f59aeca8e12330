//! The phone's key store, which wraps the store's key.

use std::path::Path;
use std::sync::Arc;

use rakelight_core::store::{self, Store};

use crate::{ShellError, Workspace};

/// What the phone's key store says when it can't.
#[derive(Debug, thiserror::Error, uniffi::Error)]
#[allow(missing_docs)]
pub enum KeyError {
    /// It refused, or its key is another or gone.
    #[error("{detail}")]
    KeyStore { detail: String },
}

/// Whatever else the shell throws.
impl From<uniffi::UnexpectedUniFFICallbackError> for KeyError {
    fn from(error: uniffi::UnexpectedUniFFICallbackError) -> Self {
        Self::KeyStore { detail: error.reason }
    }
}

/// Implemented by the shell: a key that never leaves the phone's key store encrypts the store's own, so that a copy of the app's files
/// can't write in this device's name.
#[uniffi::export(with_foreign)]
pub trait KeyWrapping: Send + Sync {
    /// Encrypts the secret, 32 bytes.
    fn wrap(&self, secret: Vec<u8>) -> Result<Vec<u8>, KeyError>;

    /// Gives back what [`KeyWrapping::wrap`] was given.
    fn unwrap(&self, wrapped: Vec<u8>) -> Result<Vec<u8>, KeyError>;
}

struct Shells(Arc<dyn KeyWrapping>);

impl store::KeyWrapping for Shells {
    fn wrap(&self, secret: Vec<u8>) -> Result<Vec<u8>, String> {
        self.0.wrap(secret).map_err(|e| e.to_string())
    }

    fn unwrap(&self, wrapped: Vec<u8>) -> Result<Vec<u8>, String> {
        self.0.unwrap(wrapped).map_err(|e| e.to_string())
    }
}

#[uniffi::export]
impl Workspace {
    /// As [`Workspace::open`], with the store's key wrapped by the phone's key store; a plain key that is there is wrapped now. Where the key can't
    /// be unwrapped, what only reads goes on, and what writes gives [`ShellError::KeyLost`].
    #[uniffi::constructor]
    pub fn open_with_key(folder: String, language: String, key: Arc<dyn KeyWrapping>) -> Result<Arc<Self>, ShellError> {
        Self::around(Store::open_or_create_wrapped(Path::new(&folder), Arc::new(Shells(key)))?, &language)
    }
}
