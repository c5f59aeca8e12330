//! From a file's bytes to an upright picture, or to a clear reason why not.

use zune_core::{bytestream::ZCursor, colorspace::ColorSpace, options::DecoderOptions};
use zune_jpeg::JpegDecoder;

use super::{Orientation, Taken, digest, jpeg, upright};

/// Larger pictures are refused before anything is decoded.
pub const MAX_MEGAPIXELS: usize = 120;
/// Smaller pictures can't show a print with a scale.
pub const MIN_SIDE_PX: usize = 160;

/// Why a file is left out; each says what to do.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PhotoError {
    /// No bytes.
    #[error("the file is empty (0 bytes): copy it from the camera or phone again")]
    Empty,
    /// Another kind of file.
    #[error("not a JPEG file but {looks_like}: export the photograph as JPEG and put that in its place")]
    NotJpeg {
        /// What its first bytes look like.
        looks_like: &'static str,
    },
    /// The end is missing.
    #[error("the JPEG file is cut off after {bytes} bytes: copy it from the camera or phone again")]
    Truncated {
        /// How many bytes there are.
        bytes: usize,
    },
    /// Can't be decoded.
    #[error("the JPEG file is damaged ({detail}): copy it from the camera or phone again")]
    Damaged {
        /// What the decoder says.
        detail: String,
    },
    /// Colours for printing.
    #[error("the JPEG file is in printing colours (CMYK): export it as RGB or greyscale")]
    Cmyk,
    /// More than [`MAX_MEGAPIXELS`].
    #[error("{width_px} × {height_px} pixels are over {MAX_MEGAPIXELS} megapixels: export it smaller")]
    TooLarge {
        /// Stored width.
        width_px: usize,
        /// Stored height.
        height_px: usize,
    },
    /// Less than [`MIN_SIDE_PX`] on a side.
    #[error(
        "{width_px} × {height_px} pixels are too few (at least {MIN_SIDE_PX} on each side): use the photograph as taken"
    )]
    TooSmall {
        /// Stored width.
        width_px: usize,
        /// Stored height.
        height_px: usize,
    },
}

/// The brightness of an upright picture, row by row.
#[derive(Clone)]
pub struct Luma {
    /// Pixels across.
    pub width: usize,
    /// Pixels down.
    pub height: usize,
    /// `width × height` values as stored in the file: 0 black to 255 white, not linear in light.
    pub pixels: Vec<u8>,
}

impl std::fmt::Debug for Luma {
    fn fmt(&self, f: &mut std::fmt::Formatter) -> std::fmt::Result {
        write!(f, "Luma {{ {} × {} }}", self.width, self.height)
    }
}

/// A photograph, decoded upright.
#[derive(Debug, Clone)]
pub struct Photo {
    /// SHA-256 of the file's bytes.
    pub sha256: String,
    /// What the camera wrote beside the pixels; empty where there is no EXIF.
    pub taken: Taken,
    /// Whether there was an EXIF segment at all.
    pub has_exif: bool,
    /// The upright picture.
    pub luma: Luma,
}

impl Photo {
    /// Decodes a JPEG file's bytes.
    ///
    /// ```
    /// use rakelight_core::photo::{Photo, PhotoError};
    /// assert_eq!(Photo::read(b"").unwrap_err(), PhotoError::Empty);
    /// ```
    pub fn read(bytes: &[u8]) -> Result<Self, PhotoError> {
        let frame = jpeg::examine(bytes)?;
        let (width_px, height_px) = (frame.width_px, frame.height_px);
        if width_px * height_px > MAX_MEGAPIXELS * 1_000_000 {
            return Err(PhotoError::TooLarge { width_px, height_px });
        }
        if width_px.min(height_px) < MIN_SIDE_PX {
            return Err(PhotoError::TooSmall { width_px, height_px });
        }
        if frame.components == 4 {
            return Err(PhotoError::Cmyk);
        }
        let taken = frame.exif.map(Taken::read).unwrap_or_default();
        let (pixels, width, height) = decode(bytes, ColorSpace::Luma, taken.orientation)?;
        Ok(Self { sha256: digest(bytes), taken, has_exif: frame.exif.is_some(), luma: Luma { width, height, pixels } })
    }
}

/// The upright picture in colour (RGB, 8 bits), for showing.
pub fn read_colour(bytes: &[u8]) -> Result<image::RgbImage, PhotoError> {
    let orientation = jpeg::examine(bytes)?.exif.map(Taken::read).unwrap_or_default().orientation;
    let (pixels, width, height) = decode(bytes, ColorSpace::RGB, orientation)?;
    image::RgbImage::from_raw(width as u32, height as u32, pixels)
        .ok_or_else(|| PhotoError::Damaged { detail: "fewer pixels than its size states".into() })
}

/// Strict, so that a half-decoded picture is never measured.
fn decode(
    bytes: &[u8],
    colours: ColorSpace,
    orientation: Option<Orientation>,
) -> Result<(Vec<u8>, usize, usize), PhotoError> {
    let options = DecoderOptions::default()
        .jpeg_set_out_colorspace(colours)
        .set_max_width(usize::from(u16::MAX))
        .set_max_height(usize::from(u16::MAX))
        .set_strict_mode(true);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(bytes), options);
    let pixels = decoder.decode().map_err(|e| PhotoError::Damaged { detail: e.to_string() })?;
    let (width, height) = decoder
        .dimensions()
        .filter(|(w, h)| pixels.len() == w * h * colours.num_components())
        .ok_or_else(|| PhotoError::Damaged { detail: "fewer pixels than its size states".into() })?;
    Ok(upright::turn(pixels, width, height, colours.num_components(), orientation.unwrap_or(Orientation::UPRIGHT)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A grey JPEG of this size.
    fn jpeg(width: u32, height: u32) -> Vec<u8> {
        let mut bytes = Vec::new();
        let pixels = image::GrayImage::from_fn(width, height, |x, y| image::Luma([(x * 7 + y * 3) as u8]));
        image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, 90).encode_image(&pixels).unwrap();
        bytes
    }

    /// The same file stating another size in its frame header.
    fn claiming(mut bytes: Vec<u8>, width: u16, height: u16) -> Vec<u8> {
        let at = bytes.windows(2).position(|w| w == [0xFF, 0xC0]).unwrap();
        bytes[at + 5..at + 7].copy_from_slice(&height.to_be_bytes());
        bytes[at + 7..at + 9].copy_from_slice(&width.to_be_bytes());
        bytes
    }

    /// The same file with Huffman tables that no encoder writes.
    fn with_broken_tables(mut bytes: Vec<u8>) -> Vec<u8> {
        let at = bytes.windows(2).position(|w| w == [0xFF, 0xC4]).unwrap();
        bytes[at + 5..at + 21].fill(0xEE);
        bytes
    }

    #[test]
    fn a_whole_photograph_is_read() {
        let photo = Photo::read(&jpeg(320, 200)).unwrap();
        assert_eq!((photo.luma.width, photo.luma.height, photo.luma.pixels.len()), (320, 200, 64_000));
        assert!(!photo.has_exif && photo.taken.time.is_none());
        assert_eq!(read_colour(&jpeg(320, 200)).unwrap().dimensions(), (320, 200));
    }

    #[test]
    fn each_kind_of_bad_file_gets_its_own_words() {
        let whole = jpeg(320, 200);
        let reason = |bytes: &[u8]| Photo::read(bytes).unwrap_err();
        assert_eq!(reason(b""), PhotoError::Empty);
        assert!(matches!(reason(b"\x89PNG\r\n"), PhotoError::NotJpeg { looks_like: "a PNG picture" }));
        assert!(matches!(reason(b"dear diary"), PhotoError::NotJpeg { looks_like: "a text" }));
        assert!(matches!(reason(&whole[..whole.len() / 2]), PhotoError::Truncated { .. }));
        assert!(matches!(reason(&whole[..20]), PhotoError::Truncated { .. }));
        assert!(matches!(reason(&jpeg(1, 1)), PhotoError::TooSmall { width_px: 1, height_px: 1 }));
        // Refused by the stated size alone: there aren't the bytes for such a picture.
        assert!(matches!(reason(&claiming(whole.clone(), 20_000, 6_001)), PhotoError::TooLarge { .. }));
        assert!(matches!(reason(&with_broken_tables(whole)), PhotoError::Damaged { .. }));
    }

    #[test]
    fn every_cut_of_a_photograph_is_noticed() {
        let whole = jpeg(200, 180);
        for length in 0..whole.len() {
            assert!(Photo::read(&whole[..length]).is_err(), "cut after {length} of {} bytes", whole.len());
        }
    }

    #[test]
    fn what_a_phone_appends_behind_the_picture_does_no_harm() {
        let mut bytes = jpeg(320, 200);
        bytes.extend_from_slice(b"....ftypmp42 a short film \xFF\xDA with a stray marker");
        assert!(Photo::read(&bytes).is_ok());
    }
}
