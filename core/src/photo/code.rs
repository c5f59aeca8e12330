//! A QR code (ISO/IEC 18004) in a picture: the base's invitation, as the phone's camera sees it.

use rqrr::PreparedImage;

use super::Luma;

/// The text of the first QR code in a picture that can be read; none where there is none, or none whole. What lies around the middle is
/// looked at a second time, doubled: with a few pixels a module the reader takes a corner wrong by a pixel, which spoils a large code.
pub fn read_code(luma: &Luma) -> Option<String> {
    read(luma).or_else(|| read(&middle_doubled(luma)))
}

fn read(luma: &Luma) -> Option<String> {
    let mut picture =
        PreparedImage::prepare_from_greyscale(luma.width, luma.height, |x, y| luma.pixels[y * luma.width + x]);
    picture.detect_grids().iter().find_map(|grid| Some(grid.decode().ok()?.1))
}

/// The middle half of both sides with twice as many pixels, bilinear.
fn middle_doubled(luma: &Luma) -> Luma {
    let (width, height) = (luma.width / 2 * 2, luma.height / 2 * 2);
    // Of each new pixel, the old one that it lies in and its nearest neighbour; a quarter is left over around.
    let old = |at: usize, side: usize| {
        let own = side / 4 + at / 2;
        (own, if at.is_multiple_of(2) { own.saturating_sub(1) } else { (own + 1).min(side - 1) })
    };
    let value = |x: usize, y: usize| u32::from(luma.pixels[y * luma.width + x]);
    let pixels = (0..height).flat_map(|y| (0..width).map(move |x| (x, y))).map(|(x, y)| {
        let ((x, beside), (y, above)) = (old(x, luma.width), old(y, luma.height));
        ((9 * value(x, y) + 3 * (value(beside, y) + value(x, above)) + value(beside, above)) / 16) as u8
    });
    Luma { width, height, pixels: pixels.collect() }
}
