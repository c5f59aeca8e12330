//! The store: `cargo bench -p rakelight-checks --bench store -- [append] [read] [exchange] [ENTRIES]`; without a word all three. It works on
//! the disk under `target/`, not in memory. All records are made up.
//!
//! * append: so many entries in batches of 100, signed and digested, beside plain rusqlite inserting the same bytes into one table in the same transactions, turn by turn.
//! * read: opening a large store, its first page of visits, and the memory that takes.
//! * exchange: two stores in one program: everything, then ten new entries.

use std::error::Error;
use std::time::{Duration, Instant};

use chrono::{DateTime, Utc};
use rakelight_checks::bench_folder;
use rakelight_core::store::{Admission, Draft, Heads, Store, kind};
use rusqlite::{Connection, params};
use serde_json::json;

type Outcome = Result<(), Box<dyn Error>>;

const BATCH: usize = 100;
const PRAGMAS: &str =
    "PRAGMA foreign_keys = ON; PRAGMA temp_store = MEMORY; PRAGMA secure_delete = ON; PRAGMA synchronous = FULL;";

fn main() -> Outcome {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with("--")).collect();
    let entries = words.iter().find_map(|word| word.parse().ok());
    let asked = |what| words.iter().all(|word| word.parse::<u64>().is_ok()) || words.iter().any(|word| word == what);
    if asked("append") {
        append(entries.unwrap_or(100_000))?;
    }
    if asked("read") {
        read(entries.unwrap_or(1_000_000))?;
    }
    if asked("exchange") {
        exchange(entries.unwrap_or(100_000))?;
    }
    Ok(())
}

fn now() -> Result<DateTime<Utc>, chrono::ParseError> {
    "2026-10-03T07:41:10Z".parse()
}

/// What a visit is made of: a head, then signs, measures and pieces of track in turn.
fn draft(visit: usize, i: usize) -> Draft {
    let (kind, payload) = match i {
        0 => (
            kind::VISIT_OPENED,
            json!({"purpose": "otter survey", "place_name": format!("place {visit}"), "people": ["Ada"]}),
        ),
        i if i % 3 == 0 => (
            kind::SIGN_NOTED,
            json!({"id": format!("s{i}"), "sign": "dropping", "photos": [], "place": [51.5 + i as f64 * 1e-4, -2.6], "freshness": "fresh", "note": "on the flat stone below the alder"}),
        ),
        i if i % 3 == 1 => (
            kind::PRINT_MEASURED,
            json!({"file": format!("IMG_{i}.JPG"), "width_mm": 60.1, "u_width_mm": 0.9, "length_with_heel_mm": 84.0, "u_length_with_heel_mm": 1.3, "toes_seen": 5}),
        ),
        i => (
            kind::TRACK_PIECE,
            json!({"fixes": [["2026-10-03T07:41:10Z", 51.5, -2.6 + i as f64 * 1e-5], ["2026-10-03T07:41:40Z", 51.5001, -2.6]]}),
        ),
    };
    Draft {
        kind: kind.into(),
        visit: format!("visit-{visit:07}"),
        subject: if i == 0 { String::new() } else { format!("s{i}") },
        author: "A. Walker".into(),
        payload,
    }
}

fn batch(number: usize) -> Vec<Draft> {
    (0..BATCH).map(|i| draft(number, i)).collect()
}

fn append(entries: usize) -> Outcome {
    println!("append: {entries} entries in batches of {BATCH}");
    let mut ratios = Vec::new();
    for round in 1..=5 {
        let ours = append_ours(entries)?;
        let plain = append_plain(entries)?;
        ratios.push(ours.as_secs_f64() / plain.as_secs_f64());
        println!("  round {round}: ours {ours:.2?}, plain rusqlite {plain:.2?}, ratio {:.2}", ratios[ratios.len() - 1]);
    }
    ratios.sort_by(f64::total_cmp);
    println!("  ratio: median {:.2}, {:.2} to {:.2} (asked: at most 2)", ratios[2], ratios[0], ratios[4]);
    Ok(())
}

fn append_ours(entries: usize) -> Result<Duration, Box<dyn Error>> {
    let mut store = Store::open_or_create(&bench_folder("ours")?.join("store"))?;
    let batches: Vec<Vec<Draft>> = (0..entries / BATCH).map(batch).collect();
    let begun = Instant::now();
    for drafts in &batches {
        store.append(drafts, now()?)?;
    }
    Ok(begun.elapsed())
}

/// The same bytes: all columns of an entry, in a table whose key is device and number.
fn append_plain(entries: usize) -> Result<Duration, Box<dyn Error>> {
    let mut connection = Connection::open(bench_folder("plain")?.join("plain.sqlite"))?;
    connection.pragma_update(None, "journal_mode", "WAL")?;
    connection.execute_batch(PRAGMAS)?;
    connection.execute_batch(
        "CREATE TABLE entries (device BLOB, number INTEGER, wall_ms INTEGER, counter INTEGER, kind TEXT, visit TEXT, subject TEXT,
         author_digest BLOB, payload_digest BLOB, previous BLOB, digest BLOB, signature BLOB, salt BLOB, author TEXT, payload TEXT, UNIQUE (device, number)) STRICT",
    )?;
    let (id, salt, signature) = ([7_u8; 32], [8_u8; 16], [9_u8; 64]);
    let batches: Vec<Vec<(Draft, String)>> = (0..entries / BATCH)
        .map(|number| {
            batch(number)
                .into_iter()
                .map(|draft| {
                    let payload = draft.payload.to_string();
                    (draft, payload)
                })
                .collect()
        })
        .collect();
    let begun = Instant::now();
    for (number, drafts) in batches.iter().enumerate() {
        let transaction = connection.transaction()?;
        for (i, (draft, payload)) in drafts.iter().enumerate() {
            let sql = "INSERT INTO entries VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15)";
            let signed = (i + 1 == drafts.len()).then_some(signature);
            transaction.prepare_cached(sql)?.execute(params![
                id,
                (number * BATCH + i + 1) as i64,
                1_790_000_000_000_i64,
                i as i64,
                draft.kind,
                draft.visit,
                draft.subject,
                id,
                id,
                id,
                id,
                signed,
                salt,
                draft.author,
                payload
            ])?;
        }
        transaction.commit()?;
    }
    Ok(begun.elapsed())
}

fn read(entries: usize) -> Outcome {
    println!("read: a store of {entries} entries");
    let dir = bench_folder("read")?.join("store");
    {
        let mut store = Store::open_or_create(&dir)?;
        for number in 0..entries / BATCH / 10 {
            let drafts: Vec<Draft> = (0..10).flat_map(|i| batch(number * 10 + i)).collect();
            store.append(&drafts, now()?)?;
        }
    }
    let before = resident_kb()?;
    for round in 1..=5 {
        let begun = Instant::now();
        let store = Store::open(&dir)?;
        let opened = begun.elapsed();
        let begun = Instant::now();
        let page = store.latest_visits(50, None)?;
        let first = begun.elapsed();
        let begun = Instant::now();
        let next = store.latest_visits(50, page.last())?;
        println!(
            "  round {round}: opened in {opened:.2?} (asked 100 ms), first page of {} visits in {first:.2?} (asked 20 ms), next in {:.2?} ({} more)",
            page.len(),
            begun.elapsed(),
            next.len()
        );
    }
    println!(
        "  memory: {} kB more than before, {} kB in all (asked: under 100 MB)",
        resident_kb()?.saturating_sub(before),
        resident_kb()?
    );
    Ok(())
}

/// Peak memory of this process so far, as Linux counts it.
fn resident_kb() -> Result<u64, Box<dyn Error>> {
    let status = std::fs::read_to_string("/proc/self/status")?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:")).unwrap_or_default();
    Ok(line.split_whitespace().nth(1).unwrap_or_default().parse()?)
}

fn exchange(entries: usize) -> Outcome {
    println!("exchange: {entries} entries from one store to another in one program");
    let dir = bench_folder("exchange")?;
    let mut from = Store::open_or_create(&dir.join("from"))?;
    let mut to = Store::open_or_create(&dir.join("to"))?;
    for number in 0..entries / BATCH {
        from.append(&batch(number), now()?)?;
    }
    let (moved, bytes, seconds) = hand_over(&from, &mut to)?;
    println!("  all: {moved} entries, {bytes} bytes in {seconds:.2} s, {:.1} MB/s", bytes as f64 / seconds / 1e6);
    let few: Vec<Draft> = (0..10).map(|i| draft(usize::MAX, i)).collect();
    from.append(&few, now()?)?;
    let (moved, bytes, seconds) = hand_over(&from, &mut to)?;
    println!("  ten more: {moved} entries, {bytes} bytes in {:.1} ms", seconds * 1e3);
    Ok(())
}

fn hand_over(from: &Store, to: &mut Store) -> Result<(usize, usize, f64), Box<dyn Error>> {
    let begun = Instant::now();
    let mut heads: Heads = to.heads()?;
    let (mut moved, mut bytes) = (0, 0);
    loop {
        let sequence = from.lacking(&heads, 2 << 20)?;
        if sequence.is_empty() {
            return Ok((moved, bytes, begun.elapsed().as_secs_f64()));
        }
        bytes += sequence.len();
        let accepted = to.accept(&sequence, &|_| Admission::Welcome)?;
        moved += accepted.taken;
        heads.learn(&accepted);
    }
}
