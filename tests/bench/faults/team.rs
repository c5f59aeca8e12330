//! A team whose network is as bad as a network on a river bank.

use std::collections::BTreeSet;
use std::error::Error;
use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicBool, AtomicU16, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use rakelight_checks::bench_folder;
use rakelight_checks::chance::Chance;
use rakelight_checks::service::{Kept, Service, program};
use rakelight_core::store::{Heads, Store};

use crate::{Outcome, note, now, photograph};

/// How much there is of everything.
#[derive(Clone, Copy)]
pub struct Size {
    devices: usize,
    entries: usize,
    photographs: usize,
}

impl Size {
    /// A team's season.
    pub const WHOLE: Self = Self { devices: 20, entries: 2_000, photographs: 20 };
    /// To see whether it runs at all.
    pub const SMALL: Self = Self { devices: 6, entries: 500, photographs: 10 };
}

const RESTARTS: usize = 5;
/// So many processes stand side by side where a database lets them.
const PROCESSES: usize = 3;
/// No more than this, whatever happens.
const PATIENCE: Duration = Duration::from_secs(1_200);

/// With the base on the database at `postgres://…` and photographs in a bucket of the S3 service that the environment names, or in a folder.
pub fn run(seed: u64, size: Size, database: Option<&str>) -> Outcome {
    let dir = bench_folder("faults/team")?;
    let folder = dir.join("base");
    let kept = match database {
        Some(database) => Kept::Postgres { database: database.into(), photographs: "s3://otters/team".into() },
        None => Kept::Folder(folder.clone()),
    };
    let start = || {
        let log = std::fs::OpenOptions::new().create(true).append(true).open(dir.join("service.log"))?;
        Service::start(&kept, log.into())
    };
    let mut services =
        (0..database.map_or(1, |_| PROCESSES)).map(|_| start()).collect::<Result<Vec<Service>, Box<dyn Error>>>()?;
    let line = BadLine::open(seed, &services)?;
    let stick = dir.join("stick");
    std::fs::create_dir(&stick)?;
    let invite = |i: usize| kept.invite(&format!("device {i}"), &line.address);
    let invitations: Vec<String> = (0..size.devices).map(invite).collect::<Result<_, _>>()?;

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
                loop {
                    let next = queue.lock().map_err(|e| e.to_string())?.pop();
                    let Some((i, invitation)) = next else { return Ok(()) };
                    let by_stick = (i % 4 == 0).then_some(stick.as_path());
                    let at = dir.join(format!("device-{i}"));
                    device(&at, i, size, &invitation, &address, by_stick, begun, &mut chance, &tries)
                        .map_err(|e| e.to_string())?;
                    done.fetch_add(1, Ordering::Relaxed);
                }
            })
        })
        .collect();
    let (mut restarts, mut chance) = (0, Chance::new(seed ^ 0xDEAD));
    while !workers.iter().all(thread::JoinHandle::is_finished) {
        thread::sleep(Duration::from_millis(200));
        // Killed in the midst of it, five times, evenly over the devices.
        if restarts < RESTARTS && done.load(Ordering::Relaxed) >= (restarts + 1) * size.devices / (RESTARTS + 2) {
            let killed = chance.below(services.len() as u64) as usize;
            drop(services.remove(killed));
            services.insert(killed, start()?);
            line.to[killed].store(services[killed].port()?, Ordering::Relaxed);
            restarts += 1;
        }
    }
    for worker in workers {
        worker.join().map_err(|_| "a worker panicked")??;
    }
    // Now on a good line, until everyone has everything; one that comes new gets all of it from the base alone.
    line.good.store(true, Ordering::Relaxed);
    let newcomer = dir.join("newcomer");
    exchange(&newcomer, &kept.invite("newcomer", &line.address)?, &[])?;
    let devices: Vec<PathBuf> = (0..size.devices).map(|i| dir.join(format!("device-{i}"))).collect();
    for device in &devices {
        exchange(device, &line.address, &[])?;
    }
    let seconds = begun.elapsed().as_secs_f64();
    drop(services);

    let there = Store::open(&newcomer)?;
    let expected = state(&there)?;
    let mut others = devices;
    others.extend(database.is_none().then_some(folder));
    let mut equal = 1;
    for other in &others {
        equal += usize::from(state(&Store::open(other)?)? == expected);
    }
    println!(
        "team: base in {}, {} devices, {restarts} kills, {} connections cut of {}, {} exchanges tried, {seconds:.0} s: {equal} of {} stores equal, {} entries (of {}) and {} photographs (of {}) at the base, {} damaged, {} forks",
        if database.is_some() { format!("PostgreSQL, {PROCESSES} processes") } else { "a folder".into() },
        size.devices,
        line.cut.load(Ordering::Relaxed),
        line.opened.load(Ordering::Relaxed),
        tries.load(Ordering::Relaxed),
        others.len() + 1,
        there.entry_count()?,
        size.devices * (size.entries + size.photographs),
        there.photos()?.len(),
        size.devices * size.photographs,
        there.verify()?.damage.len(),
        there.forks()?.len()
    );
    Ok(())
}

/// What must be the same everywhere: the heads name every entry by its chain.
fn state(store: &Store) -> Result<(Heads, usize, BTreeSet<String>), Box<dyn Error>> {
    Ok((store.heads()?, store.entry_count()?, store.photos()?.into_iter().collect()))
}

/// One device's day: it records in ten pieces and exchanges after each, as often as it takes.
#[allow(clippy::too_many_arguments, reason = "a device's whole circumstances")]
fn device(
    dir: &Path,
    i: usize,
    size: Size,
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
        for batch in 0..size.entries / 10 / 50 {
            let from = piece * size.entries / 10 + batch * 50;
            let drafts: Vec<_> = (from..from + 50).map(|n| note(&format!("visit-{i}"), n)).collect();
            store.append(&drafts, now()?)?;
        }
        for n in 0..size.photographs / 10 {
            let number = (i * size.photographs + piece * size.photographs / 10 + n) as u64;
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

fn exchange(dir: &Path, with: &str, options: &[&str]) -> Outcome {
    let output = Command::new(program()).args(["exchange", with, "--store"]).arg(dir).args(options).output()?;
    if output.status.success() { Ok(()) } else { Err(String::from_utf8_lossy(&output.stderr).into_owned().into()) }
}

/// A line to the service that cuts every third connection after some kilobytes and delays the others. Each leads to one of the processes by chance, or
/// to the next one where none listens there.
struct BadLine {
    address: String,
    /// The ports.
    to: Arc<Vec<AtomicU16>>,
    good: Arc<AtomicBool>,
    opened: Arc<AtomicUsize>,
    cut: Arc<AtomicUsize>,
}

impl BadLine {
    fn open(seed: u64, services: &[Service]) -> Result<Self, Box<dyn Error>> {
        let listener = TcpListener::bind("127.0.0.1:0")?;
        let ports: Vec<AtomicU16> =
            services.iter().map(|service| Ok(service.port()?.into())).collect::<Result<_, Box<dyn Error>>>()?;
        let line = Self {
            address: format!("https://{}", listener.local_addr()?),
            to: Arc::new(ports),
            good: Arc::default(),
            opened: Arc::default(),
            cut: Arc::default(),
        };
        let (to, good, opened, cut) = (line.to.clone(), line.good.clone(), line.opened.clone(), line.cut.clone());
        thread::spawn(move || {
            let mut chance = Chance::new(seed ^ 0x11E);
            for client in listener.incoming().flatten() {
                opened.fetch_add(1, Ordering::Relaxed);
                let first = chance.below(to.len() as u64) as usize;
                let ports = (0..to.len()).map(|i| to[(first + i) % to.len()].load(Ordering::Relaxed));
                let mut servers = ports.filter_map(|port| TcpStream::connect(("127.0.0.1", port)).ok());
                let Some(server) = servers.next() else { continue };
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
