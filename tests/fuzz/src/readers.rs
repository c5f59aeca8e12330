//! The reader that `READER` names, fed by libFuzzer.

#![no_main]

use std::sync::LazyLock;

use rakelight_checks::fuzz::{READERS, Reader};

static READER: LazyLock<&Reader> = LazyLock::new(|| {
    let name = std::env::var("READER").expect("READER names a reader");
    READERS.iter().find(|reader| reader.name == name).expect("READER names one of those in tests/src/fuzz.rs")
});

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| (READER.read)(bytes));
