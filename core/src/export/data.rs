//! What stands in `core/data`: licences, names of track makers, radii that are assumed.

use std::collections::BTreeMap;
use std::sync::OnceLock;

use serde::Deserialize;

use super::ExportError;
use crate::survey::PlacedBy;

/// A licence that a team may choose.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
pub struct Licence {
    /// Its SPDX identifier.
    pub id: String,
    /// Its name.
    pub name: String,
    /// Where its legal text is.
    pub url: String,
}

impl Licence {
    /// By its identifier, whatever the capitals.
    ///
    /// ```
    /// use rakelight_core::export::Licence;
    /// assert_eq!(Licence::named("cc-by-4.0")?.url, "https://creativecommons.org/licenses/by/4.0/legalcode");
    /// assert!(Licence::named("GPL-3.0").unwrap_err().to_string().contains("CC0-1.0"));
    /// # Ok::<(), rakelight_core::export::ExportError>(())
    /// ```
    ///
    /// # Errors
    /// None of those that records are taken under.
    pub fn named(id: &str) -> Result<Self, ExportError> {
        #[derive(Deserialize)]
        struct Licences {
            licence: Vec<Licence>,
        }
        let Licences { licence } = built_in(include_str!("../../data/licences.toml"))?;
        let known = licence.iter().map(|licence| licence.id.as_str()).collect::<Vec<_>>().join(", ");
        let found = licence.iter().find(|licence| licence.id.eq_ignore_ascii_case(id.trim())).cloned();
        found.ok_or_else(|| ExportError::Licence { given: id.to_owned(), known })
    }
}

/// How a track maker or group is called in records for others.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub(super) struct Taxon {
    pub name: String,
    pub rank: String,
    #[serde(default)]
    pub class: String,
    #[serde(default)]
    pub order: String,
    #[serde(default)]
    pub family: String,
}

impl Taxon {
    /// That of a maker; one of a team's own is called by its identifier, which is its scientific name.
    pub fn of(maker: &str) -> Self {
        let own = || {
            let mut name = maker.replace('_', " ");
            if let Some(first) = name.get_mut(..1) {
                first.make_ascii_uppercase();
            }
            let rank = if name.contains(' ') { "species" } else { "" };
            Self { name, rank: rank.into(), class: String::new(), order: String::new(), family: String::new() }
        };
        taxa().get(maker).cloned().unwrap_or_else(own)
    }
}

fn taxa() -> &'static BTreeMap<String, Taxon> {
    static TAXA: OnceLock<BTreeMap<String, Taxon>> = OnceLock::new();
    // That the file can be read is tested; a mistake in it would leave the makers' own names.
    TAXA.get_or_init(|| built_in(include_str!("../../data/taxa.toml")).unwrap_or_default())
}

/// Radii (68 %, m) that are assumed where the device said none.
#[derive(Debug, Clone, Copy, Deserialize)]
pub(super) struct Radii {
    phone: f64,
    camera: f64,
    track: f64,
    typed: f64,
    unknown: f64,
}

impl Radii {
    pub fn assumed() -> Result<Self, ExportError> {
        #[derive(Deserialize)]
        struct Data {
            radius_68_m: Radii,
        }
        Ok(built_in::<Data>(include_str!("../../data/export.toml"))?.radius_68_m)
    }

    pub fn of(&self, placed_by: Option<PlacedBy>) -> f64 {
        match placed_by {
            Some(PlacedBy::Phone) => self.phone,
            Some(PlacedBy::Camera) => self.camera,
            Some(PlacedBy::Track) => self.track,
            Some(PlacedBy::Typed) => self.typed,
            None => self.unknown,
        }
    }
}

fn built_in<T: serde::de::DeserializeOwned>(text: &str) -> Result<T, ExportError> {
    toml::from_str(text).map_err(|error| ExportError::BuiltIn { detail: error.to_string() })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::identify::Facts;

    #[test]
    fn every_track_maker_and_group_has_a_name_and_a_rank() {
        let facts = Facts::builtin().unwrap();
        let groups = facts.makers().iter().filter_map(|maker| maker.group.as_deref());
        for maker in facts.makers().iter().map(|maker| maker.id.as_str()).chain(groups) {
            let taxon = taxa().get(maker).unwrap_or_else(|| panic!("{maker} isn't in taxa.toml"));
            assert!(!taxon.name.contains('(') && !taxon.rank.is_empty() && !taxon.class.is_empty(), "{taxon:?}");
        }
        assert_eq!(Taxon::of("lutra_mea").name, "Lutra mea");
        assert_eq!(Taxon::of("mink_or_polecat").rank, "family");
    }

    #[test]
    fn a_radius_is_never_zero() {
        let radii = Radii::assumed().unwrap();
        let ways = [Some(PlacedBy::Phone), Some(PlacedBy::Camera), Some(PlacedBy::Track), Some(PlacedBy::Typed), None];
        assert!(ways.into_iter().all(|way| radii.of(way) > 0.0));
    }
}
