//! Bits that flip on the disk.

use std::fs;
use std::path::{Path, PathBuf};

use rakelight_checks::bench_folder;
use rakelight_checks::chance::Chance;
use rakelight_core::store::{Entry, Store};

use crate::{Outcome, note, now, photograph};

const FLIPS: usize = 200;

pub fn run(seed: u64) -> Outcome {
    let mut chance = Chance::new(seed ^ 0xB175);
    let dir = bench_folder("faults/bits")?.join("store");
    {
        let mut store = Store::open_or_create(&dir)?;
        for batch in 0..30 {
            let drafts: Vec<_> = (0..20).map(|i| note(&format!("visit-{batch}"), i)).collect();
            store.append(&drafts, now()?)?;
        }
        for i in 0..5 {
            photograph(&mut store, &dir, "visit-0", i, 30_000)?;
        }
    }
    let written = all(&Store::open(&dir)?)?;
    let mut files = vec![dir.join("store.sqlite")];
    photographs_in(&dir.join("photos"), &mut files)?;
    let (mut noticed, mut without_effect, mut silent) = (0, 0, 0);
    for flip in 0..FLIPS {
        // Every other one in the database, the rest in a photograph.
        let file = if flip % 2 == 0 { &files[0] } else { &files[1 + chance.below(files.len() as u64 - 1) as usize] };
        let whole = fs::read(file)?;
        let mut flipped = whole.clone();
        flipped[chance.below(whole.len() as u64) as usize] ^= 1 << chance.below(8);
        fs::write(file, &flipped)?;
        let seen = Store::open(&dir).and_then(|store| Ok((store.verify()?.damage.len(), all(&store)?)));
        match seen {
            Err(_) | Ok((1.., _)) => noticed += 1,
            Ok((_, read)) if read == written => without_effect += 1,
            Ok(_) => silent += 1,
        }
        for beside in ["store.sqlite-wal", "store.sqlite-shm"] {
            _ = fs::remove_file(dir.join(beside));
        }
        fs::write(file, whole)?;
    }
    println!(
        "bits: {FLIPS} flipped: {noticed} noticed, {without_effect} where nothing is kept (all reads as written), {silent} TAKEN SILENTLY"
    );
    Ok(())
}

/// All that a reader is shown.
fn all(store: &Store) -> Result<(Vec<Entry>, Vec<String>), rakelight_core::store::StoreError> {
    let mut entries = Vec::new();
    for visit in store.visits()? {
        entries.extend(store.entries_of(&visit)?);
        entries.extend(store.current_of(&visit)?);
    }
    Ok((entries, store.photos()?))
}

fn photographs_in(folder: &Path, files: &mut Vec<PathBuf>) -> Outcome {
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        if path.is_dir() { photographs_in(&path, files)? } else { files.push(path) }
    }
    files.sort();
    Ok(())
}
