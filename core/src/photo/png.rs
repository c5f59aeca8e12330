//! A PNG file (W3C PNG, third edition): its chunks, read before anything is decoded, and its pixels as a JPEG file would have them.

use std::io::Cursor;

use png::{ColorType, DecodingError, Transformations};
use zune_core::colorspace::ColorSpace;

use super::PhotoError;
use super::read::Frame;

const FORMAT: &str = "PNG";
const SIGNATURE: &[u8] = b"\x89PNG\r\n\x1A\n";

/// Walks the chunks from the signature to the end.
pub(super) fn examine(bytes: &[u8]) -> Result<Frame<'_>, PhotoError> {
    let truncated = || PhotoError::Truncated { format: FORMAT, bytes: bytes.len() };
    let damaged = |detail: &str| PhotoError::Damaged { format: FORMAT, detail: detail.into() };
    let mut rest = match bytes.strip_prefix(SIGNATURE) {
        Some(rest) => rest,
        None if SIGNATURE.starts_with(bytes) => return Err(truncated()),
        None => return Err(damaged("its signature was changed, as by a transfer as text")),
    };
    let mut frame = Frame::default();
    loop {
        let (name, content) = next_chunk(&mut rest).ok_or_else(truncated)?;
        match name {
            b"IHDR" => {
                [frame.width_px, frame.height_px] = size(content).ok_or_else(|| damaged("its header is too short"))?
            }
            // Some programs keep a JPEG segment's name before the TIFF structure.
            b"eXIf" => frame.exif = frame.exif.or(Some(content.strip_prefix(b"Exif\0\0").unwrap_or(content))),
            b"IEND" => break,
            _ => {}
        }
    }
    if frame.width_px == 0 || frame.height_px == 0 {
        return Err(damaged("it states no picture size"));
    }
    Ok(frame)
}

/// The next chunk's name and content; `rest` moves behind its checksum.
fn next_chunk<'a>(rest: &mut &'a [u8]) -> Option<(&'a [u8; 4], &'a [u8])> {
    let (length, after) = rest.split_first_chunk()?;
    let (name, after) = after.split_first_chunk()?;
    let (content, after) = after.split_at_checked(u32::from_be_bytes(*length) as usize)?;
    *rest = after.get(4..)?;
    Some((name, content))
}

fn size(header: &[u8]) -> Option<[usize; 2]> {
    let (width, rest) = header.split_first_chunk()?;
    Some([u32::from_be_bytes(*width) as usize, u32::from_be_bytes(*rest.first_chunk()?) as usize])
}

/// The pixels as stored. Rows are taken as they come, so that no larger picture is held than the one that is asked for.
pub(super) fn decode(bytes: &[u8], colours: ColorSpace) -> Result<(Vec<u8>, usize, usize), PhotoError> {
    rows(bytes, colours).map_err(|e| PhotoError::Damaged { format: FORMAT, detail: e.to_string() })
}

fn rows(bytes: &[u8], colours: ColorSpace) -> Result<(Vec<u8>, usize, usize), DecodingError> {
    let mut decoder = png::Decoder::new(Cursor::new(bytes));
    // Palettes and fewer than eight bits become eight bits. Texts and profiles aren't unpacked.
    decoder.set_transformations(Transformations::EXPAND);
    decoder.set_ignore_text_chunk(true);
    decoder.set_ignore_iccp_chunk(true);
    let mut reader = decoder.read_info()?;
    let (width, height, interlaced) =
        (reader.info().width as usize, reader.info().height as usize, reader.info().interlaced);
    let (colour_type, depth) = reader.output_color_type();
    let shown = Shown::with_gamma(reader.info().gamma().map(|gamma| f64::from(gamma.into_value())));
    let bytes_each = depth as usize / 8;
    let channels = colours.num_components();
    let mut pixels = vec![0; width * height * channels];
    for (y, first, step) in order(height, interlaced) {
        let Some(row) = reader.next_interlaced_row()? else { break };
        let colour = matches!(colour_type, ColorType::Rgb | ColorType::Rgba);
        for (i, stored) in row.data().chunks_exact(colour_type.samples() * bytes_each).enumerate() {
            // Transparency is left out: what it covers is the photograph.
            let sample = |k: usize| match *stored.get(k * bytes_each..(k + 1) * bytes_each).unwrap_or_default() {
                [high, low] => u16::from_be_bytes([high, low]),
                [value] => u16::from(value) * 257,
                _ => 0,
            };
            let rgb = if colour { [sample(0), sample(1), sample(2)] } else { [sample(0); 3] };
            let at = (y * width + first + i * step) * channels;
            match colours {
                ColorSpace::Luma => pixels[at] = shown.of(luma(rgb)),
                _ => pixels[at..at + channels].copy_from_slice(&rgb.map(|value| shown.of(value))),
            }
        }
    }
    reader.finish()?;
    Ok((pixels, width, height))
}

/// The rows in the order in which they are stored: which one, its first pixel's column, and how far apart its pixels are.
/// Adam7 is seven pictures, each finer than the one before (W3C PNG, section 8.1).
fn order(height: usize, interlaced: bool) -> impl Iterator<Item = (usize, usize, usize)> {
    const ADAM7: &[[usize; 4]] =
        &[[0, 8, 0, 8], [4, 8, 0, 8], [0, 4, 4, 8], [2, 4, 0, 4], [0, 2, 2, 4], [1, 2, 0, 2], [0, 1, 1, 2]];
    const WHOLE: &[[usize; 4]] = &[[0, 1, 0, 1]];
    let passes = if interlaced { ADAM7 } else { WHOLE };
    passes
        .iter()
        .flat_map(move |&[first, across, top, down]| (top..height).step_by(down).map(move |y| (y, first, across)))
}

/// Brightness as a JPEG file stores it (ITU-T T.871: weights of BT.601 on values that are not linear in light).
fn luma([r, g, b]: [u16; 3]) -> u16 {
    ((19_595 * u32::from(r) + 38_470 * u32::from(g) + 7_471 * u32::from(b) + 32_768) >> 16) as u16
}

/// Which of 256 values by the sRGB curve shows a stored value of 16 bits.
struct Shown(Vec<u8>);

impl Shown {
    /// Files of nearly sRGB's gamma, or of none stated, are taken to be sRGB, as viewers do; others, linear ones foremost, are brought to it.
    fn with_gamma(gamma: Option<f64>) -> Self {
        const SRGB: std::ops::Range<f64> = 0.4..0.5;
        let other = gamma.filter(|gamma| *gamma > 0.0 && !SRGB.contains(gamma));
        let shown = |value: u16| {
            let stored = f64::from(value) / f64::from(u16::MAX);
            other.map_or(stored, |gamma| encode(stored.powf(1.0 / gamma)))
        };
        Self((0..=u16::MAX).map(|value| (shown(value) * 255.0).round() as u8).collect())
    }

    fn of(&self, value: u16) -> u8 {
        self.0[usize::from(value)]
    }
}

/// The sRGB curve (IEC 61966-2-1).
fn encode(light: f64) -> f64 {
    if light <= 0.0031308 { light * 12.92 } else { 1.055 * light.powf(1.0 / 2.4) - 0.055 }
}
