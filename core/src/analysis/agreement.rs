//! How well two people agree who looked at the same signs without knowing of each other: Cohen's kappa with its interval.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;

use super::reach;

/// Agreement of two people.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Agreement {
    /// Signs that both looked at.
    pub signs: usize,
    /// How often they said the same.
    pub same: usize,
    /// Cohen's kappa: 1 is full agreement, 0 what chance alone gives. `None` where both say one and the same of all: there is nothing that could differ.
    pub kappa: Option<f64>,
    /// Its standard error.
    pub u_kappa: Option<f64>,
    /// The 95 % interval, kappa ± 1.96 standard errors, cut at -1 and 1. It is too narrow below some 20 signs.
    pub interval: Option<[f64; 2]>,
}

/// Each pair is what the two said of one sign.
///
/// Source: Cohen 1960 (doi 10.1177/001316446002000104) for kappa; its standard error where kappa isn't zero by Fleiss, Cohen & Everitt 1969
/// (doi 10.1037/h0028106), both from memory; checked against statsmodels' `cohens_kappa` (`fixtures/reference/kappa_statsmodels.csv`).
///
/// ```
/// use rakelight_core::analysis::agreement;
/// let said = [("otter", "otter"), ("otter", "dog"), ("dog", "dog"), ("otter", "otter")];
/// let agreement = agreement(&said);
/// assert_eq!((agreement.signs, agreement.same), (4, 3));
/// assert!((agreement.kappa.expect("they could differ") - 0.5).abs() < 1e-12);
/// ```
pub fn agreement<T: Ord>(pairs: &[(T, T)]) -> Agreement {
    let n = pairs.len() as f64;
    let same = pairs.iter().filter(|(a, b)| a == b).count();
    let share = |pick: fn(&(T, T)) -> &T| {
        let mut shares: BTreeMap<&T, f64> = BTreeMap::new();
        pairs.iter().for_each(|pair| *shares.entry(pick(pair)).or_default() += 1.0 / n);
        shares
    };
    let (first, second) = (share(|pair| &pair.0), share(|pair| &pair.1));
    let of = |shares: &BTreeMap<&T, f64>, said: &T| shares.get(said).copied().unwrap_or(0.0);
    let said: BTreeSet<&T> = pairs.iter().flat_map(|(a, b)| [a, b]).collect();
    let observed = same as f64 / n;
    let by_chance: f64 = said.iter().map(|said| of(&first, said) * of(&second, said)).sum();
    let rest = 1.0 - by_chance;
    if pairs.is_empty() || rest < 1e-12 {
        return Agreement { signs: pairs.len(), same, kappa: None, u_kappa: None, interval: None };
    }
    let kappa = (observed - by_chance) / rest;
    let term_same: f64 = said
        .iter()
        .map(|said| {
            let both = pairs.iter().filter(|(a, b)| a == *said && b == *said).count() as f64 / n;
            both * (1.0 - (of(&first, said) + of(&second, said)) * (1.0 - kappa)).powi(2)
        })
        .sum();
    let differing = pairs.iter().filter(|(a, b)| a != b);
    let term_differing: f64 =
        (1.0 - kappa).powi(2) * differing.map(|(a, b)| (of(&first, b) + of(&second, a)).powi(2) / n).sum::<f64>();
    let term_chance = (kappa - by_chance * (1.0 - kappa)).powi(2);
    let u = ((term_same + term_differing - term_chance).max(0.0) / n).sqrt() / rest;
    let interval = [(kappa - reach(0.95) * u).max(-1.0), (kappa + reach(0.95) * u).min(1.0)];
    Agreement { signs: pairs.len(), same, kappa: Some(kappa), u_kappa: Some(u), interval: Some(interval) }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn where_nothing_could_differ_there_is_no_kappa() {
        assert_eq!(agreement::<&str>(&[]).kappa, None);
        assert_eq!(agreement(&[("otter", "otter"); 9]).kappa, None);
    }

    #[test]
    fn it_is_what_a_reference_library_computes() {
        let file = include_str!("../../../fixtures/reference/kappa_statsmodels.csv");
        for line in file.lines().filter(|line| !line.starts_with('#')).skip(1) {
            let cells: Vec<&str> = line.split(',').collect();
            let mut pairs = Vec::new();
            for (i, row) in cells[0].split(" / ").enumerate() {
                for (j, count) in row.split(' ').enumerate() {
                    pairs.extend(std::iter::repeat_n((i, j), count.parse().unwrap()));
                }
            }
            let ours = agreement(&pairs);
            let [low, high] = ours.interval.unwrap();
            let ours = [ours.kappa.unwrap(), ours.u_kappa.unwrap(), low, high];
            for (ours, theirs) in ours.iter().zip(&cells[1..]) {
                // They don't cut the interval at -1 and 1.
                let theirs = theirs.parse::<f64>().unwrap().clamp(-1.0, 1.0);
                assert!((ours - theirs).abs() < 1e-8, "{line}: {ours}");
            }
        }
    }

    proptest! {
        #[test]
        fn it_is_the_same_whoever_of_the_two_is_named_first(pairs in prop::collection::vec((0u8..4, 0u8..4), 0..40)) {
            let turned: Vec<(u8, u8)> = pairs.iter().map(|(a, b)| (*b, *a)).collect();
            let (one, other) = (agreement(&pairs), agreement(&turned));
            prop_assert_eq!(one.same, other.same);
            prop_assert_eq!(one.kappa.is_some(), other.kappa.is_some());
            if let (Some(a), Some(b)) = (one.u_kappa.zip(one.kappa), other.u_kappa.zip(other.kappa)) {
                prop_assert!((a.0 - b.0).abs() < 1e-9 && (a.1 - b.1).abs() < 1e-9);
                prop_assert!((-1.0..=1.0 + 1e-9).contains(&a.1));
            }
        }
    }
}
