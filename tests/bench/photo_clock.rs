//! Times decoding, and file to plane, of one photograph: two numbers in milliseconds, each the best of three, for `tests/bench/photo`.

use std::time::Instant;

use rakelight_core::photo::Photo;
use rakelight_core::scale::find_card;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let path = std::env::args().nth(1).ok_or("name a photograph")?;
    let (mut decode_ms, mut whole_ms) = (f64::MAX, f64::MAX);
    // The first round warms up: the tables of the camera's curve are made at first use, and the memory is fresh.
    for round in 0..4 {
        let start = Instant::now();
        let photo = Photo::read(&std::fs::read(&path)?)?;
        let decoded = start.elapsed().as_secs_f64() * 1e3;
        find_card(&photo.luma)?;
        let whole = start.elapsed().as_secs_f64() * 1e3;
        if round > 0 {
            (decode_ms, whole_ms) = (decode_ms.min(decoded), whole_ms.min(whole));
        }
    }
    println!("{decode_ms:.3} {whole_ms:.3}");
    Ok(())
}
