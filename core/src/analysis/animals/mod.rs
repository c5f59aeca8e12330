//! At least how many animals left the signs: never how many there are, never how dense, and no sign is given to an individual.
//!
//! Two signs exclude each other where one animal can't have left both. In the graph of what excludes what, every two of a clique come from different
//! animals, so the largest clique is a lower bound.

mod clique;
mod exclusion;
mod signs;
#[cfg(test)]
mod tests;

pub use clique::Clique;
pub use exclusion::{Because, Difference};
pub use signs::{Sign, SignsError, Size, SizeOf, from_csv, sizes};

use serde_json::{Value, json};

use super::NumbersError;
use crate::words::Words;

/// How far an animal goes in a night, as whoever asks says, and on what ground.
#[derive(Debug, Clone, PartialEq)]
pub struct NightRange {
    /// The distance that one animal doesn't cover in one night, m.
    pub m: f64,
    /// Where that is from.
    pub source: String,
}

/// Two signs of different animals.
#[derive(Debug, Clone, PartialEq)]
pub struct Pair {
    /// Their places in the list of signs.
    pub of: [usize; 2],
    /// Why, the strongest reason of size first.
    pub because: Vec<Because>,
}

/// The lower bound.
#[derive(Debug, Clone, PartialEq)]
pub struct AtLeast {
    /// Signs of which every two are of different animals: their places in the list.
    pub set: Vec<usize>,
    /// Whether no larger set was overlooked.
    pub exact: bool,
    /// All pairs that exclude each other.
    pub pairs: Vec<Pair>,
    /// How many differences of size were tested; the error rate holds over all of them.
    pub tested: usize,
    /// The chance that any of the size differences used is false.
    pub error_rate: f64,
}

/// At least how many animals left these signs. Without a night's range distance isn't looked at.
///
/// ```
/// use rakelight_core::analysis::animals::{NightRange, at_least, from_csv};
/// let signs = from_csv("sign,foot,width_mm,u_width_mm\na,hind,70,0.5\nb,hind,45,0.5\nc,fore,70,0.5\n")?;
/// let bound = at_least(&signs, None)?;
/// assert_eq!(bound.set, [0, 1], "hind feet of 70 and 45 mm; a fore foot is compared with neither");
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// A substrate isn't known, or the built-in numbers can't be read.
pub fn at_least(signs: &[Sign], range: Option<&NightRange>) -> Result<AtLeast, SignsError> {
    let numbers = super::numbers().map_err(SignsError::from)?.animals;
    let (pairs, tested) = exclusion::pairs(signs, range, &numbers)?;
    let edges = pairs.iter().map(|pair| pair.of);
    let Clique { members, exact } = clique::largest(signs.len(), edges);
    Ok(AtLeast { set: members, exact, pairs, tested, error_rate: numbers.error_rate })
}

impl AtLeast {
    /// What `rakelight analyse animals --json` prints.
    pub fn document(&self, signs: &[Sign], range: Option<&NightRange>, words: &Words) -> Value {
        let pair = |pair: &Pair| {
            let [a, b] = pair.of.map(|sign| &signs[sign].id);
            let because: Vec<Value> = pair.because.iter().map(|because| because.json()).collect();
            json!({ "signs": [a, b], "because": because, "text": self.say(pair, signs, range, words) })
        };
        json!({
            "at_least": self.set.len(),
            "exact": self.exact,
            "set": self.set.iter().map(|sign| &signs[*sign].id).collect::<Vec<_>>(),
            "reasons": self.reasons().map(pair).collect::<Vec<_>>(),
            "signs": signs.len(),
            "excluding_pairs": self.pairs.iter().map(|pair| pair.of.map(|sign| &signs[sign].id)).collect::<Vec<_>>(),
            "size_differences_tested": self.tested,
            "error_rate": self.error_rate,
            "night_range_m": range.map(|range| range.m),
            "night_range_source": range.map(|range| &range.source),
            "notes": self.notes(range, words),
        })
    }

    /// Why every two of the set are of different animals.
    pub fn reasons(&self) -> impl Iterator<Item = &Pair> {
        self.pairs.iter().filter(|pair| pair.of.iter().all(|sign| self.set.contains(sign)))
    }

    /// One pair's reason in words.
    pub fn say(&self, pair: &Pair, signs: &[Sign], range: Option<&NightRange>, words: &Words) -> String {
        let [a, b] = pair.of.map(|sign| signs[sign].id.as_str());
        let reasons: Vec<String> = pair.because.iter().map(|because| because.say(range, words)).collect();
        words.fill("analyse.animals.pair", &[("a", a), ("b", b), ("why", &reasons.join("; "))])
    }

    /// What has to be said with it.
    pub fn notes(&self, range: Option<&NightRange>, words: &Words) -> Vec<String> {
        let percent = words.number(100.0 * self.error_rate, 0);
        let n = self.tested.to_string();
        let mut notes = vec![
            words.say("analyse.animals.no_density").to_owned(),
            words.fill("analyse.animals.level", &[("percent", &percent), ("n", &n)]),
            words.say("analyse.animals.spread").to_owned(),
        ];
        notes.push(match range {
            Some(NightRange { m, source }) => {
                words.fill("analyse.animals.range", &[("m", &words.number(*m, 0)), ("source", source)])
            }
            None => words.say("analyse.animals.no_range").to_owned(),
        });
        if !self.exact {
            notes.push(words.say("analyse.animals.not_exact").to_owned());
        }
        notes
    }
}

impl From<NumbersError> for SignsError {
    fn from(error: NumbersError) -> Self {
        Self::Numbers(error)
    }
}
