//! Sheets and coins of known size, and lengths by hand; the numbers with their sources stand in `core/data/scales.toml`.

use serde::Deserialize;

use super::taps::KnownError;

/// A flat rectangle of known size.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sheet {
    /// `id1`, `a4`, `a5`.
    pub id: String,
    /// The longer side, mm.
    pub width_mm: f64,
    /// The shorter side, mm.
    pub height_mm: f64,
    /// Half of what the standard allows for each, mm.
    pub tolerance_mm: [f64; 2],
    /// How far from a corner its sides aren't straight, mm.
    pub corner_radius_mm: f64,
    /// Whether it stretches and warps when wet.
    pub paper: bool,
    /// Where the numbers come from.
    pub source: String,
    /// How well that is known.
    pub status: String,
}

/// A coin of known size.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Coin {
    /// `1c` … `50c`, `1eur`, `2eur`.
    pub id: String,
    /// mm.
    pub diameter_mm: f64,
    /// How far its face lies above the ground, mm.
    pub thickness_mm: f64,
    /// Half of what the diameter may differ, mm.
    pub tolerance_mm: f64,
    /// Where the numbers come from.
    pub source: String,
    /// How well that is known.
    pub status: String,
}

/// A length read off a ruler without a photograph.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ByHand {
    /// Its standard uncertainty, mm.
    pub u_mm: f64,
    /// Where the number comes from.
    pub source: String,
    /// How well that is known.
    pub status: String,
}

impl ByHand {
    /// What is held of it.
    ///
    /// ```
    /// assert_eq!(rakelight_core::scale::ByHand::known().unwrap().u_mm, 2.0);
    /// ```
    ///
    /// # Errors
    /// The data can't be read: a mistake in the build.
    pub fn known() -> Result<Self, KnownError> {
        known().map(|known| known.by_hand)
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Known {
    by_hand: ByHand,
    sheet: Vec<Sheet>,
    coin: Vec<Coin>,
}

fn known() -> Result<Known, KnownError> {
    toml::from_str(include_str!("../../data/scales.toml")).map_err(|e| KnownError::Data { detail: e.to_string() })
}

impl Sheet {
    /// The sheet of this name.
    ///
    /// ```
    /// use rakelight_core::scale::Sheet;
    /// assert_eq!(Sheet::named("id1").unwrap().width_mm, 85.60);
    /// assert!(Sheet::named("a7").unwrap_err().to_string().contains("id1, a4, a5"));
    /// ```
    pub fn named(id: &str) -> Result<Self, KnownError> {
        let sheets = known()?.sheet;
        let ids = sheets.iter().map(|sheet| sheet.id.clone()).collect::<Vec<_>>().join(", ");
        sheets
            .into_iter()
            .find(|sheet| sheet.id == id)
            .ok_or_else(|| KnownError::Unknown { what: id.into(), known: ids })
    }

    /// Relative standard uncertainty of its size: the tolerance as a rectangle, of the side that is worse off.
    pub fn u_relative(&self) -> f64 {
        let [width, height] = self.tolerance_mm;
        (width / self.width_mm).max(height / self.height_mm) / 3.0_f64.sqrt()
    }
}

impl Coin {
    /// The coin of this name.
    pub fn named(id: &str) -> Result<Self, KnownError> {
        let coins = known()?.coin;
        let ids = coins.iter().map(|coin| coin.id.clone()).collect::<Vec<_>>().join(", ");
        coins.into_iter().find(|coin| coin.id == id).ok_or_else(|| KnownError::Unknown { what: id.into(), known: ids })
    }

    /// Relative standard uncertainty of lengths on the ground: the diameter's tolerance, and the thickness by which its face is
    /// nearer to a camera at this height than the ground is.
    pub fn u_relative(&self, height_mm: f64) -> f64 {
        (self.tolerance_mm / self.diameter_mm / 3.0_f64.sqrt()).hypot(self.thickness_mm / height_mm)
    }
}
