//! A QR code (ISO/IEC 18004) in a picture: the base's invitation, as the phone's camera sees it.

use rqrr::PreparedImage;

use super::Luma;

/// The text of the first QR code in a picture that can be read; none where there is none, or none whole.
pub fn read_code(luma: &Luma) -> Option<String> {
    let mut picture =
        PreparedImage::prepare_from_greyscale(luma.width, luma.height, |x, y| luma.pixels[y * luma.width + x]);
    picture.detect_grids().iter().find_map(|grid| Some(grid.decode().ok()?.1))
}
