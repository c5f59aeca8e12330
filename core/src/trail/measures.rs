//! From the fitted pattern to the measures of the trail, each with its uncertainty.

use std::collections::BTreeSet;

use super::fit::{Fitted, Mark, Weighed, steps};
use super::{Counts, TrailReading};
use crate::measured::{Measured, combine};

const MM_PER_CM: f64 = 10.0;

pub(super) fn reading(marks: &[Mark], u_cm: f64, weighed: Weighed) -> TrailReading {
    let mut reading = TrailReading {
        patterns: weighed.patterns,
        no_pattern: weighed.no_pattern,
        groups: Vec::new(),
        foreign: Vec::new(),
        missing: 0,
        stride_mm: None,
        group_length_mm: None,
        gap_mm: None,
        straddle_mm: None,
        n: Counts::default(),
    };
    let Some(best) = weighed.best else { return reading };
    let in_trail: BTreeSet<usize> = best.cycles.iter().flat_map(|c| &c.placed).map(|p| marks[p.mark].index).collect();
    reading.foreign = (0..marks.len()).filter(|index| !in_trail.contains(index)).collect();
    reading.missing = missing(&best);
    let strides: Vec<f64> = steps(&best.cycles).map(|s| s.along / s.strides).collect();
    reading.stride_mm = stride(&best, u_cm);
    reading.n.strides = strides.len();
    if best.group {
        reading.groups = best.cycles.iter().map(|c| c.placed.iter().map(|p| marks[p.mark].index).collect()).collect();
        let lengths = lengths(marks, &best);
        reading.n.group_lengths = lengths.len();
        reading.group_length_mm = mean(&lengths, spread_expected(&best), u_cm);
        reading.gap_mm = reading
            .stride_mm
            .zip(reading.group_length_mm)
            .and_then(|(stride, length)| Measured::new(stride.value - length.value, combine(&[stride.u, length.u])));
    }
    let widths = widths(marks, &best);
    reading.n.straddles = widths.len();
    reading.straddle_mm = mean(&widths, spread_expected(&best), u_cm);
    reading
}

/// Prints that aren't there, between the first and the last.
fn missing(best: &Fitted) -> usize {
    let k = best.fit.slots.len();
    let (Some(first), Some(last)) = (best.cycles.first(), best.cycles.last()) else { return 0 };
    let before = first.placed.iter().map(|p| p.slot).min().unwrap_or(0);
    let after = k - 1 - last.placed.iter().map(|p| p.slot).max().unwrap_or(0);
    let cycles = 1 + best.cycles.iter().map(|c| c.strides_on).sum::<usize>();
    let seen: usize = best.cycles.iter().map(|c| c.placed.len()).sum();
    (k * cycles).saturating_sub(seen + before + after)
}

/// The mean stride: from the first middle to the last, by the number of strides. Its uncertainty: the spread between strides
/// over the root of their number (JCGM 100:2008, 4.2.3), and that of the positions.
fn stride(best: &Fitted, u_cm: f64) -> Option<Measured> {
    let n: f64 = steps(&best.cycles).map(|s| s.strides).sum();
    let count = steps(&best.cycles).count();
    if count == 0 {
        return None;
    }
    let along: f64 = steps(&best.cycles).map(|s| s.along).sum();
    let mean = along / n;
    let noise = best.fit.noise;
    let squares: f64 = steps(&best.cycles).map(|s| (s.along - s.strides * mean).powi(2) / s.strides).sum();
    let placing = best
        .cycles
        .first()
        .zip(best.cycles.last())
        .map_or(2.0, |(a, b)| 1.0 / a.placed.len() as f64 + 1.0 / b.placed.len() as f64);
    let of_mean = u_of_mean(squares, count, noise.stride.hypot(noise.scatter));
    Measured::new(mean * MM_PER_CM, combine(&[of_mean, u_cm * placing.sqrt() / n]) * MM_PER_CM)
}

/// The standard uncertainty of a mean from the sum of squares about it. With few values their own spread is a poor guide, so the fitted
/// one counts as one more; what is still not known of the spread widens it as the t distribution does (JCGM 101:2008, 6.4.9.4), the
/// fitted spread standing for three degrees of freedom.
fn u_of_mean(squares: f64, n: usize, fitted: f64) -> f64 {
    let n = n as f64;
    ((squares + fitted * fitted) / n * (n + 2.0) / n / n).sqrt()
}

fn mean(values_cm: &[f64], fitted_spread: f64, u_cm: f64) -> Option<Measured> {
    let n = values_cm.len() as f64;
    let mean = values_cm.iter().sum::<f64>() / n;
    let squares = values_cm.iter().map(|v| (v - mean).powi(2)).sum();
    let of_mean = u_of_mean(squares, values_cm.len(), fitted_spread);
    Measured::new(mean * MM_PER_CM, combine(&[of_mean, u_cm * (2.0 / n).sqrt()]) * MM_PER_CM)
}

/// What two prints' distance within a group scatters by.
fn spread_expected(best: &Fitted) -> f64 {
    best.fit.noise.scatter * 2.0_f64.sqrt()
}

/// Lengths of the groups that have both their ends, cm.
fn lengths(marks: &[Mark], best: &Fitted) -> Vec<f64> {
    between(marks, best, 0, ends(best, |s| s.along))
}

/// Widths of the cycles that have both their outermost prints, cm; the trail's own slant taken off.
fn widths(marks: &[Mark], best: &Fitted) -> Vec<f64> {
    let (along, across) = steps(&best.cycles).fold((0.0, 0.0), |(x, y), s| (x + s.along, y + s.across));
    let slant = if along > 0.0 { across / along } else { 0.0 };
    let (low, high) = ends(best, |s| s.across - slant * s.along);
    let lengths = between(marks, best, 0, (low, high));
    between(marks, best, 1, (low, high)).iter().zip(lengths).map(|(width, length)| width - slant * length).collect()
}

fn ends(best: &Fitted, place: impl Fn(&super::pattern::Slot) -> f64) -> (usize, usize) {
    let slots = &best.fit.slots;
    let by_place = |a: &usize, b: &usize| place(&slots[*a]).total_cmp(&place(&slots[*b]));
    ((0..slots.len()).min_by(by_place).unwrap_or(0), (0..slots.len()).max_by(by_place).unwrap_or(0))
}

/// The distance from one slot to another along an axis, in every cycle that has both.
fn between(marks: &[Mark], best: &Fitted, axis: usize, (from, to): (usize, usize)) -> Vec<f64> {
    let at = |cycle: &super::assign::Cycle, slot: usize| {
        cycle.placed.iter().find(|p| p.slot == slot).map(|p| marks[p.mark].at[axis])
    };
    best.cycles.iter().filter_map(|cycle| Some(at(cycle, to)? - at(cycle, from)?)).collect()
}
