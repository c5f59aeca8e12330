//! The base's own certificate. No authority vouches for it: an invitation carries its SHA-256, and devices that joined hold the base to that.

use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rcgen::{CertificateParams, DnType, KeyPair, date_time_ymd};
use rustls::ServerConfig;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};

use super::{Id, digests};

/// Why there is no certificate.
#[derive(Debug, thiserror::Error)]
pub enum IdentityError {
    #[error("{file}: {source}; check the disk and the rights of the folder", file = .file.display())]
    File { file: PathBuf, source: io::Error },
    #[error("{file} isn't the base's key and certificate ({detail}); bring it back from a backup: with another one, every device has to join again", file = .file.display())]
    Unreadable { file: PathBuf, detail: String },
    #[error(
        "the setting identity isn't the base's key and certificate ({0}); bring the database back from a backup: with another one, every device has to join again"
    )]
    UnreadableSetting(rustls::pki_types::pem::Error),
    #[error("no certificate can be made: {0}")]
    NotMade(#[from] rcgen::Error),
    #[error("TLS can't be set up: {0}")]
    Tls(#[from] rustls::Error),
}

/// Key and certificate in one file, so that they always belong together.
pub struct Identity {
    certificate: CertificateDer<'static>,
    key: PrivateKeyDer<'static>,
}

impl Identity {
    /// Reads `identity.pem` in the folder `dir`; makes it where there is none.
    pub fn open(dir: &Path) -> Result<Self, IdentityError> {
        let file = dir.join("identity.pem");
        if !file.exists() {
            make(dir, &file)?;
        }
        let pem = std::fs::read(&file).map_err(|source| IdentityError::File { file: file.clone(), source })?;
        Self::read(&pem).map_err(|error| IdentityError::Unreadable { file, detail: error.to_string() })
    }

    /// From what [`Identity::new_pem`] made.
    pub fn of_pem(pem: &[u8]) -> Result<Self, IdentityError> {
        Self::read(pem).map_err(IdentityError::UnreadableSetting)
    }

    fn read(pem: &[u8]) -> Result<Self, rustls::pki_types::pem::Error> {
        Ok(Self { certificate: CertificateDer::from_pem_slice(pem)?, key: PrivateKeyDer::from_pem_slice(pem)? })
    }

    /// A new certificate and its key: ECDSA P-256, valid for as long as anyone will ask: it is held to its digest, and a phone's clock may be wrong.
    pub fn new_pem() -> Result<String, IdentityError> {
        let key = KeyPair::generate()?;
        let mut params = CertificateParams::new(vec!["rakelight.invalid".into()])?;
        params.distinguished_name.push(DnType::CommonName, "Rakelight base");
        params.not_before = date_time_ymd(2000, 1, 1);
        params.not_after = date_time_ymd(2150, 1, 1);
        Ok(params.self_signed(&key)?.pem() + &key.serialize_pem())
    }

    /// The SHA-256 of the certificate (DER).
    pub fn fingerprint(&self) -> Id {
        digests::sha256(&self.certificate)
    }

    /// TLS 1.2 and 1.3 with this certificate.
    pub fn tls(&self) -> Result<ServerConfig, IdentityError> {
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let mut config = ServerConfig::builder_with_provider(provider)
            .with_protocol_versions(&[&rustls::version::TLS13, &rustls::version::TLS12])?
            .with_no_client_auth()
            .with_single_cert(vec![self.certificate.clone()], self.key.clone_key())?;
        config.alpn_protocols = vec![b"http/1.1".to_vec()];
        Ok(config)
    }
}

/// Whoever comes second where two programs start at once takes the first one's.
fn make(dir: &Path, file: &Path) -> Result<(), IdentityError> {
    let pem = Identity::new_pem()?;
    let write = || -> io::Result<()> {
        // Readable by its owner alone, as tempfile makes them.
        let mut temporary = tempfile::NamedTempFile::new_in(dir)?;
        temporary.write_all(pem.as_bytes())?;
        temporary.as_file().sync_all()?;
        match temporary.persist_noclobber(file) {
            // Only Unix lets a folder be opened to be synced.
            Ok(_) if cfg!(unix) => std::fs::File::open(dir)?.sync_all(),
            Ok(_) => Ok(()),
            Err(error) if error.error.kind() == io::ErrorKind::AlreadyExists => Ok(()),
            Err(error) => Err(error.error),
        }
    };
    write().map_err(|source| IdentityError::File { file: file.to_owned(), source })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_certificate_stays_and_its_key_is_its_owners_alone() {
        let dir = tempfile::tempdir().unwrap();
        let fingerprint = Identity::open(dir.path()).unwrap().fingerprint();
        let again = Identity::open(dir.path()).unwrap();
        assert_eq!(again.fingerprint(), fingerprint);
        again.tls().unwrap();
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            let mode = std::fs::metadata(dir.path().join("identity.pem")).unwrap().permissions().mode();
            assert_eq!(mode & 0o777, 0o600);
        }
        std::fs::write(dir.path().join("identity.pem"), "torn").unwrap();
        assert!(Identity::open(dir.path()).err().unwrap().to_string().contains("bring it back"));
    }
}
