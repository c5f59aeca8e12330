//! How a lens bends straight lines: one number, growing with the square of the distance from the axis (Brown 1971, k1).

use nalgebra::{Matrix2, Vector2};

/// A point at the distance r from the axis (as a share of half the picture's diagonal) is seen at r (1 + bend · r²).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lens {
    /// Where the axis meets the picture, px.
    centre_px: [f64; 2],
    /// Half the picture's diagonal, px; zero for a lens that bends nothing.
    radius_px: f64,
    /// How much it bends; negative for a barrel.
    pub(super) bend: f64,
}

/// Phones correct most of what their lenses bend. At half the diagonal of a usual phone camera (24–28 mm equivalent) ±0.06 of k1
/// are ±0.045: a standard uncertainty of 0.03 covers that (assumed).
const U_BEND: f64 = 0.03;
/// A bend that is known to be none.
const U_NO_BEND: f64 = 1e-9;

impl Lens {
    /// Bends nothing.
    pub const NONE: Self = Self { centre_px: [0.0; 2], radius_px: 0.0, bend: 0.0 };

    /// The lens of a whole picture, whose bending isn't known yet. A crop has its axis elsewhere.
    pub fn of_picture(width_px: usize, height_px: usize) -> Self {
        let (w, h) = (width_px as f64, height_px as f64);
        Self { centre_px: [(w - 1.0) / 2.0, (h - 1.0) / 2.0], radius_px: w.hypot(h) / 2.0, bend: 0.0 }
    }

    /// What is known of the bend beforehand (standard uncertainty around none).
    pub(super) fn u_bend(&self) -> f64 {
        if self.radius_px > 0.0 { U_BEND } else { U_NO_BEND }
    }

    /// Where a point is seen that a straight lens would show at `px`.
    pub(super) fn bend(&self, px: [f64; 2]) -> [f64; 2] {
        let factor = 1.0 + self.bend * self.r_squared(px);
        self.around_centre(px, factor)
    }

    /// Where a straight lens would show the point that is seen at `px`.
    pub(super) fn undo(&self, px: [f64; 2]) -> [f64; 2] {
        let mut straight = px;
        // Each round leaves a share of the error that is about three times the bend.
        for _ in 0..20 {
            straight = self.around_centre(px, 1.0 / (1.0 + self.bend * self.r_squared(straight)));
        }
        straight
    }

    /// How the seen point answers to the straight one, and to the bend.
    pub(super) fn slopes(&self, straight: [f64; 2]) -> (Matrix2<f64>, Vector2<f64>) {
        if self.radius_px == 0.0 {
            return (Matrix2::identity(), Vector2::zeros());
        }
        let d = Vector2::new(straight[0] - self.centre_px[0], straight[1] - self.centre_px[1]) / self.radius_px;
        let r_squared = d.norm_squared();
        let by_place = Matrix2::identity() * (1.0 + self.bend * r_squared) + d * d.transpose() * (2.0 * self.bend);
        (by_place, d * (r_squared * self.radius_px))
    }

    fn r_squared(&self, [x, y]: [f64; 2]) -> f64 {
        if self.radius_px == 0.0 {
            return 0.0;
        }
        ((x - self.centre_px[0]).powi(2) + (y - self.centre_px[1]).powi(2)) / self.radius_px.powi(2)
    }

    fn around_centre(&self, [x, y]: [f64; 2], factor: f64) -> [f64; 2] {
        let [cx, cy] = self.centre_px;
        [cx + (x - cx) * factor, cy + (y - cy) * factor]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_lens_bends_can_be_undone() {
        for bend in [-0.06, 0.0, 0.06] {
            let lens = Lens { bend, ..Lens::of_picture(4000, 3000) };
            for px in [[0.0, 0.0], [2000.0, 1500.0], [3999.0, 2999.0], [1234.5, 2345.6]] {
                let back = lens.undo(lens.bend(px));
                assert!((back[0] - px[0]).abs() < 1e-6 && (back[1] - px[1]).abs() < 1e-6, "{bend}: {px:?} {back:?}");
            }
        }
    }
}
