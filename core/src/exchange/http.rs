//! A base, spoken to over HTTP. The transport carries one request at a time and knows nothing of what is in it.

use std::fs::{self, File, OpenOptions};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use serde::de::DeserializeOwned;
use serde_json::Value;
use sha2::{Digest, Sha256};

use super::wire::{self, Accepted, Challenge, Join, PROTOCOL, Proof, Session, Wanted};
use super::{ExchangeError, Going, Meant, Peer, Step, digests, go_on};
use crate::store::{Heads, Prover};

/// One request. `path` begins with `/`.
#[derive(Debug, Clone, PartialEq, Eq)]
#[allow(missing_docs)]
pub struct Request {
    pub method: &'static str,
    pub path: String,
    pub headers: Vec<(String, String)>,
    pub body: Vec<u8>,
}

/// Its answer; names of headers in lower case.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
#[allow(missing_docs)]
pub struct Response {
    pub status: u16,
    pub headers: Vec<(String, String)>,
    pub body: Vec<u8>,
}

/// Carries requests to one base over TLS, and believes only the certificate with the fingerprint that it was made for.
pub trait Transport {
    /// Sends one and waits for the answer.
    ///
    /// # Errors
    /// See [`TransportError`].
    fn send(&self, request: &Request) -> Result<Response, TransportError>;
}

/// Why there is no answer.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum TransportError {
    /// The base can't be reached, or the connection was cut, in the system's words.
    #[error("{0}")]
    Unreachable(String),
    /// Another certificate answers than the one that was promised; nothing was sent.
    #[error("another certificate answers there than the one that was promised")]
    OtherCertificate,
}

impl TransportError {
    /// As what it means for an exchange with the base at this address.
    pub fn at(self, address: &str) -> ExchangeError {
        let address = address.to_owned();
        match self {
            Self::Unreachable(detail) => ExchangeError::Unreachable { address, detail },
            Self::OtherCertificate => ExchangeError::OtherCertificate { address },
        }
    }
}

impl Response {
    fn header(&self, name: &str) -> Option<&str> {
        self.headers.iter().find(|(found, _)| found == name).map(|(_, value)| value.as_str())
    }

    /// What a problem (RFC 9457) says, or the body's beginning where it isn't one.
    fn problem(&self) -> String {
        self.of_problem("detail")
            .or_else(|| self.of_problem("title"))
            .unwrap_or_else(|| String::from_utf8_lossy(&self.body[..self.body.len().min(200)]).into_owned())
    }

    fn of_problem(&self, member: &str) -> Option<String> {
        let said: Value = serde_json::from_slice(&self.body).ok()?;
        Some(said.get(member)?.as_str()?.to_owned())
    }
}

/// A base with which a session has begun.
pub struct HttpPeer<'t> {
    transport: &'t dyn Transport,
    address: String,
    certificate: [u8; 32],
    prover: Prover,
    session: Session,
    /// Where it is kept how far a photograph's upload had come.
    leaving: PathBuf,
    /// A file for each photograph that this base has refused for good, with what it said.
    refused: PathBuf,
}

impl<'t> HttpPeer<'t> {
    /// Begins a session; joins the base before where there is an invitation. `leaving` is a folder for what has to be remembered of photographs: where a
    /// cut upload goes on, and what the base doesn't take.
    ///
    /// # Errors
    /// The base can't be reached, speaks another version, or doesn't know the device; the invitation is used up or too old.
    pub fn open(
        transport: &'t dyn Transport,
        meant: &Meant,
        prover: Prover,
        leaving: &Path,
    ) -> Result<Self, ExchangeError> {
        let none = Session { token: String::new(), seconds: 0, role: wire::Role::FieldWorker, trusted: vec![] };
        let (address, certificate) = (meant.base.address.clone(), meant.base.certificate);
        let (leaving, refused) = (leaving.to_owned(), leaving.join(format!("refused-by-{}", hex::encode(certificate))));
        let mut peer = Self { transport, address, certificate, prover, session: none, leaving, refused };
        peer.session = peer.begin(meant.code.as_deref())?;
        if meant.code.is_some() {
            // Who joins anew asks anew: the base may have learnt what it refused.
            _ = fs::remove_dir_all(&peer.refused);
        }
        Ok(peer)
    }

    /// The session: what this device may do there, and whom to trust.
    pub fn session(&self) -> &Session {
        &self.session
    }

    fn begin(&self, code: Option<&str>) -> Result<Session, ExchangeError> {
        let greeting: Challenge = self.json(&self.plain(request("GET", "/v1/challenge"))?)?;
        if greeting.protocol != PROTOCOL {
            let address = self.address.clone();
            return Err(ExchangeError::OtherProtocol { address, theirs: greeting.protocol, ours: PROTOCOL });
        }
        let (device, signature) = self.prover.prove(greeting.challenge.as_bytes(), &self.certificate);
        let proof = Proof { protocol: PROTOCOL, device, challenge: greeting.challenge, signature };
        let (path, body) = match code {
            Some(code) => ("/v1/join", serde_json::json!(Join { code: code.to_owned(), proof })),
            None => ("/v1/session", serde_json::json!(proof)),
        };
        self.json(&self.plain(with_body(request("POST", path), "application/json", body.to_string().into_bytes()))?)
    }

    /// One request in the session; a session that has run out is renewed once.
    fn ask(&mut self, request: Request) -> Result<Answer, ExchangeError> {
        let answer = self.send(self.in_session(request.clone()))?;
        if answer.response.status != 401 {
            return Ok(answer);
        }
        self.session = self.begin(None)?;
        self.send(self.in_session(request))
    }

    /// As [`Self::ask`], where anything but success is an error.
    fn get(&mut self, request: Request) -> Result<Answer, ExchangeError> {
        let answer = self.ask(request)?;
        self.well(answer)
    }

    fn plain(&self, request: Request) -> Result<Answer, ExchangeError> {
        self.well(self.send(request)?)
    }

    fn in_session(&self, mut request: Request) -> Request {
        request.headers.push(("authorization".into(), format!("Bearer {}", self.session.token)));
        request
    }

    fn send(&self, request: Request) -> Result<Answer, ExchangeError> {
        let name = format!("{} {}", request.method, request.path);
        let response = self.transport.send(&request).map_err(|error| error.at(&self.address))?;
        let answer = Answer { request: name, response };
        match (answer.response.header("repr-digest"), answer.response.status) {
            // A part of a photograph carries the digest of the whole.
            (Some(digest), status) if status != 206 && request.method != "HEAD" => {
                let checked = digests::check(digest, &answer.response.body);
                checked.map_err(|e| self.not_understood(&answer.request, format!("its Repr-Digest {e}")))?;
                Ok(answer)
            }
            _ => Ok(answer),
        }
    }

    fn well(&self, answer: Answer) -> Result<Answer, ExchangeError> {
        if (200..300).contains(&answer.response.status) { Ok(answer) } else { Err(self.refusal(&answer)) }
    }

    fn refusal(&self, answer: &Answer) -> ExchangeError {
        let Answer { response, .. } = answer;
        ExchangeError::Refused { address: self.address.clone(), status: response.status, detail: response.problem() }
    }

    fn json<T: DeserializeOwned>(&self, answer: &Answer) -> Result<T, ExchangeError> {
        serde_json::from_slice(&answer.response.body).map_err(|e| self.not_understood(&answer.request, e))
    }

    fn not_understood(&self, request: &str, detail: impl ToString) -> ExchangeError {
        let (address, request) = (self.address.clone(), request.to_owned());
        ExchangeError::NotUnderstood { address, request, detail: detail.to_string() }
    }

    /// What the base said to a photograph; what it will say again to the same bytes is remembered, so that they don't go up at every exchange.
    fn refusal_of(&self, sha256: &str, answer: &Answer) -> Result<ExchangeError, ExchangeError> {
        let mut refusal = self.refusal(answer);
        if let ExchangeError::Refused { detail, .. } = &mut refusal
            && answer.response.of_problem("type").as_deref() == Some(wire::NOT_A_PHOTOGRAPH)
        {
            fs::create_dir_all(&self.refused).map_err(carrier(&self.refused))?;
            let file = self.refused.join(sha256);
            fs::write(&file, &*detail).map_err(carrier(&file))?;
            detail.push_str("; the photograph stays in this store and isn't offered to this base again");
        }
        Ok(refusal)
    }

    /// Where an upload of this photograph goes on: its path and how far it has come.
    fn upload_of(&mut self, sha256: &str, length: u64) -> Result<(String, u64), ExchangeError> {
        let kept = self.leaving.join(sha256);
        if let Ok(path) = fs::read_to_string(&kept) {
            let answer = self.ask(tus(request("HEAD", &path)))?;
            if let (200 | 204, Some(offset)) = (answer.response.status, offset(&answer.response)) {
                return Ok((path, offset.min(length)));
            }
        }
        let mut create = tus(request("POST", "/v1/uploads"));
        create.headers.push(("upload-length".into(), length.to_string()));
        create.headers.push(("upload-metadata".into(), format!("sha256 {}", BASE64_STANDARD.encode(sha256))));
        let answer = self.ask(create)?;
        if answer.response.status != 201 {
            return Err(self.refusal_of(sha256, &answer)?);
        }
        let path = answer.response.header("location").map(|location| path_in(location).to_owned());
        let path = path.ok_or_else(|| self.not_understood(&answer.request, "it has no Location"))?;
        fs::create_dir_all(&self.leaving).map_err(carrier(&self.leaving))?;
        fs::write(&kept, &path).map_err(carrier(&kept))?;
        Ok((path, 0))
    }
}

/// What was asked, and the answer.
struct Answer {
    request: String,
    response: Response,
}

impl Peer for HttpPeer<'_> {
    fn heads(&mut self) -> Result<Heads, ExchangeError> {
        let answer = self.get(request("GET", "/v1/heads"))?;
        self.json(&answer)
    }

    fn lacking(&mut self, heads: &Heads) -> Result<Vec<u8>, ExchangeError> {
        let body = serde_json::json!(heads).to_string().into_bytes();
        Ok(self.get(with_body(request("POST", "/v1/entries/lacking"), "application/json", body))?.response.body)
    }

    fn take(&mut self, sequence: &[u8]) -> Result<Accepted, ExchangeError> {
        let answer = self.get(with_body(request("POST", "/v1/entries"), wire::ENTRIES, sequence.to_vec()))?;
        self.json(&answer)
    }

    fn wanted(&mut self) -> Result<Vec<String>, ExchangeError> {
        let answer = self.get(request("GET", "/v1/photographs/wanted"))?;
        let mut wanted = self.json::<Wanted>(&answer)?.sha256;
        wanted.retain(|sha256| !self.refused.join(sha256).is_file());
        Ok(wanted)
    }

    fn put_photo(&mut self, sha256: &str, file: &Path, going: &mut Going) -> Result<(), ExchangeError> {
        let mut photo = File::open(file).map_err(carrier(file))?;
        let length = photo.metadata().map_err(carrier(file))?.len();
        let (path, mut at) = self.upload_of(sha256, length)?;
        let kept = self.leaving.join(sha256);
        // A piece that was damaged on its way, or that had come though its answer was lost, is sent again; not for ever.
        let mut again = 3;
        while at < length {
            go_on(going, Step::PhotographsOut, at)?;
            let piece = piece_of(&mut photo, at).map_err(carrier(file))?;
            let mut patch = with_body(tus(request("PATCH", &path)), "application/offset+octet-stream", vec![]);
            let checksum = BASE64_STANDARD.encode(Sha256::digest(&piece));
            patch.headers.push(("upload-offset".into(), at.to_string()));
            patch.headers.push(("upload-checksum".into(), format!("sha256 {checksum}")));
            patch.body = piece;
            let answer = self.ask(patch)?;
            match (answer.response.status, offset(&answer.response)) {
                (204, Some(offset)) if offset > at => at = offset,
                (409 | 460, _) if again > 0 => {
                    again -= 1;
                    at = offset(&self.get(tus(request("HEAD", &path)))?.response).unwrap_or(at);
                }
                _ => {
                    _ = fs::remove_file(&kept);
                    return Err(self.refusal_of(sha256, &answer)?);
                }
            }
        }
        _ = fs::remove_file(&kept);
        Ok(())
    }

    fn get_photo(&mut self, sha256: &str, file: &Path, going: &mut Going) -> Result<bool, ExchangeError> {
        let mut part = OpenOptions::new().append(true).create(true).open(file).map_err(carrier(file))?;
        loop {
            let at = part.metadata().map_err(carrier(file))?.len();
            go_on(going, Step::PhotographsIn, at)?;
            let mut piece = request("GET", &format!("/v1/photographs/{sha256}"));
            let last = at + wire::PIECE_BYTES as u64 - 1;
            piece.headers.push(("range".into(), format!("bytes={at}-{last}")));
            let answer = self.ask(piece)?;
            let whole = match answer.response.status {
                404 => return Ok(false),
                // It has no more bytes than are here.
                416 => return Ok(true),
                200 => {
                    part.set_len(0).map_err(carrier(file))?;
                    Some(answer.response.body.len() as u64)
                }
                206 => answer.response.header("content-range").and_then(|range| range.rsplit('/').next()?.parse().ok()),
                _ => return Err(self.refusal(&answer)),
            };
            let whole = whole.ok_or_else(|| self.not_understood(&answer.request, "it has no Content-Range"))?;
            part.write_all(&answer.response.body).map_err(carrier(file))?;
            let have = part.metadata().map_err(carrier(file))?.len();
            if have >= whole || answer.response.body.is_empty() {
                return part.sync_all().map(|()| true).map_err(carrier(file));
            }
        }
    }
}

fn request(method: &'static str, path: &str) -> Request {
    Request { method, path: path.to_owned(), headers: vec![], body: vec![] }
}

fn with_body(mut request: Request, media_type: &str, body: Vec<u8>) -> Request {
    request.headers.push(("content-type".into(), media_type.to_owned()));
    if !body.is_empty() {
        request.headers.push(("repr-digest".into(), digests::field(&Sha256::digest(&body).into())));
    }
    request.body = body;
    request
}

fn tus(mut request: Request) -> Request {
    request.headers.push(("tus-resumable".into(), "1.0.0".into()));
    request
}

fn offset(response: &Response) -> Option<u64> {
    response.header("upload-offset")?.parse().ok()
}

/// The path of a `Location`, which may be an address as a whole.
fn path_in(location: &str) -> &str {
    let after_scheme = location.split_once("://").map_or(location, |(_, rest)| rest);
    after_scheme.find('/').map_or(location, |slash| &after_scheme[slash..])
}

fn piece_of(photo: &mut File, at: u64) -> std::io::Result<Vec<u8>> {
    let mut piece = Vec::new();
    photo.seek(SeekFrom::Start(at))?;
    photo.take(wire::PIECE_BYTES as u64).read_to_end(&mut piece)?;
    Ok(piece)
}

fn carrier(path: &Path) -> impl Fn(std::io::Error) -> ExchangeError {
    let path = path.to_owned();
    move |source| ExchangeError::Carrier { path: path.clone(), source }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_location_is_a_path_or_an_address() {
        assert_eq!(path_in("https://base:8443/v1/uploads/1"), "/v1/uploads/1");
        assert_eq!(path_in("/v1/uploads/1"), "/v1/uploads/1");
    }
}
