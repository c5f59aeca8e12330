//! A trail from positions in a plane, as a photograph with a scale gives them: the direction of travel is found first.

use super::{TrailError, TrailPrint, TrailPrints};
use crate::print::{Foot, Side};

impl TrailPrints {
    /// From print positions in one plane, mm, in any direction (x right, y down or up), with their standard uncertainty, mm.
    /// The distance along is taken in the direction in which the prints stretch furthest; which way the animal went stays open.
    ///
    /// ```
    /// use rakelight_core::{print::{Foot, Side}, trail::TrailPrints};
    /// let unknown = (Foot::Unknown, Side::Unknown);
    /// let trail = TrailPrints::from_plane(&[([0.0, 0.0], unknown), ([0.0, 300.0], unknown)], 5.0)?;
    /// assert!((trail.prints[1].along_cm - trail.prints[0].along_cm).abs() - 30.0 < 1e-9);
    /// # Ok::<(), rakelight_core::trail::TrailError>(())
    /// ```
    pub fn from_plane(prints_mm: &[([f64; 2], (Foot, Side))], u_position_mm: f64) -> Result<Self, TrailError> {
        if prints_mm.len() < 2 {
            return Err(TrailError::TooFew { prints: prints_mm.len() });
        }
        if let Some(print) = prints_mm.iter().position(|([x, y], _)| !(x.is_finite() && y.is_finite())) {
            return Err(TrailError::NotFinite { print });
        }
        let n = prints_mm.len() as f64;
        let [mx, my] = prints_mm.iter().fold([0.0; 2], |[a, b], ([x, y], _)| [a + x / n, b + y / n]);
        let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
        for ([x, y], _) in prints_mm {
            xx += (x - mx).powi(2);
            xy += (x - mx) * (y - my);
            yy += (y - my).powi(2);
        }
        // The principal axis of the second moments.
        let (sin, cos) = (0.5 * (2.0 * xy).atan2(xx - yy)).sin_cos();
        let print = |&([x, y], (foot, side)): &([f64; 2], (Foot, Side))| TrailPrint {
            along_cm: ((x - mx) * cos + (y - my) * sin) / 10.0,
            offset_cm: ((y - my) * cos - (x - mx) * sin) / 10.0,
            foot,
            side,
        };
        Ok(Self {
            prints: prints_mm.iter().map(print).collect(),
            u_position_cm: u_position_mm / 10.0,
            ..Self::default()
        })
    }
}
