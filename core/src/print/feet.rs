//! Several prints of one foot taken together.

use serde::Serialize;

use super::dimensions::{Dimension, PrintMeasure};
use super::landmarks::{Foot, Side};
use crate::measured::{Measured, combine};

/// One foot of one animal, from several prints of it.
#[derive(Debug, Clone, PartialEq)]
pub struct FootMeasure {
    /// Fore or hind.
    pub foot: Foot,
    /// Left, right or not known.
    pub side: Side,
    /// The prints' names.
    pub prints: Vec<String>,
    /// See [`PrintMeasure::width`].
    pub width: Option<Mean>,
    /// See [`PrintMeasure::length_without_heel`].
    pub length_without_heel: Option<Mean>,
    /// See [`PrintMeasure::length_with_heel`].
    pub length_with_heel: Option<Mean>,
}

/// The mean of a dimension over several prints.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Mean {
    /// mm.
    pub mm: Measured,
    /// By how much the prints themselves differ beyond what measuring does (standard deviation), mm; zero where measuring explains
    /// it all.
    pub spread_mm: f64,
    /// How many prints gave it.
    pub n: usize,
}

/// The feet of which there are two or more prints; prints of an unknown foot aren't taken together.
pub fn feet(prints: &[PrintMeasure]) -> Vec<FootMeasure> {
    let mut known: Vec<(Foot, Side)> = Vec::new();
    for print in prints {
        if print.foot != Foot::Unknown && !known.contains(&(print.foot, print.side)) {
            known.push((print.foot, print.side));
        }
    }
    let together = |(foot, side)| {
        let of_foot: Vec<&PrintMeasure> = prints.iter().filter(|p| (p.foot, p.side) == (foot, side)).collect();
        let over = |pick: fn(&PrintMeasure) -> Option<Dimension>| {
            mean(&of_foot.iter().filter_map(|print| pick(print)).collect::<Vec<_>>())
        };
        (of_foot.len() > 1).then(|| FootMeasure {
            foot,
            side,
            prints: of_foot.iter().map(|print| print.id.clone()).collect(),
            width: over(|print| print.width),
            length_without_heel: over(|print| print.length_without_heel),
            length_with_heel: over(|print| print.length_with_heel),
        })
    };
    known.into_iter().filter_map(together).collect()
}

/// The mean of two or more, each weighted by its own uncertainty and by how much prints of one foot differ, which is fitted too
/// (Paule & Mandel 1982, J. Res. Natl. Bur. Stand. 87: 377–385). What all share (the scale, its plane, the floor's depth) doesn't
/// grow less with more prints.
fn mean(dimensions: &[Dimension]) -> Option<Mean> {
    let n = dimensions.len();
    if n < 2 {
        return None;
    }
    let own: Vec<f64> = dimensions.iter().map(|d| combine(&[d.parts.click, d.parts.tilt]).max(1e-6)).collect();
    let at = |variance: f64| {
        let weights: Vec<f64> = own.iter().map(|u| 1.0 / (u * u + variance)).collect();
        let sum: f64 = weights.iter().sum();
        let mean = weights.iter().zip(dimensions).map(|(w, d)| w * d.mm.value).sum::<f64>() / sum;
        let squares: f64 = weights.iter().zip(dimensions).map(|(w, d)| w * (d.mm.value - mean).powi(2)).sum();
        (mean, sum, squares)
    };
    // The weighted squares fall as the variance grows; where they equal n − 1, both kinds of scatter are explained.
    let (mut low, mut high) = (0.0, 1.0);
    while at(high).2 > (n - 1) as f64 {
        high *= 4.0;
    }
    if at(0.0).2 <= (n - 1) as f64 {
        high = 0.0;
    }
    for _ in 0..80 {
        let middle = (low + high) / 2.0;
        if at(middle).2 > (n - 1) as f64 { low = middle } else { high = middle }
    }
    let (value, sum, _) = at(high);
    let shared = |d: &Dimension| combine(&[d.parts.plane, d.parts.depth, d.parts.card]);
    let shared = dimensions.iter().map(shared).sum::<f64>() / n as f64;
    let mm = Measured::new(value, combine(&[sum.sqrt().recip(), shared]))?;
    Some(Mean { mm, spread_mm: high.sqrt(), n })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::print::Parts;

    fn print(id: &str, width: f64, click: f64) -> PrintMeasure {
        let parts = Parts { click, plane: 0.1, depth: 0.0, tilt: 0.0, card: 0.1 };
        PrintMeasure {
            id: id.into(),
            foot: Foot::Hind,
            side: Side::Left,
            width: Dimension::of(width, parts),
            length_without_heel: None,
            length_with_heel: None,
            depth: None,
            toes_seen: None,
        }
    }

    #[test]
    fn more_prints_of_a_foot_tell_its_size_better_but_not_better_than_the_scale() {
        let few: Vec<_> = (0..3).map(|i| print(&i.to_string(), 60.0 + f64::from(i % 2), 1.0)).collect();
        let many: Vec<_> = (0..300).map(|i| print(&i.to_string(), 60.0 + f64::from(i % 2), 1.0)).collect();
        let u = |prints: &[PrintMeasure]| feet(prints)[0].width.unwrap().mm.u;
        assert!(u(&many) < u(&few) && u(&many) > 0.1 * 2.0_f64.sqrt());
    }

    #[test]
    fn prints_that_differ_more_than_measuring_explains_show_their_spread() {
        // Two means of equal weight: the variance of 58 and 62 is 8, of which measuring explains 1.
        let [foot] = feet(&[print("a", 58.0, 1.0), print("b", 62.0, 1.0)]).try_into().unwrap();
        let width = foot.width.unwrap();
        assert!((width.mm.value - 60.0).abs() < 1e-9 && (width.spread_mm - 7.0_f64.sqrt()).abs() < 1e-6, "{width:?}");
        assert_eq!((foot.prints, width.n), (vec!["a".to_owned(), "b".to_owned()], 2));
    }

    #[test]
    fn only_prints_of_one_known_foot_are_taken_together() {
        let (left, unknown) = (print("a", 60.0, 1.0), PrintMeasure { foot: Foot::Unknown, ..print("c", 60.0, 1.0) });
        let right = PrintMeasure { side: Side::Right, ..print("b", 60.0, 1.0) };
        assert!(feet(&[left, right, unknown.clone(), unknown]).is_empty());
    }
}
