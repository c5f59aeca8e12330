//! A disk that is full, and one that can't be written.

use std::path::Path;
use std::process::Command;

use rakelight_checks::bench_folder;
use rakelight_core::store::{Store, StoreError};

use crate::{Outcome, note, now, photograph};

pub fn run() -> Outcome {
    let disk = bench_folder("faults/disk")?;
    if !mount(&disk, &["-t", "tmpfs", "-o", "size=3m", "tmpfs"]) {
        println!("disk: skipped, this user may not mount a tmpfs");
        return Ok(());
    }
    let outcome = on(&disk);
    _ = Command::new("umount").arg(&disk).status();
    outcome
}

fn mount(at: &Path, options: &[&str]) -> bool {
    Command::new("mount")
        .args(options)
        .arg(at)
        .stderr(std::process::Stdio::null())
        .status()
        .is_ok_and(|status| status.success())
}

fn on(disk: &Path) -> Outcome {
    let dir = disk.join("store");
    let beside = bench_folder("faults/disk-photographs")?;
    let mut store = Store::open_or_create(&dir)?;
    let (mut entries, mut photographs) = (0, Vec::new());
    let full = loop {
        match store.append(&[note("visit", entries)], now()?) {
            Ok(_) => entries += 1,
            Err(e) => break e,
        }
        if entries % 20 == 0 {
            match photograph(&mut store, &beside, "visit", entries as u64, 40_000) {
                Ok(sha256) => photographs.push(sha256),
                Err(e) => break *e.downcast::<StoreError>()?,
            }
        }
    };
    let said = full.to_string();
    let damage = store.verify()?.damage.len();
    let there = store.entries_of("visit")?.iter().filter(|entry| entry.kind == "note").count();
    let photographs_there = photographs
        .iter()
        .filter(|sha256| store.photo_path(sha256).is_ok_and(|p| p.is_some_and(|p| p.is_file())))
        .count();
    println!(
        "disk: full after {entries} entries and {} photographs: {there} and {photographs_there} are there, {damage} damaged; said: {said}",
        photographs.len()
    );
    drop(store);
    if !mount(disk, &["-o", "remount,ro"]) {
        println!("disk: the file system can't be made read-only here: skipped");
        return Ok(());
    }
    match Store::open(&dir).and_then(|mut store| store.append(&[note("visit", entries)], now().unwrap_or_default())) {
        Ok(_) => println!("disk: READ-ONLY, AND YET IT SAYS THAT IT WROTE"),
        Err(e) => println!("disk: read-only: {e}"),
    }
    Ok(())
}
