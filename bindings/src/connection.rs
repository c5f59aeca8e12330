//! The phone's way to a base: the shell carries requests, the core says what is in them.

use std::sync::Arc;

use rakelight_core::exchange::{self, Base, Request, Response, TransportError};

/// A base that this device has joined.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct KnownBase {
    /// `https://host:port`.
    pub address: String,
    /// The SHA-256 of its certificate (DER).
    pub certificate_sha256: Vec<u8>,
}

impl From<Base> for KnownBase {
    fn from(Base { address, certificate }: Base) -> Self {
        Self { address, certificate_sha256: certificate.into() }
    }
}

/// A field of a request or of an answer.
#[derive(Debug, Clone, uniffi::Record)]
#[allow(missing_docs)]
pub struct HttpHeader {
    pub name: String,
    pub value: String,
}

/// What the base is asked. `path` begins with `/`; `method` is GET, HEAD, POST or PATCH, and a POST with `X-HTTP-Method-Override: PATCH` does as a PATCH.
#[derive(Debug, Clone, uniffi::Record)]
#[allow(missing_docs)]
pub struct HttpRequest {
    pub method: String,
    pub path: String,
    pub headers: Vec<HttpHeader>,
    pub body: Vec<u8>,
}

/// What the base answers.
#[derive(Debug, Clone, uniffi::Record)]
#[allow(missing_docs)]
pub struct HttpResponse {
    pub status: i32,
    pub headers: Vec<HttpHeader>,
    pub body: Vec<u8>,
}

/// Why there is no answer.
#[derive(Debug, Clone, thiserror::Error, uniffi::Error)]
#[allow(missing_docs)]
pub enum TransportFailure {
    /// The base can't be reached, or the connection was cut.
    #[error("{detail}")]
    Unreachable { detail: String },
    /// Another certificate answers than the base's; nothing was sent.
    #[error("another certificate answers")]
    OtherCertificate,
}

/// Whatever else the shell throws.
impl From<uniffi::UnexpectedUniFFICallbackError> for TransportFailure {
    fn from(error: uniffi::UnexpectedUniFFICallbackError) -> Self {
        Self::Unreachable { detail: error.reason }
    }
}

impl From<TransportFailure> for TransportError {
    fn from(failure: TransportFailure) -> Self {
        match failure {
            TransportFailure::Unreachable { detail } => Self::Unreachable(detail),
            TransportFailure::OtherCertificate => Self::OtherCertificate,
        }
    }
}

/// Carries requests to one base over TLS. Implemented by the shell.
#[uniffi::export(with_foreign)]
pub trait Transport: Send + Sync {
    /// Sends one and waits for the answer. Follows no redirect.
    fn send(&self, request: HttpRequest) -> Result<HttpResponse, TransportFailure>;
}

/// Makes the way to a base. Implemented by the shell.
#[uniffi::export(with_foreign)]
pub trait Connections: Send + Sync {
    /// To this base: where another certificate answers, nothing is sent.
    fn to(&self, base: KnownBase) -> Result<Arc<dyn Transport>, TransportFailure>;
}

/// The shell's transport, as the core knows transports.
pub(crate) struct Shells(pub Arc<dyn Transport>);

impl exchange::Transport for Shells {
    fn send(&self, request: &Request) -> Result<Response, TransportError> {
        let header = |(name, value): &(String, String)| HttpHeader { name: name.clone(), value: value.clone() };
        let response = self.0.send(HttpRequest {
            method: request.method.into(),
            path: request.path.clone(),
            headers: request.headers.iter().map(header).collect(),
            body: request.body.clone(),
        })?;
        let status = u16::try_from(response.status)
            .map_err(|_| TransportError::Unreachable(format!("{} is no HTTP status", response.status)))?;
        let headers = response.headers.into_iter().map(|header| (header.name.to_ascii_lowercase(), header.value));
        Ok(Response { status, headers: headers.collect(), body: response.body })
    }
}
