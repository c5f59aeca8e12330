//! What didn't leave, counted, so that whoever exports sees it.

use std::collections::BTreeMap;

use serde::Serialize;

/// Counts by what; the texts are `export.not.WHAT`.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
#[serde(transparent)]
pub struct Tally(BTreeMap<&'static str, usize>);

impl Tally {
    /// Something that is held and isn't told, or of which no record can be made.
    pub(super) fn withheld(&mut self, what: &'static str, count: usize) {
        if count > 0 {
            *self.0.entry(what).or_default() += count;
        }
    }

    /// All of it.
    pub fn counts(&self) -> impl Iterator<Item = (&'static str, usize)> {
        self.0.iter().map(|(what, count)| (*what, *count))
    }
}
