//! The adjustment: Gauss–Newton on all observations at once, damped where a step doesn't help (Levenberg 1944, Marquardt 1963).

use std::collections::BTreeMap;

use nalgebra::{DMatrix, DVector, Matrix3, Vector3};

use super::View;
use super::camera::{Lens, Pose};
use super::placed::{Part, Placed};
use crate::measured::Measured;

/// A focal length from EXIF is a whole number of 35 mm equivalents: ±2 % (relative standard uncertainty; assumed).
const U_LN_FOCAL: f64 = 0.02;
/// Phones correct most of what their lenses bend; what is left of k1 (standard uncertainty around none; assumed).
const U_K1: f64 = 0.03;
/// Beforehand, printed black is taken to look larger or smaller by no more than about this (standard uncertainty), mm.
const U_GROWTH_MM: f64 = 0.3;
/// A floor isn't even: a point of it lies deeper or higher by about this (standard uncertainty; assumed), mm.
const U_UNEVEN_MM: f64 = 1.0;
/// "In the card's plane" as a depth: exactly there.
const U_IN_PLANE_MM: f64 = 1e-3;
/// Unknowns of a view: turn, shift, growth.
const OF_VIEW: usize = 7;
/// Unknowns of a lens: ln of the focal length, k1.
const OF_LENS: usize = 2;

/// In how many views each point is marked.
pub(super) fn seen(views: &[View]) -> BTreeMap<String, usize> {
    let mut seen = BTreeMap::new();
    for name in views.iter().flat_map(|view| view.marks.keys()) {
        *seen.entry(name.clone()).or_default() += 1;
    }
    seen
}

/// Everything that is fitted.
#[derive(Clone)]
struct State {
    poses: Vec<Pose>,
    growth_mm: Vec<f64>,
    lenses: Vec<Lens>,
    floor_mm: f64,
    points: Vec<Vector3<f64>>,
}

/// What is fitted to what.
struct Problem<'a> {
    views: &'a [View],
    u_px: f64,
    /// In the order of the points.
    seen: BTreeMap<String, usize>,
    /// Stated focal length of each lens, px.
    stated_px: Vec<f64>,
    floor: Measured,
    /// How much worse each view's corners are than they claim.
    worse: Vec<f64>,
}

/// The normal equations, whole and by where their information comes from.
struct Normal {
    by_part: [DMatrix<f64>; Part::COUNT],
    slope: DVector<f64>,
    /// Weighted squares of what is left over: of each view's corners, of the marks, of everything.
    corners: Vec<f64>,
    marks: f64,
    all: f64,
}

/// Fits everything; `None` where there is no solution.
pub(super) fn solve(views: &[View], u_px: f64, floor: Option<Measured>) -> Option<Placed> {
    let lenses = views.iter().map(|view| view.lens).max()? + 1;
    let stated = |lens| views.iter().find(|view| view.lens == lens).map_or(1.0, |view| view.focal_px);
    let mut problem = Problem {
        views,
        u_px,
        seen: seen(views),
        stated_px: (0..lenses).map(stated).collect(),
        floor: floor.unwrap_or(Measured { value: 0.0, u: U_IN_PLANE_MM }),
        worse: vec![1.0; views.len()],
    };
    let first = problem.descend(problem.start()?)?;
    // What the fit leaves over may show that corners are worse than they claim; they are never taken as better.
    let left = problem.normal(&first)?.corners;
    for (i, squares) in left.into_iter().enumerate() {
        let spare = (2 * views[i].ties.len()).saturating_sub(OF_VIEW + 1).max(1) as f64;
        problem.worse[i] = (squares / spare).sqrt().max(1.0);
    }
    let state = problem.descend(first)?;
    problem.finish(state)
}

impl Problem<'_> {
    fn at_view(&self, i: usize) -> usize {
        OF_VIEW * i
    }

    fn at_lens(&self, lens: usize) -> usize {
        OF_VIEW * self.views.len() + OF_LENS * lens
    }

    fn at_floor(&self) -> usize {
        self.at_lens(self.stated_px.len())
    }

    fn at_point(&self, i: usize) -> usize {
        self.at_floor() + 1 + 3 * i
    }

    /// Poses from the card alone; points where their lines of sight come nearest to each other, or meet the floor.
    fn start(&self) -> Option<State> {
        let poses = self.views.iter().map(Pose::of_card).collect::<Option<Vec<_>>>()?;
        let lenses: Vec<Lens> = self.stated_px.iter().map(|&focal_px| Lens { focal_px, k1: 0.0 }).collect();
        let place = |name: &String, seen: usize| {
            let (mut across, mut pull) = (Matrix3::zeros(), Vector3::zeros());
            for (view, pose) in self.views.iter().zip(&poses) {
                let Some(px) = view.marks.get(name) else { continue };
                let (sight, camera) = (pose.sight(lenses[view.lens], view, *px), pose.camera_mm());
                if seen == 1 {
                    return Some(camera + sight * ((self.floor.value - camera.z) / sight.z));
                }
                let project = Matrix3::identity() - sight * sight.transpose();
                across += project;
                pull += project * camera;
            }
            across.lu().solve(&pull)
        };
        let points = self.seen.iter().map(|(name, seen)| place(name, *seen)).collect::<Option<_>>()?;
        Some(State { growth_mm: vec![0.0; poses.len()], poses, lenses, floor_mm: self.floor.value, points })
    }

    fn descend(&self, mut state: State) -> Option<State> {
        let mut normal = self.normal(&state)?;
        let mut damping = 1e-6;
        for _ in 0..60 {
            let mut whole = normal.whole();
            for i in 0..whole.nrows() {
                whole[(i, i)] *= 1.0 + damping;
            }
            let change = whole.cholesky()?.solve(&normal.slope);
            let next = self.take(&state, &change);
            match self.normal(&next).filter(|next| next.all <= normal.all * (1.0 + 1e-12)) {
                Some(better) => {
                    let gain = normal.all - better.all;
                    (state, normal, damping) = (next, better, (damping / 10.0).max(1e-12));
                    if gain <= 1e-9 * (1.0 + normal.all) {
                        return Some(state);
                    }
                }
                None if damping > 1e6 => return None,
                None => damping *= 10.0,
            }
        }
        Some(state)
    }

    fn take(&self, state: &State, change: &DVector<f64>) -> State {
        let mut next = state.clone();
        let three = |at: usize| Vector3::new(change[at], change[at + 1], change[at + 2]);
        for (i, pose) in next.poses.iter_mut().enumerate() {
            let at = self.at_view(i);
            *pose = pose.moved(three(at), three(at + 3));
            next.growth_mm[i] += change[at + 6];
        }
        for (i, lens) in next.lenses.iter_mut().enumerate() {
            let at = self.at_lens(i);
            lens.focal_px *= change[at].exp();
            lens.k1 += change[at + 1];
        }
        next.floor_mm += change[self.at_floor()];
        for (i, point) in next.points.iter_mut().enumerate() {
            *point += three(self.at_point(i));
        }
        next
    }

    /// All observations, and all that is known beforehand, at this state; `None` where something lies behind a camera.
    fn normal(&self, state: &State) -> Option<Normal> {
        let size = self.at_point(state.points.len());
        let mut normal = Normal {
            by_part: std::array::from_fn(|_| DMatrix::zeros(size, size)),
            slope: DVector::zeros(size),
            corners: vec![0.0; self.views.len()],
            marks: 0.0,
            all: 0.0,
        };
        for (i, view) in self.views.iter().enumerate() {
            let (pose, lens) = (&state.poses[i], state.lenses[view.lens]);
            let (at_view, at_lens) = (self.at_view(i), self.at_lens(view.lens));
            for tie in &view.ties {
                let outward = Vector3::new(tie.outward[0], tie.outward[1], 0.0);
                let corner = Vector3::new(tie.mm[0], tie.mm[1], 0.0) + outward * state.growth_mm[i];
                let (px, slopes) = pose.see(lens, view, corner)?;
                let mut row = Row::of_camera(&slopes, at_view, at_lens);
                row.push(at_view + 6, slopes.point * outward);
                let left = [tie.px[0] - px.x, tie.px[1] - px.y];
                normal.corners[i] +=
                    normal.add(Part::Plane, &row, left, tie.u_px * self.worse[i]) * self.worse[i].powi(2);
            }
            for (name, mark) in &view.marks {
                let index = self.seen.keys().position(|other| other == name)?;
                let (px, slopes) = pose.see(lens, view, state.points[index])?;
                let mut row = Row::of_camera(&slopes, at_view, at_lens);
                row.push_three(self.at_point(index), &slopes.point);
                normal.marks += normal.add(Part::Click, &row, [mark[0] - px.x, mark[1] - px.y], self.u_px);
            }
            normal.know(Part::Plane, &[(at_view + 6, 1.0)], state.growth_mm[i], U_GROWTH_MM);
        }
        for (i, lens) in state.lenses.iter().enumerate() {
            let at = self.at_lens(i);
            normal.know(Part::Plane, &[(at, 1.0)], (lens.focal_px / self.stated_px[i]).ln(), U_LN_FOCAL);
            normal.know(Part::Plane, &[(at + 1, 1.0)], lens.k1, U_K1);
        }
        let at_floor = self.at_floor();
        normal.know(Part::Depth, &[(at_floor, 1.0)], state.floor_mm - self.floor.value, self.floor.u);
        for (i, _) in self.seen.values().enumerate().filter(|(_, seen)| **seen == 1) {
            let off = state.points[i].z - state.floor_mm;
            normal.know(Part::Tilt, &[(self.at_point(i) + 2, 1.0), (at_floor, -1.0)], off, U_UNEVEN_MM);
        }
        Some(normal)
    }

    fn finish(&self, state: State) -> Option<Placed> {
        let normal = self.normal(&state)?;
        let inverse = normal.whole().cholesky()?.inverse();
        let (from, count) = (self.at_point(0), 3 * state.points.len());
        // What part of the information brings in which part of the covariance: N⁻¹ Nₚ N⁻¹, which add up to N⁻¹.
        let by_part = normal.by_part.map(|part| {
            let whole = &inverse * part * &inverse;
            whole.view((from, from), (count, count)).into_owned()
        });
        let u = |at: usize| inverse[(at, at)].max(0.0).sqrt();
        Some(
            Placed {
                names: self.seen.keys().cloned().collect(),
                seen: self.seen.values().copied().collect(),
                points: state.points,
                by_part,
                poses: state.poses,
                u_lenses: (0..state.lenses.len())
                    .map(|i| Lens {
                        focal_px: u(self.at_lens(i)) * state.lenses[i].focal_px,
                        k1: u(self.at_lens(i) + 1),
                    })
                    .collect(),
                lenses: state.lenses,
                left_over: normal.marks,
                spare: self.seen.values().filter(|seen| **seen > 1).map(|seen| 2 * seen - 3).sum(),
                worse: self.worse.clone(),
            }
            .with_honest_marks(),
        )
    }
}

/// How one observed point answers to each unknown that it depends on: (where, by how much in x and y).
struct Row(Vec<(usize, [f64; 2])>);

impl Row {
    fn of_camera(slopes: &super::camera::Slopes, at_view: usize, at_lens: usize) -> Self {
        let mut row = Self(Vec::with_capacity(12));
        row.push_three(at_view, &slopes.turn);
        row.push_three(at_view + 3, &slopes.shift);
        row.push(at_lens, slopes.ln_focal);
        row.push(at_lens + 1, slopes.k1);
        row
    }

    fn push(&mut self, at: usize, slope: nalgebra::Vector2<f64>) {
        self.0.push((at, [slope.x, slope.y]));
    }

    fn push_three(&mut self, at: usize, slopes: &nalgebra::Matrix2x3<f64>) {
        for i in 0..3 {
            self.push(at + i, slopes.column(i).into());
        }
    }
}

impl Normal {
    fn whole(&self) -> DMatrix<f64> {
        let size = self.slope.len();
        self.by_part.iter().fold(DMatrix::zeros(size, size), |sum, part| sum + part)
    }

    /// An observed point; gives its weighted squares.
    fn add(&mut self, part: Part, row: &Row, left: [f64; 2], u: f64) -> f64 {
        let weight = u.powi(-2);
        for (i, a) in &row.0 {
            self.slope[*i] += weight * (a[0] * left[0] + a[1] * left[1]);
            for (j, b) in &row.0 {
                self.by_part[part as usize][(*i, *j)] += weight * (a[0] * b[0] + a[1] * b[1]);
            }
        }
        let squares = weight * (left[0].powi(2) + left[1].powi(2));
        self.all += squares;
        squares
    }

    /// What is known beforehand: that this sum of unknowns, now off by `off`, is zero within `u`.
    fn know(&mut self, part: Part, sum: &[(usize, f64)], off: f64, u: f64) {
        let row = Row(sum.iter().map(|&(at, factor)| (at, [factor, 0.0])).collect());
        self.add(part, &row, [-off, 0.0], u);
    }
}
