//! Which track makers live in a region, by a list that the team brings along: it changes the prior, and says so.

use std::collections::BTreeSet;

use serde::Deserialize;

use super::maker::Maker;

/// A region's list, as a TOML file has it. Track makers that it doesn't name count as present.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Region {
    /// The region.
    pub name: String,
    /// Where the list is from.
    pub source: String,
    /// Ids of track makers that live there.
    #[serde(default)]
    pub present: BTreeSet<String>,
    /// Those seldom met.
    #[serde(default)]
    pub rare: BTreeSet<String>,
    /// Those not known from there.
    #[serde(default)]
    pub absent: BTreeSet<String>,
}

impl Region {
    /// Refuses ids that no track maker has or that stand in two lists.
    pub(super) fn check(&self, makers: &[Maker]) -> Result<(), String> {
        let lists = [&self.present, &self.rare, &self.absent];
        for id in lists.into_iter().flatten() {
            if !makers.iter().any(|maker| maker.id == *id) {
                let known: Vec<&str> = makers.iter().map(|maker| maker.id.as_str()).collect();
                return Err(format!("{id:?} is no track maker; there are: {}", known.join(", ")));
            }
            if lists.iter().filter(|list| list.contains(id)).count() > 1 {
                return Err(format!("{id:?} stands in two lists: keep it in one of them"));
            }
        }
        Ok(())
    }
}
