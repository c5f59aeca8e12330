//! A team whose network is as bad as a network on a river bank.

use std::error::Error;
use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, AtomicU16, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use rakelight_checks::bench_folder;
use rakelight_checks::chance::Chance;
use rakelight_core::store::Store;
use serde_json::Value;

use crate::{Outcome, note, now, photograph};

const DEVICES: usize = 20;
const ENTRIES: usize = 2_000;
const PHOTOGRAPHS: usize = 20;
const RESTARTS: usize = 5;
/// No more than this, whatever happens.
const PATIENCE: Duration = Duration::from_secs(1_200);

pub fn run(seed: u64) -> Outcome {
    let dir = bench_folder("faults/team")?;
    let base = dir.join("base");
    let line = BadLine::open(seed)?;
    let mut service = Service::start(&base, &line, &dir)?;
    let stick = dir.join("stick");
    std::fs::create_dir(&stick)?;
    let invitations: Vec<String> = (0..DEVICES).map(|i| service.invite(&base, i, &line)).collect::<Result<_, _>>()?;

    let begun = Instant::now();
    let done = Arc::new(AtomicUsize::new(0));
    let tries = Arc::new(AtomicUsize::new(0));
    let queue = Arc::new(Mutex::new(invitations.into_iter().enumerate().collect::<Vec<_>>()));
    let workers: Vec<_> = (0..3)
        .map(|worker| {
            let (queue, done, tries) = (queue.clone(), done.clone(), tries.clone());
            let (dir, stick, address) = (dir.clone(), stick.clone(), line.address.clone());
            thread::spawn(move || -> Result<(), String> {
                let mut chance = Chance::new(seed + worker);
                while let Some((i, invitation)) = queue.lock().map_err(|e| e.to_string())?.pop() {
                    let by_stick = (i % 4 == 0).then_some(stick.as_path());
                    let at = dir.join(format!("device-{i}"));
                    device(&at, i, &invitation, &address, by_stick, begun, &mut chance, &tries)
                        .map_err(|e| e.to_string())?;
                    done.fetch_add(1, Ordering::Relaxed);
                }
                Ok(())
            })
        })
        .collect();
    let mut restarts = 0;
    while !workers.iter().all(thread::JoinHandle::is_finished) {
        thread::sleep(Duration::from_millis(200));
        // Killed in the midst of it, five times, evenly over the devices.
        if restarts < RESTARTS && done.load(Ordering::Relaxed) >= (restarts + 1) * DEVICES / (RESTARTS + 2) {
            service.kill()?;
            service = Service::start(&base, &line, &dir)?;
            restarts += 1;
        }
    }
    for worker in workers {
        worker.join().map_err(|_| "a worker panicked")??;
    }
    // Now on a good line, until everyone has everything.
    line.good.store(true, Ordering::Relaxed);
    for i in 0..DEVICES {
        exchange(&dir.join(format!("device-{i}")), &line.address, &[])?;
    }
    let seconds = begun.elapsed().as_secs_f64();
    service.kill()?;
    let stores = (0..DEVICES).map(|i| dir.join(format!("device-{i}"))).chain([base.clone()]);
    let (mut equal, mut damaged, mut expected) = (0, 0, None);
    for dir in stores {
        let store = Store::open(&dir)?;
        let state = (store.heads()?, store.entry_count()?);
        damaged += usize::from(dir == base) * store.verify()?.damage.len();
        equal += usize::from(*expected.get_or_insert_with(|| state.clone()) == state);
    }
    let base = Store::open(&base)?;
    println!(
        "team: {DEVICES} devices, {restarts} restarts, {} connections cut of {}, {} exchanges tried, {seconds:.0} s: {equal} of {} stores equal, {} entries (of {}), {} photographs (of {}), {damaged} damaged, {} forks",
        line.cut.load(Ordering::Relaxed),
        line.opened.load(Ordering::Relaxed),
        tries.load(Ordering::Relaxed),
        DEVICES + 1,
        base.entry_count()?,
        DEVICES * (ENTRIES + PHOTOGRAPHS),
        base.photos()?.len(),
        DEVICES * PHOTOGRAPHS,
        base.forks()?.len()
    );
    Ok(())
}

/// One device's day: it records in ten pieces and exchanges after each, as often as it takes.
#[allow(clippy::too_many_arguments, reason = "a device's whole circumstances")]
fn device(
    dir: &Path,
    i: usize,
    invitation: &str,
    address: &str,
    stick: Option<&Path>,
    begun: Instant,
    chance: &mut Chance,
    tries: &AtomicUsize,
) -> Outcome {
    let mut joined = false;
    for piece in 0..10 {
        let mut store = Store::open_or_create(dir)?;
        for batch in 0..ENTRIES / 10 / 50 {
            let from = piece * ENTRIES / 10 + batch * 50;
            let drafts: Vec<_> = (from..from + 50).map(|n| note(&format!("visit-{i}"), n)).collect();
            store.append(&drafts, now()?)?;
        }
        for n in 0..PHOTOGRAPHS / 10 {
            let number = (i * PHOTOGRAPHS + piece * PHOTOGRAPHS / 10 + n) as u64;
            photograph(&mut store, dir, &format!("visit-{i}"), number, 30_000)?;
        }
        drop(store);
        if let Some(stick) = stick.filter(|_| piece % 3 == 0) {
            exchange(dir, &stick.to_string_lossy(), &["--no-photographs-in"])?;
        }
        loop {
            tries.fetch_add(1, Ordering::Relaxed);
            let with = if joined { address } else { invitation };
            // A phone keeps its own pictures.
            if exchange(dir, with, &["--no-photographs-in"]).is_ok() {
                joined = true;
                break;
            }
            // The answer to its joining may have been cut off: then the invitation has been used by this very device, which may use it again.
            if begun.elapsed() > PATIENCE {
                return Err(format!("device {i} can't get through").into());
            }
            thread::sleep(Duration::from_millis(chance.below(300)));
        }
    }
    Ok(())
}

fn program() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/release/rakelight")
}

fn exchange(dir: &Path, with: &str, options: &[&str]) -> Outcome {
    let output = Command::new(program()).args(["exchange", with, "--store"]).arg(dir).args(options).output()?;
    if output.status.success() { Ok(()) } else { Err(String::from_utf8_lossy(&output.stderr).into_owned().into()) }
}

/// The service, as a process of its own.
struct Service(Child);

impl Service {
    fn start(base: &Path, line: &BadLine, dir: &Path) -> Result<Self, Box<dyn Error>> {
        let log = std::fs::OpenOptions::new().create(true).append(true).open(dir.join("service.log"))?;
        let mut child = Command::new(program())
            .args(["serve", "--listen", "127.0.0.1:0", "--json", "--store"])
            .arg(base)
            .stdout(Stdio::piped())
            .stderr(log)
            .spawn()?;
        let mut said = String::new();
        let mut out = child.stdout.take().ok_or("no output")?;
        let mut byte = [0];
        while !said.ends_with("}\n") && out.read(&mut byte)? > 0 {
            said.push(byte[0] as char);
        }
        let said: Value = serde_json::from_str(&said)?;
        let port = said["address"].as_str().and_then(|a| a.rsplit_once(':')?.1.parse().ok()).ok_or("no address")?;
        line.to.store(port, Ordering::Relaxed);
        Ok(Self(child))
    }

    fn invite(&self, base: &Path, i: usize, line: &BadLine) -> Result<String, Box<dyn Error>> {
        let output = Command::new(program())
            .args([
                "invite",
                "--json",
                "--role",
                "field_worker",
                "--name",
                &format!("device {i}"),
                "--address",
                &line.address,
                "--store",
            ])
            .arg(base)
            .output()?;
        let said: Value = serde_json::from_slice(&output.stdout)?;
        Ok(said["invitation"].as_str().ok_or("no invitation")?.to_owned())
    }

    fn kill(mut self) -> Outcome {
        self.0.kill()?;
        self.0.wait()?;
        Ok(())
    }
}

/// A line to the service that cuts every third connection after some kilobytes and delays the others.
struct BadLine {
    address: String,
    to: Arc<AtomicU16>,
    good: Arc<AtomicBool>,
    opened: Arc<AtomicUsize>,
    cut: Arc<AtomicUsize>,
}

impl BadLine {
    fn open(seed: u64) -> Result<Self, Box<dyn Error>> {
        let listener = TcpListener::bind("127.0.0.1:0")?;
        let line = Self {
            address: format!("https://{}", listener.local_addr()?),
            to: Arc::default(),
            good: Arc::default(),
            opened: Arc::default(),
            cut: Arc::default(),
        };
        let (to, good, opened, cut) = (line.to.clone(), line.good.clone(), line.opened.clone(), line.cut.clone());
        thread::spawn(move || {
            let mut chance = Chance::new(seed ^ 0x11E);
            for client in listener.incoming().flatten() {
                opened.fetch_add(1, Ordering::Relaxed);
                let Ok(server) = TcpStream::connect(("127.0.0.1", to.load(Ordering::Relaxed))) else { continue };
                let bad = !good.load(Ordering::Relaxed) && chance.below(3) == 0;
                // Cut anywhere from the handshake to the third photograph.
                let bytes = if bad { 1_000 + chance.below(120_000) } else { u64::MAX };
                let delay = if good.load(Ordering::Relaxed) { 0 } else { chance.below(4) };
                carry(&client, &server, bytes, delay, cut.clone());
                carry(&server, &client, bytes, delay, cut.clone());
            }
        });
        Ok(line)
    }
}

/// Carries bytes from one side to the other until it is cut.
fn carry(from: &TcpStream, to: &TcpStream, mut bytes: u64, delay_ms: u64, cut: Arc<AtomicUsize>) {
    let (Ok(mut from), Ok(mut to)) = (from.try_clone(), to.try_clone()) else { return };
    thread::spawn(move || {
        let mut buffer = [0; 8_192];
        while let Ok(n @ 1..) = from.read(&mut buffer) {
            let n_now = (n as u64).min(bytes) as usize;
            thread::sleep(Duration::from_millis(delay_ms));
            if to.write_all(&buffer[..n_now]).is_err() {
                break;
            }
            bytes -= n_now as u64;
            if n_now < n {
                cut.fetch_add(1, Ordering::Relaxed);
                break;
            }
        }
        _ = from.shutdown(Shutdown::Both);
        _ = to.shutdown(Shutdown::Both);
    });
}
