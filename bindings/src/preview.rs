//! What the camera's preview shows, frame by frame: the scale card, or an invitation's QR code.
//!
//! The one place where pixels cross: a luma plane of one byte a pixel in a direct buffer, a few times a second.

use rakelight_core::photo::{self, Luma, PlaneError};
use rakelight_core::scale::preview::{self, Word};

use crate::{Point, ShellError};

/// What the worker does next; the first of these that holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, uniffi::Enum)]
pub enum PreviewWord {
    /// Lay the card flat into the picture: there is none, or none that gives a scale (mirrored, bent, two that disagree).
    NoCard,
    /// Get all of the card into the picture, and nothing on it.
    PartOfCard,
    /// Go nearer.
    TooFar,
    /// Hold still, or let the camera focus.
    Blurred,
    /// Hold the camera straight above.
    TooSteep,
    /// Take the photograph.
    Good,
}

/// What a preview shows of the card.
#[derive(Debug, Clone, PartialEq, uniffi::Record)]
pub struct PreviewSeen {
    /// The card's outline, px of the preview; empty where the card wasn't found.
    pub card: Vec<Point>,
    /// Whether the card's printed edges are sharp.
    pub sharp: bool,
    /// Pixels a millimetre that the photograph will have in the middle of the card.
    pub px_per_mm_in_photo: Option<f64>,
    /// About how far from straight down the camera looks, degrees.
    pub tilt_deg: Option<f64>,
    /// What to do next.
    pub word: PreviewWord,
}

/// Looks for the scale card in a preview that shows all that the photograph will, as the sensor lies or upright. `luma`: one byte a
/// pixel, 0 black, rows `row_stride_px` bytes apart; `photo_width_px`: how wide the photograph will be along the preview's rows.
/// Sizes that don't fit the bytes are a [`ShellError::BadInput`].
#[uniffi::export]
pub fn look_at_preview(
    luma: &[u8],
    width_px: i32,
    height_px: i32,
    row_stride_px: i32,
    photo_width_px: i32,
) -> Result<PreviewSeen, ShellError> {
    let luma = Luma::of_plane(luma, width_px.into(), height_px.into(), row_stride_px.into())?;
    if photo_width_px < width_px {
        let detail = format!("a photograph {photo_width_px} px wide is narrower than its preview of {width_px} px");
        return Err(ShellError::BadInput { detail });
    }
    Ok(preview::look(&luma, photo_width_px.into())?.into())
}

/// The text of a QR code in a preview; none where there is none that can be read. The plane as in [`look_at_preview`].
#[uniffi::export]
pub fn read_code(luma: &[u8], width_px: i32, height_px: i32, row_stride_px: i32) -> Result<Option<String>, ShellError> {
    Ok(photo::read_code(&Luma::of_plane(luma, width_px.into(), height_px.into(), row_stride_px.into())?))
}

impl From<PlaneError> for ShellError {
    fn from(error: PlaneError) -> Self {
        Self::input(error)
    }
}

impl From<preview::Seen> for PreviewSeen {
    fn from(seen: preview::Seen) -> Self {
        Self {
            card: seen.outline_px.into_iter().map(Point::from).collect(),
            sharp: seen.sharp,
            px_per_mm_in_photo: seen.px_per_mm_in_photo,
            tilt_deg: seen.tilt_deg,
            word: match seen.word {
                Word::NoCard => PreviewWord::NoCard,
                Word::PartOfCard => PreviewWord::PartOfCard,
                Word::TooFar => PreviewWord::TooFar,
                Word::Blurred => PreviewWord::Blurred,
                Word::TooSteep => PreviewWord::TooSteep,
                Word::Good => PreviewWord::Good,
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_photographs_own_plane_between_longer_rows_is_good_and_wrong_sizes_are_the_callers_to_mend() {
        let photo = concat!(env!("CARGO_MANIFEST_DIR"), "/../fixtures/demo-visit/IMG_0101.jpg");
        let luma = photo::Photo::read(&std::fs::read(photo).unwrap()).unwrap().luma;
        let (width, height, stride) = (luma.width as i32, luma.height as i32, luma.width + 64);
        let plane: Vec<u8> =
            luma.pixels.chunks(luma.width).flat_map(|row| row.iter().copied().chain([255; 64])).collect();
        assert_eq!(plane.len(), luma.height * stride);
        let seen = look_at_preview(&plane, width, height, stride as i32, 2 * width).unwrap();
        assert_eq!((seen.word, seen.card.len()), (PreviewWord::Good, 6), "{seen:?}");
        assert_eq!(read_code(&plane, width, height, stride as i32).unwrap(), None);
        let stride = stride as i32;
        for (width, height, stride, photo_width) in [
            (0, height, stride, 4000),
            (width, -1, stride, 4000),
            (width, height, width - 1, 4000),
            (width, height + 1, stride, 4000),
            (i32::MAX, i32::MAX, i32::MAX, i32::MAX),
            (width, height, stride, 0),
        ] {
            let refused = look_at_preview(&plane, width, height, stride, photo_width).unwrap_err();
            assert!(matches!(refused, ShellError::BadInput { .. }), "{refused}");
        }
        assert!(matches!(read_code(&plane, width, height + 1, stride), Err(ShellError::BadInput { .. })));
    }
}
