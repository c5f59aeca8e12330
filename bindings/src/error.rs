//! One error for the shell, a variant for each thing it does about it.

use rakelight_core::exchange::ExchangeError;
use rakelight_core::photo::PhotoError;
use rakelight_core::print::{LandmarkError, MeasureError};
use rakelight_core::scale::ScaleError;
use rakelight_core::store::StoreError;

/// Why a step wasn't done. The worker's words come from the app's resources, by variant; `detail` is for the log.
#[derive(Debug, thiserror::Error, uniffi::Error)]
#[allow(missing_docs)]
pub enum ShellError {
    /// The photograph can't be used: choose another.
    #[error("photograph: {detail}")]
    BadPhoto { detail: String },
    /// No scale in the photograph: take it again with the card.
    #[error("scale: {detail}")]
    NoScale { detail: String },
    /// The marks can't be: mark again.
    #[error("marks: {detail}")]
    BadMarks { detail: String },
    /// Something typed can't be: correct it.
    #[error("input: {detail}")]
    BadInput { detail: String },
    /// The store doesn't hold this.
    #[error("there is no {what} {id} in the store")]
    NotFound { what: String, id: String },
    /// Another program writes: try again.
    #[error("busy: {detail}")]
    Busy { detail: String },
    /// No space, or no right to write: nothing was lost, make room.
    #[error("storage: {detail}")]
    Storage { detail: String },
    /// The phone's key store doesn't give the key that signs records: reading goes on, nothing is lost, nothing can be written.
    #[error("key: {detail}")]
    KeyLost { detail: String },
    /// The base can't be reached, or can't answer now: try later, nothing is lost.
    #[error("unreachable: {detail}")]
    Unreachable { detail: String },
    /// Somebody else answers than the base of the invitation, and was sent nothing: ask whoever runs the base.
    #[error("other base: {detail}")]
    OtherBase { detail: String },
    /// The base says no, in its words: the invitation is used up or too old, or the device is barred.
    #[error("refused: {detail}")]
    Refused { detail: String },
    /// The base speaks another version of the exchange: bring the older one up to date.
    #[error("other version: {detail}")]
    OtherVersion { detail: String },
    /// The worker stopped it; what was exchanged until then is kept.
    #[error("stopped")]
    Stopped,
    /// The store is damaged or not ours.
    #[error("store: {detail}")]
    BadStore { detail: String },
    /// A fault of the program.
    #[error("internal: {detail}")]
    Internal { detail: String },
}

impl ShellError {
    pub(crate) fn internal(error: impl std::fmt::Display) -> Self {
        Self::Internal { detail: error.to_string() }
    }

    pub(crate) fn input(error: impl std::fmt::Display) -> Self {
        Self::BadInput { detail: error.to_string() }
    }
}

impl From<PhotoError> for ShellError {
    fn from(error: PhotoError) -> Self {
        Self::BadPhoto { detail: error.to_string() }
    }
}

impl From<LandmarkError> for ShellError {
    fn from(error: LandmarkError) -> Self {
        Self::BadMarks { detail: error.to_string() }
    }
}

impl From<ScaleError> for ShellError {
    fn from(error: ScaleError) -> Self {
        Self::NoScale { detail: error.to_string() }
    }
}

impl From<MeasureError> for ShellError {
    fn from(error: MeasureError) -> Self {
        match error {
            MeasureError::Scale(error) => error.into(),
            MeasureError::Known(error) => Self::NoScale { detail: error.to_string() },
            MeasureError::Landmarks(error) => error.into(),
            other => Self::input(other),
        }
    }
}

impl From<StoreError> for ShellError {
    fn from(error: StoreError) -> Self {
        let detail = error.to_string();
        match error {
            StoreError::Busy { .. } | StoreError::StillInLog { .. } => Self::Busy { detail },
            StoreError::Full { .. } | StoreError::ReadOnly { .. } => Self::Storage { detail },
            StoreError::KeyWrapped { .. } => Self::KeyLost { detail },
            StoreError::NotAnId { .. } => Self::BadInput { detail },
            _ => Self::BadStore { detail },
        }
    }
}

impl From<ExchangeError> for ShellError {
    fn from(error: ExchangeError) -> Self {
        let detail = error.to_string();
        match error {
            ExchangeError::Store(error) => error.into(),
            ExchangeError::Unreachable { .. } | ExchangeError::Refused { status: 408 | 429 | 500.., .. } => {
                Self::Unreachable { detail }
            }
            ExchangeError::OtherCertificate { .. } => Self::OtherBase { detail },
            ExchangeError::NotJoined { address, .. } => Self::NotFound { what: "base".into(), id: address },
            ExchangeError::Refused { detail, .. } => Self::Refused { detail },
            ExchangeError::OtherProtocol { .. } => Self::OtherVersion { detail },
            ExchangeError::NotUnderstood { .. } => Self::Internal { detail },
            ExchangeError::Carrier { .. } => Self::Storage { detail },
            ExchangeError::Stopped => Self::Stopped,
        }
    }
}
