//! The way the animal went: a smooth line through the trail, straight or bending, along which prints have a place along and across.
//!
//! Where it begins nothing is known of the pattern: the prints are put in order by the longest path of their shortest spanning tree, and
//! that path is smoothed. Once cycles are found, the line goes through their middles, as smooth as they ask for: a penalty on its
//! bending, weighed by restricted maximum likelihood (Wood 2017, Generalized Additive Models, 2nd ed., sections 5.1 and 6.2.6).

use nalgebra::Vector2;

type Point = Vector2<f64>;

/// A place along the line: how far, how far to its left, and which way the line runs there (a unit vector).
#[derive(Debug, Clone, Copy)]
pub(super) struct OnLine {
    pub along: f64,
    pub across: f64,
    pub ahead: [f64; 2],
}

/// A line through the trail, by points and their distance along it; straight on beyond its ends. Centimetres.
#[derive(Debug, Clone)]
pub(super) struct Line {
    points: Vec<Point>,
    along: Vec<f64>,
}

/// A middle that the line should go through, and the weight it has (its number of prints).
#[derive(Debug, Clone, Copy)]
pub(super) struct Middle {
    pub at: [f64; 2],
    pub weight: f64,
}

/// Of the first guess: bends shorter than about fourteen prints are smoothed away (half of their height is left where λ(2 sin(π/14))⁴ = 1).
const FIRST_SMOOTHNESS: f64 = 25.0;
/// The first guess bends where that takes so much off the prints' distance from it.
const BENDS: f64 = 0.7;
/// A trail slants to its tape where that takes so much off it.
const SLANTS: f64 = 0.5;
/// Prints are looked for along a line within this distance of where they lie, roughly.
const REACH_CM: f64 = 150.0;
/// A bend must gain so much in twice the log likelihood over a straight line: one number more, at 95 % (χ² of one degree of freedom).
const BEND_GAIN: f64 = 3.84;

impl Line {
    /// Through two different points.
    pub fn straight(from: [f64; 2], to: [f64; 2]) -> Self {
        Self::through_points(vec![from.into(), to.into()])
    }

    fn through_points(points: Vec<Point>) -> Self {
        let along = distances(&points);
        Self { points, along }
    }

    /// A first guess through prints in any order, and how far along it each lies, roughly. It runs the way in which they are listed. A tape
    /// along the x axis says where the trail goes better than a few prints do.
    pub fn guess(prints: &[[f64; 2]], on_tape: bool) -> (Self, Vec<f64>) {
        let points: Vec<Point> = prints.iter().map(|&p| p.into()).collect();
        let (from, to) =
            if on_tape && !slants(prints, &points) { beside_tape(prints) } else { principal_axis(&points) };
        let straight = Self::straight(from, to).run_as_listed(prints);
        let on_straight: Vec<OnLine> = prints.iter().map(|&p| straight.place(p, None)).collect();
        let rms =
            |lines: &[OnLine]| (lines.iter().map(|l| l.across * l.across).sum::<f64>() / lines.len() as f64).sqrt();
        let near_straight: Vec<f64> = on_straight.iter().map(|l| l.along).collect();
        if prints.len() < 8 {
            return (straight, near_straight);
        }
        let path = longest_path(&points);
        let bent = Self::through_points(smooth_evenly(&path.order.iter().map(|&i| points[i]).collect::<Vec<_>>()));
        let on_bent: Vec<OnLine> =
            prints.iter().zip(&path.beside).map(|(&p, &i)| bent.place(p, Some(bent.along[i]))).collect();
        if rms(&on_bent) > BENDS * rms(&on_straight) {
            return (straight, near_straight);
        }
        let near: Vec<f64> = on_bent.iter().map(|l| l.along).collect();
        match listed_backwards(&near) {
            true => {
                let length = bent.along[bent.along.len() - 1];
                (bent.reversed(), near.iter().map(|along| length - along).collect())
            }
            false => (bent, near),
        }
    }

    fn run_as_listed(self, prints: &[[f64; 2]]) -> Self {
        let along: Vec<f64> = prints.iter().map(|&p| self.place(p, None).along).collect();
        if listed_backwards(&along) { self.reversed() } else { self }
    }

    fn reversed(self) -> Self {
        Self::through_points(self.points.into_iter().rev().collect())
    }

    /// Through middles in order along the trail, as smooth as they ask for; straight unless they clearly bend.
    pub fn through(middles: &[Middle]) -> Option<Self> {
        let smoothed = smooth_as_asked(middles)?;
        Some(Self::through_points(rounded(&smoothed)))
    }

    /// Where a point lies along the line; looked for near where it lies, roughly, if that is given.
    pub fn place(&self, point: [f64; 2], near: Option<f64>) -> OnLine {
        let point: Point = point.into();
        let last = self.points.len() - 2;
        let (from, to) = near.map_or((0, last), |near| {
            let at = |along: f64| self.along.partition_point(|a| *a <= along).saturating_sub(1).min(last);
            (at(near - REACH_CM), at(near + REACH_CM))
        });
        let mut best: Option<(f64, OnLine)> = None;
        for i in from..=to {
            let (a, b) = (self.points[i], self.points[i + 1]);
            let length = self.along[i + 1] - self.along[i];
            if length <= 0.0 {
                continue;
            }
            let ahead = (b - a) / length;
            let whole = (point - a).dot(&ahead);
            // Beyond its ends the line goes straight on.
            let low = if i == 0 { f64::NEG_INFINITY } else { 0.0 };
            let high = if i == last { f64::INFINITY } else { length };
            let along = whole.clamp(low, high);
            let foot = a + ahead * along;
            let apart = (point - foot).norm();
            if best.is_none_or(|(least, _)| apart < least) {
                let left = ahead.x * (point - foot).y - ahead.y * (point - foot).x;
                let on = OnLine { along: self.along[i] + along, across: apart.copysign(left), ahead: ahead.into() };
                best = Some((apart, on));
            }
        }
        best.map_or(OnLine { along: 0.0, across: 0.0, ahead: [1.0, 0.0] }, |(_, on)| on)
    }

    /// The point at a place along and across.
    pub fn point(&self, [along, across]: [f64; 2]) -> [f64; 2] {
        let last = self.points.len() - 2;
        let i = self.along.partition_point(|a| *a <= along).saturating_sub(1).min(last);
        let ahead = (self.points[i + 1] - self.points[i]) / (self.along[i + 1] - self.along[i]).max(1e-12);
        let foot = self.points[i] + ahead * (along - self.along[i]);
        [foot.x - across * ahead.y, foot.y + across * ahead.x]
    }

    /// The piece between two places along it.
    pub fn between(&self, from: f64, to: f64) -> Vec<[f64; 2]> {
        let inside = self.along.iter().copied().filter(|along| from < *along && *along < to);
        std::iter::once(from).chain(inside).chain([to]).map(|along| self.point([along, 0.0])).collect()
    }

    /// The line's points.
    pub fn points(&self) -> Vec<[f64; 2]> {
        self.points.iter().map(|&p| p.into()).collect()
    }
}

/// How far along each point lies, from one to the next.
fn distances(points: &[Point]) -> Vec<f64> {
    let mut along = vec![0.0];
    for pair in points.windows(2) {
        along.push(along[along.len() - 1] + (pair[1] - pair[0]).norm());
    }
    along
}

/// Whether numbers rather fall than rise along their list.
fn listed_backwards(along: &[f64]) -> bool {
    let middle = (along.len() as f64 - 1.0) / 2.0;
    along.iter().enumerate().map(|(i, a)| (i as f64 - middle) * a).sum::<f64>() < 0.0
}

/// A line along the tape through the middle of the points, so that nothing hangs on how far beside them the tape lay.
fn beside_tape(points: &[[f64; 2]]) -> ([f64; 2], [f64; 2]) {
    let (from, to) = points.iter().fold((f64::MAX, f64::MIN), |(l, h), p| (l.min(p[0]), h.max(p[0])));
    let middle = points.iter().map(|p| p[1]).sum::<f64>() / points.len() as f64;
    ([from, middle], [to.max(from + 1.0), middle])
}

/// Whether prints lie so much nearer to a slanting line than to one along the tape that the trail slants, and not just their left and right.
fn slants(prints: &[[f64; 2]], points: &[Point]) -> bool {
    let n = prints.len() as f64;
    let mean = prints.iter().map(|p| p[1]).sum::<f64>() / n;
    let from_tape = prints.iter().map(|p| (p[1] - mean).powi(2)).sum::<f64>();
    let (from, to) = principal_axis(points);
    let axis = Line::straight(from, to);
    let from_axis = prints.iter().map(|&p| axis.place(p, None).across.powi(2)).sum::<f64>();
    prints.len() >= 4 && from_axis < SLANTS * SLANTS * from_tape
}

/// The ends of the line along which the points stretch furthest.
fn principal_axis(points: &[Point]) -> ([f64; 2], [f64; 2]) {
    let middle = points.iter().sum::<Point>() / points.len() as f64;
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for p in points.iter().map(|p| p - middle) {
        xx += p.x * p.x;
        xy += p.x * p.y;
        yy += p.y * p.y;
    }
    let (sin, cos) = (0.5 * (2.0 * xy).atan2(xx - yy)).sin_cos();
    let ahead = Point::new(cos, sin);
    let reach = points.iter().map(|p| (p - middle).dot(&ahead).abs()).fold(1.0, f64::max);
    ((middle - ahead * reach).into(), (middle + ahead * reach).into())
}

struct Path {
    /// The points on it, in order.
    order: Vec<usize>,
    /// For every point, the place on the path beside which it hangs.
    beside: Vec<usize>,
}

/// The longest path in the shortest spanning tree (Prim 1957): a trail's prints in order, since the next print is nearer than any other part of the trail.
fn longest_path(points: &[Point]) -> Path {
    let n = points.len();
    let (mut parent, mut nearest, mut joined) = (vec![0; n], vec![f64::INFINITY; n], vec![false; n]);
    let mut joining = Vec::with_capacity(n);
    let mut last = 0;
    for _ in 0..n {
        joined[last] = true;
        joining.push(last);
        let mut next = (f64::INFINITY, last);
        for i in (0..n).filter(|&i| !joined[i]) {
            let apart = (points[i] - points[last]).norm_squared();
            if apart < nearest[i] {
                (nearest[i], parent[i]) = (apart, last);
            }
            if nearest[i] < next.0 {
                next = (nearest[i], i);
            }
        }
        last = next.1;
    }
    let mut neighbours = vec![Vec::new(); n];
    for &i in &joining[1..] {
        neighbours[i].push(parent[i]);
        neighbours[parent[i]].push(i);
    }
    // From the point furthest from anywhere to the one furthest from it.
    let far = |from: usize| {
        let (mut before, mut length) = (vec![usize::MAX; n], vec![0.0; n]);
        let mut open = vec![from];
        before[from] = from;
        let mut furthest = from;
        while let Some(i) = open.pop() {
            if length[i] > length[furthest] {
                furthest = i;
            }
            for &j in &neighbours[i] {
                if before[j] == usize::MAX {
                    before[j] = i;
                    length[j] = length[i] + (points[j] - points[i]).norm();
                    open.push(j);
                }
            }
        }
        (furthest, before)
    };
    let (from, _) = far(0);
    let (to, before) = far(from);
    let mut order = vec![to];
    while order[order.len() - 1] != from {
        order.push(before[order[order.len() - 1]]);
    }
    let mut beside = vec![usize::MAX; n];
    order.iter().enumerate().for_each(|(place, &i)| beside[i] = place);
    let mut open = order.clone();
    while let Some(i) = open.pop() {
        for &j in &neighbours[i] {
            if beside[j] == usize::MAX {
                beside[j] = beside[i];
                open.push(j);
            }
        }
    }
    Path { order, beside }
}

fn smooth_evenly(points: &[Point]) -> Vec<Point> {
    let even: Vec<f64> = (0..points.len()).map(|i| i as f64).collect();
    Smoother::new(&even, &vec![1.0; points.len()], FIRST_SMOOTHNESS)
        .map_or_else(|| points.to_vec(), |s| s.smooth(points))
}

fn smooth_as_asked(middles: &[Middle]) -> Option<Vec<Point>> {
    let points: Vec<Point> = middles.iter().map(|m| m.at.into()).collect();
    let mut along = distances(&points);
    let n = points.len();
    let spacing = along.last()? / (n as f64 - 1.0);
    if n < 2 || spacing <= 0.0 {
        return None;
    }
    if n < 4 {
        let (from, to) = principal_axis(&points);
        let line = Line::straight(from, to).run_as_listed(&middles.iter().map(|m| m.at).collect::<Vec<_>>());
        return Some(line.points);
    }
    along.iter_mut().for_each(|a| *a /= spacing);
    let weights: Vec<f64> = middles.iter().map(|m| m.weight).collect();
    let tried = |smoothness: f64| {
        let smoother = Smoother::new(&along, &weights, smoothness)?;
        let smooth = smoother.smooth(&points);
        Some((smoother.misfit(&points, &smooth), smooth))
    };
    let straight = tried(1e7)?;
    let bent = [0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0, 1e3, 1e4].into_iter().filter_map(tried);
    let best = bent.min_by(|a, b| a.0.total_cmp(&b.0))?;
    Some(if best.0 < straight.0 - BEND_GAIN { best.1 } else { straight.1 })
}

/// The line between points, rounded: a cubic through them with the slope of their neighbours (Catmull & Rom 1974), four pieces between two.
fn rounded(points: &[Point]) -> Vec<Point> {
    let at = |i: isize| {
        let last = points.len() as isize - 1;
        match i {
            -1 => 2.0 * points[0] - points[1],
            i if i > last => 2.0 * points[last as usize] - points[last as usize - 1],
            i => points[i as usize],
        }
    };
    let mut out = Vec::with_capacity(4 * points.len());
    for i in 0..points.len() as isize - 1 {
        let [a, b, c, d] = [at(i - 1), at(i), at(i + 1), at(i + 2)];
        for t in [0.0, 0.25, 0.5, 0.75] {
            let (t2, t3): (f64, f64) = (t * t, t * t * t);
            out.push(
                0.5 * (2.0 * b
                    + (c - a) * t
                    + (2.0 * a - 5.0 * b + 4.0 * c - d) * t2
                    + (3.0 * b - a - 3.0 * c + d) * t3),
            );
        }
    }
    out.extend(points.last());
    out
}

/// Weighted least squares with a penalty on bending, by its band matrix W + λ DᵀD, decomposed into L Δ Lᵀ (Golub & Van Loan 2013, section 4.3).
struct Smoother {
    weights: Vec<f64>,
    smoothness: f64,
    pivots: Vec<f64>,
    /// The first and the second diagonal below.
    below: [Vec<f64>; 2],
}

impl Smoother {
    fn new(along: &[f64], weights: &[f64], smoothness: f64) -> Option<Self> {
        let n = along.len();
        let mut diagonal = weights.to_vec();
        let mut below = [vec![0.0; n], vec![0.0; n]];
        for i in 1..n.saturating_sub(1) {
            let (before, after) = (along[i] - along[i - 1], along[i + 1] - along[i]);
            if before <= 0.0 || after <= 0.0 {
                return None;
            }
            // The change of slope at a point, by the root of the length it stands for: its square sums up to the integral of bending.
            let scale = (smoothness / (0.5 * (before + after))).sqrt();
            let d = [scale / before, -scale * (1.0 / before + 1.0 / after), scale / after];
            for (j, dj) in d.iter().enumerate() {
                diagonal[i - 1 + j] += dj * dj;
            }
            below[0][i - 1] += d[0] * d[1];
            below[0][i] += d[1] * d[2];
            below[1][i - 1] += d[0] * d[2];
        }
        let mut pivots = vec![0.0; n];
        for i in 0..n {
            let mut pivot = diagonal[i];
            if i >= 1 {
                pivot -= below[0][i - 1].powi(2) * pivots[i - 1];
            }
            if i >= 2 {
                pivot -= below[1][i - 2].powi(2) * pivots[i - 2];
            }
            if pivot <= 0.0 {
                return None;
            }
            pivots[i] = pivot;
            if i >= 1 {
                below[0][i] -= below[0][i - 1] * below[1][i - 1] * pivots[i - 1];
            }
            below[0][i] /= pivot;
            below[1][i] /= pivot;
        }
        Some(Self { weights: weights.to_vec(), smoothness, pivots, below })
    }

    fn smooth(&self, points: &[Point]) -> Vec<Point> {
        let n = points.len();
        let mut out: Vec<Point> = points.iter().zip(&self.weights).map(|(p, w)| p * *w).collect();
        for i in 1..n {
            let mut sum = out[i - 1] * self.below[0][i - 1];
            if i >= 2 {
                sum += out[i - 2] * self.below[1][i - 2];
            }
            out[i] -= sum;
        }
        for i in (0..n).rev() {
            out[i] /= self.pivots[i];
            if i + 1 < n {
                let next = out[i + 1] * self.below[0][i];
                out[i] -= next;
            }
            if i + 2 < n {
                let next = out[i + 2] * self.below[1][i];
                out[i] -= next;
            }
        }
        out
    }

    /// Minus twice the restricted log likelihood, but for what no smoothness changes; both directions share spread and smoothness.
    fn misfit(&self, points: &[Point], smooth: &[Point]) -> f64 {
        let free = 2.0 * (points.len() as f64 - 2.0);
        // What the line leaves of the points has no mean: taken about any middle the sum is the same, and this one keeps its digits.
        let middle = points.iter().sum::<Point>() / points.len() as f64;
        let squares: f64 = points
            .iter()
            .zip(smooth)
            .zip(&self.weights)
            .map(|((p, s), w)| w * (p - middle).dot(&(p - s)))
            .sum::<f64>()
            .max(1e-12);
        let determinant: f64 = self.pivots.iter().map(|p| p.ln()).sum();
        free * squares.ln() + 2.0 * determinant - free * self.smoothness.ln()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn circle(degrees: f64) -> [f64; 2] {
        let (sin, cos) = degrees.to_radians().sin_cos();
        [300.0 * cos, 300.0 * sin]
    }

    #[test]
    fn a_line_through_middles_on_a_circle_is_the_circle() {
        let middles: Vec<Middle> = (0..20).map(|i| Middle { at: circle(10.0 * f64::from(i)), weight: 1.0 }).collect();
        let line = Line::through(&middles).unwrap();
        let arc = line.place(circle(150.0), None).along - line.place(circle(40.0), None).along;
        assert!((arc - 300.0 * 110_f64.to_radians()).abs() < 0.5, "{arc}");
        let inside = line.place([290.0 * 95_f64.to_radians().cos(), 290.0 * 95_f64.to_radians().sin()], None);
        assert!((inside.across - 10.0).abs() < 0.1, "left of the way along it: {inside:?}");
        let back = line.point([inside.along, inside.across]);
        assert!((back[0] - 290.0 * 95_f64.to_radians().cos()).abs() < 1e-6);
    }

    #[test]
    fn middles_that_scatter_about_a_straight_line_do_not_bend_it() {
        let mut chance = 7_u32;
        let mut scatter = || {
            chance = chance.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            f64::from(chance >> 16) / 65_536.0 - 0.5
        };
        let middles: Vec<Middle> =
            (0..15).map(|i| Middle { at: [60.0 * f64::from(i), scatter()], weight: 2.0 }).collect();
        let line = Line::through(&middles).unwrap();
        assert!(line.points().iter().all(|p| p[1].abs() < 0.5));
    }

    #[test]
    fn prints_in_any_order_give_the_way_they_lie() {
        let prints: Vec<[f64; 2]> = (0..30).map(|i| circle(f64::from(i * 7 % 30) * 6.0)).collect();
        let (line, near) = Line::guess(&prints, false);
        let mut order: Vec<usize> = (0..30).collect();
        order.sort_by(|&a, &b| near[a].total_cmp(&near[b]));
        let steps: Vec<usize> = order.iter().map(|&i| i * 7 % 30).collect();
        assert!(steps.is_sorted() || steps.iter().rev().is_sorted(), "{steps:?} {:?}", line.points().len());
    }
}
