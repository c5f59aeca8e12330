//! Files of every kind, changed at random: each is read or refused, and none makes the program panic or hang.
//!
//! The same course of random numbers in every run; `tests/bench/fuzz` goes on for longer, led by which code is reached.

use std::panic;
use std::time::{Duration, Instant};

use rakelight_checks::chance::Chance;
use rakelight_checks::fuzz::{READERS, Reader};
use rakelight_checks::repository;

const SPENT: Duration = Duration::from_secs(2);
const SLOW: Duration = Duration::from_secs(20);

#[test]
fn no_file_makes_a_reader_panic_or_hang() {
    for reader in &READERS {
        let examples = (reader.examples)();
        assert!(!examples.is_empty(), "{}", reader.name);
        examples.iter().for_each(|example| attempt(reader, example));
        let mut chance = Chance::new(20_261_014);
        let (started, mut tried) = (Instant::now(), 0);
        while started.elapsed() < SPENT || tried < 20 {
            attempt(reader, &changed(&mut chance, &examples));
            tried += 1;
        }
        println!("{}: {tried} files", reader.name);
    }
}

/// Reads the file; one that can't be borne is kept for whoever mends it.
fn attempt(reader: &Reader, file: &[u8]) {
    let started = Instant::now();
    let read = panic::catch_unwind(|| (reader.read)(file));
    if read.is_err() || started.elapsed() > SLOW {
        let kept = repository("target").join(format!("{}-{:08x}", reader.name, file.len()));
        std::fs::write(&kept, file).unwrap();
        panic!("{} took {:?} or panicked on {}", reader.name, started.elapsed(), kept.display());
    }
}

/// An example with one to eight changes.
fn changed(chance: &mut Chance, examples: &[Vec<u8>]) -> Vec<u8> {
    const NUMBERS: [&str; 12] =
        ["0", "-1", "1e308", "-1e308", "1e-308", "NaN", "null", "18446744073709551616", "-0.0", "[]", "{}", "\"\""];
    let mut below = |n: usize| (chance.between(0.0, n as f64) as usize).min(n.saturating_sub(1));
    let mut file = examples[below(examples.len())].clone();
    for _ in 0..=below(8) {
        let at = below(file.len().max(1)).min(file.len());
        let to = (at + below(24)).min(file.len());
        match below(8) {
            0 if at < file.len() => file[at] ^= 1 << below(8),
            1 if at < file.len() => file[at] = [0, 0xFF, 0x7F, 0x80][below(4)],
            2 => _ = file.drain(at..to),
            3 => {
                let piece = file[at..to].to_vec();
                file.splice(at..at, piece);
            }
            4 => {
                let other = &examples[below(examples.len())];
                let from = below(other.len().max(1)).min(other.len());
                let piece = other[from..(from + below(200)).min(other.len())].to_vec();
                file.splice(at..to, piece);
            }
            5 => {
                let digits = file[at..].iter().position(u8::is_ascii_digit).map(|i| at + i);
                let number =
                    |from: usize| file[from..].iter().take_while(|b| b.is_ascii_digit() || **b == b'.').count();
                if let Some(from) = digits {
                    let end = from + number(from);
                    file.splice(from..end, NUMBERS[below(NUMBERS.len())].bytes());
                }
            }
            6 => file.truncate(at),
            _ => _ = file.splice(at..at, (0..below(6)).map(|_| below(256) as u8).collect::<Vec<_>>()),
        }
    }
    file
}
