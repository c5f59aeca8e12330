//! Faults to survive, counted: `cargo bench -p rakelight-checks --bench faults -- [kill] [disk] [bits] [team [small] [postgres://…]] [SEED]`; without a word all four. Needs
//! `target/release/rakelight`; all of it stays on this machine (loopback) and ends by itself.
//!
//! * kill: 500 times a process is killed at a random moment while it records; what it had acknowledged must be there, and nothing half there.
//! * disk: a small file system (tmpfs, needs root) runs full, then is mounted read-only.
//! * bits: 200 random bits flipped in the database and in photographs; each must be noticed by `verify` or change nothing that is read.
//! * team: 20 devices with 2,000 entries and 20 photographs each exchange with a base through connections that are cut and delayed at random, some by a stick as
//!   well (so that entries arrive twice and in another order), while the service is killed and started again five times. All stores must end equal.
//!   With `postgres://…` the base is three processes on that database (`tests/bench/faults-postgres` brings one); a kill then hits one of them.

#[path = "faults/bits.rs"]
mod bits;
#[path = "faults/disk.rs"]
mod disk;
#[path = "faults/kill.rs"]
mod kill;
#[path = "faults/team.rs"]
mod team;

use std::error::Error;
use std::path::Path;

use chrono::{DateTime, Utc};
use rakelight_core::store::{Draft, Store, kind};
use serde_json::json;

type Outcome = Result<(), Box<dyn Error>>;

fn main() -> Outcome {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with("--")).collect();
    if let [word, dir] = &words[..]
        && word == "record"
    {
        return kill::record(Path::new(dir));
    }
    let seed = words.iter().find_map(|word| word.parse().ok()).unwrap_or(26_071);
    let named = |what: &str| words.iter().any(|word| word == what);
    let asked = |what| named(what) || !["kill", "disk", "bits", "team"].into_iter().any(named);
    println!("seed {seed}");
    if asked("kill") {
        kill::run(seed)?;
    }
    if asked("disk") {
        disk::run()?;
    }
    if asked("bits") {
        bits::run(seed)?;
    }
    if asked("team") {
        let size = if named("small") { team::Size::SMALL } else { team::Size::WHOLE };
        let database = words.iter().find(|word| word.starts_with("postgres"));
        team::run(seed, size, database.map(String::as_str))?;
    }
    Ok(())
}

fn now() -> Result<DateTime<Utc>, chrono::ParseError> {
    "2026-10-03T07:41:10Z".parse()
}

fn note(visit: &str, i: usize) -> Draft {
    Draft {
        kind: kind::NOTE.into(),
        visit: visit.into(),
        subject: format!("s{i}"),
        author: "Ada".into(),
        payload: json!({ "text": "on the flat stone below the alder", "i": i }),
    }
}

/// A photograph of noise, taken into the store and attached to a visit; its digest.
fn photograph(store: &mut Store, beside: &Path, visit: &str, i: u64, bytes: usize) -> Result<String, Box<dyn Error>> {
    let mut chance = rakelight_checks::chance::Chance::new(i);
    let file = beside.join(format!("photo-{i}.png"));
    // Noise doesn't shrink: a byte a pixel.
    let noise = image::GrayImage::from_fn(200, bytes as u32 / 200, |_, _| image::Luma([chance.below(256) as u8]));
    noise.save(&file)?;
    let sha256 = store.add_photo(&file)?.sha256;
    std::fs::remove_file(&file)?;
    let attached = Draft { kind: kind::PHOTOGRAPH_ATTACHED.into(), subject: sha256.clone(), ..note(visit, 0) };
    store.append(&[attached], now()?)?;
    Ok(sha256)
}
