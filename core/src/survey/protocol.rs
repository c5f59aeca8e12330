//! How a stretch is searched, so that visits can be compared: protocols as data, each number with its source.

use serde::{Deserialize, Serialize};

/// How a stretch is searched.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Protocol {
    /// Its name; that of a built-in one is in the words as `protocol.ID`.
    pub id: String,
    /// Who described it.
    pub source: String,
    /// How much of the bank.
    pub length: Sourced<Length>,
    /// Which banks.
    pub banks: Sourced<Banks>,
    /// When the search ends.
    pub stop: Sourced<Stop>,
    /// How many places.
    pub places: Sourced<Places>,
    /// When in the year.
    pub season: Sourced<Season>,
    /// After what weather.
    pub weather: Sourced<Weather>,
    /// How often.
    pub visits: Sourced<Visits>,
}

/// A part of a protocol and who says so.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Sourced<T> {
    /// What is said.
    #[serde(flatten)]
    pub rule: T,
    /// How well it is known: published, memory, assumed, common-practice.
    pub status: String,
    /// By whom.
    pub source: String,
}

/// How much of the bank.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Length {
    /// Along the water, of each bank that is searched.
    pub metres: f64,
}

/// Which banks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Banks {
    /// One or both.
    pub search: Which,
}

/// One bank or both.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs)]
pub enum Which {
    One,
    Both,
}

/// When the search ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stop {
    /// Where.
    pub at: End,
}

/// What ends a search.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum End {
    /// The first sign that nobody doubts: how much was searched then says nothing of how much there is.
    FirstCertainSign,
    /// The end of the stretch.
    End,
}

/// How many places, spread how.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Places {
    /// Width of a square of the European grid (EPSG:3035), km.
    pub square_km: u32,
    /// Places in each.
    pub per_square: u32,
    /// Whether they are spread over its quarters.
    pub in_each_quarter: bool,
}

/// When in the year.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Season {
    /// 1 to 12.
    pub months: Vec<u32>,
}

/// After what weather.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Weather {
    /// Days without rain before the visit.
    pub dry_days: u32,
}

/// How often.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Visits {
    /// To each place, in a season.
    pub at_least: u32,
}

/// Why a protocol can't be used.
#[derive(Debug, thiserror::Error)]
pub enum ProtocolError {
    /// Not the table it should be.
    #[error("the protocol can't be read: {0}")]
    Unreadable(#[from] toml::de::Error),
    /// A value that can't be.
    #[error("the protocol {id:?} can't be followed: {wrong}")]
    Impossible {
        /// Whose.
        id: String,
        /// What is wrong.
        wrong: String,
    },
    /// No such one.
    #[error("no protocol {id:?} is built in; there are: {known}, or give a file of your team's own")]
    Unknown {
        /// Asked for.
        id: String,
        /// Those that there are.
        known: String,
    },
}

const BUILT_IN: [&str; 3] = [
    include_str!("../../data/protocols/one_bank_600.toml"),
    include_str!("../../data/protocols/both_banks_300.toml"),
    include_str!("../../data/protocols/repeat_visits.toml"),
];

impl Protocol {
    /// Those that are built in.
    ///
    /// # Errors
    /// One can't be read: a mistake in the build.
    pub fn builtin() -> Result<Vec<Self>, ProtocolError> {
        BUILT_IN.iter().map(|text| Self::from_toml(text)).collect()
    }

    /// A built-in one by its name.
    ///
    /// ```
    /// use rakelight_core::survey::{Protocol, Which};
    /// let protocol = Protocol::named("one_bank_600")?;
    /// assert_eq!((protocol.length.rule.metres, protocol.banks.rule.search), (600.0, Which::One));
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    ///
    /// # Errors
    /// There is none of that name.
    pub fn named(id: &str) -> Result<Self, ProtocolError> {
        let all = Self::builtin()?;
        let known = all.iter().map(|protocol| protocol.id.as_str()).collect::<Vec<_>>().join(", ");
        all.iter().find(|protocol| protocol.id == id).cloned().ok_or(ProtocolError::Unknown { id: id.into(), known })
    }

    /// A team's own: TOML of the same shape as those in `core/data/protocols`.
    ///
    /// # Errors
    /// Keys missing or unknown, values that can't be.
    pub fn from_toml(text: &str) -> Result<Self, ProtocolError> {
        let protocol: Self = toml::from_str(text)?;
        let rules = [
            (
                protocol.length.rule.metres > 0.0 && protocol.length.rule.metres.is_finite(),
                "its length isn't above 0 m",
            ),
            (protocol.places.rule.per_square > 0, "it has no places in a square"),
            ([1, 10, 100].contains(&protocol.places.rule.square_km), "its squares aren't 1, 10 or 100 km wide"),
            (protocol.season.rule.months.iter().all(|month| (1..=12).contains(month)), "its months aren't 1 to 12"),
            (protocol.visits.rule.at_least > 0, "it has no visits"),
        ];
        match rules.iter().find(|(holds, _)| !holds) {
            None => Ok(protocol),
            Some((_, wrong)) => Err(ProtocolError::Impossible { id: protocol.id, wrong: (*wrong).into() }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_rule_of_a_built_in_protocol_has_its_source() {
        for protocol in Protocol::builtin().unwrap() {
            let table = serde_json::to_value(&protocol).unwrap();
            for (name, part) in table.as_object().unwrap().iter().filter(|(_, part)| part.is_object()) {
                assert!(part["source"].as_str().is_some_and(|s| !s.is_empty()), "{} {name}", protocol.id);
                let status = part["status"].as_str().unwrap();
                assert!(["published", "memory", "assumed", "common-practice"].contains(&status), "{status}");
            }
        }
    }

    #[test]
    fn a_teams_own_protocol_is_held_to_what_can_be() {
        let own = BUILT_IN[0].replace("one_bank_600", "ours");
        assert_eq!(Protocol::from_toml(&own).unwrap().id, "ours");
        for (from, to, told) in [
            ("metres = 600", "metres = 0", "length"),
            ("square_km = 10", "square_km = 7", "squares"),
            ("months = [10, 11, 12]", "months = [13]", "months"),
            ("[weather]", "[wether]", "wether"),
        ] {
            let refused = Protocol::from_toml(&own.replace(from, to)).unwrap_err().to_string();
            assert!(refused.contains(told), "{refused}");
        }
        let refused = Protocol::named("ours").unwrap_err().to_string();
        assert!(refused.contains("repeat_visits"), "{refused}");
    }
}
