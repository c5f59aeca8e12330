//! Carries requests to a base over TLS, and believes only the certificate that was promised.

use std::error::Error;
use std::io;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use http_body_util::{BodyExt, Full, Limited};
use hyper::body::Bytes;
use hyper::client::conn::http1::{self, SendRequest};
use hyper::header;
use hyper_util::rt::TokioIo;
use rakelight_core::exchange::{Request, Response, Transport, TransportError};
use ring::digest::{SHA256, digest};
use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::crypto::{CryptoProvider, verify_tls12_signature, verify_tls13_signature};
use rustls::pki_types::{CertificateDer, ServerName, UnixTime};
use rustls::{CertificateError, ClientConfig, DigitallySignedStruct, SignatureScheme};
use tokio::net::TcpStream;
use tokio::runtime::Runtime;
use tokio::time::timeout;
use tokio_rustls::TlsConnector;

/// Until a connection stands.
const CONNECTING: Duration = Duration::from_secs(15);
/// For one request and its answer: some megabytes on a slow line.
const ANSWERING: Duration = Duration::from_secs(300);
/// No answer that is asked for is longer.
const ANSWER_BYTES: usize = 256 << 20;

/// The way to one base. No proxy and no redirect is followed: nobody else is to be spoken to.
pub struct PinnedTransport {
    runtime: Runtime,
    connector: TlsConnector,
    /// Host and port.
    authority: String,
    connection: Mutex<Option<SendRequest<Full<Bytes>>>>,
}

impl PinnedTransport {
    /// To the base at `https://host:port` whose certificate (DER) has this SHA-256. Nothing is sent yet.
    ///
    /// # Errors
    /// It isn't such an address, or the system has no means left for a connection.
    pub fn new(address: &str, certificate: [u8; 32]) -> Result<Self, TransportError> {
        let authority = address.strip_prefix("https://").map(|rest| rest.trim_end_matches('/'));
        let authority = authority.filter(|authority| !authority.is_empty() && !authority.contains('/'));
        let authority = authority.ok_or_else(|| {
            TransportError::Unreachable(format!("{address:?} isn't an address like https://192.168.1.4:8443"))
        })?;
        let has_port = authority.rsplit_once(':').is_some_and(|(_, port)| port.parse::<u16>().is_ok());
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(said)?;
        Ok(Self {
            runtime,
            connector: TlsConnector::from(Arc::new(pinned(certificate).map_err(said)?)),
            authority: if has_port { authority.to_owned() } else { format!("{authority}:443") },
            connection: Mutex::default(),
        })
    }

    async fn connect(&self) -> Result<SendRequest<Full<Bytes>>, TransportError> {
        within(CONNECTING, async {
            let stream = TcpStream::connect(&self.authority).await.map_err(said)?;
            stream.set_nodelay(true).map_err(said)?;
            // The certificate is known by its digest, whatever name stands in it.
            let name = ServerName::try_from("rakelight.invalid").map_err(said)?;
            let stream = self.connector.connect(name, stream).await.map_err(not_connected)?;
            let (sender, connection) = http1::handshake(TokioIo::new(stream)).await.map_err(said)?;
            tokio::spawn(connection);
            Ok(sender)
        })
        .await
    }

    async fn exchange(
        &self,
        sender: &mut SendRequest<Full<Bytes>>,
        request: &Request,
    ) -> Result<Response, TransportError> {
        within(ANSWERING, async {
            let mut builder = hyper::Request::builder().method(request.method).uri(&request.path);
            builder = builder.header(header::HOST, &self.authority);
            for (name, value) in &request.headers {
                builder = builder.header(name, value);
            }
            let body = Full::new(Bytes::from(request.body.clone()));
            let request = builder.body(body).map_err(said)?;
            sender.ready().await.map_err(said)?;
            let (parts, body) = sender.send_request(request).await.map_err(said)?.into_parts();
            let body = Limited::new(body, ANSWER_BYTES)
                .collect()
                .await
                .map_err(|error| TransportError::Unreachable(error.to_string()))?;
            let text = |value: &header::HeaderValue| String::from_utf8_lossy(value.as_bytes()).into_owned();
            let headers = parts.headers.iter().map(|(name, value)| (name.to_string(), text(value))).collect();
            Ok(Response { status: parts.status.as_u16(), headers, body: body.to_bytes().into() })
        })
        .await
    }
}

/// A base that asks for a pause is given one, so many times in a row.
const PAUSES: usize = 20;
/// Though none longer than this.
const PAUSE: Duration = Duration::from_secs(30);

impl Transport for PinnedTransport {
    fn send(&self, request: &Request) -> Result<Response, TransportError> {
        for _ in 0..PAUSES {
            let response = self.send_now(request)?;
            match pause(&response) {
                Some(pause) => std::thread::sleep(pause),
                None => return Ok(response),
            }
        }
        self.send_now(request)
    }
}

/// How long the base asks to wait (RFC 6585, section 4; RFC 9110, section 10.2.3).
fn pause(response: &Response) -> Option<Duration> {
    let after = response.headers.iter().find(|(name, _)| name == "retry-after")?.1.parse().ok()?;
    (response.status == 429).then_some(Duration::from_secs(after)).filter(|pause| *pause <= PAUSE)
}

impl PinnedTransport {
    /// Sends one, and takes a pause that is asked for as an answer like any other.
    pub fn send_now(&self, request: &Request) -> Result<Response, TransportError> {
        let mut kept = self.connection.lock().unwrap_or_else(PoisonError::into_inner);
        self.runtime.block_on(async {
            // The base may have closed a connection that was kept. To ask again does no harm, whatever it was.
            if let Some(mut sender) = kept.take()
                && let Ok(response) = self.exchange(&mut sender, request).await
            {
                *kept = Some(sender);
                return Ok(response);
            }
            let mut sender = self.connect().await?;
            let response = self.exchange(&mut sender, request).await?;
            *kept = Some(sender);
            Ok(response)
        })
    }
}

/// An error with what is behind it.
fn said(error: impl Error) -> TransportError {
    let (mut text, mut cause) = (error.to_string(), error.source());
    while let Some(behind) = cause {
        text = format!("{text}: {behind}");
        cause = behind.source();
    }
    TransportError::Unreachable(text)
}

/// An error of the connection's beginning; TLS hides its own in one of the system's.
fn not_connected(error: io::Error) -> TransportError {
    let tls = error.get_ref().and_then(|inner| inner.downcast_ref());
    match tls {
        Some(rustls::Error::InvalidCertificate(_)) => TransportError::OtherCertificate,
        _ => said(error),
    }
}

async fn within<T>(
    patience: Duration,
    work: impl Future<Output = Result<T, TransportError>>,
) -> Result<T, TransportError> {
    let late = |_| Err(TransportError::Unreachable(format!("no answer within {} s", patience.as_secs())));
    timeout(patience, work).await.unwrap_or_else(late)
}

fn pinned(certificate: [u8; 32]) -> Result<ClientConfig, rustls::Error> {
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let verifier = Pinned { certificate, provider: provider.clone() };
    Ok(ClientConfig::builder_with_provider(provider)
        .with_protocol_versions(&[&rustls::version::TLS13, &rustls::version::TLS12])?
        .dangerous()
        .with_custom_certificate_verifier(Arc::new(verifier))
        .with_no_client_auth())
}

/// Takes one certificate, whatever it says of itself, and has the base show that it holds its key.
#[derive(Debug)]
struct Pinned {
    certificate: [u8; 32],
    provider: Arc<CryptoProvider>,
}

impl ServerCertVerifier for Pinned {
    fn verify_server_cert(
        &self,
        end_entity: &CertificateDer<'_>,
        _: &[CertificateDer<'_>],
        _: &ServerName<'_>,
        _: &[u8],
        _: UnixTime,
    ) -> Result<ServerCertVerified, rustls::Error> {
        if digest(&SHA256, end_entity).as_ref() == self.certificate {
            return Ok(ServerCertVerified::assertion());
        }
        Err(CertificateError::ApplicationVerificationFailure.into())
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        verify_tls12_signature(message, certificate, signed, &self.provider.signature_verification_algorithms)
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        verify_tls13_signature(message, certificate, signed, &self.provider.signature_verification_algorithms)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.provider.signature_verification_algorithms.supported_schemes()
    }
}
