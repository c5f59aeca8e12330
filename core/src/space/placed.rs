//! Points placed in space, and the lengths and depths between them.

use nalgebra::{DMatrix, DVector, Vector3};

use super::View;
use super::camera::{Lens, Pose};
use crate::measured::Measured;

/// Where uncertainty comes from.
#[derive(Debug, Clone, Copy)]
pub(super) enum Part {
    /// Marking points.
    Click,
    /// Poses and lenses: the card's corners, and what is known of lenses beforehand.
    Plane,
    /// The stated depth of the floor, for points marked once.
    Depth,
    /// That a floor isn't even, for points marked once.
    Tilt,
}

impl Part {
    pub const COUNT: usize = 4;
}

/// All points, with the cameras that saw them.
#[derive(Debug, Clone)]
pub struct Placed {
    pub(super) names: Vec<String>,
    pub(super) seen: Vec<usize>,
    pub(super) points: Vec<Vector3<f64>>,
    /// Covariance of all points' coordinates (x, y, z, point by point), mm², by [`Part`].
    pub(super) by_part: [DMatrix<f64>; Part::COUNT],
    pub(super) poses: Vec<Pose>,
    pub(super) lenses: Vec<Lens>,
    pub(super) u_lenses: Vec<Lens>,
    /// Weighted squares of what the marks leave over, and in how many ways they could disagree.
    pub(super) left_over: f64,
    pub(super) spare: usize,
    pub(super) worse: Vec<f64>,
}

/// A point in the card's frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// x right, y down, z into the ground; mm.
    pub mm: [f64; 3],
    /// Standard uncertainties, mm.
    pub u_mm: [f64; 3],
    /// In how many photographs it is marked; marked once, its z is the floor's.
    pub seen: usize,
}

/// A distance in space with what its uncertainty is made of, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Apart {
    /// The distance.
    pub mm: f64,
    /// From marking points.
    pub u_click_mm: f64,
    /// From the cameras' poses and lenses.
    pub u_plane_mm: f64,
    /// From the floor's stated depth.
    pub u_depth_mm: f64,
    /// From the floor's unevenness.
    pub u_tilt_mm: f64,
}

/// Beyond this standard normal deviate (99.9 %) marks are taken to be worse than stated.
const HONEST_DEVIATE: f64 = 3.09;

impl Placed {
    /// Marks that miss each other by more than chance allows are worse than stated: their part of the uncertainty grows.
    /// Chance by Wilson & Hilferty's (1931) approximation of the χ² distribution.
    pub(super) fn with_honest_marks(mut self) -> Self {
        if self.disagree() {
            self.by_part[Part::Click as usize] *= self.left_over / self.spare as f64;
        }
        self
    }

    /// Whether the marks miss each other by more than their stated uncertainty allows.
    pub fn disagree(&self) -> bool {
        let n = self.spare as f64;
        let limit = 1.0 - 2.0 / (9.0 * n) + HONEST_DEVIATE * (2.0 / (9.0 * n)).sqrt();
        self.spare > 0 && self.left_over / n > limit.powi(3)
    }

    /// Root mean square of what the marks leave over, in standard uncertainties.
    pub fn sigmas(&self) -> f64 {
        (self.left_over / self.spare.max(1) as f64).sqrt()
    }

    /// Where a point lies.
    pub fn place(&self, name: &str) -> Option<Place> {
        let i = self.index(name)?;
        let u = |axis: usize| {
            self.by_part.iter().map(|part| part[(3 * i + axis, 3 * i + axis)]).sum::<f64>().max(0.0).sqrt()
        };
        Some(Place { mm: self.points[i].into(), u_mm: [u(0), u(1), u(2)], seen: self.seen[i] })
    }

    /// All points' names, in order.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.names.iter().map(String::as_str)
    }

    /// The distance between two points.
    pub fn distance(&self, from: &str, to: &str) -> Option<Apart> {
        let (a, b) = (self.index(from)?, self.index(to)?);
        let between = self.points[b] - self.points[a];
        let mm = between.norm();
        // Two points that coincide are apart in no direction; any will do for their uncertainty.
        let unit = between.try_normalize(1e-9).unwrap_or_else(Vector3::x);
        let mut slope = DVector::zeros(3 * self.points.len());
        for axis in 0..3 {
            slope[3 * a + axis] -= unit[axis];
            slope[3 * b + axis] += unit[axis];
        }
        let u = |part: Part| self.variance(part, &slope).sqrt();
        Some(Apart {
            mm,
            u_click_mm: u(Part::Click),
            u_plane_mm: u(Part::Plane),
            u_depth_mm: u(Part::Depth),
            u_tilt_mm: u(Part::Tilt),
        })
    }

    /// The mean depth below the card, mm, of those of these points that are marked more than once.
    pub fn depth_mm<'a>(&self, names: impl Iterator<Item = &'a str>) -> Option<Measured> {
        let points: Vec<usize> = names.filter_map(|name| self.index(name)).filter(|&i| self.seen[i] > 1).collect();
        let n = points.len() as f64;
        let mut slope = DVector::zeros(3 * self.points.len());
        points.iter().for_each(|&i| slope[3 * i + 2] = 1.0 / n);
        let parts = [Part::Click, Part::Plane, Part::Depth, Part::Tilt];
        let u = parts.map(|part| self.variance(part, &slope)).iter().sum::<f64>().sqrt();
        Measured::new(points.iter().map(|&i| self.points[i].z).sum::<f64>() / n, u)
    }

    /// Where each camera stood, in the order of the views.
    pub fn poses(&self) -> &[Pose] {
        &self.poses
    }

    /// A view's lens as fitted, and its standard uncertainties.
    pub fn lens(&self, view: &View) -> (Lens, Lens) {
        (self.lenses[view.lens], self.u_lenses[view.lens])
    }

    /// How many times worse than claimed each view's corners are; at least one.
    pub fn worse(&self) -> &[f64] {
        &self.worse
    }

    /// Where a point is seen in a view, px.
    pub fn px(&self, view: usize, views: &[View], name: &str) -> Option<[f64; 2]> {
        let view_seen = views.get(view)?;
        let (px, _) =
            self.poses.get(view)?.see(self.lenses[view_seen.lens], view_seen, self.points[self.index(name)?])?;
        Some(px.into())
    }

    /// The median over shared points of the widest angle between lines of sight, degrees.
    pub(super) fn apart_deg(&self, views: &[View]) -> f64 {
        let widest = |i: usize| {
            let marked = views.iter().zip(&self.poses).filter(|(view, _)| view.marks.contains_key(&self.names[i]));
            let sights: Vec<_> = marked.map(|(_, pose)| self.points[i] - pose.camera_mm()).collect();
            let pairs = sights.iter().enumerate().flat_map(|(k, a)| sights[..k].iter().map(move |b| a.angle(b)));
            pairs.fold(0.0, f64::max).to_degrees()
        };
        let mut angles: Vec<f64> = (0..self.names.len()).filter(|&i| self.seen[i] > 1).map(widest).collect();
        angles.sort_by(f64::total_cmp);
        angles.get(angles.len() / 2).copied().unwrap_or(0.0)
    }

    fn variance(&self, part: Part, slope: &DVector<f64>) -> f64 {
        slope.dot(&(&self.by_part[part as usize] * slope)).max(0.0)
    }

    fn index(&self, name: &str) -> Option<usize> {
        self.names.iter().position(|other| other == name)
    }
}
