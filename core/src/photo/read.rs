//! From a file's bytes to an upright picture, or to a clear reason why not.

use zune_core::colorspace::ColorSpace;

use super::kind::Kind;
use super::{Orientation, Taken, digest, jpeg, png, upright};

/// Larger pictures are refused before anything is decoded.
pub const MAX_MEGAPIXELS: usize = 120;
/// Larger progressive JPEG files are refused: all their coefficients must be kept in memory until the last scan.
pub const MAX_PROGRESSIVE_MEGAPIXELS: usize = 80;
/// Smaller pictures can't show a print with a scale.
pub const MIN_SIDE_PX: usize = 160;

/// Why a file is left out; each says what to do.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PhotoError {
    /// No bytes.
    #[error("the file is empty (0 bytes): copy it from the camera or phone again")]
    Empty,
    /// Another kind of file.
    #[error("not a JPEG or PNG file but {what}: {what_to_do}")]
    OtherKind {
        /// What its first bytes look like.
        what: &'static str,
        /// How to come by a JPEG file.
        what_to_do: &'static str,
    },
    /// The end is missing.
    #[error("the {format} file is cut off after {bytes} bytes: copy it from the camera or phone again")]
    Truncated {
        /// JPEG or PNG.
        format: &'static str,
        /// How many bytes there are.
        bytes: usize,
    },
    /// Can't be decoded.
    #[error("the {format} file is damaged ({detail}): copy it from the camera or phone again")]
    Damaged {
        /// JPEG or PNG.
        format: &'static str,
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
    /// A progressive JPEG file of more than [`MAX_PROGRESSIVE_MEGAPIXELS`].
    #[error(
        "{width_px} × {height_px} pixels in a progressive JPEG file are over {MAX_PROGRESSIVE_MEGAPIXELS} megapixels: \
         use the photograph as taken, or export it without 'progressive'"
    )]
    ProgressiveTooLarge {
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

/// What a file tells before its pixels are decoded.
#[derive(Default)]
pub(super) struct Frame<'a> {
    pub width_px: usize,
    pub height_px: usize,
    /// Whether a JPEG file's pixels come in several scans.
    pub progressive: bool,
    /// The TIFF structure of its EXIF.
    pub exif: Option<&'a [u8]>,
}

impl Photo {
    /// Decodes a JPEG or PNG file's bytes.
    ///
    /// ```
    /// use rakelight_core::photo::{Photo, PhotoError};
    /// assert_eq!(Photo::read(b"").unwrap_err(), PhotoError::Empty);
    /// ```
    pub fn read(bytes: &[u8]) -> Result<Self, PhotoError> {
        let file = File::open(bytes)?;
        let (pixels, width, height) = file.decode(ColorSpace::Luma)?;
        let luma = Luma { width, height, pixels };
        Ok(Self { sha256: digest(bytes), has_exif: file.frame.exif.is_some(), taken: file.taken, luma })
    }
}

/// The upright picture in colour (RGB, 8 bits), for showing.
pub fn read_colour(bytes: &[u8]) -> Result<image::RgbImage, PhotoError> {
    let file = File::open(bytes)?;
    let (pixels, width, height) = file.decode(ColorSpace::RGB)?;
    let picture = image::RgbImage::from_raw(width as u32, height as u32, pixels);
    picture.ok_or(PhotoError::TooLarge { width_px: width, height_px: height })
}

/// A file that can be decoded.
struct File<'a> {
    bytes: &'a [u8],
    decoder: Decoder,
    frame: Frame<'a>,
    taken: Taken,
}

/// From bytes and wanted colours to pixels as stored, width and height.
type Decoder = fn(&[u8], ColorSpace) -> Result<(Vec<u8>, usize, usize), PhotoError>;

impl<'a> File<'a> {
    fn open(bytes: &'a [u8]) -> Result<Self, PhotoError> {
        if bytes.is_empty() {
            return Err(PhotoError::Empty);
        }
        let (frame, decoder): (_, Decoder) = match Kind::of(bytes) {
            Kind::Jpeg => (jpeg::examine(bytes)?, jpeg::decode),
            Kind::Png => (png::examine(bytes)?, png::decode),
            Kind::Other { what, what_to_do } => return Err(PhotoError::OtherKind { what, what_to_do }),
        };
        let (width_px, height_px) = (frame.width_px, frame.height_px);
        let pixels = width_px.saturating_mul(height_px);
        if pixels > MAX_MEGAPIXELS * 1_000_000 {
            return Err(PhotoError::TooLarge { width_px, height_px });
        }
        if frame.progressive && pixels > MAX_PROGRESSIVE_MEGAPIXELS * 1_000_000 {
            return Err(PhotoError::ProgressiveTooLarge { width_px, height_px });
        }
        if width_px.min(height_px) < MIN_SIDE_PX {
            return Err(PhotoError::TooSmall { width_px, height_px });
        }
        let taken = frame.exif.map(|tiff| Taken::read(tiff, [width_px, height_px])).unwrap_or_default();
        Ok(Self { bytes, decoder, frame, taken })
    }

    /// The upright picture's pixels, width and height.
    fn decode(&self, colours: ColorSpace) -> Result<(Vec<u8>, usize, usize), PhotoError> {
        let (pixels, width, height) = (self.decoder)(self.bytes, colours)?;
        let orientation = self.taken.orientation.unwrap_or(Orientation::UPRIGHT);
        Ok(upright::turn(pixels, width, height, colours.num_components(), orientation))
    }
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

    /// The same as PNG.
    fn png(width: u32, height: u32) -> Vec<u8> {
        let mut bytes = std::io::Cursor::new(Vec::new());
        let pixels = image::GrayImage::from_fn(width, height, |x, y| image::Luma([(x * 7 + y * 3) as u8]));
        pixels.write_to(&mut bytes, image::ImageFormat::Png).unwrap();
        bytes.into_inner()
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
        assert!(matches!(reason(b"dear diary"), PhotoError::OtherKind { what: "a text", .. }));
        assert!(matches!(reason(&whole[..whole.len() / 2]), PhotoError::Truncated { .. }));
        assert!(matches!(reason(&whole[..20]), PhotoError::Truncated { .. }));
        assert!(matches!(reason(&jpeg(1, 1)), PhotoError::TooSmall { width_px: 1, height_px: 1 }));
        // Refused by the stated size alone: there aren't the bytes for such a picture.
        assert!(matches!(reason(&claiming(whole.clone(), 20_000, 6_001)), PhotoError::TooLarge { .. }));
        let mut progressive = claiming(whole.clone(), 20_000, 4_001);
        let at = progressive.windows(2).position(|w| w == [0xFF, 0xC0]).unwrap();
        progressive[at + 1] = 0xC2;
        assert!(matches!(reason(&progressive), PhotoError::ProgressiveTooLarge { .. }));
        assert!(matches!(reason(&with_broken_tables(whole)), PhotoError::Damaged { .. }));
    }

    #[test]
    fn every_cut_of_a_photograph_is_noticed() {
        for whole in [jpeg(200, 180), png(200, 180)] {
            for length in 0..whole.len() {
                assert!(Photo::read(&whole[..length]).is_err(), "cut after {length} of {} bytes", whole.len());
            }
        }
    }

    #[test]
    fn a_changed_byte_among_a_png_files_pixels_is_noticed() {
        let whole = png(200, 180);
        let at = whole.windows(4).position(|w| w == b"IDAT").unwrap() + 4;
        for i in (at..whole.len() - 12).step_by(37) {
            let mut changed = whole.clone();
            changed[i] ^= 0x10;
            assert!(Photo::read(&changed).is_err(), "byte {i}");
        }
    }

    #[test]
    fn what_a_phone_appends_behind_the_picture_does_no_harm() {
        let mut bytes = jpeg(320, 200);
        bytes.extend_from_slice(b"....ftypmp42 a short film \xFF\xDA with a stray marker");
        assert!(Photo::read(&bytes).is_ok());
    }
}
