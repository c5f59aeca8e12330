//! The brightness that a camera's preview hands over, as a picture.

use super::{Luma, MAX_MEGAPIXELS, MIN_SIDE_PX};

/// Why a preview's plane can't be read: the caller handed over other numbers than the camera gave.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PlaneError {
    /// Too small to show anything, or larger than any preview.
    #[error(
        "a preview of {width_px} × {height_px} px: choose one of at least {MIN_SIDE_PX} px a side and at most {MAX_MEGAPIXELS} megapixels"
    )]
    Size {
        /// Pixels across.
        width_px: i64,
        /// Pixels down.
        height_px: i64,
    },
    /// Rows overlap.
    #[error("rows {row_stride_px} px apart can't hold {width_px} px each: hand over the plane's own row stride")]
    Stride {
        /// From a row's first byte to the next one's.
        row_stride_px: i64,
        /// Pixels across.
        width_px: i64,
    },
    /// The end is missing.
    #[error("the plane has {bytes} bytes where {needed} are needed: hand over the whole luma plane, a byte a pixel")]
    Short {
        /// Handed over.
        bytes: usize,
        /// Asked for.
        needed: usize,
    },
}

impl Luma {
    /// The picture in a luma plane of one byte a pixel (0 black to 255 white, not linear in light), whose rows begin `row_stride_px` bytes
    /// apart; the last row may end with its last pixel.
    ///
    /// ```
    /// use rakelight_core::photo::Luma;
    /// let picture = Luma::of_plane(&[90; 200 * 256], 180, 200, 256)?;
    /// assert_eq!((picture.width, picture.height, picture.pixels.len()), (180, 200, 180 * 200));
    /// # Ok::<(), rakelight_core::photo::PlaneError>(())
    /// ```
    pub fn of_plane(bytes: &[u8], width_px: i64, height_px: i64, row_stride_px: i64) -> Result<Self, PlaneError> {
        let size = |side: i64| usize::try_from(side).ok().filter(|side| (MIN_SIDE_PX..=1 << 16).contains(side));
        let sides = size(width_px).zip(size(height_px)).filter(|(w, h)| w * h <= MAX_MEGAPIXELS * 1_000_000);
        let (width, height) = sides.ok_or(PlaneError::Size { width_px, height_px })?;
        let stride = usize::try_from(row_stride_px).ok().filter(|stride| (width..=1 << 20).contains(stride));
        let stride = stride.ok_or(PlaneError::Stride { row_stride_px, width_px })?;
        let needed = (height - 1) * stride + width;
        if bytes.len() < needed {
            return Err(PlaneError::Short { bytes: bytes.len(), needed });
        }
        let pixels = bytes.chunks(stride).take(height).flat_map(|row| &row[..width]).copied().collect();
        Ok(Self { width, height, pixels })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_lies_between_rows_is_no_part_of_the_picture() {
        let bytes: Vec<u8> = (0..200 * 256).map(|at| if at % 256 < 180 { (at / 256) as u8 } else { 255 }).collect();
        let luma = Luma::of_plane(&bytes[..199 * 256 + 180], 180, 200, 256).unwrap();
        assert!(luma.pixels.chunks(180).enumerate().all(|(y, row)| row.iter().all(|&pixel| pixel == y as u8)));
    }

    #[test]
    fn numbers_that_dont_fit_the_bytes_are_refused() {
        let bytes = [0; 200 * 256];
        let refused = |width, height, stride| Luma::of_plane(&bytes, width, height, stride).unwrap_err();
        assert!(matches!(refused(0, 200, 256), PlaneError::Size { .. }));
        assert!(matches!(refused(180, -1, 256), PlaneError::Size { .. }));
        assert!(matches!(refused(i64::MAX, i64::MAX, i64::MAX), PlaneError::Size { .. }));
        assert!(matches!(refused(60_000, 60_000, 60_000), PlaneError::Size { .. }));
        assert!(matches!(refused(180, 200, 179), PlaneError::Stride { .. }));
        assert!(matches!(refused(180, 200, i64::MAX), PlaneError::Stride { .. }));
        assert!(matches!(refused(180, 201, 256), PlaneError::Short { .. }));
    }
}
