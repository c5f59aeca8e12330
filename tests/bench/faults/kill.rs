//! Killed while it records.

use std::collections::BTreeSet;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use rakelight_checks::bench_folder;
use rakelight_checks::chance::Chance;
use rakelight_core::store::Store;

use crate::{Outcome, note, now, photograph};

const KILLS: usize = 500;
/// After so many a new store is begun: checking all of it after each kill takes longer the more there is.
const KILLS_A_STORE: usize = 25;

/// Plays the process that is killed: an entry, a photograph and its entry, and so on; says what is done.
pub fn record(dir: &Path) -> Outcome {
    let mut store = Store::open_or_create(dir)?;
    let begun = store.entry_count()? as u64;
    for i in begun.. {
        store.append(&[note("visit", i as usize)], now()?)?;
        println!("entry s{i}");
        let sha256 = photograph(&mut store, dir, "visit", i, 60_000)?;
        println!("photograph {sha256}");
        std::io::stdout().flush()?;
    }
    Ok(())
}

pub fn run(seed: u64) -> Outcome {
    let mut chance = Chance::new(seed);
    let (mut acknowledged, mut photographs, mut lost, mut half, mut left) = (0, 0, 0, 0, 0);
    for kills in 0..KILLS {
        if kills % KILLS_A_STORE == 0 {
            bench_folder("faults/kill")?;
        }
        let dir = folder_of_kill(kills)?;
        let mut child = Command::new(std::env::current_exe()?)
            .args(["record", dir.to_str().unwrap_or_default()])
            .stdout(Stdio::piped())
            .spawn()?;
        let said = child.stdout.take().ok_or("no output")?;
        std::thread::sleep(Duration::from_micros(chance.below(60_000)));
        child.kill()?;
        child.wait()?;
        // Whole lines only: what was said when it was killed may be cut.
        let mut lines = Vec::new();
        BufReader::new(said).lines().map_while(Result::ok).for_each(|line| lines.push(line));

        if !dir.join("store.sqlite").exists() {
            continue; // killed before there was a store
        }
        let store = Store::open(&dir)?;
        half += store.verify()?.damage.len();
        let entries = store.entries_of("visit")?;
        let subjects: BTreeSet<&str> = entries.iter().map(|entry| entry.subject.as_str()).collect();
        for line in &lines {
            let Some((what, name)) = line.split_once(' ') else { continue };
            let there = match what {
                "entry" => subjects.contains(name),
                "photograph" if name.len() == 64 => {
                    photographs += 1;
                    subjects.contains(name) && store.photo_path(name)?.is_some_and(|file| file.is_file())
                }
                _ => continue,
            };
            acknowledged += 1;
            lost += usize::from(!there);
        }
        left += std::fs::read_dir(&dir)?
            .filter(|file| file.as_ref().is_ok_and(|f| f.path().extension().is_some_and(|e| e == "part")))
            .count();
    }
    println!(
        "kill: {KILLS} kills, {acknowledged} times something acknowledged ({photographs} photographs): {lost} lost, {half} found damaged; {left} unfinished files lay about, none counted as a photograph"
    );
    Ok(())
}

fn folder_of_kill(kills: usize) -> Result<std::path::PathBuf, Box<dyn std::error::Error>> {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../target/bench/faults/kill")
        .join(format!("{}", kills / KILLS_A_STORE));
    std::fs::create_dir_all(&dir)?;
    Ok(dir)
}
