//! Photographs come in by tus 1.0.0 with creation, checksum and termination. What has arrived counts, and what was acknowledged outlives a
//! power cut.

use std::sync::atomic::Ordering;

use axum::body::Body;
use axum::extract::{Path, Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use base64::Engine;
use base64::prelude::BASE64_STANDARD as BASE64;
use rakelight_core::exchange::wire::{NOT_A_PHOTOGRAPH, PIECE_BYTES};
use ring::digest::{self, SHA1_FOR_LEGACY_USE_ONLY, SHA256};

use super::problem::{Problem, checksum_mismatch};
use super::session::Session;
use super::state::{Begun, Member, Upload, UploadId};
use super::{App, Id, Service, ServiceError, blocking, bodies, digests, id_of, now_ms, picture, random};

const VERSION: &str = "1.0.0";
const RESUMABLE: HeaderName = HeaderName::from_static("tus-resumable");
const OFFSET: HeaderName = HeaderName::from_static("upload-offset");
const LENGTH: HeaderName = HeaderName::from_static("upload-length");
const CHECKSUM: HeaderName = HeaderName::from_static("upload-checksum");
const METADATA: HeaderName = HeaderName::from_static("upload-metadata");
const METHOD_OVERRIDE: HeaderName = HeaderName::from_static("x-http-method-override");

/// No photograph is larger.
const MOST_BYTES: u64 = 200 << 20;
/// So many uploads of one device may be unfinished.
const MOST_UNFINISHED: u32 = 64;
/// Unfinished uploads are kept for so long.
const KEPT_MS: i64 = 7 * 24 * 3_600_000;

/// A client that can't send PATCH or DELETE (the JDK's and Android's can't send PATCH) sends POST and says what is meant. To be asked before a
/// route is chosen; other methods aren't meant by any such client.
pub fn as_meant<B>(mut request: axum::http::Request<B>) -> axum::http::Request<B> {
    let meant = request.headers().get(METHOD_OVERRIDE).and_then(|method| Method::from_bytes(method.as_bytes()).ok());
    if let Some(meant @ (Method::PATCH | Method::DELETE)) = meant
        && request.method() == Method::POST
    {
        *request.method_mut() = meant;
    }
    request
}

/// Both sides say which tus they speak.
pub async fn speak_tus(request: Request, next: Next) -> Response {
    let spoken = request.headers().get(RESUMABLE);
    let mut response = if request.method() == Method::OPTIONS || spoken.is_some_and(|version| version == VERSION) {
        next.run(request).await
    } else {
        Problem::new(
            StatusCode::PRECONDITION_FAILED,
            format!("send Tus-Resumable: {VERSION}: no other tus is spoken here"),
        )
        .with(HeaderName::from_static("tus-version"), HeaderValue::from_static(VERSION))
        .into_response()
    };
    response.headers_mut().insert(RESUMABLE, HeaderValue::from_static(VERSION));
    response
}

pub async fn options() -> impl IntoResponse {
    let fields = [
        ("tus-version", VERSION.to_owned()),
        ("tus-extension", "creation,checksum,termination".into()),
        ("tus-checksum-algorithm", "sha1,sha256".into()),
        ("tus-max-size", MOST_BYTES.to_string()),
    ];
    (StatusCode::NO_CONTENT, fields)
}

pub async fn create(
    State(app): State<App>,
    Session(member): Session,
    headers: HeaderMap,
) -> Result<impl IntoResponse, Problem> {
    let bytes = number_in(&headers, &LENGTH)?;
    if bytes == 0 {
        let detail = "Upload-Length is 0: a photograph has bytes; copy it from the camera or phone again";
        return Err(Problem::of(StatusCode::BAD_REQUEST, NOT_A_PHOTOGRAPH, detail));
    }
    if bytes > MOST_BYTES {
        let detail = format!("a photograph may have at most {MOST_BYTES} bytes: send it as the camera wrote it");
        return Err(Problem::of(StatusCode::PAYLOAD_TOO_LARGE, NOT_A_PHOTOGRAPH, detail));
    }
    let sha256 = sha256_in(&headers)?;
    let id = random().map_err(Problem::machine)?;
    let upload = Upload { id, sha256, bytes, device: member.device, begun_ms: now_ms(), done: false };
    blocking(&app, move |service| begin(service, &upload)).await?;
    let location = format!("/v1/uploads/{}", hex::encode(id));
    Ok((StatusCode::CREATED, [(header::LOCATION, location), (OFFSET, "0".into())]))
}

pub async fn offset(
    State(app): State<App>,
    Session(member): Session,
    Path(id): Path<String>,
) -> Result<impl IntoResponse, Problem> {
    blocking(&app, move |service| {
        let upload = upload_of(service, &member, &id)?;
        let arrived = arrived(service, &upload)?;
        // It was whole when the base was stopped, before it could be taken in.
        if arrived == upload.bytes && !upload.done {
            take_in(service, &upload)?;
        }
        Ok((StatusCode::OK, [(OFFSET, arrived.to_string()), (LENGTH, upload.bytes.to_string())]))
    })
    .await
}

pub async fn append(
    State(app): State<App>,
    Session(member): Session,
    Path(id): Path<String>,
    headers: HeaderMap,
    body: Body,
) -> Result<impl IntoResponse, Problem> {
    const MEDIA_TYPE: &str = "application/offset+octet-stream";
    if !bodies::is(&headers, MEDIA_TYPE) {
        return Err(Problem::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, format!("send it as Content-Type: {MEDIA_TYPE}")));
    }
    let offset = number_in(&headers, &OFFSET)?;
    let checksum = headers.get(CHECKSUM).map(Checksum::read).transpose()?;
    let upload = blocking(&app, move |service| {
        let upload = upload_of(service, &member, &id)?;
        ensure_offset(arrived(service, &upload)?, offset)?;
        Ok(upload)
    })
    .await?;
    let room = usize::try_from(upload.bytes - offset).unwrap_or(usize::MAX);
    let received = bodies::receive(&headers, body, PIECE_BYTES.min(room)).await?;
    let promised = checksum.is_some()
        || [digests::REPR_DIGEST, digests::CONTENT_DIGEST].iter().any(|name| headers.contains_key(name));
    if received.cut && promised {
        return Err(Problem::bad_request("the piece broke off: nothing of it was kept, send it again"));
    }
    digests::check(&headers, &received.bytes)?;
    if let Some(checksum) = checksum {
        checksum.check(&received.bytes)?;
    }
    blocking(&app, move |service| {
        let arrived = append_at(service, &upload, offset, received.bytes)?;
        if arrived == upload.bytes && !upload.done {
            take_in(service, &upload)?;
        }
        Ok((StatusCode::NO_CONTENT, [(OFFSET, arrived.to_string())]))
    })
    .await
}

pub async fn end(
    State(app): State<App>,
    Session(member): Session,
    Path(id): Path<String>,
) -> Result<StatusCode, Problem> {
    blocking(&app, move |service| {
        let upload = upload_of(service, &member, &id)?;
        drop_upload(service, &upload.id)?;
        Ok(StatusCode::NO_CONTENT)
    })
    .await
}

/// Forgets uploads that nobody finished, and what a base that was killed left of others.
pub fn drop_old(service: &Service, now_ms: i64) -> Result<(), ServiceError> {
    let before_ms = now_ms - KEPT_MS;
    for id in service.base.state.forget_before(before_ms)? {
        service.kept.forget(&id)?;
    }
    service.kept.erase_withdrawn()?;
    service.kept.forget_strays(&*service.base.state, before_ms)
}

/// Only what entries here speak of is taken: whoever may write entries decides what is stored, nobody else.
fn begin(service: &Service, upload: &Upload) -> Result<(), Problem> {
    let name = hex::encode(upload.sha256);
    if !service.base.records.wants(&name)? {
        return Err(match service.kept.find(&upload.sha256)? {
            Some(_) => Problem::of(
                StatusCode::CONFLICT,
                "urn:rakelight:photograph_known",
                "the photograph is here already: nothing is left to do for it",
            ),
            None => Problem::of(
                StatusCode::FORBIDDEN,
                "urn:rakelight:photograph_unwanted",
                "no entry here speaks of this photograph: hand over the entries first",
            ),
        });
    }
    service.kept.begin(&upload.id)?;
    match service.base.state.begin(upload, MOST_UNFINISHED) {
        Ok(Begun::InPlaceOf(before)) => Ok(before.map_or(Ok(()), |before| service.kept.forget(&before))?),
        other => {
            service.kept.forget(&upload.id)?;
            other?;
            let detail =
                format!("{MOST_UNFINISHED} uploads of this device are unfinished: finish or delete some first");
            Err(Problem::of(StatusCode::CONFLICT, "urn:rakelight:uploads_unfinished", detail))
        }
    }
}

/// A device's own upload; others' aren't there for it.
fn upload_of(service: &Service, member: &Member, id: &str) -> Result<Upload, Problem> {
    let upload = upload_id(id).map(|id| service.base.state.upload(&id)).transpose()?.flatten();
    upload.filter(|upload| upload.device == member.device).ok_or_else(no_upload)
}

pub fn upload_id(text: &str) -> Option<UploadId> {
    hex::decode(text).ok()?.try_into().ok()
}

fn no_upload() -> Problem {
    Problem::not_found("no such upload is here, or it was dropped: begin it anew with POST /v1/uploads")
}

/// How many bytes have arrived. Where nothing is there any more, another request has just taken it in or dropped it.
fn arrived(service: &Service, upload: &Upload) -> Result<u64, Problem> {
    if upload.done {
        return Ok(upload.bytes);
    }
    match service.kept.arrived(upload)? {
        Some(arrived) => Ok(arrived),
        None => {
            let now = service.base.state.upload(&upload.id)?.filter(|now| now.done);
            now.map(|now| now.bytes).ok_or_else(no_upload)
        }
    }
}

fn ensure_offset(arrived: u64, offset: u64) -> Result<(), Problem> {
    if arrived == offset {
        return Ok(());
    }
    let detail = format!("{arrived} bytes have arrived, not {offset}: go on from there");
    Err(Problem::new(StatusCode::CONFLICT, detail).with(OFFSET, arrived.into()))
}

/// Appends where still `offset` bytes have arrived, and returns how many those are then.
fn append_at(service: &Service, upload: &Upload, offset: u64, bytes: Vec<u8>) -> Result<u64, Problem> {
    if upload.done {
        return Ok(upload.bytes);
    }
    if let Some(arrived) = service.kept.append(upload, offset, bytes)? {
        return Ok(arrived);
    }
    ensure_offset(arrived(service, upload)?, offset)?;
    drop_upload(service, &upload.id)?;
    Err(Problem::not_found("the upload came in too many pieces and was dropped: begin it anew with larger ones"))
}

/// From a whole upload to a photograph in the store; an upload that is none is dropped.
fn take_in(service: &Service, upload: &Upload) -> Result<(), Problem> {
    // One request does it; another that comes meanwhile finds it done.
    let Some(whole) = service.kept.whole(upload)? else { return Ok(()) };
    if service.base.state.upload(&upload.id)?.is_none_or(|now| now.done) {
        return Ok(());
    }
    let file = whole.path();
    let refusal = if digests::sha256_of_file(file)? != upload.sha256 {
        let detail = "what arrived doesn't have the SHA-256 that was said: it was dropped, send the photograph again";
        Some(Problem::of(checksum_mismatch(), "urn:rakelight:digest_mismatch", detail))
    } else {
        picture::refusal(file)?.map(|reason| Problem::of(StatusCode::UNPROCESSABLE_ENTITY, NOT_A_PHOTOGRAPH, reason))
    };
    if let Some(problem) = refusal {
        drop_upload(service, &upload.id)?;
        return Err(problem);
    }
    service.kept.keep(upload, file)?;
    service.base.state.done(&upload.id)?;
    service.counts.photographs_taken.fetch_add(1, Ordering::Relaxed);
    service.counts.photograph_bytes_taken.fetch_add(upload.bytes, Ordering::Relaxed);
    Ok(service.kept.forget(&upload.id)?)
}

fn drop_upload(service: &Service, id: &UploadId) -> Result<(), Problem> {
    service.base.state.forget(id)?;
    Ok(service.kept.forget(id)?)
}

fn number_in(headers: &HeaderMap, name: &HeaderName) -> Result<u64, Problem> {
    let text = headers.get(name).and_then(|value| value.to_str().ok()).unwrap_or_default();
    let number = text.parse().ok().filter(|_| text.bytes().all(|byte| byte.is_ascii_digit()));
    number.ok_or_else(|| Problem::bad_request(format!("send {name}, a whole number of bytes")))
}

/// The photograph's digest out of `Upload-Metadata: sha256 <its 64 hexadecimal digits in Base64>`.
fn sha256_in(headers: &HeaderMap) -> Result<Id, Problem> {
    let metadata = headers.get(METADATA).and_then(|value| value.to_str().ok()).unwrap_or_default();
    let value = metadata.split(',').find_map(|pair| pair.trim().strip_prefix("sha256 "));
    let digits = value.and_then(|value| String::from_utf8(BASE64.decode(value.trim()).ok()?).ok());
    digits.and_then(|digits| id_of(&digits)).ok_or_else(|| {
        Problem::bad_request(
            "send Upload-Metadata: sha256 and the photograph's SHA-256, 64 hexadecimal digits in Base64",
        )
    })
}

/// What a piece is said to be.
struct Checksum {
    algorithm: &'static digest::Algorithm,
    digest: Vec<u8>,
}

impl Checksum {
    fn read(value: &HeaderValue) -> Result<Self, Problem> {
        let malformed = || {
            Problem::bad_request("Upload-Checksum is an algorithm, sha1 or sha256, a blank, and the digest in Base64")
        };
        let (name, digest) = value.to_str().ok().and_then(|value| value.split_once(' ')).ok_or_else(malformed)?;
        let algorithm = match name {
            "sha1" => &SHA1_FOR_LEGACY_USE_ONLY,
            "sha256" => &SHA256,
            _ => return Err(malformed()),
        };
        Ok(Self { algorithm, digest: BASE64.decode(digest.trim()).map_err(|_| malformed())? })
    }

    fn check(&self, bytes: &[u8]) -> Result<(), Problem> {
        if digest::digest(self.algorithm, bytes).as_ref() == self.digest {
            return Ok(());
        }
        let detail = "the piece isn't what its Upload-Checksum says: nothing of it was kept, send it again";
        Err(Problem::new(checksum_mismatch(), detail))
    }
}
