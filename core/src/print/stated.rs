//! What gives a photograph's scale, as a visit's or a trail's file states it.

use serde::{Deserialize, Serialize};

use super::seen::ScaleKind;
use crate::scale::{Coin, Ellipse, KnownError, Sheet};

/// What gives a photograph's scale.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum StatedScale {
    /// Our card.
    Card,
    /// A bank card.
    Id1(SheetCorners),
    /// A sheet of paper.
    A4(SheetCorners),
    /// A sheet of paper.
    A5(SheetCorners),
    /// A euro coin by its outline, an ellipse.
    Coin {
        /// Which: `1c` … `50c`, `1eur`, `2eur`.
        kind: String,
        /// Its middle, px.
        centre_px: [f64; 2],
        /// Its two half axes, px.
        half_axes_px: [f64; 2],
        /// Which way the first half axis points, degrees clockwise from +x.
        deg: f64,
    },
    /// Two points on a ruler.
    Ruler {
        /// px.
        from_px: [f64; 2],
        /// px.
        to_px: [f64; 2],
        /// mm between them.
        length_mm: f64,
    },
}

/// Where a sheet's straight sides meet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SheetCorners {
    /// Clockwise from any, px.
    pub corners_px: [[f64; 2]; 4],
}

impl StatedScale {
    /// The same as measuring takes it.
    ///
    /// ```
    /// use rakelight_core::print::{ScaleKind, StatedScale};
    /// let ruler: StatedScale = serde_json::from_str(r#"{"ruler": {"from_px": [0, 0], "to_px": [900, 0], "length_mm": 100}}"#)?;
    /// assert!(matches!(ruler.kind(), Ok(ScaleKind::Ruler { length_mm: 100.0, .. })));
    /// # Ok::<(), serde_json::Error>(())
    /// ```
    ///
    /// # Errors
    /// A coin that isn't known.
    pub fn kind(&self) -> Result<ScaleKind, KnownError> {
        let sheet = |id: &str, corners: &SheetCorners| {
            Sheet::named(id).map(|sheet| ScaleKind::Sheet { sheet, taps: corners.corners_px })
        };
        match *self {
            Self::Card => Ok(ScaleKind::Card),
            Self::Id1(ref corners) => sheet("id1", corners),
            Self::A4(ref corners) => sheet("a4", corners),
            Self::A5(ref corners) => sheet("a5", corners),
            Self::Coin { ref kind, centre_px, half_axes_px, deg } => {
                let ellipse = Ellipse { centre_px, half_axes_px, deg };
                Coin::named(kind).map(|coin| ScaleKind::Coin { coin, ellipse })
            }
            Self::Ruler { from_px, to_px, length_mm } => Ok(ScaleKind::Ruler { from_px, to_px, length_mm }),
        }
    }
}
