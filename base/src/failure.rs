//! What can go wrong, by who has to act.

use std::path::Path;
use std::process::ExitCode;

/// Why a command didn't do what it was asked.
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    /// The user has to change something.
    #[error("{0}")]
    BadInput(String),
    /// The machine is at fault: a disk, a permission, a network.
    #[error("{0}")]
    Machine(String),
}

impl Failure {
    /// 1 for the machine, 2 for bad input.
    pub fn exit_code(&self) -> ExitCode {
        match self {
            Self::Machine(_) => ExitCode::from(1),
            Self::BadInput(_) => ExitCode::from(2),
        }
    }

    /// Something wrong with what the user gave.
    pub fn input(what: impl std::fmt::Display) -> Self {
        Self::BadInput(what.to_string())
    }
}

/// Reads a file; one that isn't there is the user's to mend.
pub fn read(path: &Path) -> Result<Vec<u8>, Failure> {
    std::fs::read(path).map_err(|error| {
        let what = format!("{} can't be read: {error}", path.display());
        if error.kind() == std::io::ErrorKind::NotFound { Failure::BadInput(what) } else { Failure::Machine(what) }
    })
}

/// Reads a text file, or standard input where the path is `-`.
pub fn read_text(path: &Path) -> Result<String, Failure> {
    let bytes = if path.as_os_str() == "-" {
        let mut bytes = Vec::new();
        std::io::Read::read_to_end(&mut std::io::stdin(), &mut bytes)
            .map_err(|error| Failure::Machine(format!("standard input can't be read: {error}")))?;
        bytes
    } else {
        read(path)?
    };
    String::from_utf8(bytes).map_err(|_| Failure::BadInput(format!("{} isn't a text in UTF-8", path.display())))
}

/// Writes a file.
pub fn write(path: &Path, bytes: impl AsRef<[u8]>) -> Result<(), Failure> {
    std::fs::write(path, bytes)
        .map_err(|error| Failure::Machine(format!("{} can't be written: {error}", path.display())))
}
