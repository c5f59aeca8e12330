//! The exchange over TLS on the loopback: `cargo bench -p rakelight-base --bench exchange -- [ENTRIES] [LARGE]`. Needs `target/release/rakelight`.
//!
//! * A device hands so many entries (100,000) over to a base, beside the same bytes in one body to a plain axum service that reads them and forgets them (both
//!   over TLS with the same client), and beside the same bytes put into a plain table by rusqlite. Turn by turn, a new base each time.
//! * Then the base and a device have a large log (1,000,000 entries) in common, and ten entries are new.

use std::cell::Cell;
use std::error::Error;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::sync::Arc;
use std::time::{Duration, Instant};

use axum::Router;
use axum::body::Body;
use axum::routing::post;
use http_body_util::BodyExt;
use hyper::server::conn::http1;
use hyper_util::rt::TokioIo;
use hyper_util::service::TowerToHyperService;
use rakelight_checks::bench_folder;
use rakelight_checks::service::{Kept, Service};
use rakelight_core::exchange::{
    HttpPeer, Invitation, Meant, Photographs, Request, Response, Transport, TransportError, exchange,
};
use rakelight_core::store::{Admission, Draft, Heads, Store, kind};
use rusqlite::{Connection, params};
use serde_json::json;
use tokio_rustls::TlsAcceptor;
use transport::PinnedTransport;

#[path = "../../base/src/transport.rs"]
mod transport;

type Outcome<T = ()> = Result<T, Box<dyn Error>>;

const ROUNDS: usize = 5;
const BATCH: usize = 100;

fn main() -> Outcome {
    let numbers: Vec<usize> = std::env::args().filter_map(|word| word.parse().ok()).collect();
    throughput(numbers.first().copied().unwrap_or(100_000))?;
    few_among_many(numbers.get(1).copied().unwrap_or(1_000_000))
}

fn throughput(entries: usize) -> Outcome {
    let dir = folder("device")?;
    let mut device = Store::open_or_create(&dir.join("store"))?;
    record(&mut device, entries)?;
    let body = device.lacking(&Heads::default(), usize::MAX)?;
    println!("{entries} entries, {:.1} MB as they travel", body.len() as f64 / 1e6);
    let (mut beside_plain, mut beside_kept) = (Vec::new(), Vec::new());
    for round in 1..=ROUNDS {
        let plain = plain_body(&body)?;
        let table = plain_table(&body, entries)?;
        let ours = hand_over(&dir, round)?;
        beside_plain.push(plain.as_secs_f64() / ours.as_secs_f64());
        beside_kept.push((plain + table).as_secs_f64() / ours.as_secs_f64());
        println!(
            "  round {round}: exchanged in {ours:.2?}; one plain body {plain:.2?}; the same bytes into a plain table {table:.2?}"
        );
    }
    let middle = |values: &mut Vec<f64>| {
        values.sort_by(f64::total_cmp);
        values[values.len() / 2]
    };
    println!(
        "  throughput: {:.2} of a plain body that is forgotten (asked: 0.5), {:.2} of a plain body that is kept in a plain table",
        middle(&mut beside_plain),
        middle(&mut beside_kept)
    );
    Ok(())
}

fn few_among_many(entries: usize) -> Outcome {
    let dir = folder("many")?;
    let (ours, theirs) = (dir.join("store"), dir.join("base"));
    let mut device = Store::open_or_create(&ours)?;
    record(&mut device, entries)?;
    {
        let mut base = Store::open_or_create(&theirs)?;
        let mut heads = Heads::default();
        loop {
            let sequence = device.lacking(&heads, 4 << 20)?;
            if sequence.is_empty() {
                break;
            }
            heads.learn(&base.accept(&sequence, &|_| Admission::Welcome)?);
        }
    }
    let (_service, invitation) = base_in(theirs)?;
    let pinned = PinnedTransport::new(&invitation.address, invitation.certificate)?;
    let leaving = dir.join("leaving");
    let mut meant = Meant::from(invitation);
    drop(HttpPeer::open(&pinned, &meant, device.prover()?, &leaving)?);
    meant.code = None;
    println!("ten new entries, {entries} in common");
    for round in 1..=ROUNDS {
        let ten: Vec<Draft> = (0..10).map(|i| draft(usize::MAX - round, i)).collect();
        device.append(&ten, now()?)?;
        let counting = Counting { transport: &pinned, bytes: Cell::new(0), requests: Cell::new(0) };
        let begun = Instant::now();
        let mut peer = HttpPeer::open(&counting, &meant, device.prover()?, &leaving)?;
        let done = exchange(&mut device, &mut peer, Photographs::OutOnly, &|_| Admission::Welcome, &mut |_| {
            ControlFlow::Continue(())
        })?;
        println!(
            "  round {round}: {} went in {:.1?} (asked 50 ms), {} requests, {} bytes of heads and bodies (asked: under 100 kB)",
            done.entries_out,
            begun.elapsed(),
            counting.requests.get(),
            counting.bytes.get()
        );
    }
    Ok(())
}

/// Ours: join, and hand everything over.
fn hand_over(dir: &Path, round: usize) -> Outcome<Duration> {
    let (_service, invitation) = base_in(folder(&format!("base-{round}"))?)?;
    let mut device = Store::open(&dir.join("store"))?;
    let transport = PinnedTransport::new(&invitation.address, invitation.certificate)?;
    let mut peer = HttpPeer::open(&transport, &invitation.into(), device.prover()?, &dir.join("leaving"))?;
    let begun = Instant::now();
    let welcome = |_: &str| Admission::Welcome;
    exchange(&mut device, &mut peer, Photographs::OutOnly, &welcome, &mut |_| ControlFlow::Continue(()))?;
    Ok(begun.elapsed())
}

/// The same bytes to a service that reads them and says so.
fn plain_body(body: &[u8]) -> Outcome<Duration> {
    let rcgen::CertifiedKey { cert, signing_key } = rcgen::generate_simple_self_signed(vec!["plain".into()])?;
    let fingerprint = ring::digest::digest(&ring::digest::SHA256, cert.der()).as_ref().try_into()?;
    let key = rustls::pki_types::PrivateKeyDer::try_from(signing_key.serialize_der())?;
    let tls = rustls::ServerConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
        .with_safe_default_protocol_versions()?
        .with_no_client_auth()
        .with_single_cert(vec![cert.der().clone()], key)?;
    let listener = std::net::TcpListener::bind("127.0.0.1:0")?;
    listener.set_nonblocking(true)?;
    let address = format!("https://{}", listener.local_addr()?);
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build()?;
    runtime.spawn(async move {
        let listener = tokio::net::TcpListener::from_std(listener).ok()?;
        let router = Router::new().route(
            "/",
            post(async |body: Body| body.collect().await.map_or(0, |all| all.to_bytes().len()).to_string()),
        );
        while let Ok((stream, _)) = listener.accept().await {
            let stream = TlsAcceptor::from(Arc::new(tls.clone())).accept(stream).await.ok()?;
            let service = TowerToHyperService::new(router.clone().into_service::<hyper::body::Incoming>());
            http1::Builder::new().serve_connection(TokioIo::new(stream), service).await.ok()?;
        }
        Some(())
    });
    let transport = PinnedTransport::new(&address, fingerprint)?;
    let request = |body: &[u8]| Request { method: "POST", path: "/".into(), headers: vec![], body: body.to_vec() };
    transport.send(&request(b"the connection stands"))?;
    let whole = request(body);
    let begun = Instant::now();
    let answer = transport.send(&whole)?;
    let took = begun.elapsed();
    assert_eq!(answer.body, body.len().to_string().into_bytes());
    runtime.shutdown_background();
    Ok(took)
}

/// The same bytes as rows of a plain table, in transactions as large as a body of ours.
fn plain_table(body: &[u8], entries: usize) -> Outcome<Duration> {
    let mut connection = Connection::open(folder("plain")?.join("plain.sqlite"))?;
    connection.pragma_update(None, "journal_mode", "WAL")?;
    connection.pragma_update(None, "synchronous", "FULL")?;
    connection.execute_batch(
        "CREATE TABLE entries (device BLOB, number INTEGER, packet BLOB, UNIQUE (device, number)) STRICT",
    )?;
    let (device, size) = ([7_u8; 32], body.len() / entries);
    let rows: Vec<(usize, &[u8])> = body.chunks(size).enumerate().collect();
    let begun = Instant::now();
    for rows in rows.chunks((2 << 20) / size) {
        let transaction = connection.transaction()?;
        for (number, packet) in rows {
            transaction.prepare_cached("INSERT INTO entries VALUES (?1, ?2, ?3)")?.execute(params![
                device,
                *number as i64,
                packet
            ])?;
        }
        transaction.commit()?;
    }
    Ok(begun.elapsed())
}

/// Counts what goes either way, without what TLS adds.
struct Counting<'t> {
    transport: &'t PinnedTransport,
    bytes: Cell<usize>,
    requests: Cell<usize>,
}

impl Transport for Counting<'_> {
    fn send(&self, request: &Request) -> Result<Response, TransportError> {
        let response = self.transport.send(request)?;
        let size = |headers: &[(String, String)]| {
            headers.iter().map(|(name, value)| name.len() + value.len() + 4).sum::<usize>()
        };
        let heads = size(&request.headers) + size(&response.headers) + request.path.len() + 40;
        self.bytes.set(self.bytes.get() + heads + request.body.len() + response.body.len());
        self.requests.set(self.requests.get() + 1);
        Ok(response)
    }
}

/// A base of its own, and the invitation to it.
fn base_in(folder: PathBuf) -> Outcome<(Service, Invitation)> {
    let kept = Kept::Folder(folder);
    let service = Service::start(&kept, Stdio::null())?;
    let invitation = kept.invite("Ada", service.address())?.parse()?;
    Ok((service, invitation))
}

/// A folder on the disk that is empty now.
fn folder(name: &str) -> Outcome<PathBuf> {
    Ok(bench_folder(&format!("exchange/{name}"))?)
}

fn now() -> Outcome<chrono::DateTime<chrono::Utc>> {
    Ok("2026-10-03T07:41:10Z".parse()?)
}

fn record(store: &mut Store, entries: usize) -> Outcome {
    for ten in 0..entries / BATCH / 10 {
        let drafts: Vec<Draft> = (0..10).flat_map(|one| (0..BATCH).map(move |i| draft(ten * 10 + one, i))).collect();
        store.append(&drafts, now()?)?;
    }
    Ok(())
}

fn draft(visit: usize, i: usize) -> Draft {
    let payload = json!({"file": format!("IMG_{i}.JPG"), "width_mm": 60.1, "u_width_mm": 0.9, "length_with_heel_mm": 84.0, "u_length_with_heel_mm": 1.3, "toes_seen": 5});
    Draft {
        kind: kind::PRINT_MEASURED.into(),
        visit: format!("visit-{visit}"),
        subject: format!("s{i}"),
        author: "A. Walker".into(),
        payload,
    }
}
