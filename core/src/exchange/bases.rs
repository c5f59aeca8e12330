//! The bases that a store's device has joined.

use std::io::Write;
use std::path::Path;

use serde::{Deserialize, Serialize};

use super::ExchangeError;
use crate::store::files;

/// A base that this device has joined.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Base {
    /// `https://host:port`.
    pub address: String,
    /// The SHA-256 of its certificate (DER).
    #[serde(with = "hex")]
    pub certificate: [u8; 32],
}

const FILE: &str = "bases.json";

impl Base {
    /// All that the store in `dir` knows, the latest joined first.
    ///
    /// # Errors
    /// The file that holds them can't be read.
    pub fn all(dir: &Path) -> Result<Vec<Self>, ExchangeError> {
        let file = dir.join(FILE);
        let failed = |source| ExchangeError::Carrier { path: file.clone(), source };
        match std::fs::read(&file) {
            Ok(bytes) => serde_json::from_slice(&bytes).map_err(|e| failed(e.into())),
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(vec![]),
            Err(e) => Err(failed(e)),
        }
    }

    /// Remembers a base that was joined. One that has moved to another address keeps its certificate, and is known by that.
    ///
    /// # Errors
    /// The file that holds the bases can't be read or written.
    pub fn remember(&self, dir: &Path) -> Result<(), ExchangeError> {
        let mut bases = Self::all(dir)?;
        bases.retain(|base| base.certificate != self.certificate && base.address != self.address);
        bases.insert(0, self.clone());
        let file = dir.join(FILE);
        let text = serde_json::json!(bases).to_string();
        let written = files::write_whole(&file, |out| out.write_all(text.as_bytes()));
        written.map_err(|source| ExchangeError::Carrier { path: file, source })
    }
}
