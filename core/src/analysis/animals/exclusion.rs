//! Which signs one animal can't both have left.
//!
//! By size: of the same foot, dimension and convention. A sign's size is the mean of ln(mm/f) over its prints, f how much larger prints read in its
//! substrate. Its variance is v = u² + u_trail² + u_print²/n + w²: u the mean relative uncertainty of measuring (taken as shared by the prints), u_trail
//! and u_print what the ground does (`substrates.toml`), w how far an animal's foot differs from side to side and day to day (`analysis.toml`). Two signs differ by
//! z = |m₁ − m₂|/√(v₁ + v₂), normal. Of all differences those are used that Holm's step-down procedure (1979, Scand. J. Statist. 6:65–70) rejects, so
//! that the chance of any false one stays below the error rate, whatever they have in common; Bonferroni's procedure rejects no more.
//!
//! By distance: fresh signs of the same night, farther apart in a straight line than the range.

use chrono::NaiveDate;
use geo::{Distance, Haversine, Point};
use serde_json::{Value, json};

use super::signs::{Sign, SignsError, SizeOf};
use super::{NightRange, Pair};
use crate::analysis::AnimalNumbers;
use crate::analysis::normal::beyond;
use crate::identify::{Facts, Foot, Substrate};
use crate::words::Words;

/// A difference of size.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Difference {
    /// Fore or hind.
    pub foot: Foot,
    /// What was measured.
    pub of: SizeOf,
    /// The two sizes as a print on even ground would have them, mm.
    pub mm: [f64; 2],
    /// By how many standard deviations they differ.
    pub z: f64,
    /// The chance of such a difference within one animal.
    pub p_value: f64,
}

/// Why two signs are of different animals.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Because {
    /// Their sizes.
    Size(Difference),
    /// They are fresh, of the same night, and too far apart.
    Distance {
        /// The day on which it began.
        night: NaiveDate,
        /// How far apart, m.
        m: f64,
    },
}

/// A sign's size: ln mm, and its variance.
type LogSize = (f64, f64);

/// The pairs that exclude each other, and how many differences of size were tested.
pub fn pairs(
    signs: &[Sign],
    range: Option<&NightRange>,
    numbers: &AnimalNumbers,
) -> Result<(Vec<Pair>, usize), SignsError> {
    let facts = Facts::builtin().map_err(|e| SignsError::Facts(e.to_string()))?;
    let kinds: Vec<(Foot, SizeOf)> =
        [Foot::Fore, Foot::Hind].into_iter().flat_map(|foot| SizeOf::ALL.map(|of| (foot, of))).collect();
    let sizes: Vec<Vec<Option<LogSize>>> = signs
        .iter()
        .map(|sign| {
            let name = sign.substrate.as_deref().unwrap_or("unknown");
            let unknown = || SignsError::Substrate { sign: sign.id.clone(), substrate: name.into() };
            let ground = facts.substrate(name).ok_or_else(unknown)?;
            Ok(kinds.iter().map(|(foot, of)| size(sign, *foot, *of, ground, numbers)).collect())
        })
        .collect::<Result<_, SignsError>>()?;
    let mut differences = Vec::new();
    for (a, b) in couples(signs) {
        for ((foot, of), (first, second)) in kinds.iter().zip(sizes[a].iter().zip(&sizes[b])) {
            if let (Some((m1, v1)), Some((m2, v2))) = (first, second) {
                let z = (m1 - m2).abs() / (v1 + v2).sqrt();
                let mm = [m1.exp(), m2.exp()];
                differences.push(([a, b], Difference { foot: *foot, of: *of, mm, z, p_value: 2.0 * beyond(z) }));
            }
        }
    }
    let tested = differences.len();
    differences.sort_by(|(_, a), (_, b)| b.z.total_cmp(&a.z));
    let kept =
        (0..tested).take_while(|i| differences[*i].1.p_value <= numbers.error_rate / (tested - i) as f64).count();
    let by_size = differences.drain(..kept).map(|(of, difference)| (of, Because::Size(difference)));
    let by_distance = couples(signs).filter_map(|(a, b)| Some(([a, b], apart(&signs[a], &signs[b], range?)?)));
    let mut pairs: std::collections::BTreeMap<[usize; 2], Vec<Because>> = std::collections::BTreeMap::new();
    by_size.chain(by_distance).for_each(|(of, because)| pairs.entry(of).or_default().push(because));
    Ok((pairs.into_iter().map(|(of, because)| Pair { of, because }).collect(), tested))
}

/// Every two signs that aren't of one trail.
fn couples(signs: &[Sign]) -> impl Iterator<Item = (usize, usize)> {
    let of_one_trail = |a: usize, b: usize| signs[a].trail.is_some() && signs[a].trail == signs[b].trail;
    (0..signs.len()).flat_map(move |a| (a + 1..signs.len()).filter(move |b| !of_one_trail(a, *b)).map(move |b| (a, b)))
}

fn size(sign: &Sign, foot: Foot, of: SizeOf, ground: &Substrate, numbers: &AnimalNumbers) -> Option<LogSize> {
    let prints: Vec<_> = sign.prints.iter().filter(|size| (size.foot, size.of) == (foot, of)).collect();
    if prints.is_empty() {
        return None;
    }
    let n = prints.len() as f64;
    let mean = prints.iter().map(|size| (size.mm.value / ground.size_factor).ln()).sum::<f64>() / n;
    let u = prints.iter().map(|size| size.mm.u / size.mm.value).sum::<f64>() / n;
    let squares = [u, ground.u_trail, ground.u_print / n.sqrt(), numbers.within_animal].map(|u| u * u);
    Some((mean, squares.iter().sum()))
}

fn apart(a: &Sign, b: &Sign, range: &NightRange) -> Option<Because> {
    let night = a.fresh_night.filter(|night| b.fresh_night == Some(*night))?;
    let point = |[lat, lon]: [f64; 2]| Point::new(lon, lat);
    let m = Haversine.distance(point(a.place?), point(b.place?));
    (m > range.m).then_some(Because::Distance { night, m })
}

impl Because {
    pub(super) fn json(&self) -> Value {
        match self {
            Self::Size(difference) => json!({
                "kind": "size", "foot": difference.foot, "dimension": difference.of, "sizes_mm": difference.mm,
                "standard_deviations": difference.z, "p_value": difference.p_value,
            }),
            Self::Distance { night, m } => json!({ "kind": "distance", "night": night, "distance_m": m }),
        }
    }

    pub(super) fn say(&self, range: Option<&NightRange>, words: &Words) -> String {
        match self {
            Self::Size(difference) => words.fill(
                "analyse.animals.size",
                &[
                    ("foot", words.say(&format!("facts.{}", difference.foot.name()))),
                    ("dimension", words.say(&format!("measure.{}", difference.of.name()))),
                    ("a", &words.number(difference.mm[0], 1)),
                    ("b", &words.number(difference.mm[1], 1)),
                    ("z", &words.number(difference.z, 1)),
                ],
            ),
            Self::Distance { night, m } => {
                let range = range.map_or(0.0, |range| range.m);
                let values =
                    [("night", &*night.to_string()), ("m", &*words.number(*m, 0)), ("range", &*words.number(range, 0))];
                words.fill("analyse.animals.distance", &values)
            }
        }
    }
}
