//! Whether a file that was sent is a photograph, by its first bytes and its stated size: nothing is decoded.

use std::io::{self, BufReader};
use std::path::Path;

use image::{ImageError, ImageFormat, ImageReader};

/// Larger pictures are refused: no camera takes them, and decoding one would fill the memory.
const MOST_MEGAPIXELS: u64 = 300;

/// Why it isn't one, and what to do.
pub fn refusal(file: &Path) -> io::Result<Option<String>> {
    let reader = ImageReader::new(BufReader::new(std::fs::File::open(file)?)).with_guessed_format()?;
    if !matches!(reader.format(), Some(ImageFormat::Jpeg | ImageFormat::Png)) {
        return Ok(Some("it isn't a JPEG or PNG file: send photographs as the camera wrote them".into()));
    }
    Ok(match reader.into_dimensions() {
        Err(ImageError::IoError(error)) if error.kind() != io::ErrorKind::UnexpectedEof => return Err(error),
        Err(_) => Some("it states no size that can be read: copy it from the camera or phone again".into()),
        Ok((width, height)) if u64::from(width) * u64::from(height) > MOST_MEGAPIXELS * 1_000_000 => {
            Some(format!("{width} × {height} pixels are over {MOST_MEGAPIXELS} megapixels: export it smaller"))
        }
        Ok(_) => None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refusal_of(bytes: &[u8]) -> Option<String> {
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(file.path(), bytes).unwrap();
        refusal(file.path()).unwrap()
    }

    fn encoded(format: ImageFormat) -> Vec<u8> {
        let mut bytes = io::Cursor::new(Vec::new());
        image::GrayImage::from_pixel(320, 240, image::Luma([90])).write_to(&mut bytes, format).unwrap();
        bytes.into_inner()
    }

    #[test]
    fn photographs_pass_and_all_else_is_refused_with_a_reason() {
        let (jpeg, png) = (encoded(ImageFormat::Jpeg), encoded(ImageFormat::Png));
        assert_eq!((refusal_of(&jpeg), refusal_of(&png)), (None, None));
        for other in [&b""[..], b"GIF89a....", b"<html>", b"%PDF-1.7"] {
            assert!(refusal_of(other).unwrap().contains("JPEG or PNG"));
        }
        assert!(refusal_of(&jpeg[..20]).is_some() && refusal_of(&png[..20]).is_some());
    }

    /// ITU-T T.81, B.2.2: height and width stand five bytes behind the frame's marker; W3C PNG, 11.2.1: in the header's first eight bytes.
    #[test]
    fn a_picture_that_states_too_many_pixels_is_refused_undecoded() {
        let mut jpeg = encoded(ImageFormat::Jpeg);
        let at = jpeg.windows(2).position(|w| w == [0xFF, 0xC0]).unwrap();
        jpeg[at + 5..at + 9].copy_from_slice(&[0xFF; 4]);
        assert!(refusal_of(&jpeg).unwrap().contains("65535 × 65535"));
        let mut png = encoded(ImageFormat::Png);
        png[16..24].copy_from_slice(&[0, 1, 0, 0, 0, 1, 0, 0]);
        assert!(refusal_of(&png).is_some());
    }
}
