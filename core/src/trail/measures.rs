//! From the fitted pattern to the measures of the trail: mean, spread, number, and uncertainty of the mean.

use std::collections::{BTreeMap, BTreeSet};

use super::assign::Cycle;
use super::fit::{Fitted, Mark};
use super::pattern::{Family, Slot};
use super::spots::Spots;
use super::{MeasureName, TrailMeasure};
use crate::measured::Measured;
use crate::print::Foot;
use crate::words::Words;

const MM_PER_CM: f64 = 10.0;

/// One value and how it hangs on the places of prints: by mark, what it gains with each centimetre along and across.
struct Item {
    value_cm: f64,
    terms: Vec<(usize, [f64; 2])>,
}

impl TrailMeasure {
    /// In words: the mean with half of its 95 % interval, the spread and the number of values.
    pub fn say(&self, words: &Words) -> String {
        let (unit, key) = match self.name {
            MeasureName::StrideMm => (" mm", "trail.stride"),
            MeasureName::StepMm => (" mm", "trail.step"),
            MeasureName::GroupLengthMm => (" mm", "trail.group_length"),
            MeasureName::GapMm => (" mm", "trail.gap"),
            MeasureName::StraddleMm => (" mm", "trail.straddle"),
            MeasureName::DiagonalDeg => ("°", "trail.diagonal_angle"),
            MeasureName::PairMm => (" mm", "trail.pair"),
        };
        let half_width = Measured { value: self.value, u: self.u }.half_width_95();
        let mean = format!("{}{unit} ±{}", words.number(self.value, 0), words.number(half_width, 0));
        let n = self.n.to_string();
        let spread = self.spread.map(|spread| words.number(spread, 0));
        let measure = match &spread {
            Some(spread) => words.fill("trail.of_values", &[("measure", &mean), ("spread", spread), ("n", &n)]),
            None => words.fill("trail.of_one", &[("measure", &mean), ("n", &n)]),
        };
        let [from, to] = self.between.unwrap_or_default().map(|print| print.to_string());
        words.fill(key, &[("measure", &measure), ("from", &from), ("to", &to)])
    }
}

/// How far apart along, cm; strides; marks; the cycles they are of.
type Stride = (f64, f64, [usize; 2], [usize; 2]);

/// A fitted pattern beside the marks it was fitted to.
pub(super) struct Measuring<'a> {
    pub marks: &'a [Mark],
    pub spots: &'a Spots,
    pub best: &'a Fitted,
}

impl Measuring<'_> {
    /// All measures that the trail has, by name.
    pub fn all(&self) -> Vec<TrailMeasure> {
        let mut all = Vec::new();
        let stride = self.stride();
        all.extend(stride.clone());
        if !self.best.template.group {
            all.extend(self.mean(MeasureName::StepMm, self.steps_of_half_a_stride()));
        } else if let Some(length) =
            self.mean(MeasureName::GroupLengthMm, self.between(ends(self.best, |s| s.along), [1.0, 0.0]))
        {
            let gap = stride.map(|stride| gap(&stride, &length));
            all.push(length);
            all.extend(gap);
        }
        all.extend(self.mean(MeasureName::StraddleMm, self.widths()));
        all.extend(self.diagonal());
        all.extend(self.pairs());
        all
    }

    /// The mean stride: what each foot's places are apart, by the strides between them. Its uncertainty: the spread between strides
    /// over the root of their number (JCGM 100:2008, 4.2.3); the feet of one cycle share their stride and count once.
    fn stride(&self) -> Option<TrailMeasure> {
        let k = self.best.fit.slots.len();
        let strides: Vec<Stride> = (0..k).flat_map(|slot| self.strides_of(slot)).collect();
        let n: f64 = strides.iter().map(|(_, n, ..)| n).sum();
        if strides.is_empty() {
            return None;
        }
        let mean = strides.iter().map(|(cm, ..)| cm).sum::<f64>() / n;
        let independent = strides.len().div_ceil(k);
        // All feet of a group share its stride. Without gaps a cycle may begin at any foot, and each foot's strides stand for themselves.
        let mut shared: BTreeMap<[usize; 3], (f64, f64)> = BTreeMap::new();
        for (i, (cm, _, _, [from, to])) in strides.iter().enumerate() {
            let (sum, feet) = shared.entry([*from, *to, if self.best.template.group { 0 } else { i }]).or_default();
            (*sum, *feet) = (*sum + cm, *feet + 1.0);
        }
        let beside = |([from, to, _], (sum, feet)): (&[usize; 3], &(f64, f64))| {
            let n = (to - from) as f64;
            feet / k as f64 * (sum / feet - n * mean).powi(2) / n
        };
        let squares = shared.iter().map(beside).sum::<f64>();
        let noise = self.best.fit.noise;
        let expected = noise.stride.hypot(noise.scatter * (2.0 / k as f64).sqrt());
        let terms = strides.iter().flat_map(|&(_, _, [a, b], _)| [(a, [-1.0 / n, 0.0]), (b, [1.0 / n, 0.0])]).collect();
        let by_spread = u_of_mean(squares, independent, expected);
        Some(self.measure(MeasureName::StrideMm, mean, by_spread, spread(squares, independent), independent, terms))
    }

    /// From one print of a foot to its next that is there.
    fn strides_of(&self, slot: usize) -> Vec<Stride> {
        let mut passed = 0;
        let places: Vec<(usize, usize)> = self
            .best
            .cycles
            .iter()
            .filter_map(|cycle| {
                passed += cycle.strides_on;
                Some((self.at(cycle, slot)?, passed))
            })
            .collect();
        let stride = |pair: &[(usize, usize)]| {
            let ((a, from), (b, to)) = (pair[0], pair[1]);
            (self.apart(a, b)[0], (to - from) as f64, [a, b], [from, to])
        };
        places.windows(2).map(stride).collect()
    }

    /// From a foot to the opposite one, along.
    fn steps_of_half_a_stride(&self) -> Vec<Item> {
        let k = self.best.fit.slots.len();
        (0..k).flat_map(|slot| self.between((slot, slot + k / 2), [1.0, 0.0])).collect()
    }

    /// Across: within a group from one outermost print to the other; without groups from each print to the next one of the other side.
    fn widths(&self) -> Vec<Item> {
        if self.best.template.group {
            return self.between(ends(self.best, |s| s.across), [0.0, 1.0]);
        }
        let slots = &self.best.fit.slots;
        let across = |slot: usize| slots[slot % slots.len()].across;
        let other_side = |slot: &usize| across(*slot) * across(slot + 1) < 0.0;
        (0..slots.len())
            .filter(other_side)
            .flat_map(|slot| self.between((slot, slot + 1), [0.0, across(slot + 1).signum()]))
            .collect()
    }

    /// From one place in the cycle to another, wherever both are there; a place beyond the last is the next cycle's.
    fn between(&self, (from, to): (usize, usize), axis: [f64; 2]) -> Vec<Item> {
        let k = self.best.fit.slots.len();
        let cycles = &self.best.cycles;
        let item = |i: usize| {
            let next = cycles.get(i + to / k).filter(|next| to < k || next.strides_on == 1)?;
            let (a, b) = (self.at(&cycles[i], from)?, self.at(next, to % k)?);
            let [along, across] = self.apart(a, b);
            let terms = vec![(a, axis.map(|x| -x)), (b, axis)];
            Some(Item { value_cm: along * axis[0] + across * axis[1], terms })
        };
        (0..cycles.len()).filter_map(item).collect()
    }

    fn at(&self, cycle: &Cycle, slot: usize) -> Option<usize> {
        cycle.placed.iter().find(|p| p.slot == slot).map(|p| p.mark)
    }

    fn apart(&self, a: usize, b: usize) -> [f64; 2] {
        let (a, b) = (self.marks[a].at, self.marks[b].at);
        [b[0] - a[0], b[1] - a[1]]
    }

    /// The angle between a group's row of prints (least squares) and the direction of travel.
    fn diagonal(&self) -> Option<TrailMeasure> {
        let k = self.best.fit.slots.len();
        if !matches!(self.best.template.family, Family::TwoByTwo | Family::GroupOfThree | Family::GroupOfFour) {
            return None;
        }
        let angle = |cycle: &Cycle| {
            let places: Vec<[f64; 2]> = cycle.placed.iter().map(|p| self.marks[p.mark].at).collect();
            let (mut straight, mut slanting) = (0.0, 0.0);
            for [along, across] in &places {
                straight += (along - cycle.middle[0]).powi(2);
                slanting += (along - cycle.middle[0]) * (across - cycle.middle[1]);
            }
            slanting.atan2(straight).to_degrees()
        };
        let angles: Vec<f64> = self.best.cycles.iter().filter(|c| c.placed.len() == k).map(angle).collect();
        let n = angles.len();
        if n == 0 {
            return None;
        }
        let (mean, squares) = mean_and_squares(&angles);
        let (low, high) = ends(self.best, |s| s.along);
        let length = self.best.fit.slots[high].along - self.best.fit.slots[low].along;
        let expected = (self.best.fit.noise.scatter / length.max(self.best.fit.noise.scatter)).to_degrees();
        Some(TrailMeasure {
            name: MeasureName::DiagonalDeg,
            between: None,
            value: mean.abs(),
            u: u_of_mean(squares, n, expected),
            spread: spread(squares, n),
            n,
        })
    }

    /// From print to print within the cycle, as the crow flies; and between the two fore and the two hind prints.
    fn pairs(&self) -> Vec<TrailMeasure> {
        let slots = &self.best.fit.slots;
        if slots.len() < 3 && !self.best.template.group {
            return Vec::new();
        }
        let mut pairs: Vec<(usize, usize)> = (1..slots.len()).map(|slot| (slot - 1, slot)).collect();
        for foot in [Foot::Fore, Foot::Hind] {
            let of: Vec<usize> = (0..slots.len()).filter(|&s| slots[s].foot == foot).collect();
            pairs.extend(of.get(..2).map(|two| (two[0], two[1])).filter(|pair| !pairs.contains(pair)));
        }
        let pair = |(from, to): (usize, usize)| {
            let apart = [slots[to].along - slots[from].along, slots[to].across - slots[from].across];
            let length = apart[0].hypot(apart[1]).max(1e-9);
            let ahead = apart.map(|d| d / length);
            let items = self.between((from, to), ahead);
            let mut measure = self.mean(MeasureName::PairMm, items)?;
            measure.between = Some([from + 1, to + 1]);
            Some(measure)
        };
        pairs.into_iter().filter_map(pair).collect()
    }

    fn mean(&self, name: MeasureName, items: Vec<Item>) -> Option<TrailMeasure> {
        if items.is_empty() {
            return None;
        }
        let n = items.len() as f64;
        let (mean, squares) = mean_and_squares(&items.iter().map(|item| item.value_cm).collect::<Vec<_>>());
        // Values that share prints say less than their number.
        let prints: BTreeSet<usize> = items.iter().flat_map(|item| &item.terms).map(|(mark, _)| *mark).collect();
        let independent = prints.len().div_ceil(2);
        // What two prints' distance within a cycle scatters by.
        let expected = self.best.fit.noise.scatter * 2.0_f64.sqrt();
        let by_spread = u_of_mean(squares * independent as f64 / n, independent, expected);
        let terms =
            items.iter().flat_map(|item| item.terms.iter().map(|&(mark, t)| (mark, t.map(|t| t / n)))).collect();
        Some(self.measure(name, mean, by_spread, spread(squares, items.len()), items.len(), terms))
    }

    /// With its uncertainty: what the spread says of the mean, at least what the places' own does, and what all places have in common.
    fn measure(
        &self,
        name: MeasureName,
        mean_cm: f64,
        by_spread_cm: f64,
        spread_cm: Option<f64>,
        n: usize,
        terms: Vec<(usize, [f64; 2])>,
    ) -> TrailMeasure {
        let (own, common) = self.spots.u_of(&self.in_the_plane(terms));
        TrailMeasure {
            name,
            between: None,
            value: mean_cm * MM_PER_CM,
            u: by_spread_cm.max(own).hypot(common) * MM_PER_CM,
            spread: spread_cm.map(|cm| cm * MM_PER_CM),
            n,
        }
    }

    /// How a measure hangs on the places as they were given: by print, in the input's axes.
    fn in_the_plane(&self, terms: Vec<(usize, [f64; 2])>) -> Vec<(usize, [f64; 2])> {
        let turned = |(mark, [along, across]): (usize, [f64; 2])| {
            let Mark { index, ahead, left, .. } = self.marks[mark];
            (index, [along * ahead[0] - left * across * ahead[1], along * ahead[1] + left * across * ahead[0]])
        };
        terms.into_iter().map(turned).collect()
    }
}

/// The gap: what the stride is longer than the group.
fn gap(stride: &TrailMeasure, length: &TrailMeasure) -> TrailMeasure {
    let spread = stride.spread.zip(length.spread).map(|(a, b)| a.hypot(b));
    TrailMeasure {
        name: MeasureName::GapMm,
        between: None,
        value: stride.value - length.value,
        u: stride.u.hypot(length.u),
        spread,
        n: stride.n.min(length.n),
    }
}

/// The mean, and the sum of squares about it.
fn mean_and_squares(values: &[f64]) -> (f64, f64) {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    (mean, values.iter().map(|value| (value - mean).powi(2)).sum())
}

/// The standard deviation of single values, where there are two or more.
fn spread(squares: f64, n: usize) -> Option<f64> {
    (n > 1).then(|| (squares / (n - 1) as f64).sqrt())
}

/// The standard uncertainty of a mean from the sum of squares about it. With few values their own spread is a poor guide, so the fitted
/// one counts as one more; what is still not known of the spread widens it as the t distribution does (JCGM 101:2008, 6.4.9.4), the
/// fitted spread standing for three degrees of freedom.
fn u_of_mean(squares: f64, n: usize, fitted: f64) -> f64 {
    let n = n as f64;
    ((squares + fitted * fitted) / n * (n + 2.0) / n / n).sqrt()
}

fn ends(best: &Fitted, place: impl Fn(&Slot) -> f64) -> (usize, usize) {
    let slots = &best.fit.slots;
    let by_place = |a: &usize, b: &usize| place(&slots[*a]).total_cmp(&place(&slots[*b]));
    ((0..slots.len()).min_by(by_place).unwrap_or(0), (0..slots.len()).max_by(by_place).unwrap_or(0))
}
