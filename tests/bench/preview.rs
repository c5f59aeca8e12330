//! What the live check and the QR reader say of pictures as the camera's preview, one JSON document a line: for `tests/reference` and `tests/bench/preview`.
//!
//! `preview PHOTO_WIDTH_PX FILE…`; `card_ms` and `code_ms` are the best of three, `photo_ms` from the file's bytes to the plane.

use std::time::Instant;

use rakelight_core::photo::{Photo, read_code};
use rakelight_core::scale::{find_card, preview};
use serde_json::json;

/// The best of three, ms, after one that warms up, and what came out.
fn timed<T>(work: impl Fn() -> T) -> (T, f64) {
    let mut best = f64::INFINITY;
    let mut result = work();
    for _ in 0..3 {
        let start = Instant::now();
        result = work();
        best = best.min(start.elapsed().as_secs_f64() * 1e3);
    }
    (result, best)
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [photo_width, files @ ..] = &arguments[..] else { return Err("preview PHOTO_WIDTH_PX FILE…".into()) };
    let photo_width_px: f64 = photo_width.parse()?;
    for file in files {
        let bytes = std::fs::read(file)?;
        let luma = Photo::read(&bytes)?.luma;
        let (seen, card_ms) = timed(|| preview::look(&luma, photo_width_px));
        let (code, code_ms) = timed(|| read_code(&luma));
        let (_, photo_ms) = timed(|| Photo::read(&bytes).map(|photo| find_card(&photo.luma).is_ok()));
        let seen = seen?;
        let answer = json!({
            "file": file, "word": format!("{:?}", seen.word), "outline_px": seen.outline_px, "edge_width_px": seen.edge_width_px,
            "sharp": seen.sharp, "px_per_mm_in_photo": seen.px_per_mm_in_photo, "tilt_deg": seen.tilt_deg, "code": code,
            "card_ms": card_ms, "code_ms": code_ms, "photo_ms": photo_ms,
        });
        println!("{answer}");
    }
    Ok(())
}
