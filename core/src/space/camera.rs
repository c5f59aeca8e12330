//! A camera: where it stands, and how it shows a point.

use nalgebra::{Matrix2x3, Matrix3, Rotation3, Vector2, Vector3};

use super::View;
use crate::scale::{self, Plane};

/// Where a camera stands: a point of the card's frame `X` lies at `rotation · X + shift_mm` of the camera's (x right, y down,
/// z forward).
#[derive(Debug, Clone, Copy)]
pub struct Pose {
    /// From the card's axes to the camera's.
    pub rotation: Matrix3<f64>,
    /// The card's origin as the camera has it, mm.
    pub shift_mm: Vector3<f64>,
}

/// What a lens does (Brown 1971, k1 only): a direction (x, y, 1) is seen `focal_px · (1 + k1 · r²) · (x, y)` beside the picture's
/// middle, r² = x² + y².
#[derive(Debug, Clone, Copy)]
pub struct Lens {
    /// px.
    pub focal_px: f64,
    /// Negative for a barrel.
    pub k1: f64,
}

/// How a seen point answers to a small change of everything that it depends on, px.
pub(super) struct Slopes {
    pub turn: Matrix2x3<f64>,
    pub shift: Matrix2x3<f64>,
    pub point: Matrix2x3<f64>,
    pub ln_focal: Vector2<f64>,
    pub k1: Vector2<f64>,
}

impl Pose {
    /// Where the camera stands in the card's frame, mm.
    pub fn camera_mm(&self) -> Vector3<f64> {
        -(self.rotation.transpose() * self.shift_mm)
    }

    /// From the card's homography at the stated focal length (Zhang 2000, section 3.1).
    pub(super) fn of_card(view: &View) -> Option<Self> {
        let [w, h] = view.size_px;
        let plane = Plane::fit(&view.ties, scale::Lens::of_picture(w, h))?;
        let to_px = Matrix3::from_fn(|row, column| plane.px_to_mm()[row][column]).try_inverse()?;
        let (f, c) = (view.focal_px, middle(view));
        let undo = Matrix3::new(1.0 / f, 0.0, -c.x / f, 0.0, 1.0 / f, -c.y / f, 0.0, 0.0, 1.0);
        let m = undo * to_px;
        let n = view.ties.len() as f64;
        let centre =
            view.ties.iter().fold(Vector3::zeros(), |s, t| s + Vector3::new(t.mm[0] / n, t.mm[1] / n, 1.0 / n));
        // The card lies before the camera.
        let size = (m.column(0).norm() + m.column(1).norm()) / 2.0 * (m * centre).z.signum();
        let (right, down) = (m.column(0) / size, m.column(1) / size);
        let svd = Matrix3::from_columns(&[right, down, right.cross(&down)]).svd(true, true);
        let pose = Self { rotation: svd.u? * svd.v_t?, shift_mm: m.column(2) / size };
        pose.shift_mm.iter().chain(pose.rotation.iter()).all(|n| n.is_finite()).then_some(pose)
    }

    /// Where a point of the card's frame (mm) is seen, px; `None` behind the camera.
    pub fn px(&self, lens: Lens, view: &View, point_mm: [f64; 3]) -> Option<[f64; 2]> {
        self.see(lens, view, point_mm.into()).map(|(px, _)| px.into())
    }

    pub(super) fn moved(&self, turn: Vector3<f64>, shift: Vector3<f64>) -> Self {
        Self { rotation: Rotation3::new(turn).matrix() * self.rotation, shift_mm: self.shift_mm + shift }
    }

    /// Where a point is seen, px, and how that answers to changes; `None` behind the camera.
    pub(super) fn see(&self, lens: Lens, view: &View, point: Vector3<f64>) -> Option<(Vector2<f64>, Slopes)> {
        let turned = self.rotation * point;
        let q = turned + self.shift_mm;
        if q.z <= 1.0 {
            return None;
        }
        let v = Vector2::new(q.x / q.z, q.y / q.z);
        let r_squared = v.norm_squared();
        let stretch = 1.0 + lens.k1 * r_squared;
        let from_middle = v * (lens.focal_px * stretch);
        let by_direction =
            (nalgebra::Matrix2::identity() * stretch + v * v.transpose() * (2.0 * lens.k1)) * lens.focal_px;
        let shift = by_direction * Matrix2x3::new(1.0, 0.0, -v.x, 0.0, 1.0, -v.y) / q.z;
        let slopes = Slopes {
            turn: -shift * turned.cross_matrix(),
            shift,
            point: shift * self.rotation,
            ln_focal: from_middle,
            k1: v * (lens.focal_px * r_squared),
        };
        Some((middle(view) + from_middle, slopes))
    }

    /// The direction in the card's frame in which a pixel looks (length one).
    pub(super) fn sight(&self, lens: Lens, view: &View, px: [f64; 2]) -> Vector3<f64> {
        let bent = (Vector2::from(px) - middle(view)) / lens.focal_px;
        let mut straight = bent;
        for _ in 0..20 {
            straight = bent / (1.0 + lens.k1 * straight.norm_squared());
        }
        (self.rotation.transpose() * Vector3::new(straight.x, straight.y, 1.0)).normalize()
    }
}

fn middle(view: &View) -> Vector2<f64> {
    Vector2::new(view.size_px[0] as f64 - 1.0, view.size_px[1] as f64 - 1.0) / 2.0
}
