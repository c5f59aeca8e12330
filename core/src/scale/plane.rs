//! The plane of the scale: a homography between millimetres in the plane and pixels of the upright picture, with covariance.
//!
//! Hartley & Zisserman 2004, *Multiple View Geometry*, ch. 4 and 5: normalised direct linear solution, then least squares on the
//! corners' distances in the picture; covariance of the solution (JᵀJ)⁻¹ carried to lengths by the law of propagation (JCGM 100, 5.1.2).

use nalgebra::{DMatrix, DVector, Matrix2, Matrix3, RowSVector, RowVector2, SMatrix, SVector, Vector2, Vector3};

use super::lens::Lens;

/// A point known in the plane and in the picture.
#[derive(Debug, Clone, Copy)]
pub struct Tie {
    /// Where it is in the plane, mm.
    pub mm: [f64; 2],
    /// Where it is in the picture, px.
    pub px: [f64; 2],
    /// Standard uncertainty of each picture coordinate, px.
    pub u_px: f64,
    /// Which way it moves where printed black looks larger than it is: blur and the camera's curve move all edges of a
    /// marker alike, by an amount that is fitted too. Zero for a point that isn't a marker's corner.
    pub outward: [f64; 2],
}

/// The plane of a scale in a picture.
#[derive(Debug, Clone)]
pub struct Plane {
    /// Millimetres to pixels.
    to_px: Matrix3<f64>,
    /// Pixels to millimetres.
    to_mm: Matrix3<f64>,
    /// How the lens bends what `to_px` gives.
    lens: Lens,
    /// Pixels to millimetres by a homography alone, fitted as if the lens bent nothing.
    straight: Matrix3<f64>,
    /// Of the first eight numbers of `to_px` (row by row, the ninth is one), in the normalised frame below, and of the lens's.
    covariance: SMatrix<f64, NUMBERS, NUMBERS>,
    /// How those numbers are off where the lens bends by one standard uncertainty more than nothing.
    by_lens: SVector<f64, NUMBERS>,
    frame: Frame,
    /// Root mean square of what the fit leaves over, px.
    pub rms_px: f64,
}

/// How the camera stood to the plane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stance {
    /// Angle between the camera's axis and the plane's normal, degrees, 0–90.
    pub tilt_deg: f64,
    /// Height of the camera above the plane, mm.
    pub height_mm: f64,
    /// The point of the plane right below the camera, mm.
    pub foot_mm: [f64; 2],
}

/// A length in the plane with what its uncertainty is made of, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Length {
    /// The length.
    pub mm: f64,
    /// From marking the two ends.
    pub u_click_mm: f64,
    /// From the fit of the plane.
    pub u_plane_mm: f64,
}

/// Points in the plane with what ties their uncertainties together; coordinates in the order x0, y0, x1, y1, ….
#[derive(Debug, Clone)]
pub struct Points {
    /// Where they lie.
    pub at_mm: Vec<[f64; 2]>,
    /// From marking them and from the plane's fit, 2n × 2n, mm².
    pub covariance_mm2: DMatrix<f64>,
    /// What one standard uncertainty of the lens's bending does to each coordinate, mm: in all photographs by one lens the same cause.
    pub by_lens_mm: DVector<f64>,
}

/// Normalised coordinates, so that the numbers of the fit are of one size: mm' = (mm − origin)/100, px' = (px − origin)/1000.
#[derive(Debug, Clone, Copy)]
struct Frame {
    mm: [f64; 2],
    px: [f64; 2],
}

/// Numbers of the fit that lengths depend on: eight of the homography and one of the lens.
const NUMBERS: usize = 9;
/// And one for how much larger printed black looks.
const UNKNOWNS: usize = 10;
const MM: f64 = 100.0;
const PX: f64 = 1000.0;
/// Beforehand, printed black is taken to look larger or smaller by no more than about this (standard uncertainty), mm.
const U_GROWTH_MM: f64 = 0.3;

impl Frame {
    fn of(ties: &[Tie]) -> Self {
        let mean = |pick: fn(&Tie) -> [f64; 2]| {
            let sum = ties.iter().map(pick).fold([0.0; 2], |s, p| [s[0] + p[0], s[1] + p[1]]);
            sum.map(|c| c / ties.len() as f64)
        };
        Self { mm: mean(|t| t.mm), px: mean(|t| t.px) }
    }

    fn mm(&self, p: [f64; 2]) -> Vector3<f64> {
        Vector3::new((p[0] - self.mm[0]) / MM, (p[1] - self.mm[1]) / MM, 1.0)
    }

    fn px(&self, p: [f64; 2]) -> Vector2<f64> {
        Vector2::new((p[0] - self.px[0]) / PX, (p[1] - self.px[1]) / PX)
    }

    fn px_of(&self, p: Vector2<f64>) -> [f64; 2] {
        [p.x * PX + self.px[0], p.y * PX + self.px[1]]
    }

    /// The homography between plain millimetres and pixels for one between normalised ones.
    fn plain(&self, h: &Matrix3<f64>) -> Matrix3<f64> {
        let from_mm = Matrix3::new(1.0 / MM, 0.0, -self.mm[0] / MM, 0.0, 1.0 / MM, -self.mm[1] / MM, 0.0, 0.0, 1.0);
        let into_px = Matrix3::new(PX, 0.0, self.px[0], 0.0, PX, self.px[1], 0.0, 0.0, 1.0);
        into_px * h * from_mm
    }
}

impl Plane {
    /// The plane through four or more ties; `None` where they don't span one. `lens` says where the lens's axis meets the picture;
    /// how much it bends is fitted too, where there is more to fit than the four corners that a plane needs.
    ///
    /// ```
    /// use rakelight_core::scale::{Lens, Plane, Tie};
    /// // A card of 85.60 × 53.98 mm (ISO/IEC 7810 ID-1) seen from straight above at ten pixels a millimetre.
    /// let corners = [[0.0, 0.0], [85.6, 0.0], [85.6, 53.98], [0.0, 53.98]];
    /// let ties = corners.map(|mm| Tie { mm, px: [mm[0] * 10.0, mm[1] * 10.0], u_px: 0.5, outward: [0.0; 2] });
    /// let plane = Plane::fit(&ties, Lens::NONE).expect("four corners span a plane");
    /// let length = plane.length([100.0, 100.0], [100.0, 350.0], 1.0);
    /// assert!((length.mm - 25.0).abs() < 1e-9);
    /// ```
    pub fn fit(ties: &[Tie], lens: Lens) -> Option<Self> {
        let frame = Frame::of(ties);
        let mut fit = Fit { h: direct(ties, &frame)?, growth_mm: 0.0, lens };
        let mut last = Step::at(ties, &frame, &fit);
        for _ in 0..30 {
            let change = last.normal.cholesky()?.solve(&last.slope);
            fit.take(&change);
            last = Step::at(ties, &frame, &fit);
            if change.amax() < 1e-11 {
                break;
            }
        }
        // What the fit leaves over may show that the corners are worse than they claim; they are never taken as better.
        let spare = (2 * ties.len()).saturating_sub(8) as f64;
        let inflation = if spare > 0.0 { (last.weighted_squares / spare).max(1.0) } else { 1.0 };
        let covariance = last.normal.try_inverse()?.fixed_view::<NUMBERS, NUMBERS>(0, 0).into_owned();
        // What the lens was taken for beforehand pulls at the solution by its share of the information: the same in every
        // photograph by the same lens.
        let by_lens = covariance.column(8) / fit.lens.u_bend();
        let covariance = covariance * inflation;
        let to_px = frame.plain(&fit.h);
        let rms_px = (last.squares / ties.len() as f64).sqrt() * PX;
        let to_mm = to_px.try_inverse()?;
        let straight = if lens == Lens::NONE { to_mm } else { Self::fit(ties, Lens::NONE)?.to_mm };
        Some(Self { to_px, to_mm, lens: fit.lens, straight, covariance, by_lens, frame, rms_px })
    }

    /// A plane of which only the scale is known, from two points a known length apart: looked at straight from above.
    pub fn from_length(a_px: [f64; 2], b_px: [f64; 2], length_mm: f64, u_click_px: f64) -> Option<Self> {
        let length_px = (a_px[0] - b_px[0]).hypot(a_px[1] - b_px[1]);
        let px_per_mm = length_px / length_mm;
        if !(px_per_mm.is_finite() && px_per_mm > 0.0 && u_click_px > 0.0) {
            return None;
        }
        let frame = Frame { mm: [0.0; 2], px: a_px };
        let scale = px_per_mm * MM / PX;
        let to_px = frame.plain(&Matrix3::new(scale, 0.0, 0.0, 0.0, scale, 0.0, 0.0, 0.0, 1.0));
        let u_scale = scale * std::f64::consts::SQRT_2 * u_click_px / length_px;
        let mut both = SVector::<f64, NUMBERS>::zeros();
        (both[0], both[4]) = (1.0, 1.0);
        let covariance = both * both.transpose() * u_scale.powi(2);
        let to_mm = to_px.try_inverse()?;
        Some(Self {
            to_px,
            to_mm,
            lens: Lens::NONE,
            straight: to_mm,
            covariance,
            by_lens: SVector::zeros(),
            frame,
            rms_px: 0.0,
        })
    }

    /// Where in the plane a pixel lies, mm.
    pub fn mm(&self, px: [f64; 2]) -> [f64; 2] {
        apply(&self.to_mm, self.lens.undo(px))
    }

    /// Where in the picture a point of the plane lies, px.
    pub fn px(&self, mm: [f64; 2]) -> [f64; 2] {
        self.lens.bend(apply(&self.to_px, mm))
    }

    /// Pixels to millimetres by one homography, row by row, the last number one. It is fitted as if the lens bent nothing, so
    /// lengths by it differ a little from [`Plane::length`], which knows better.
    pub fn px_to_mm(&self) -> [[f64; 3]; 3] {
        let m = self.straight / self.straight[(2, 2)];
        std::array::from_fn(|row| std::array::from_fn(|column| m[(row, column)]))
    }

    /// Pixels a millimetre around a pixel, the mean over directions.
    pub fn px_per_mm(&self, px: [f64; 2]) -> f64 {
        let (jacobian, _) = self.slopes(px);
        jacobian.determinant().abs().sqrt() * PX / MM
    }

    /// The distance in the plane between two pixels, each marked with `u_click_px`.
    pub fn length(&self, a_px: [f64; 2], b_px: [f64; 2], u_click_px: f64) -> Length {
        let (a, b) = (self.mm(a_px), self.mm(b_px));
        let mm = (a[0] - b[0]).hypot(a[1] - b[1]);
        if mm == 0.0 {
            return Length { mm, u_click_mm: u_click_px / self.px_per_mm(a_px), u_plane_mm: 0.0 };
        }
        let unit = RowVector2::new((a[0] - b[0]) / mm, (a[1] - b[1]) / mm);
        let (click_a, plane_a) = self.pull(a_px, unit);
        let (click_b, plane_b) = self.pull(b_px, unit);
        let by_plane = plane_a - plane_b;
        Length {
            mm,
            u_click_mm: u_click_px * click_a.hypot(click_b),
            u_plane_mm: (by_plane * self.covariance * by_plane.transpose())[0].max(0.0).sqrt(),
        }
    }

    /// Where in the plane a pixel lies that was marked with `u_click_px`, and the standard uncertainties of its coordinates, mm.
    pub fn point(&self, px: [f64; 2], u_click_px: f64) -> ([f64; 2], [f64; 2]) {
        let u = [RowVector2::new(1.0, 0.0), RowVector2::new(0.0, 1.0)].map(|unit| {
            let (click, plane) = self.pull(px, unit);
            (u_click_px * click).hypot((plane * self.covariance * plane.transpose())[0].max(0.0).sqrt())
        });
        (self.mm(px), u)
    }

    /// Where in the plane pixels lie that were marked with `u_click_px` each, and how well all of them are known together. `None` where
    /// a pixel lies on the plane's horizon or beyond it.
    ///
    /// ```
    /// use rakelight_core::scale::Plane;
    /// // 100 mm are 1000 px, each end marked to 2 px; two points are 50 mm apart.
    /// let plane = Plane::from_length([0.0, 0.0], [1000.0, 0.0], 100.0, 2.0).expect("a length above zero");
    /// let points = plane.points(&[[0.0, 0.0], [500.0, 0.0]], 1.0).expect("in front of the camera");
    /// assert!((points.at_mm[1][0] - 50.0).abs() < 1e-9);
    /// // As of a length: two marks of 0.1 mm, and half of what marking the ruler's ends did to 100 mm.
    /// let (length, c) = (plane.length([0.0, 0.0], [500.0, 0.0], 1.0), &points.covariance_mm2);
    /// let u_mm = (c[(0, 0)] + c[(2, 2)] - 2.0 * c[(0, 2)]).sqrt();
    /// assert!((u_mm - length.u_click_mm.hypot(length.u_plane_mm)).abs() < 1e-9);
    /// ```
    pub fn points(&self, px: &[[f64; 2]], u_click_px: f64) -> Option<Points> {
        // The horizon's side on which the fit's own points lie.
        let side = |px: [f64; 2]| (self.to_mm * Vector3::new(px[0], px[1], 1.0)).z;
        let before = side(self.frame.px);
        let mut by_number = DMatrix::zeros(2 * px.len(), NUMBERS);
        let mut covariance_mm2 = DMatrix::zeros(2 * px.len(), 2 * px.len());
        for (i, &px) in px.iter().enumerate() {
            if side(self.lens.undo(px)) / before <= 1e-6 {
                return None;
            }
            let (by_place, numbers) = self.slopes(px);
            let back = by_place.try_inverse()? * MM;
            by_number.view_mut((2 * i, 0), (2, NUMBERS)).copy_from(&(-(back * numbers)));
            let click = back * (u_click_px / PX);
            covariance_mm2.view_mut((2 * i, 2 * i), (2, 2)).copy_from(&(click * click.transpose()));
        }
        let rest = self.covariance - self.by_lens * self.by_lens.transpose();
        covariance_mm2 += &by_number * rest * by_number.transpose();
        let at_mm = px.iter().map(|px| self.mm(*px)).collect();
        Some(Points { at_mm, covariance_mm2, by_lens_mm: by_number * self.by_lens })
    }

    /// How a point's millimetres along `unit` answer to one pixel at the point and to each number of the fit.
    fn pull(&self, px: [f64; 2], unit: RowVector2<f64>) -> (f64, RowSVector<f64, NUMBERS>) {
        let (by_place, by_number) = self.slopes(px);
        let back = unit * by_place.try_inverse().unwrap_or_else(Matrix2::zeros) * MM;
        (back.norm() / PX, -(back * by_number))
    }

    /// How a pixel's normalised coordinates answer to the plane's normalised coordinates and to each number of the fit.
    fn slopes(&self, px: [f64; 2]) -> (Matrix2<f64>, SMatrix<f64, 2, NUMBERS>) {
        let into_normal = Matrix3::new(MM, 0.0, self.frame.mm[0], 0.0, MM, self.frame.mm[1], 0.0, 0.0, 1.0);
        let from_px =
            Matrix3::new(1.0 / PX, 0.0, -self.frame.px[0] / PX, 0.0, 1.0 / PX, -self.frame.px[1] / PX, 0.0, 0.0, 1.0);
        let h = from_px * self.to_px * into_normal;
        slopes(&(h / h[(2, 2)]), &self.frame.mm(self.mm(px)), &self.frame, &self.lens)
    }

    /// How the camera stood, from its focal length and the picture's size, px.
    pub fn stance(&self, focal_px: f64, width_px: usize, height_px: usize) -> Option<Stance> {
        let (cx, cy) = ((width_px as f64 - 1.0) / 2.0, (height_px as f64 - 1.0) / 2.0);
        let undo =
            Matrix3::new(1.0 / focal_px, 0.0, -cx / focal_px, 0.0, 1.0 / focal_px, -cy / focal_px, 0.0, 0.0, 1.0);
        let m = undo * self.to_px;
        let size = (m.column(0).norm() + m.column(1).norm()) / 2.0;
        let (right, down, origin) = (m.column(0) / size, m.column(1) / size, m.column(2) / size);
        let normal = right.cross(&down).try_normalize(1e-12)?;
        let height_mm = normal.dot(&origin).abs();
        let tilt_deg = normal.z.abs().min(1.0).acos().to_degrees();
        let foot_mm = [-right.dot(&origin), -down.dot(&origin)];
        height_mm.is_finite().then_some(Stance { tilt_deg, height_mm, foot_mm })
    }
}

fn apply(m: &Matrix3<f64>, p: [f64; 2]) -> [f64; 2] {
    let q = m * Vector3::new(p[0], p[1], 1.0);
    [q.x / q.z, q.y / q.z]
}

/// Slopes of the picture of `m` by `h` through the lens, by the first two coordinates of `m` and by each number of the fit.
fn slopes(h: &Matrix3<f64>, m: &Vector3<f64>, frame: &Frame, lens: &Lens) -> (Matrix2<f64>, SMatrix<f64, 2, NUMBERS>) {
    let q = h * m;
    let (u, v, w) = (q.x / q.z, q.y / q.z, q.z);
    let by_place = Matrix2::new(
        (h[(0, 0)] - u * h[(2, 0)]) / w,
        (h[(0, 1)] - u * h[(2, 1)]) / w,
        (h[(1, 0)] - v * h[(2, 0)]) / w,
        (h[(1, 1)] - v * h[(2, 1)]) / w,
    );
    let (x, y, one) = (m.x / w, m.y / w, m.z / w);
    #[rustfmt::skip]
    let by_homography = SMatrix::<f64, 2, 8>::from_row_slice(&[
        x, y, one, 0.0, 0.0, 0.0, -u * x, -u * y,
        0.0, 0.0, 0.0, x, y, one, -v * x, -v * y,
    ]);
    let (bent, by_bend) = lens.slopes(frame.px_of(Vector2::new(u, v)));
    let mut by_number = SMatrix::<f64, 2, NUMBERS>::zeros();
    by_number.fixed_view_mut::<2, 8>(0, 0).copy_from(&(bent * by_homography));
    by_number.set_column(8, &(by_bend / PX));
    (bent * by_place, by_number)
}

/// What is being fitted.
struct Fit {
    h: Matrix3<f64>,
    growth_mm: f64,
    lens: Lens,
}

impl Fit {
    fn take(&mut self, change: &SVector<f64, UNKNOWNS>) {
        for i in 0..8 {
            self.h[(i / 3, i % 3)] += change[i];
        }
        self.lens.bend += change[8];
        self.growth_mm += change[9];
    }
}

/// The normal equations of one step of the fit: the homography's eight numbers, the lens's, and how much larger black looks (mm).
struct Step {
    normal: SMatrix<f64, UNKNOWNS, UNKNOWNS>,
    slope: SVector<f64, UNKNOWNS>,
    weighted_squares: f64,
    squares: f64,
}

impl Step {
    fn at(ties: &[Tie], frame: &Frame, fit: &Fit) -> Self {
        let mut step = Self { normal: SMatrix::zeros(), slope: SVector::zeros(), weighted_squares: 0.0, squares: 0.0 };
        // What is known beforehand of lens and growth counts like one more observation each.
        for (i, value, u) in [(8, fit.lens.bend, fit.lens.u_bend()), (9, fit.growth_mm, U_GROWTH_MM)] {
            step.normal[(i, i)] = u.powi(-2);
            step.slope[i] = -value * u.powi(-2);
        }
        for tie in ties {
            let grown = [tie.mm[0] + fit.growth_mm * tie.outward[0], tie.mm[1] + fit.growth_mm * tie.outward[1]];
            let m = frame.mm(grown);
            let q = fit.h * m;
            let seen = fit.lens.bend(frame.px_of(Vector2::new(q.x / q.z, q.y / q.z)));
            let left_over = frame.px(tie.px) - frame.px(seen);
            let (by_place, by_number) = slopes(&fit.h, &m, frame, &fit.lens);
            let mut jacobian = SMatrix::<f64, 2, UNKNOWNS>::zeros();
            jacobian.fixed_view_mut::<2, NUMBERS>(0, 0).copy_from(&by_number);
            jacobian.set_column(9, &(by_place * Vector2::from(tie.outward) / MM));
            let weight = (PX / tie.u_px).powi(2);
            step.normal += jacobian.transpose() * jacobian * weight;
            step.slope += jacobian.transpose() * left_over * weight;
            step.weighted_squares += left_over.norm_squared() * weight;
            step.squares += left_over.norm_squared();
        }
        step
    }
}

/// The direct linear solution in normalised coordinates, scaled so that its ninth number is one.
fn direct(ties: &[Tie], frame: &Frame) -> Option<Matrix3<f64>> {
    let mut normal = SMatrix::<f64, 9, 9>::zeros();
    for tie in ties {
        let (m, p) = (frame.mm(tie.mm), frame.px(tie.px));
        #[rustfmt::skip]
        let rows = SMatrix::<f64, 2, 9>::from_row_slice(&[
            m.x, m.y, 1.0, 0.0, 0.0, 0.0, -p.x * m.x, -p.x * m.y, -p.x,
            0.0, 0.0, 0.0, m.x, m.y, 1.0, -p.y * m.x, -p.y * m.y, -p.y,
        ]);
        normal += rows.transpose() * rows;
    }
    let eigen = normal.symmetric_eigen();
    let mut order: Vec<usize> = (0..9).collect();
    order.sort_by(|&a, &b| eigen.eigenvalues[a].total_cmp(&eigen.eigenvalues[b]));
    // With two directions that fit alike, the ties lie on a line.
    if ties.len() < 4 || eigen.eigenvalues[order[1]] < 1e-9 * eigen.eigenvalues[order[8]] {
        return None;
    }
    let h = eigen.eigenvectors.column(order[0]);
    (h[8].abs() > 1e-9).then(|| Matrix3::from_row_slice(h.as_slice()) / h[8])
}

/// The homography that takes four points to four others.
pub(super) fn through_four(from: &[[f64; 2]; 4], to: &[[f64; 2]; 4]) -> Option<Matrix3<f64>> {
    let mut a = SMatrix::<f64, 8, 8>::zeros();
    let mut b = SVector::<f64, 8>::zeros();
    for (i, (m, p)) in from.iter().zip(to).enumerate() {
        let (x, y, u, v) = (m[0], m[1], p[0], p[1]);
        a.set_row(2 * i, &RowSVector::from([x, y, 1.0, 0.0, 0.0, 0.0, -u * x, -u * y]));
        a.set_row(2 * i + 1, &RowSVector::from([0.0, 0.0, 0.0, x, y, 1.0, -v * x, -v * y]));
        (b[2 * i], b[2 * i + 1]) = (u, v);
    }
    let h = a.lu().solve(&b)?;
    Some(Matrix3::new(h[0], h[1], h[2], h[3], h[4], h[5], h[6], h[7], 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ties(points: &[([f64; 2], [f64; 2])]) -> Vec<Tie> {
        points.iter().map(|&(mm, px)| Tie { mm, px, u_px: 1.0, outward: [0.0; 2] }).collect()
    }

    /// An ID-1 card (85.60 × 53.98 mm, ISO/IEC 7810) in a tilted picture, and a segment beside it: worked with numpy,
    /// 50.477718 mm.
    fn id1_example() -> (Plane, [f64; 2], [f64; 2]) {
        let corners = ties(&[
            ([0.0, 0.0], [1550.0, 1200.0]),
            ([85.60, 0.0], [2180.4939, 1190.4414]),
            ([85.60, 53.98], [2175.7036, 1573.2379]),
            ([0.0, 53.98], [1562.2814, 1593.3829]),
        ]);
        (Plane::fit(&corners, Lens::NONE).unwrap(), [1711.7397, 1735.1023], [2009.7471, 1911.4539])
    }

    #[test]
    fn a_segment_beside_a_bank_card_measures_as_worked_with_numpy() {
        let (plane, a, b) = id1_example();
        assert!((plane.length(a, b, 1.0).mm - 50.477718).abs() < 1e-3, "{}", plane.length(a, b, 1.0).mm);
    }

    #[test]
    fn one_pixel_of_noise_on_corners_and_points_gives_the_spread_of_a_simulation_with_numpy() {
        let (plane, a, b) = id1_example();
        let length = plane.length(a, b, 1.0);
        // 20,000 draws with numpy: corners alone 0.2825 mm, the two points alone 0.2063 mm, both 0.3494 mm.
        assert!((length.u_plane_mm - 0.2825).abs() < 0.005, "{length:?}");
        assert!((length.u_click_mm - 0.2063).abs() < 0.003, "{length:?}");
    }

    #[test]
    fn pixels_and_millimetres_go_both_ways() {
        let (plane, a, _) = id1_example();
        let back = plane.px(plane.mm(a));
        assert!((back[0] - a[0]).abs() < 1e-6 && (back[1] - a[1]).abs() < 1e-6);
        let m = plane.px_to_mm();
        let w = m[2][0] * a[0] + m[2][1] * a[1] + m[2][2];
        assert!(((m[0][0] * a[0] + m[0][1] * a[1] + m[0][2]) / w - plane.mm(a)[0]).abs() < 1e-9);
    }

    #[test]
    fn points_on_a_line_span_no_plane() {
        let line: Vec<_> = (0..5).map(|i| ([f64::from(i), 0.0], [f64::from(i) * 9.0, 4.0])).collect();
        assert!(Plane::fit(&ties(&line), Lens::NONE).is_none());
        assert!(Plane::fit(&ties(&line[..3]), Lens::NONE).is_none());
    }

    #[test]
    fn the_cameras_tilt_and_height_come_back() {
        // A camera 500 mm above the plane, tilted by 20° about the picture's x axis, focal length 2,880 px, 4,000 × 3,000.
        let (tilt, height, f) = (20.0_f64.to_radians(), 500.0, 2880.0);
        let project = |[x, y]: [f64; 2]| {
            let (yc, zc) = (y * tilt.cos(), y * tilt.sin() + height / tilt.cos());
            [1999.5 + f * x / zc, 1499.5 + f * yc / zc]
        };
        let corners = [[-80.0, -60.0], [90.0, -60.0], [90.0, 70.0], [-80.0, 70.0], [0.0, 10.0]];
        let plane = Plane::fit(&ties(&corners.map(|mm| (mm, project(mm)))), Lens::NONE).unwrap();
        let stance = plane.stance(f, 4000, 3000).unwrap();
        assert!((stance.tilt_deg - 20.0).abs() < 1e-6 && (stance.height_mm - height).abs() < 1e-4, "{stance:?}");
        // The camera stands beside what it looks at by its height times the tangent of the tilt.
        let beside = stance.foot_mm[0].hypot(stance.foot_mm[1]);
        assert!((beside - height * tilt.tan()).abs() < 1e-3, "{stance:?}");
    }

    #[test]
    fn a_ruler_gives_the_scale_and_its_own_doubt() {
        let plane = Plane::from_length([100.0, 100.0], [1100.0, 100.0], 100.0, 2.0).unwrap();
        let length = plane.length([0.0, 0.0], [0.0, 600.0], 2.0);
        assert!((length.mm - 60.0).abs() < 1e-9);
        // √2 · 2 px of 1,000 px, of 60 mm; and the same two pixels at both ends of the length itself.
        assert!((length.u_plane_mm - 60.0 * 2.0 * 2.0_f64.sqrt() / 1000.0).abs() < 1e-9);
        assert!((length.u_click_mm - 0.2 * 2.0_f64.sqrt()).abs() < 1e-9);
    }
}
