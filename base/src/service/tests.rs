//! The service as devices meet it: over TLS on a loopback port.

use std::net::Ipv4Addr;
use std::ops::ControlFlow;
use std::thread::JoinHandle;

use base64::Engine;
use base64::prelude::BASE64_STANDARD as BASE64;
use ed25519_dalek::{Signer, SigningKey};
use rakelight_core::exchange::wire::{Accepted, Challenge, NOT_A_PHOTOGRAPH, PROTOCOL, Role, Session, Wanted};
use rakelight_core::exchange::{Invitation, Meant, Photographs, Request, Response, Transport, exchange_with_base};
use rakelight_core::store::{Admission, Draft, Heads, Store, kind};
use serde_json::{Value, json};
use tokio::sync::oneshot;

use super::state::Invited;
use super::{Id, Service, Sqlite, State, codes, digests, now_ms, uploads};
use crate::transport::PinnedTransport;

/// A base that runs until it is dropped.
struct Base {
    dir: tempfile::TempDir,
    address: String,
    certificate: Id,
    stop: Option<oneshot::Sender<()>>,
    running: Option<JoinHandle<()>>,
}

impl Base {
    fn start() -> Self {
        Self::start_in(tempfile::tempdir().unwrap())
    }

    fn start_in(dir: tempfile::TempDir) -> Self {
        let service = Service::in_folder(dir.path(), 200, None).unwrap();
        let certificate = service.base.identity.fingerprint();
        let listener = std::net::TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).unwrap();
        listener.set_nonblocking(true).unwrap();
        let address = format!("https://{}", listener.local_addr().unwrap());
        let (stop, stopped) = oneshot::channel();
        let running = std::thread::spawn(move || {
            tokio::runtime::Runtime::new().unwrap().block_on(async {
                let listener = tokio::net::TcpListener::from_std(listener).unwrap();
                super::run(service, listener, async { _ = stopped.await }).await.unwrap();
            });
        });
        Self { dir, address, certificate, stop: Some(stop), running: Some(running) }
    }

    /// Stops it, and keeps its folder.
    fn stop(mut self) -> tempfile::TempDir {
        self.end();
        std::mem::replace(&mut self.dir, tempfile::tempdir().unwrap())
    }

    fn end(&mut self) {
        _ = self.stop.take().map(|stop| stop.send(()));
        _ = self.running.take().map(JoinHandle::join);
    }

    fn state(&self) -> Sqlite {
        Sqlite::open(self.dir.path()).unwrap()
    }

    fn store(&self) -> Store {
        Store::open(self.dir.path()).unwrap()
    }

    fn invite(&self, role: Role, hours: i64) -> String {
        let (code, now) = (codes::new().unwrap(), now_ms());
        let expires_ms = now + hours * 3_600_000;
        let invited = Invited { code_sha256: codes::sha256(&code), name: "A. Walker".into(), role, expires_ms };
        self.state().invite(&invited, now).unwrap();
        code
    }

    fn device(&self, seed: u8) -> Device<'_> {
        let transport = PinnedTransport::new(&self.address, self.certificate).unwrap();
        Device { base: self, transport, key: SigningKey::from_bytes(&[seed; 32]), token: String::new() }
    }

    /// A device that has joined.
    fn member(&self, seed: u8) -> Device<'_> {
        let mut device = self.device(seed);
        let joined = device.join(&self.invite(Role::FieldWorker, 1));
        device.token = json_of::<Session>(&joined).token;
        device
    }
}

impl Drop for Base {
    fn drop(&mut self) {
        self.end();
    }
}

/// A device as the network sees it: an Ed25519 key.
struct Device<'b> {
    base: &'b Base,
    transport: PinnedTransport,
    key: SigningKey,
    token: String,
}

impl Device<'_> {
    fn id(&self) -> Id {
        self.key.verifying_key().to_bytes()
    }

    fn send(&self, method: &'static str, path: &str, headers: &[(&str, &str)], body: &[u8]) -> Response {
        let mut headers: Vec<(String, String)> =
            headers.iter().map(|(name, value)| ((*name).into(), (*value).into())).collect();
        if !self.token.is_empty() && !headers.iter().any(|(name, _)| name == "authorization") {
            headers.push(("authorization".into(), format!("Bearer {}", self.token)));
        }
        self.transport.send_now(&Request { method, path: path.into(), headers, body: body.into() }).unwrap()
    }

    fn get(&self, path: &str) -> Response {
        self.send("GET", path, &[], b"")
    }

    fn post(&self, path: &str, body: &Value) -> Response {
        self.send("POST", path, &[("content-type", "application/json")], body.to_string().as_bytes())
    }

    /// A proof that this device, or another one, has its key, signed by this one.
    fn proof(&self, device: Id, certificate: Id) -> Value {
        let challenge = json_of::<Challenge>(&self.get("/v1/challenge")).challenge;
        let said = [b"rakelight session 1\0", &certificate[..], challenge.as_bytes()].concat();
        let signature = hex::encode(self.key.sign(&said).to_bytes());
        json!({ "protocol": PROTOCOL, "device": hex::encode(device), "challenge": challenge, "signature": signature })
    }

    fn own_proof(&self) -> Value {
        self.proof(self.id(), self.base.certificate)
    }

    fn join(&self, code: &str) -> Response {
        let mut join = self.own_proof();
        join["code"] = code.into();
        self.post("/v1/join", &join)
    }

    fn tus(&self, method: &'static str, path: &str, headers: &[(&str, &str)], body: &[u8]) -> Response {
        self.send(method, path, &[&[("tus-resumable", "1.0.0")], headers].concat(), body)
    }

    fn begin_upload(&self, sha256: &str, bytes: usize) -> Response {
        let metadata = format!("sha256 {}", BASE64.encode(sha256));
        let headers = [("upload-length", &*bytes.to_string()), ("upload-metadata", &metadata)];
        self.tus("POST", "/v1/uploads", &headers, b"")
    }

    fn patch(&self, path: &str, offset: usize, headers: &[(&str, &str)], body: &[u8]) -> Response {
        let offset = offset.to_string();
        let own = [("content-type", "application/offset+octet-stream"), ("upload-offset", &*offset)];
        self.tus("PATCH", path, &[&own[..], headers].concat(), body)
    }

    fn offset(&self, path: &str) -> String {
        header(&self.tus("HEAD", path, &[], b""), "upload-offset").to_owned()
    }
}

fn json_of<T: serde::de::DeserializeOwned>(response: &Response) -> T {
    assert_eq!(response.status, 200, "{}", String::from_utf8_lossy(&response.body));
    serde_json::from_slice(&response.body).unwrap()
}

fn header<'r>(response: &'r Response, name: &str) -> &'r str {
    response.headers.iter().find(|(found, _)| found == name).map_or("", |(_, value)| value)
}

/// A refusal is a problem that says what to do, with its digest.
#[track_caller]
fn problem(response: &Response, status: u16) -> Value {
    let problem: Value = serde_json::from_slice(&response.body).unwrap_or_default();
    assert_eq!(response.status, status, "{problem}");
    assert_eq!(header(response, "content-type"), "application/problem+json");
    assert_eq!(problem["status"], status);
    assert!(problem["title"].is_string() && problem["type"].is_string(), "{problem}");
    assert!(problem["detail"].as_str().is_some_and(|detail| detail.len() > 20), "{problem}");
    assert_eq!(header(response, "repr-digest"), digests::field(&digests::sha256(&response.body)).unwrap());
    problem
}

/// A small photograph of nothing, another one for each shade.
fn photograph(shade: u8) -> Vec<u8> {
    let mut bytes = std::io::Cursor::new(Vec::new());
    let picture = image::GrayImage::from_fn(320, 240, |x, y| image::Luma([shade ^ (x * 7 + y * 3) as u8]));
    picture.write_to(&mut bytes, image::ImageFormat::Jpeg).unwrap();
    bytes.into_inner()
}

fn sha256_of(bytes: &[u8]) -> String {
    hex::encode(digests::sha256(bytes))
}

/// Writes an entry that speaks of this photograph.
fn speak_of(store: &mut Store, sha256: &str) {
    let draft = Draft {
        kind: kind::PHOTOGRAPH_ATTACHED.into(),
        visit: "visit-1".into(),
        subject: sha256.into(),
        author: "A. Walker".into(),
        payload: json!({ "file": "a.jpg" }),
    };
    store.append(&[draft], "2026-10-03T07:41:10Z".parse().unwrap()).unwrap();
}

/// A photograph that the base wants.
fn wanted_photograph(base: &Base, shade: u8) -> (Vec<u8>, String) {
    let photo = photograph(shade);
    let sha256 = sha256_of(&photo);
    speak_of(&mut base.store(), &sha256);
    (photo, sha256)
}

#[test]
fn an_invitation_lets_one_device_in() {
    let base = Base::start();
    let code = base.invite(Role::Coordinator, 1);
    let first = base.device(1);
    let session: Session = json_of(&first.join(&code));
    assert_eq!((session.seconds, session.role), (900, Role::Coordinator));
    let coordinators = [hex::encode(first.id()), base.store().device().unwrap()];
    assert_eq!(session.trusted, coordinators, "by name: A. Walker, Base");
    // Its answer may have been lost on its way.
    json_of::<Session>(&first.join(&code.to_lowercase()));
    assert_eq!(problem(&base.device(2).join(&code), 403)["type"], "urn:rakelight:code_used");
    let late = base.invite(Role::Checker, -1);
    assert_eq!(problem(&base.device(2).join(&late), 403)["type"], "urn:rakelight:code_expired");
    let members = base.state().members().unwrap();
    let others: Vec<_> = members.iter().filter(|member| member.name != "Base").map(|member| member.device).collect();
    assert_eq!((members.len(), others), (2, vec![first.id()]), "the base itself and the one");
    json_of::<Session>(&first.post("/v1/session", &first.own_proof()));
}

#[test]
fn ten_thousand_wrong_codes_find_nothing() {
    let base = Base::start();
    let code = base.invite(Role::FieldWorker, 1);
    let device = base.device(1);
    let mut join = device.own_proof();
    let mut looked_at = 0;
    for number in 0..10_000 {
        join["code"] = format!("WRNG-{number}").into();
        let answer = device.post("/v1/join", &join);
        match answer.status {
            403 => looked_at += 1,
            _ => assert!(header(&answer, "retry-after").parse::<u64>().is_ok_and(|seconds| seconds > 0)),
        }
    }
    assert!((10..=12).contains(&looked_at), "{looked_at} codes were looked at");
    join["code"] = code.into();
    problem(&device.post("/v1/join", &join), 429);
    assert_eq!(base.state().members().unwrap().len(), 1, "the base itself");
}

#[test]
fn only_the_devices_own_signature_over_this_base_and_this_challenge_begins_a_session() {
    let base = Base::start();
    let (member, other) = (base.member(1), base.device(2));
    let session = |proof: &Value| other.post("/v1/session", proof);
    let well = member.own_proof();
    json_of::<Session>(&session(&well));
    problem(&session(&other.proof(member.id(), base.certificate)), 401);
    problem(&session(&member.proof(member.id(), [7; 32])), 401);
    assert_eq!(problem(&session(&other.own_proof()), 403)["type"], "urn:rakelight:unknown_device");
    let mut changed = well.clone();
    changed["challenge"] = "AAAA".into();
    problem(&session(&changed), 401);
    let mut newer = well.clone();
    newer["protocol"] = 2.into();
    assert_eq!(problem(&session(&newer), 422)["type"], "urn:rakelight:protocol");
    let mut more = well;
    more["more"] = true.into();
    problem(&session(&more), 422);
}

#[test]
fn a_session_ends_and_nobody_gets_on_without_one() {
    let base = Base::start();
    let mut member = base.member(1);
    assert_eq!(member.get("/v1/heads").status, 200);
    let seals = super::seals::Seals::new(&base.state().setting("secret", b"").unwrap());
    member.token = seals.session(&member.id(), now_ms() - 900_001);
    for path in ["/v1/heads", "/v1/photographs/wanted", &format!("/v1/photographs/{}", "0".repeat(64))] {
        let refused = member.get(path);
        problem(&refused, 401);
        assert_eq!(header(&refused, "www-authenticate"), "Bearer");
    }
    let stranger = base.device(2);
    problem(&stranger.get("/v1/heads"), 401);
    problem(&stranger.send("GET", "/v1/heads", &[("authorization", "Basic YTpi")], b""), 401);
    problem(&stranger.post("/v1/entries/lacking", &json!({ "logs": {} })), 401);
    assert_eq!(stranger.begin_upload(&"0".repeat(64), 3).status, 401);
}

#[test]
fn a_barred_device_gets_nothing_until_it_is_let_in_again() {
    let base = Base::start();
    let member = base.member(1);
    assert!(base.state().set_barred(&member.id(), true).unwrap());
    assert_eq!(problem(&member.get("/v1/heads"), 403)["type"], "urn:rakelight:barred_device");
    problem(&member.post("/v1/session", &member.own_proof()), 403);
    problem(&member.join(&base.invite(Role::Coordinator, 1)), 403);
    assert!(base.state().set_barred(&member.id(), false).unwrap());
    assert_eq!(member.get("/v1/heads").status, 200);
}

#[test]
fn entries_go_both_ways_and_strangers_entries_stay_out() {
    let base = Base::start();
    let folder = tempfile::tempdir().unwrap();
    // The device's store has the key that the device shows.
    std::fs::write(folder.path().join("device.key"), hex::encode([1; 32])).unwrap();
    let mut own = Store::open_or_create(folder.path()).unwrap();
    let (photo, sha256) = wanted_photograph(&base, 1);
    speak_of(&mut own, &sha256_of(&photograph(2)));
    let member = base.member(1);

    let theirs: Heads = json_of(&member.get("/v1/heads"));
    let entries = own.lacking(&theirs, 1 << 20).unwrap();
    let hand_over =
        |entries: &[u8]| member.send("POST", "/v1/entries", &[("content-type", "application/cbor-seq")], entries);
    let accepted: Accepted = json_of(&hand_over(&entries));
    assert_eq!((accepted.taken, accepted.refused.len()), (1, 0));
    assert_eq!(json_of::<Accepted>(&hand_over(&entries)).known, 1);
    let wanted: Wanted = json_of(&member.get("/v1/photographs/wanted"));
    assert_eq!(wanted.sha256.len(), 2);
    assert!(wanted.sha256.contains(&sha256) && !photo.is_empty());

    let lacking = member.post("/v1/entries/lacking", &json!(own.heads().unwrap()));
    assert_eq!((lacking.status, header(&lacking, "content-type")), (200, "application/cbor-seq"));
    let welcome = |_: &str| Admission::Welcome;
    assert_eq!(own.accept(&lacking.body, &welcome).unwrap().taken, 1);
    assert_eq!(own.heads().unwrap().logs, base.store().heads().unwrap().logs);
    let nothing = member.post("/v1/entries/lacking", &json!(own.heads().unwrap()));
    assert_eq!((nothing.status, nothing.body.len()), (204, 0));
    problem(&member.post("/v1/entries/lacking", &json!({ "logs": { "ab": [] , "zz": 1 } })), 422);

    let stranger = tempfile::tempdir().unwrap();
    let mut stranger = Store::open_or_create(stranger.path()).unwrap();
    speak_of(&mut stranger, &sha256);
    let foreign = stranger.lacking(&Heads::default(), 1 << 20).unwrap();
    let refused: Accepted = json_of(&hand_over(&foreign));
    assert_eq!(json!(refused.refused[0].reason), "unknown_device");
    base.state().admit(&super::id_of(&stranger.device().unwrap()).unwrap(), "B", Role::FieldWorker, 0).unwrap();
    assert_eq!(json_of::<Accepted>(&hand_over(&foreign)).taken, 1);
    let exchanged = base.state().member(&member.id()).unwrap().unwrap().last_exchange_ms;
    assert!(exchanged.is_some_and(|exchanged| now_ms() - exchanged < 60_000));
}

#[test]
fn what_one_device_hands_over_the_next_one_gets() {
    let base = Base::start();
    let folder = tempfile::tempdir().unwrap();
    let photo = photograph(11);
    let file = folder.path().join("a.jpg");
    std::fs::write(&file, &photo).unwrap();
    let exchanged = |name: &str, prepare: &dyn Fn(&mut Store)| {
        let mut store = Store::open_or_create(&folder.path().join(name)).unwrap();
        prepare(&mut store);
        let transport = PinnedTransport::new(&base.address, base.certificate).unwrap();
        let code = base.invite(Role::FieldWorker, 1);
        let invitation = Invitation { address: base.address.clone(), certificate: base.certificate, code };
        let going = &mut |_| ControlFlow::Continue(());
        let welcome = |_: &str| Admission::Welcome;
        let (meant, both) = (invitation.into(), Photographs::Both);
        let exchanged = exchange_with_base(&mut store, &meant, &transport, both, &welcome, going).unwrap();
        assert!(exchanged.refused.is_empty() && exchanged.photographs_refused.is_empty(), "{exchanged:?}");
        assert!(store.verify().unwrap().damage.is_empty());
        exchanged
    };
    let first = exchanged("first", &|store| {
        let sha256 = store.add_photo(&file).unwrap().sha256;
        speak_of(store, &sha256);
    });
    assert_eq!((first.entries_out, first.photographs_out, first.entries_in), (1, 1, 0));
    let second = exchanged("second", &|_| {});
    assert_eq!((second.entries_in, second.photographs_in, second.entries_out), (1, 1, 0));
    assert!(base.store().verify().unwrap().damage.is_empty());
}

#[test]
fn what_is_no_photograph_is_told_once_and_does_not_go_up_at_every_exchange() {
    let base = Base::start();
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(&folder.path().join("store")).unwrap();
    let transport = PinnedTransport::new(&base.address, base.certificate).unwrap();
    for (name, bytes) in [("empty.jpg", &b""[..]), ("page.jpg", b"<html>"), ("photo.jpg", &photograph(12))] {
        let file = folder.path().join(name);
        std::fs::write(&file, bytes).unwrap();
        let sha256 = store.add_photo(&file).unwrap().sha256;
        speak_of(&mut store, &sha256);
    }
    let code = base.invite(Role::FieldWorker, 1);
    let mut meant: Meant = Invitation { address: base.address.clone(), certificate: base.certificate, code }.into();
    let mut exchanged = || {
        let (welcome, both) = (|_: &str| Admission::Welcome, Photographs::Both);
        let going = &mut |_| ControlFlow::Continue(());
        let done = exchange_with_base(&mut store, &meant, &transport, both, &welcome, going).unwrap();
        meant.code = None;
        (done.photographs_out, done.photographs_refused.into_iter().map(|(_, why)| why).collect::<Vec<_>>())
    };
    let (taken, told) = exchanged();
    assert_eq!((taken, told.len()), (1, 2));
    assert!(told.iter().all(|why| why.contains("stays in this store")), "{told:?}");
    assert_eq!(exchanged(), (0, vec![]));
    assert_eq!(store.photos().unwrap().len(), 3);
}

/// As tus 1.0.0 says it of `X-HTTP-Method-Override`.
#[test]
fn a_client_that_knows_only_get_and_post_hands_photographs_over() {
    let base = Base::start();
    let (photo, sha256) = wanted_photograph(&base, 13);
    let member = base.member(1);
    let begin = || header(&member.begin_upload(&sha256, photo.len()), "location").to_owned();
    let post = |path: &str, method: &str, body: &[u8]| {
        let patch = [("content-type", "application/offset+octet-stream"), ("upload-offset", "0")];
        member.tus("POST", path, &[&patch[..], &[("x-http-method-override", method)]].concat(), body)
    };
    let dropped = begin();
    assert_eq!(post(&dropped, "DELETE", b"").status, 204);
    problem(&member.patch(&dropped, 0, &[], &photo), 404);
    let path = begin();
    for other in ["GET", "patch", "PUT", "no method"] {
        problem(&post(&path, other, &photo), 405);
    }
    let get = [("x-http-method-override", "DELETE")];
    assert_eq!(member.tus("HEAD", &path, &get, b"").status, 200);
    let patched = post(&path, "PATCH", &photo);
    assert_eq!((patched.status, header(&patched, "upload-offset")), (204, &*photo.len().to_string()));
    assert!(base.store().photo_path(&sha256).unwrap().is_some_and(|file| file.is_file()));
}

#[test]
fn a_photograph_arrives_in_pieces_and_a_restart_of_the_base_loses_none() {
    let base = Base::start();
    let (photo, sha256) = wanted_photograph(&base, 3);
    let cut = photo.len() * 7 / 10;
    let member = base.member(1);
    let begun = member.begin_upload(&sha256, photo.len());
    assert_eq!((begun.status, header(&begun, "tus-resumable")), (201, "1.0.0"));
    let path = header(&begun, "location").to_owned();
    let patched = member.patch(&path, 0, &[], &photo[..cut]);
    assert_eq!((patched.status, header(&patched, "upload-offset")), (204, &*cut.to_string()));

    let token = member.token.clone();
    let base = Base::start_in(base.stop());
    let mut member = base.device(1);
    // The session holds on: any process of the base knows it.
    member.token = token;
    assert_eq!(member.offset(&path), cut.to_string());
    for wrong in [0, cut - 1, cut + 1, photo.len()] {
        let refused = member.patch(&path, wrong, &[], b"x");
        problem(&refused, 409);
        assert_eq!(header(&refused, "upload-offset"), cut.to_string());
    }
    assert_eq!(member.patch(&path, cut, &[], &photo[cut..]).status, 204);
    assert_eq!(member.offset(&path), photo.len().to_string());
    assert_eq!(member.get(&format!("/v1/photographs/{sha256}")).body, photo);
    assert!(base.store().verify().unwrap().damage.is_empty());
    assert_eq!(problem(&member.begin_upload(&sha256, photo.len()), 409)["type"], "urn:rakelight:photograph_known");
    assert_eq!(std::fs::read_dir(base.dir.path().join("service/uploads")).unwrap().count(), 0);
}

#[test]
fn a_piece_counts_only_if_it_is_what_its_checksum_says() {
    let base = Base::start();
    let (photo, sha256) = wanted_photograph(&base, 4);
    let member = base.member(1);
    let path = header(&member.begin_upload(&sha256, photo.len()), "location").to_owned();
    let sha1 = BASE64.encode(ring::digest::digest(&ring::digest::SHA1_FOR_LEGACY_USE_ONLY, &photo[..100]));
    let sha256 = BASE64.encode(digests::sha256(&photo[..100]));
    let with = |checksum: String, piece: &[u8]| member.patch(&path, 0, &[("upload-checksum", &checksum)], piece);
    problem(&with(format!("sha1 {sha1}"), &photo[1..101]), 460);
    problem(&with(format!("sha256 {sha256}"), &photo[1..101]), 460);
    problem(&with(format!("md5 {sha1}"), &photo[..100]), 400);
    problem(&with("sha1 ***".into(), &photo[..100]), 400);
    assert_eq!(member.offset(&path), "0");
    assert_eq!(with(format!("sha1 {sha1}"), &photo[..100]).status, 204);
    let digest = format!("sha-256=:{sha256}:");
    problem(&member.patch(&path, 100, &[("content-digest", &digest)], &photo[100..200]), 422);
    assert_eq!(member.offset(&path), "100");
}

#[test]
fn what_arrived_must_be_the_photograph_that_was_said() {
    let base = Base::start();
    let member = base.member(1);
    let upload = |sha256: &str, bytes: &[u8]| {
        let path = header(&member.begin_upload(sha256, bytes.len()), "location").to_owned();
        (member.patch(&path, 0, &[], bytes), path)
    };
    let (photo, sha256) = wanted_photograph(&base, 5);
    let (refused, path) = upload(&sha256, &vec![7; photo.len()]);
    assert_eq!(problem(&refused, 460)["type"], "urn:rakelight:digest_mismatch");
    assert_eq!(member.tus("HEAD", &path, &[], b"").status, 404);
    // A bomb states more pixels than any camera takes; ITU-T T.81, B.2.2.
    let mut bomb = photo.clone();
    let at = bomb.windows(2).position(|w| w == [0xFF, 0xC0]).unwrap();
    bomb[at + 5..at + 9].copy_from_slice(&[0xFF; 4]);
    for other in [bomb, b"GIF89a, or so it says".to_vec(), b"<script>".to_vec()] {
        speak_of(&mut base.store(), &sha256_of(&other));
        assert_eq!(problem(&upload(&sha256_of(&other), &other).0, 422)["type"], NOT_A_PHOTOGRAPH);
    }
    assert_eq!(upload(&sha256, &photo).0.status, 204);
    assert_eq!(std::fs::read_dir(base.dir.path().join("service/uploads")).unwrap().count(), 0);
}

#[test]
fn uploads_are_a_devices_own_and_only_of_what_is_wanted() {
    let base = Base::start();
    let (photo, sha256) = wanted_photograph(&base, 6);
    let (member, other) = (base.member(1), base.member(2));
    let unwanted = member.begin_upload(&sha256_of(b"unheard of"), 10);
    assert_eq!(problem(&unwanted, 403)["type"], "urn:rakelight:photograph_unwanted");
    problem(&member.begin_upload(&sha256, 0), 400);
    let too_large = problem(&member.begin_upload(&sha256, (200 << 20) + 1), 413);
    assert_eq!(too_large["type"], NOT_A_PHOTOGRAPH);
    problem(&member.begin_upload("../../device.key", 10), 400);
    let path = header(&member.begin_upload(&sha256, photo.len()), "location").to_owned();
    problem(&other.patch(&path, 0, &[], &photo), 404);
    problem(&member.patch(&path, 0, &[], &[&photo[..], b"more"].concat()), 413);
    problem(&member.tus("PATCH", &path, &[("upload-offset", "0")], &photo), 415);
    problem(&member.send("PATCH", &path, &[("tus-resumable", "0.2.2")], b""), 412);
    let untold = member.send("HEAD", &path, &[], b"");
    assert_eq!((untold.status, header(&untold, "tus-version")), (412, "1.0.0"));
    let options = base.device(3).send("OPTIONS", "/v1/uploads", &[], b"");
    assert_eq!((options.status, header(&options, "tus-extension")), (204, "creation,checksum,termination"));
    // The same photograph begun anew takes the first one's place.
    let again = header(&member.begin_upload(&sha256, photo.len()), "location").to_owned();
    problem(&member.patch(&path, 0, &[], &photo), 404);
    assert_eq!(member.tus("DELETE", &again, &[], b"").status, 204);
    problem(&member.patch(&again, 0, &[], &photo), 404);
    assert_eq!(std::fs::read_dir(base.dir.path().join("service/uploads")).unwrap().count(), 0);
}

#[test]
fn uploads_that_nobody_finishes_go_after_a_week() {
    let base = Base::start();
    let (photo, sha256) = wanted_photograph(&base, 7);
    let member = base.member(1);
    let path = header(&member.begin_upload(&sha256, photo.len()), "location").to_owned();
    member.patch(&path, 0, &[], &photo[..10]);
    let service = Service::in_folder(base.dir.path(), 200, None).unwrap();
    let days = |days: i64| now_ms() + days * 24 * 3_600_000;
    uploads::drop_old(&service, days(6)).unwrap();
    assert_eq!(member.offset(&path), "10");
    uploads::drop_old(&service, days(8)).unwrap();
    assert_eq!(member.tus("HEAD", &path, &[], b"").status, 404);
}

#[test]
fn a_photograph_is_given_whole_or_in_part() {
    let base = Base::start();
    let member = base.member(1);
    let photo = photograph(8);
    let file = base.dir.path().join("a.jpg");
    std::fs::write(&file, &photo).unwrap();
    let sha256 = base.store().add_photo(&file).unwrap().sha256;
    let path = format!("/v1/photographs/{sha256}");
    let whole = member.get(&path);
    assert_eq!((whole.status, &whole.body), (200, &photo));
    assert_eq!(header(&whole, "content-type"), "image/jpeg");
    assert_eq!(header(&whole, "etag"), format!("\"{sha256}\""));
    assert_eq!(header(&whole, "accept-ranges"), "bytes");
    assert_eq!(header(&whole, "repr-digest"), digests::field(&digests::sha256(&photo)).unwrap());
    let head = member.send("HEAD", &path, &[("range", "bytes=0-1")], b"");
    assert_eq!((head.status, header(&head, "content-length"), head.body.len()), (200, &*photo.len().to_string(), 0));

    let part = member.send("GET", &path, &[("range", "bytes=10-19")], b"");
    assert_eq!((part.status, &part.body[..]), (206, &photo[10..20]));
    assert_eq!(header(&part, "content-range"), format!("bytes 10-19/{}", photo.len()));
    assert_eq!(header(&part, "repr-digest"), header(&whole, "repr-digest"));
    let behind = member.send("GET", &path, &[("range", &format!("bytes={}-", photo.len()))], b"");
    problem(&behind, 416);
    assert_eq!(header(&behind, "content-range"), format!("bytes */{}", photo.len()));
    let other = [("range", "bytes=10-19"), ("if-range", "\"another\"")];
    assert_eq!(member.send("GET", &path, &other, b"").body, photo);
}

#[test]
fn nothing_of_a_request_gets_into_a_path() {
    let base = Base::start();
    let member = base.member(1);
    let digits = "0".repeat(64);
    for trick in [
        "..%2f..%2fdevice.key",
        "%2e%2e%2fservice.sqlite",
        "..%5c..%5cdevice.key",
        "%00",
        &digits[1..],
        &digits,
        "wanted%2f..",
    ] {
        problem(&member.get(&format!("/v1/photographs/{trick}")), 404);
        problem(&member.patch(&format!("/v1/uploads/{trick}"), 0, &[], b"x"), 404);
    }
    problem(&member.get("/v1/photographs/../../service.sqlite"), 404);
    problem(&member.get("/v1/photographs/%ff"), 400);
}

#[test]
fn what_cannot_be_taken_is_refused_with_what_to_do() {
    let base = Base::start();
    let member = base.member(1);
    problem(&member.get("/nowhere"), 404);
    let wrong = member.send("DELETE", "/v1/heads", &[], b"");
    problem(&wrong, 405);
    assert_eq!(header(&wrong, "allow"), "GET,HEAD");
    problem(&member.send("POST", "/v1/entries", &[("content-type", "text/plain")], b"x"), 415);
    problem(&member.send("POST", "/v1/session", &[], b"{}"), 415);
    problem(&member.send("POST", "/v1/session", &[("content-type", "application/json")], b"{"), 400);
    problem(&member.post("/v1/session", &json!({})), 422);
    problem(&member.post("/v1/join", &json!({ "code": "x".repeat(20 << 10) })), 413);
    let entries = |headers: &[(&str, &str)], body: &[u8]| {
        member.send("POST", "/v1/entries", &[&[("content-type", "application/cbor-seq")], headers].concat(), body)
    };
    problem(&entries(&[], &vec![0; 33 << 20]), 413);
    problem(&entries(&[("content-encoding", "gzip")], b"x"), 415);
    // RFC 9530, appendix B: the digest of other bytes.
    let foreign = "sha-256=:X48E9qOokqqrvdts8nOJRJN3OWDUoyWxBf7kbu9DBPE=:";
    assert_eq!(problem(&entries(&[("repr-digest", foreign)], b"x"), 422)["type"], "urn:rakelight:digest_mismatch");
    problem(&entries(&[("content-digest", "sha-256=X48E")], b"x"), 400);
    let own = digests::field(&digests::sha256(b"")).unwrap();
    assert_eq!(entries(&[("repr-digest", own.to_str().unwrap())], b"").status, 200);
}

#[test]
fn who_watches_the_base_sees_counts_and_nothing_of_the_records() {
    let base = Base::start();
    let member = base.member(1);
    let (photo, sha256) = wanted_photograph(&base, 9);
    let path = header(&member.begin_upload(&sha256, photo.len()), "location").to_owned();
    member.patch(&path, 0, &[], &photo);
    assert_eq!(json_of::<Value>(&base.device(2).get("/health")), json!({ "status": "ok" }));
    let page = String::from_utf8(base.device(2).get("/metrics").body).unwrap();
    assert!(page.contains("rakelight_photographs_taken_total 1\n"), "{page}");
    assert!(page.contains("{method=\"PATCH\",route=\"/v1/uploads/{id}\",status=\"204\"} 1\n"), "{page}");
    for private in [&sha256[..], &hex::encode(member.id()), "Walker", &path] {
        assert!(!page.contains(private), "{page}");
    }
    std::fs::rename(base.dir.path().join("store.sqlite"), base.dir.path().join("elsewhere")).unwrap();
    problem(&base.device(2).get("/health"), 503);
}

#[test]
fn another_base_is_not_spoken_to() {
    let base = Base::start();
    let stranger = PinnedTransport::new(&base.address, [7; 32]).unwrap();
    let request = Request { method: "GET", path: "/health".into(), headers: vec![], body: vec![] };
    let refused = stranger.send(&request).unwrap_err().to_string();
    assert!(refused.contains("another certificate"), "{refused}");
}

#[test]
fn a_panic_ends_one_request_and_is_told_as_a_problem() {
    use axum::{Extension, Router, middleware, routing::get};
    use http_body_util::{BodyExt, Empty};
    use hyper::service::Service as _;

    let dir = tempfile::tempdir().unwrap();
    let app = std::sync::Arc::new(Service::in_folder(dir.path(), 200, None).unwrap());
    #[allow(unreachable_code)]
    let router: Router = Router::new()
        .route("/", get(async || -> &str { panic!("as if") }))
        .layer(middleware::from_fn_with_state(app, super::around::around))
        .layer(Extension(std::net::IpAddr::from(Ipv4Addr::LOCALHOST)));
    tokio::runtime::Runtime::new().unwrap().block_on(async {
        let service = hyper_util::service::TowerToHyperService::new(router);
        let answer = service.call(hyper::Request::new(Empty::<hyper::body::Bytes>::new())).await.unwrap();
        assert_eq!(answer.status(), 500);
        let body = answer.into_body().collect().await.unwrap().to_bytes();
        assert_eq!(serde_json::from_slice::<Value>(&body).unwrap()["status"], 500);
    });
}
