//! A JPEG file: its segments, read before anything is decoded (how large it is, whether it is whole; ITU-T T.81, annex B), and its pixels.

use zune_core::{bytestream::ZCursor, colorspace::ColorSpace, options::DecoderOptions};
use zune_jpeg::JpegDecoder;

use super::PhotoError;
use super::read::Frame;

const FORMAT: &str = "JPEG";
const END_OF_IMAGE: u8 = 0xD9;
const START_OF_SCAN: u8 = 0xDA;
const APP1: u8 = 0xE1;

/// Walks the segments from start to end of image.
pub(super) fn examine(bytes: &[u8]) -> Result<Frame<'_>, PhotoError> {
    let truncated = || PhotoError::Truncated { format: FORMAT, bytes: bytes.len() };
    let mut frame = Frame::default();
    let mut at = 2;
    loop {
        let marker = next_marker(bytes, &mut at).ok_or_else(truncated)?;
        if marker == END_OF_IMAGE {
            break;
        }
        if matches!(marker, 0x01 | 0xD0..=0xD7) {
            continue; // markers without a length
        }
        let segment = segment(bytes, &mut at).ok_or_else(truncated)?;
        match marker {
            APP1 => frame.exif = frame.exif.or_else(|| segment.strip_prefix(b"Exif\0\0")),
            // Every start of frame but the tables and extensions that share its range.
            0xC0..=0xCF if !matches!(marker, 0xC4 | 0xC8 | 0xCC) => {
                read_size(segment, &mut frame)?;
                frame.progressive = matches!(marker, 0xC2 | 0xC6 | 0xCA | 0xCE);
            }
            START_OF_SCAN => at = end_of_scan(bytes, at),
            _ => {}
        }
    }
    if frame.width_px == 0 || frame.height_px == 0 {
        return Err(damaged("it states no picture size"));
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
        return Err(damaged("its frame header is too short"));
    };
    frame.height_px = usize::from(u16::from_be_bytes([h1, h0]));
    frame.width_px = usize::from(u16::from_be_bytes([w1, w0]));
    if components == 4 { Err(PhotoError::Cmyk) } else { Ok(()) }
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

/// The pixels as stored. Strict, so that a half-decoded picture is never measured.
pub(super) fn decode(bytes: &[u8], colours: ColorSpace) -> Result<(Vec<u8>, usize, usize), PhotoError> {
    let options = DecoderOptions::default()
        .jpeg_set_out_colorspace(colours)
        .set_max_width(usize::from(u16::MAX))
        .set_max_height(usize::from(u16::MAX))
        .set_strict_mode(true);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(bytes), options);
    let pixels = decoder.decode().map_err(|e| damaged(&e.to_string()))?;
    let (width, height) = decoder
        .dimensions()
        .filter(|(w, h)| pixels.len() == w * h * colours.num_components())
        .ok_or_else(|| damaged("fewer pixels than its size states"))?;
    Ok((pixels, width, height))
}

fn damaged(detail: &str) -> PhotoError {
    PhotoError::Damaged { format: FORMAT, detail: detail.into() }
}
