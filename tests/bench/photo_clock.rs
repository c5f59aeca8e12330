//! Times decoding, and file to plane, of one photograph: two numbers in milliseconds, for `tests/bench/photo`.

use std::time::Instant;

use rakelight_core::photo::Photo;
use rakelight_core::scale::find_card;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let path = std::env::args().nth(1).ok_or("name a photograph")?;
    // Once to warm up: the tables of the camera's curve are made at first use.
    let bytes = std::fs::read(&path)?;
    find_card(&Photo::read(&bytes)?.luma)?;
    let start = Instant::now();
    let photo = Photo::read(&std::fs::read(&path)?)?;
    let decoded = start.elapsed();
    find_card(&photo.luma)?;
    println!("{:.3} {:.3}", decoded.as_secs_f64() * 1e3, start.elapsed().as_secs_f64() * 1e3);
    Ok(())
}
