//! The adjustment: card positions, scale errors and prints that make all marks together most likely; Gauss–Newton in the plane.
//!
//! A print at X is seen in a card position (turned by R, shifted by t) at (1 + e)·Rᵀ(X − t), with e the error of the scale's length,
//! and further off by each shared cause times its size.
//! Least squares with full weights and the covariance of its solution, (JᵀWJ)⁻¹ (JCGM 102:2011; textbook result, written from memory).

use std::collections::BTreeMap;

use nalgebra::{Cholesky, DMatrix, DVector, Dyn, Matrix2, Rotation2, Vector2};

use super::{Frame, JoinError};

/// Prints that join two groups must lie apart by so many standard uncertainties of that: the angle is then good to some 10°, which the
/// linear law of propagation still bears.
const LEAST_APART: f64 = 8.0;
/// And by this at any rate, mm.
const LEAST_APART_MM: f64 = 1.0;

/// What is to be fitted to what, all by index.
#[derive(Clone)]
pub(super) struct Problem {
    /// Names of the prints.
    pub ids: Vec<String>,
    /// Names of the card positions that have one.
    pub labels: Vec<Option<String>>,
    /// Of each shared error that is a scale's, its relative standard uncertainty.
    u_errors: Vec<f64>,
    pub photos: Vec<Seen>,
}

/// One photograph.
#[derive(Clone)]
pub(super) struct Seen {
    pub name: String,
    /// Which card position it shows.
    pub position: usize,
    /// Which of the shared errors is its scale's.
    scale: usize,
    /// Which other ones it has, and what one standard uncertainty of them does.
    shared: Vec<(usize, DVector<f64>)>,
    /// Which prints.
    pub prints: Vec<usize>,
    at: DVector<f64>,
    covariance: DMatrix<f64>,
    root: Cholesky<f64, Dyn>,
}

/// A card position in the plane.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pose {
    pub angle: f64,
    pub shift: Vector2<f64>,
}

/// Everything that is fitted; shared errors in their standard uncertainties.
#[derive(Debug, Clone)]
pub(super) struct State {
    pub poses: Vec<Pose>,
    pub errors: Vec<f64>,
    pub prints: Vec<Vector2<f64>>,
}

/// Two groups of photographs as they were joined for a start.
#[derive(Debug, Clone)]
pub(super) struct Joint {
    /// A card position of each.
    pub positions: [usize; 2],
    /// All photographs of each.
    pub photos: [String; 2],
    /// Greatest distance between the prints that both show, mm.
    pub apart_mm: f64,
}

/// The fit with its covariance.
pub(super) struct Solution {
    pub state: State,
    pub covariance: DMatrix<f64>,
    pub chi2: f64,
    pub freedom: usize,
}

impl Pose {
    const NONE: Self = Self { angle: 0.0, shift: Vector2::new(0.0, 0.0) };

    fn turn(&self) -> Matrix2<f64> {
        *Rotation2::new(self.angle).matrix()
    }

    pub fn place(&self, at: Vector2<f64>) -> Vector2<f64> {
        self.turn() * at + self.shift
    }

    /// First `other`, then this.
    fn after(&self, other: &Self) -> Self {
        Self { angle: self.angle + other.angle, shift: self.place(other.shift) }
    }

    fn back(&self) -> Self {
        Self { angle: -self.angle, shift: -(self.turn().transpose() * self.shift) }
    }

    /// The turn and shift that bring `from` nearest to `to` (least squares). In the plane, written as complex numbers about the means,
    /// the angle is that of Σ conj(from)·to; Umeyama 1991 gives the same for any dimension.
    fn between(pairs: &[(Vector2<f64>, Vector2<f64>)]) -> Self {
        let n = pairs.len() as f64;
        let (from, to) =
            pairs.iter().fold((Vector2::zeros(), Vector2::zeros()), |(f, t), (a, b)| (f + a / n, t + b / n));
        let (dot, cross) = pairs
            .iter()
            .map(|(a, b)| (a - from, b - to))
            .fold((0.0, 0.0), |(dot, cross), (a, b)| (dot + a.dot(&b), cross + a.perp(&b)));
        let turned = Self { angle: cross.atan2(dot), shift: Vector2::zeros() };
        Self { shift: to - turned.place(from), ..turned }
    }
}

/// Card positions whose places to each other are known.
struct Group {
    positions: Vec<usize>,
    prints: BTreeMap<usize, Vector2<f64>>,
}

impl Problem {
    pub fn of(frames: &[Frame]) -> Self {
        let mut problem = Self { ids: vec![], labels: vec![], u_errors: vec![], photos: vec![] };
        let (mut positions, mut errors) = (BTreeMap::new(), BTreeMap::new());
        let mut known = BTreeMap::new();
        for frame in frames {
            let new = problem.labels.len();
            let position = frame.card.as_ref().map_or(new, |card| *positions.entry(card.clone()).or_insert(new));
            if position == new {
                problem.labels.push(frame.card.clone());
            }
            let mut error = |of_scale: bool, name: &str, u: f64| {
                let known = *errors.entry((of_scale, name.to_owned())).or_insert(problem.u_errors.len());
                problem.u_errors.resize(problem.u_errors.len().max(known + 1), u);
                // The same scale, known differently well: as the worst says.
                problem.u_errors[known] = problem.u_errors[known].max(u);
                known
            };
            let scale = error(true, &frame.scale, frame.u_scale);
            let shared = frame.shared.iter().map(|shared| (error(false, &shared.cause, 1.0), shared.by_mm.clone()));
            let shared = shared.collect();
            let Some(root) = frame.covariance_mm2.clone().cholesky() else { continue };
            let prints = frame.prints.iter().map(|print| {
                *known.entry(&print.id).or_insert_with(|| {
                    problem.ids.push(print.id.clone());
                    problem.ids.len() - 1
                })
            });
            let prints = prints.collect();
            problem.photos.push(Seen {
                name: frame.photo.clone(),
                position,
                scale,
                shared,
                prints,
                at: DVector::from_iterator(2 * frame.prints.len(), frame.prints.iter().flat_map(|print| print.at_mm)),
                covariance: frame.covariance_mm2.clone(),
                root,
            });
        }
        problem
    }

    /// The same with each sight of a print taken for a print of its own.
    pub fn with_apart(&self, print: usize) -> Self {
        let mut apart = self.clone();
        let sights = apart.photos.iter_mut().flat_map(|photo| &mut photo.prints).filter(|seen| **seen == print);
        for sight in sights.skip(1) {
            *sight = apart.ids.len();
            apart.ids.push(self.ids[print].clone());
        }
        apart
    }

    /// The same with the card of one photograph taken for one that lay elsewhere.
    pub fn with_moved(&self, photo: usize) -> Self {
        let mut moved = self.clone();
        moved.photos[photo].position = moved.labels.len();
        moved.labels.push(None);
        moved
    }

    /// Where photographs show a print: their indices and its rows there.
    pub fn sights(&self, print: usize) -> impl Iterator<Item = (usize, usize)> + '_ {
        let row = move |photo: &Seen| photo.prints.iter().position(|seen| *seen == print);
        self.photos.iter().enumerate().filter_map(move |(i, photo)| Some((i, row(photo)?)))
    }

    /// The photographs of some card positions.
    pub fn names(&self, positions: &[usize]) -> String {
        let of = self.photos.iter().filter(|photo| positions.contains(&photo.position));
        of.map(|photo| photo.name.as_str()).collect::<Vec<_>>().join(", ")
    }

    /// A start: the groups that share the widest-spread prints are joined first, rigidly, until one is left.
    pub fn start(&self) -> Result<(State, Vec<Joint>), JoinError> {
        let mut poses = vec![Pose::NONE; self.labels.len()];
        let mut groups: Vec<Group> = (0..self.labels.len())
            .map(|position| {
                let of = self.photos.iter().filter(|photo| photo.position == position);
                let prints =
                    of.flat_map(|photo| photo.prints.iter().enumerate().map(|(row, print)| (*print, photo.at(row))));
                Group { positions: vec![position], prints: prints.collect() }
            })
            .collect();
        let mut joints = Vec::new();
        while groups.len() > 1 {
            let pairs = (0..groups.len()).flat_map(|b| (0..b).map(move |a| (a, b)));
            let best = pairs.filter_map(|(a, b)| Some((groups[a].apart(&groups[b])?, [a, b])));
            let best = best.max_by(|x, y| x.0.0.total_cmp(&y.0.0));
            let Some(((apart_mm, ends), [a, b])) = best else { return Err(self.unjoined(&groups)) };
            let photos = [&groups[a], &groups[b]].map(|group| self.names(&group.positions));
            if apart_mm < self.least_apart_mm(&groups[a], ends).max(self.least_apart_mm(&groups[b], ends)) {
                let [first, other] = photos;
                return Err(JoinError::TooNear { first, other, apart_mm });
            }
            let positions = [&groups[a], &groups[b]].map(|group| self.position_of(group, ends[0]));
            joints.push(Joint { positions, photos, apart_mm });
            let joined = groups.remove(b);
            let group = &mut groups[a];
            let both = |(print, at): (&usize, &Vector2<f64>)| Some((*at, *group.prints.get(print)?));
            let pose = Pose::between(&joined.prints.iter().filter_map(both).collect::<Vec<_>>());
            for &position in &joined.positions {
                poses[position] = pose.after(&poses[position]);
            }
            group.positions.extend(joined.positions);
            for (print, at) in joined.prints {
                group.prints.entry(print).or_insert_with(|| pose.place(at));
            }
        }
        let Some(group) = groups.pop() else { return Err(JoinError::NoPhoto) };
        let back = poses[0].back();
        let prints = group.prints.values().map(|at| back.place(*at)).collect();
        let poses = poses.iter().map(|pose| back.after(pose)).collect();
        Ok((State { poses, errors: vec![0.0; self.u_errors.len()], prints }, joints))
    }

    fn position_of(&self, group: &Group, print: usize) -> usize {
        let mut at = self.sights(print).map(|(photo, _)| self.photos[photo].position);
        at.find(|position| group.positions.contains(position)).unwrap_or(group.positions[0])
    }

    /// How far apart two prints of a group must lie to tell a direction, mm.
    fn least_apart_mm(&self, group: &Group, [a, b]: [usize; 2]) -> f64 {
        let both = self.photos.iter().filter(|photo| group.positions.contains(&photo.position)).filter_map(|photo| {
            let row = |print| photo.prints.iter().position(|seen| *seen == print);
            let (i, j) = (2 * row(a)?, 2 * row(b)?);
            let c = &photo.covariance;
            let of = |k: usize| c[(i + k, i + k)] + c[(j + k, j + k)] - 2.0 * c[(i + k, j + k)];
            Some(LEAST_APART * ((of(0) + of(1)) / 2.0).max(0.0).sqrt())
        });
        both.reduce(f64::min).unwrap_or(0.0).max(LEAST_APART_MM)
    }

    /// Which two groups lack what: the first one, and the one that shares most with it.
    fn unjoined(&self, groups: &[Group]) -> JoinError {
        let shared = |other: &Group| other.prints.keys().copied().find(|print| groups[0].prints.contains_key(print));
        let other = groups[1..].iter().max_by_key(|other| shared(other).is_some());
        let Some(other) = other else { return JoinError::NoSolution };
        let [first, second] = [&groups[0], other].map(|group| self.names(&group.positions));
        match shared(other) {
            None => JoinError::NothingShared { first, other: second },
            Some(print) => JoinError::OneShared { first, other: second, print: self.ids[print].clone() },
        }
    }

    /// Descends from a start, the marks taken as `worse` times as uncertain as they claim; `None` where it doesn't settle.
    pub fn solve(&self, mut state: State, worse: f64) -> Option<Solution> {
        for _ in 0..50 {
            let (normal, slope, _) = self.normal(&state, worse);
            let change = normal.cholesky()?.solve(&slope);
            self.take(&mut state, &change);
            // What chi² still falls by.
            if change.dot(&slope) < 1e-13 {
                let (normal, _, chi2) = self.normal(&state, worse);
                let sights: usize = self.photos.iter().map(|photo| photo.prints.len()).sum();
                let freedom = (2 * sights).checked_sub(self.at_error(0) + 2 * self.ids.len())?;
                return Some(Solution { covariance: normal.cholesky()?.inverse(), state, chi2, freedom });
            }
        }
        None
    }

    /// The first position is where all others are reckoned from.
    fn at_pose(&self, position: usize) -> Option<usize> {
        position.checked_sub(1).map(|i| 3 * i)
    }

    fn at_error(&self, error: usize) -> usize {
        3 * (self.labels.len() - 1) + error
    }

    fn at_print(&self, print: usize) -> usize {
        self.at_error(self.u_errors.len()) + 2 * print
    }

    /// The normal equations and chi².
    fn normal(&self, state: &State, worse: f64) -> (DMatrix<f64>, DVector<f64>, f64) {
        let unknowns = self.at_print(self.ids.len());
        let mut normal = DMatrix::zeros(unknowns, unknowns);
        let mut slope = DVector::zeros(unknowns);
        let mut chi2 = 0.0;
        // What is known of an error beforehand counts like one more observation.
        for (i, error) in state.errors.iter().enumerate() {
            let at = self.at_error(i);
            normal[(at, at)] = 1.0;
            slope[at] = -error;
            chi2 += error * error;
        }
        let quarter = Matrix2::new(0.0, -1.0, 1.0, 0.0);
        for photo in &self.photos {
            let (pose, u_scale) = (&state.poses[photo.position], self.u_errors[photo.scale]);
            let back = pose.turn().transpose();
            let grown = 1.0 + u_scale * state.errors[photo.scale];
            let mut left = photo.at.clone();
            let mut jacobian = DMatrix::zeros(left.len(), unknowns);
            for (row, &print) in photo.prints.iter().enumerate() {
                let aside = state.prints[print] - pose.shift;
                let at = back * aside;
                let mut left = left.fixed_rows_mut::<2>(2 * row);
                left -= at * grown;
                let by_place = back * grown;
                jacobian.fixed_view_mut::<2, 2>(2 * row, self.at_print(print)).copy_from(&by_place);
                jacobian.fixed_view_mut::<2, 1>(2 * row, self.at_error(photo.scale)).copy_from(&(at * u_scale));
                if let Some(column) = self.at_pose(photo.position) {
                    jacobian.fixed_view_mut::<2, 1>(2 * row, column).copy_from(&-(quarter * at * grown));
                    jacobian.fixed_view_mut::<2, 2>(2 * row, column + 1).copy_from(&-by_place);
                }
            }
            for (error, by) in &photo.shared {
                left -= by * state.errors[*error];
                jacobian.set_column(self.at_error(*error), by);
            }
            let root = photo.root.l_dirty();
            if !(root.solve_lower_triangular_mut(&mut left) && root.solve_lower_triangular_mut(&mut jacobian)) {
                continue;
            }
            let weight = worse.powi(-2);
            normal += jacobian.tr_mul(&jacobian) * weight;
            slope += jacobian.tr_mul(&left) * weight;
            chi2 += left.norm_squared() * weight;
        }
        (normal, slope, chi2)
    }

    fn take(&self, state: &mut State, change: &DVector<f64>) {
        for position in 1..state.poses.len() {
            let at = 3 * (position - 1);
            state.poses[position].angle += change[at];
            state.poses[position].shift += change.fixed_rows::<2>(at + 1);
        }
        for (i, error) in state.errors.iter_mut().enumerate() {
            *error += change[self.at_error(i)];
        }
        for (print, place) in state.prints.iter_mut().enumerate() {
            *place += change.fixed_rows::<2>(self.at_print(print));
        }
    }
}

impl Group {
    /// The two prints furthest apart among those that both groups show, and how far.
    fn apart(&self, other: &Self) -> Option<(f64, [usize; 2])> {
        let shared: Vec<_> = self.prints.iter().filter(|(print, _)| other.prints.contains_key(print)).collect();
        let pairs = (0..shared.len()).flat_map(|j| (0..j).map(move |i| (i, j)));
        pairs
            .map(|(i, j)| ((shared[i].1 - shared[j].1).norm(), [*shared[i].0, *shared[j].0]))
            .max_by(|a, b| a.0.total_cmp(&b.0))
    }
}

impl Seen {
    pub fn at(&self, row: usize) -> Vector2<f64> {
        Vector2::new(self.at[2 * row], self.at[2 * row + 1])
    }
}

impl Solution {
    /// The covariance of the prints' places, mm².
    pub fn of_prints(&self, problem: &Problem) -> DMatrix<f64> {
        let (at, n) = (problem.at_print(0), 2 * problem.ids.len());
        self.covariance.view((at, at), (n, n)).into_owned()
    }

    /// Standard uncertainty of how two card positions are turned to each other, rad.
    pub fn u_angle(&self, problem: &Problem, [a, b]: [usize; 2]) -> f64 {
        let mut slope = DVector::zeros(self.covariance.nrows());
        for (position, sign) in [(a, -1.0), (b, 1.0)] {
            if let Some(at) = problem.at_pose(position) {
                slope[at] += sign;
            }
        }
        (slope.transpose() * &self.covariance * slope)[0].max(0.0).sqrt()
    }
}
