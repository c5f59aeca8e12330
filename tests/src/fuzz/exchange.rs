//! What another store or a base says.

use std::cell::Cell;
use std::ops::ControlFlow;
use std::sync::{LazyLock, Mutex, PoisonError};

use rakelight_core::exchange::{
    Base, Invitation, Meant, Photographs, Request, Response, Transport, TransportError, exchange_with_base,
};
use rakelight_core::store::{Admission, Draft, Heads, Store, kind};
use serde_json::json;
use tempfile::TempDir;

use super::scratch;

/// A store to throw things at; what it takes stays in it.
pub struct Target {
    pub folder: TempDir,
    pub store: Store,
}

static TARGET: LazyLock<Mutex<Option<Target>>> = LazyLock::new(|| Mutex::new(target()));

pub fn target() -> Option<Target> {
    let folder = scratch()?;
    let mut store = Store::open_or_create(&folder.path().join("store")).ok()?;
    let photograph = folder.path().join("photograph");
    std::fs::write(&photograph, "a few bytes, as if of a photograph").ok()?;
    store.add_photo(&photograph).ok()?;
    for batch in 0..2 {
        let draft = |i| Draft {
            kind: if i == 0 { kind::PHOTOGRAPH_ATTACHED } else { kind::NOTE }.into(),
            visit: "visit".into(),
            subject: if i == 0 { "ab".repeat(32) } else { format!("s{i}") },
            author: "Ada".into(),
            payload: json!({"text": "by the weir", "batch": batch}),
        };
        store.append(&(0..3).map(draft).collect::<Vec<_>>(), "2026-10-03T07:41:10Z".parse().ok()?).ok()?;
    }
    Some(Target { folder, store })
}

pub fn with(work: impl FnOnce(&mut Target)) {
    TARGET.lock().unwrap_or_else(PoisonError::into_inner).as_mut().map(work);
}

pub fn entries(bytes: &[u8]) {
    with(|target| _ = target.store.accept(bytes, &|_| Admission::Welcome));
}

pub fn sequences() -> Vec<Vec<u8>> {
    let another = target().and_then(|target| target.store.lacking(&Heads::default(), usize::MAX).ok());
    let mut own = Vec::new();
    with(|target| own.extend(target.store.lacking(&Heads::default(), usize::MAX)));
    own.into_iter().chain(another).collect()
}

pub fn heads(bytes: &[u8]) {
    let Ok(heads) = serde_json::from_slice::<Heads>(bytes) else { return };
    with(|target| _ = target.store.lacking(&heads, 1_000));
}

pub fn some_heads() -> Vec<Vec<u8>> {
    let mut examples = vec![b"{\"logs\":{}}".to_vec()];
    with(|target| examples.extend(target.store.heads().ok().map(|heads| json!(heads).to_string().into_bytes())));
    examples
}

/// What a line of dashes parts.
pub fn parts(bytes: &[u8]) -> Vec<&[u8]> {
    const LINE: &[u8] = b"\n---\n";
    let mut parts = Vec::new();
    let mut rest = bytes;
    while let Some(at) = rest.windows(LINE.len()).position(|window| window == LINE) {
        parts.push(&rest[..at]);
        rest = &rest[at + LINE.len()..];
    }
    parts.push(rest);
    parts
}

/// The first line of a part, and what comes after it.
pub fn head_of(part: &[u8]) -> (String, &[u8]) {
    let (head, body) = part.split_at(part.iter().position(|b| *b == b'\n').map_or(part.len(), |at| at + 1));
    (String::from_utf8_lossy(head).trim_end().to_owned(), body)
}

/// A base that says anything: a line of status and headers, then the body; the answers come round and round.
struct AnyBase<'b> {
    answers: Vec<&'b [u8]>,
    next: Cell<usize>,
}

/// No exchange that anyone would wait for takes more requests.
const REQUESTS: usize = 60;

impl Transport for AnyBase<'_> {
    fn send(&self, _: &Request) -> Result<Response, TransportError> {
        let i = self.next.replace(self.next.get() + 1);
        if i >= REQUESTS || self.answers.is_empty() {
            return Err(TransportError::Unreachable("cut".into()));
        }
        let answer = self.answers[i % self.answers.len()];
        let (head, body) = head_of(answer);
        let mut words = head.split_whitespace();
        let status = words.next().and_then(|status| status.parse().ok()).unwrap_or(200);
        let headers =
            words.filter_map(|word| word.split_once('=')).map(|(name, value)| (name.to_owned(), value.to_owned()));
        Ok(Response { status, headers: headers.collect(), body: body.to_vec() })
    }
}

pub fn answers(bytes: &[u8]) {
    let base = AnyBase { answers: parts(bytes), next: Cell::new(0) };
    with(|target| {
        let known = Base { address: "https://127.0.0.1:1".into(), certificate: [7; 32] };
        let meant = Meant { base: known, code: None };
        let (welcome, both) = (|_: &str| Admission::Welcome, Photographs::Both);
        _ = exchange_with_base(&mut target.store, &meant, &base, both, &welcome, &mut |_| ControlFlow::Continue(()));
        // Nothing that is remembered of one base changes what the next one meets.
        _ = std::fs::remove_dir_all(target.store.dir().join("leaving"));
    });
}

pub fn some_answers() -> Vec<Vec<u8>> {
    let greeting = format!("200\n{{\"protocol\":1,\"base\":\"{}\",\"challenge\":\"c\"}}", "ab".repeat(32));
    let session = "200\n{\"token\":\"t\",\"seconds\":900,\"role\":\"checker\",\"trusted\":[]}";
    let heads = "200\n{\"logs\":{}}";
    let accepted = "200\n{\"taken\":6,\"known\":0,\"waiting\":0,\"refused\":[],\"reached\":{}}";
    let mut photographs = vec!["ab".repeat(32)];
    with(|target| photographs.extend(target.store.photos().unwrap_or_default()));
    let wanted = format!("200\n{}", json!({ "sha256": photographs }));
    let part = "206 content-range=bytes=0-3/4\nabcd";
    let problem = "403 content-type=application/problem+json\n{\"title\":\"barred\",\"status\":403}";
    let exchange = [
        greeting.as_str(),
        session,
        "204\n",
        heads,
        accepted,
        &wanted,
        "201 location=/v1/uploads/1\n",
        "204 upload-offset=4\n",
        part,
    ];
    vec![exchange.join("\n---\n").into_bytes(), [&greeting, problem].join("\n---\n").into_bytes()]
}

pub fn invitation(bytes: &[u8]) {
    if let Ok(invitation) = String::from_utf8_lossy(bytes).parse::<Invitation>() {
        assert_eq!(invitation.to_string().parse().as_ref(), Ok(&invitation));
    }
}

pub fn some_invitations() -> Vec<Vec<u8>> {
    let certificate = "ab".repeat(32);
    vec![
        format!("rakelight:join?address=https://192.168.1.4:8443&certificate={certificate}&code=7KQ2-9XYZ")
            .into_bytes(),
    ]
}
