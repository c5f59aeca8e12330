//! Everything that reads what comes from outside, to throw bytes at: none may make it panic, hang or take all memory.

mod analyse;
mod backup;
mod exchange;
mod folder;
mod import;
mod plan;

use std::sync::LazyLock;

use rakelight_core::identify::{self, Evidence, Facts};
use rakelight_core::photo::{Luma, Photo, Taken, read_colour};
use rakelight_core::place::Track;
use rakelight_core::print::{self, Landmarks, Request, ScaleKind};
use rakelight_core::scale::find_card;
use rakelight_core::survey::VisitFile;
use rakelight_core::trail::{self, TrailMarks};
use rakelight_core::words::Words;

use crate::repository;

/// A reader.
pub struct Reader {
    /// What it reads.
    pub name: &'static str,
    /// Reads it, and does with it what the program would do.
    pub read: fn(&[u8]),
    /// Good examples.
    pub examples: fn() -> Vec<Vec<u8>>,
}

/// All of them.
pub const READERS: [Reader; 27] = [
    Reader { name: "photo", read: photo, examples: photos },
    Reader { name: "exif", read: exif, examples: exifs },
    Reader { name: "landmarks", read: landmarks, examples: || fixtures("fixtures/demo-visit", ".landmarks.json") },
    Reader { name: "visit_file", read: visit_file, examples: || fixtures("fixtures/demo-visit", ".toml") },
    Reader {
        name: "gpx",
        read: gpx,
        examples: || fixtures("fixtures/demo-visit", ".gpx").into_iter().map(shortened).collect(),
    },
    Reader { name: "trail", read: trail, examples: || fixtures("fixtures/trails", ".json") },
    Reader { name: "evidence", read: evidence, examples: || fixtures("fixtures/evidence", ".json") },
    Reader { name: "entries", read: exchange::entries, examples: exchange::sequences },
    Reader { name: "heads", read: exchange::heads, examples: exchange::some_heads },
    Reader { name: "answers", read: exchange::answers, examples: exchange::some_answers },
    Reader { name: "invitation", read: exchange::invitation, examples: exchange::some_invitations },
    Reader { name: "folder", read: folder::folder, examples: folder::some_folders },
    Reader { name: "backup", read: backup::backup, examples: backup::some_backups },
    Reader { name: "tide_table", read: plan::tide_table, examples: plan::tide_tables },
    Reader {
        name: "constants",
        read: plan::constants,
        examples: || fixtures("fixtures/reference", "_constituents.csv"),
    },
    Reader { name: "map", read: plan::map, examples: plan::maps },
    Reader { name: "season", read: plan::season, examples: plan::seasons },
    Reader { name: "protocol", read: plan::protocol, examples: || fixtures("core/data/protocols", ".toml") },
    Reader { name: "candidates", read: plan::candidates, examples: plan::some_candidates },
    Reader { name: "walk", read: plan::walk, examples: plan::walks_of_bytes },
    Reader { name: "histories", read: analyse::histories, examples: analyse::some_histories },
    Reader { name: "signs", read: analyse::signs, examples: analyse::some_signs },
    Reader { name: "contents", read: analyse::contents, examples: analyse::some_contents },
    Reader { name: "table", read: import::table, examples: import::some_tables },
    Reader { name: "walked", read: import::walked, examples: import::some_walks },
    Reader { name: "lines", read: import::lines, examples: import::some_lines },
    Reader { name: "copies", read: import::copies, examples: import::some_copies },
];

/// A folder in memory where there is one: what readers write is synced, and a disk would take longer for that than all else.
fn scratch() -> Option<tempfile::TempDir> {
    tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir()).ok()
}

/// Pictures are no larger than they must be, so that many are read.
const SIDE_PX: u32 = 160;

static PICTURE: LazyLock<image::GrayImage> = LazyLock::new(|| {
    image::GrayImage::from_fn(SIDE_PX, SIDE_PX, |x, y| image::Luma([(x / 20 * 37 + y / 16 * 11) as u8]))
});
static WORDS: LazyLock<Option<Words>> = LazyLock::new(|| Words::load("en").ok());

fn photo(bytes: &[u8]) {
    if let Ok(photo) = Photo::read(bytes) {
        let _ = find_card(&photo.luma);
        let _ = photo.taken.focal_px(photo.luma.width, photo.luma.height);
    }
    let _ = read_colour(bytes);
}

/// The bytes as the EXIF of a good picture.
fn exif(bytes: &[u8]) {
    static JPEG: LazyLock<Vec<u8>> = LazyLock::new(|| written(image::ImageFormat::Jpeg));
    let content = &bytes[..bytes.len().min(65_000)];
    let length = (content.len() as u16 + 8).to_be_bytes();
    let file = [&JPEG[..2], &[0xFF, 0xE1], &length, b"Exif\0\0", content, &JPEG[2..]].concat();
    let _ = Photo::read(&file).map(|photo| photo.taken.focal_px(160, 160));
}

/// Landmarks of one photograph, measured by a ruler, which needs no picture.
fn landmarks(bytes: &[u8]) {
    let Ok(landmarks) = Landmarks::from_json(&String::from_utf8_lossy(bytes)) else { return };
    let luma = Luma { width: 2400, height: 1800, pixels: vec![] };
    let photo = Photo { sha256: String::new(), taken: Taken::default(), has_exif: false, luma };
    let scale = ScaleKind::Ruler { from_px: [100.0, 100.0], to_px: [900.0, 120.0], length_mm: 100.0 };
    let request = Request { scale, landmarks, ..Request::default() };
    if let (Ok(measurement), Some(words)) = (print::measure(&photo, &request), WORDS.as_ref()) {
        let _ = measurement.to_json(&photo, words);
    }
    let _ = request.landmarks.of_photo("IMG_0101.jpg");
}

fn visit_file(bytes: &[u8]) {
    let _ = VisitFile::from_toml(&String::from_utf8_lossy(bytes));
}

fn trail(bytes: &[u8]) {
    if let Ok(TrailMarks::Tape(prints)) = serde_json::from_slice(bytes)
        && let (Ok(reading), Some(words)) = (trail::read(&prints), &*WORDS)
    {
        trail::draw(&reading, words);
    }
}

fn gpx(bytes: &[u8]) {
    if let Ok(track) = Track::from_gpx(bytes) {
        let _ = track.fixes.first().and_then(|fix| track.at(fix.time));
    }
}

fn evidence(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    if let (Ok(evidence), Ok(facts), Some(words)) = (Evidence::from_json(&text), Facts::builtin(), WORDS.as_ref()) {
        let _ = identify::identify(&evidence, facts, words);
    }
}

fn photos() -> Vec<Vec<u8>> {
    vec![written(image::ImageFormat::Jpeg), written(image::ImageFormat::Png)]
}

fn written(format: image::ImageFormat) -> Vec<u8> {
    let mut bytes = std::io::Cursor::new(Vec::new());
    let _ = PICTURE.write_to(&mut bytes, format);
    bytes.into_inner()
}

/// The EXIF of the demo's photographs.
fn exifs() -> Vec<Vec<u8>> {
    let exif = |jpeg: Vec<u8>| {
        let at = jpeg.windows(6).position(|w| w == b"Exif\0\0")?;
        let length = u16::from_be_bytes([*jpeg.get(at - 2)?, *jpeg.get(at - 1)?]);
        jpeg.get(at + 6..at - 2 + usize::from(length)).map(<[u8]>::to_vec)
    };
    let mut exifs: Vec<_> = fixtures("fixtures/demo-visit", ".jpg").into_iter().filter_map(exif).collect();
    exifs.dedup_by_key(|bytes| bytes.len());
    exifs
}

/// A track of a few points.
fn shortened(gpx: Vec<u8>) -> Vec<u8> {
    let text = String::from_utf8_lossy(&gpx).into_owned();
    let Some((head, _)) = text.match_indices("<trkpt").nth(4).map(|(at, _)| text.split_at(at)) else { return gpx };
    let tail = text.find("</trkseg>").map_or("", |at| &text[at..]);
    format!("{head}{tail}").into_bytes()
}

/// The files of a folder of the repository whose names end so, in order.
fn fixtures(folder: &str, ending: &str) -> Vec<Vec<u8>> {
    let Ok(entries) = std::fs::read_dir(repository(folder)) else { return vec![] };
    let mut paths: Vec<_> = entries.flatten().map(|entry| entry.path()).collect();
    paths.retain(|path| path.to_string_lossy().ends_with(ending));
    paths.sort();
    paths.iter().filter_map(|path| std::fs::read(path).ok()).collect()
}
