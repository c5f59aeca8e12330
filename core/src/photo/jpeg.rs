//! A JPEG file's segments, read before anything is decoded: is it one, how large, is it whole (ITU-T T.81, annex B).

use super::PhotoError;

/// What the segments tell.
pub(super) struct Frame<'a> {
    pub width_px: usize,
    pub height_px: usize,
    pub components: u8,
    /// The TIFF structure of the first EXIF segment.
    pub exif: Option<&'a [u8]>,
}

const START_OF_IMAGE: u8 = 0xD8;
const END_OF_IMAGE: u8 = 0xD9;
const START_OF_SCAN: u8 = 0xDA;
const APP1: u8 = 0xE1;

/// Walks the segments from start to end of image.
pub(super) fn examine(bytes: &[u8]) -> Result<Frame<'_>, PhotoError> {
    if bytes.is_empty() {
        return Err(PhotoError::Empty);
    }
    if !bytes.starts_with(&[0xFF, START_OF_IMAGE]) {
        return Err(PhotoError::NotJpeg { looks_like: guess(bytes) });
    }
    let mut frame = Frame { width_px: 0, height_px: 0, components: 0, exif: None };
    let mut at = 2;
    loop {
        let marker = next_marker(bytes, &mut at).ok_or(PhotoError::Truncated { bytes: bytes.len() })?;
        if marker == END_OF_IMAGE {
            break;
        }
        if matches!(marker, 0x01 | 0xD0..=0xD7) {
            continue; // markers without a length
        }
        let segment = segment(bytes, &mut at).ok_or(PhotoError::Truncated { bytes: bytes.len() })?;
        match marker {
            APP1 => frame.exif = frame.exif.or_else(|| segment.strip_prefix(b"Exif\0\0")),
            // Every start of frame but the tables and extensions that share its range.
            0xC0..=0xCF if !matches!(marker, 0xC4 | 0xC8 | 0xCC) => read_size(segment, &mut frame)?,
            START_OF_SCAN => at = end_of_scan(bytes, at),
            _ => {}
        }
    }
    if frame.width_px == 0 || frame.height_px == 0 {
        return Err(PhotoError::Damaged { detail: "it states no picture size".into() });
    }
    Ok(frame)
}

/// The next marker at or after `at`, which moves behind it. Fill bytes and stray bytes between segments are passed over.
fn next_marker(bytes: &[u8], at: &mut usize) -> Option<u8> {
    while *at + 1 < bytes.len() {
        let marker = bytes[*at + 1];
        if bytes[*at] == 0xFF && marker != 0x00 && marker != 0xFF {
            *at += 2;
            return Some(marker);
        }
        *at += 1;
    }
    None
}

/// The content of the segment whose length stands at `at`, which moves behind it.
fn segment<'a>(bytes: &'a [u8], at: &mut usize) -> Option<&'a [u8]> {
    let length = usize::from(u16::from_be_bytes([*bytes.get(*at)?, *bytes.get(*at + 1)?]));
    let content = bytes.get(*at + 2..*at + length)?;
    *at += length;
    Some(content)
}

fn read_size(segment: &[u8], frame: &mut Frame) -> Result<(), PhotoError> {
    let &[_, h1, h0, w1, w0, components, ..] = segment else {
        return Err(PhotoError::Damaged { detail: "its frame header is too short".into() });
    };
    frame.height_px = usize::from(u16::from_be_bytes([h1, h0]));
    frame.width_px = usize::from(u16::from_be_bytes([w1, w0]));
    frame.components = components;
    Ok(())
}

/// Where the entropy-coded data that starts at `at` ends: before the next marker that isn't a restart.
fn end_of_scan(bytes: &[u8], mut at: usize) -> usize {
    while at + 1 < bytes.len() {
        if bytes[at] == 0xFF && !matches!(bytes[at + 1], 0x00 | 0xFF | 0xD0..=0xD7) {
            break;
        }
        at += 1;
    }
    at
}

/// What a file that isn't a JPEG looks like by its first bytes.
fn guess(bytes: &[u8]) -> &'static str {
    match bytes {
        [0x89, b'P', b'N', b'G', ..] => "a PNG picture",
        [b'G', b'I', b'F', b'8', ..] => "a GIF picture",
        [b'R', b'I', b'F', b'F', ..] => "a WebP picture",
        [b'I', b'I', 42, 0, ..] | [b'M', b'M', 0, 42, ..] => "a TIFF or raw picture",
        [_, _, _, _, b'f', b't', b'y', b'p', ..] => "a HEIC picture or a video",
        [b'%', b'P', b'D', b'F', ..] => "a PDF",
        _ if bytes.iter().take(512).all(|b| b.is_ascii_graphic() || b.is_ascii_whitespace()) => "a text",
        _ => "something else",
    }
}
