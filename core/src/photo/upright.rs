//! Turning what the sensor saw into the upright picture, as EXIF's orientation (1–8) asks.

/// EXIF orientation, 1–8; 1 is upright as stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Orientation(u8);

impl Orientation {
    /// Upright as stored.
    pub const UPRIGHT: Self = Self(1);

    /// From EXIF's number; anything outside 1–8 counts as upright, as viewers do.
    pub fn from_exif(number: u32) -> Self {
        u8::try_from(number).ok().filter(|n| (1..=8).contains(n)).map_or(Self::UPRIGHT, Self)
    }

    /// Whether width and height change places.
    pub fn swaps_sides(self) -> bool {
        self.0 >= 5
    }

    /// Where the stored pixel lies that shows at (x, y) of the upright picture; `width` and `height` are the stored ones.
    fn stored(self, x: usize, y: usize, width: usize, height: usize) -> (usize, usize) {
        let (right, bottom) = (width - 1, height - 1);
        match self.0 {
            2 => (right - x, y),
            3 => (right - x, bottom - y),
            4 => (x, bottom - y),
            5 => (y, x),
            6 => (y, bottom - x),
            7 => (right - y, bottom - x),
            8 => (right - y, x),
            _ => (x, y),
        }
    }
}

/// The pixels (`channels` bytes each, row by row) in upright order, with the upright width and height.
pub(super) fn turn(
    pixels: Vec<u8>,
    width: usize,
    height: usize,
    channels: usize,
    how: Orientation,
) -> (Vec<u8>, usize, usize) {
    if how == Orientation::UPRIGHT {
        return (pixels, width, height);
    }
    let (upright_width, upright_height) = if how.swaps_sides() { (height, width) } else { (width, height) };
    let mut upright = Vec::with_capacity(pixels.len());
    for y in 0..upright_height {
        for x in 0..upright_width {
            let (sx, sy) = how.stored(x, y, width, height);
            let at = (sy * width + sx) * channels;
            upright.extend_from_slice(&pixels[at..at + channels]);
        }
    }
    (upright, upright_width, upright_height)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The upright 3 × 2 picture `abc / def` as EXIF 2.32 (tag 0x0112) would have it stored for each orientation.
    const STORED: [(u32, &str, usize); 8] = [
        (1, "abcdef", 3),
        (2, "cbafed", 3),
        (3, "fedcba", 3),
        (4, "defabc", 3),
        (5, "adbecf", 2),
        (6, "cfbead", 2),
        (7, "fcebda", 2),
        (8, "daebfc", 2),
    ];

    #[test]
    fn a_picture_is_upright_however_the_phone_was_held() {
        for (number, stored, width) in STORED {
            let how = Orientation::from_exif(number);
            let (upright, w, h) = turn(stored.into(), width, 6 / width, 1, how);
            assert_eq!((upright.as_slice(), w, h), (b"abcdef".as_slice(), 3, 2), "orientation {number}");
        }
    }

    #[test]
    fn an_orientation_that_does_not_exist_counts_as_upright() {
        assert_eq!(Orientation::from_exif(0), Orientation::UPRIGHT);
        assert_eq!(Orientation::from_exif(9), Orientation::UPRIGHT);
    }
}
