//! What 'not found' means: with which effort, under which conditions, and how likely it is that something was there and missed.

use serde::{Deserialize, Serialize};

use super::finding::{Effort, effort};
use super::protocol::{Protocol, Which};
use super::record::{Bank, Conditions};
use super::visit::Visit;

/// How likely one visit finds sign where the animal lives. None is assumed here: the one published figure for the otter is of one country's winter (0.534;
/// Fusillo, Marcelli & Boitani 2007), so that whoever uses one says where it comes from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "StatedDetection")]
pub struct Detection {
    p: f64,
    u_p: Option<f64>,
    source: String,
}

/// As a visit's file has it.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
struct StatedDetection {
    p: f64,
    #[serde(default)]
    u_p: Option<f64>,
    source: String,
}

impl TryFrom<StatedDetection> for Detection {
    type Error = AbsenceError;

    fn try_from(stated: StatedDetection) -> Result<Self, AbsenceError> {
        Self::new(stated.p, stated.u_p, &stated.source)
    }
}

/// Why nothing can be said of an absence.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum AbsenceError {
    /// Not a probability.
    #[error("{what} = {value} can't be: give a number above 0 and below 1{more}")]
    Probability {
        /// Which.
        what: &'static str,
        /// Given.
        value: f64,
        /// What else may be.
        more: &'static str,
    },
    /// Somebody has to say where it comes from.
    #[error("a detection probability needs its source: whose, for which animal, country and season?")]
    NoSource,
    /// Not an uncertainty.
    #[error("a standard uncertainty of {u_p} can't be: give a number above 0 and below 0.5")]
    Uncertainty {
        /// Given.
        u_p: f64,
    },
    /// The data that is built in.
    #[error("the absence's data can't be read: {detail}")]
    BuiltIn {
        /// What is wrong.
        detail: String,
    },
}

/// A chance with the interval that follows from the detection's uncertainty (95 %), where that is given.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Chance {
    /// The best estimate.
    pub chance: f64,
    /// From where to where.
    pub interval_95: Option<[f64; 2]>,
}

impl Detection {
    /// `p` of one visit, its standard uncertainty, and who found it, for which animal, where and when.
    ///
    /// # Errors
    /// Not a probability, or no source.
    pub fn new(p: f64, u_p: Option<f64>, source: &str) -> Result<Self, AbsenceError> {
        if !(p > 0.0 && p <= 1.0) {
            return Err(AbsenceError::Probability { what: "p", value: p, more: " (or 1)" });
        }
        if let Some(u_p) = u_p.filter(|u| !(*u > 0.0 && *u < 0.5)) {
            return Err(AbsenceError::Uncertainty { u_p });
        }
        if source.trim().is_empty() {
            return Err(AbsenceError::NoSource);
        }
        Ok(Self { p, u_p, source: source.trim().into() })
    }

    /// Of one visit.
    pub fn p(&self) -> f64 {
        self.p
    }

    /// Its standard uncertainty, where it is known.
    pub fn u_p(&self) -> Option<f64> {
        self.u_p
    }

    /// Who found it, for which animal, where and when.
    pub fn source(&self) -> &str {
        &self.source
    }

    /// How likely it is that all of so many visits miss what is there: (1 − p)ⁿ. Visits are taken as independent, each with the same p.
    pub fn missed(&self, visits: u32) -> Chance {
        self.with_interval(|p| missed(p, visits))
    }

    /// How many visits without a find leave less than `alpha` for having missed it: ln α / ln(1 − p), rounded up (Kéry 2002, J. Wildl. Manage.
    /// 66:330–338; Pellet & Schmidt 2005, Biol. Conserv. 123:27–35).
    ///
    /// ```
    /// use rakelight_core::survey::Detection;
    /// let italian_winter = Detection::new(0.534, None, "Fusillo, Marcelli & Boitani 2007: Italy, winter")?;
    /// assert_eq!((italian_winter.visits_until(0.05)?, italian_winter.visits_until(0.01)?), (4, 7));
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    ///
    /// # Errors
    /// `alpha` isn't a probability.
    pub fn visits_until(&self, alpha: f64) -> Result<u32, AbsenceError> {
        probability("alpha", alpha)?;
        Ok(up(alpha.ln() / (1.0 - self.p).ln()))
    }

    /// How likely it is that the place is occupied after so many visits without a find, when it was `psi` before: ψ(1−p)ⁿ / (1 − ψ + ψ(1−p)ⁿ).
    ///
    /// # Errors
    /// `psi` isn't a probability.
    pub fn occupied_after(&self, psi: f64, visits: u32) -> Result<Chance, AbsenceError> {
        probability("psi", psi)?;
        Ok(self.with_interval(|p| psi * missed(p, visits) / (1.0 - psi + psi * missed(p, visits))))
    }

    /// How many visits without a find bring that below `alpha`.
    ///
    /// # Errors
    /// Not probabilities.
    pub fn visits_until_unoccupied(&self, psi: f64, alpha: f64) -> Result<u32, AbsenceError> {
        probability("psi", psi)?;
        probability("alpha", alpha)?;
        let odds = alpha * (1.0 - psi) / (psi * (1.0 - alpha));
        Ok(if odds >= 1.0 { 0 } else { up(odds.ln() / (1.0 - self.p).ln()) })
    }

    /// The same at the ends of the 95 % interval of p, symmetric in its logit.
    fn with_interval(&self, chance: impl Fn(f64) -> f64) -> Chance {
        let interval = self.u_p.filter(|_| self.p < 1.0).map(|u_p| {
            let (logit, u) = ((self.p / (1.0 - self.p)).ln(), u_p / (self.p * (1.0 - self.p)));
            let at = |logit: f64| chance(1.0 / (1.0 + (-logit).exp()));
            [at(logit + 1.960 * u), at(logit - 1.960 * u)]
        });
        Chance { chance: chance(self.p), interval_95: interval }
    }
}

fn probability(what: &'static str, value: f64) -> Result<(), AbsenceError> {
    if value > 0.0 && value < 1.0 { Ok(()) } else { Err(AbsenceError::Probability { what, value, more: "" }) }
}

fn missed(p: f64, visits: u32) -> f64 {
    (1.0 - p).powf(f64::from(visits))
}

/// Up to the next whole number, but not because of a last digit: p = 0.9 and α = 0.01 are two visits exactly.
fn up(visits: f64) -> u32 {
    (visits - 1e-9).ceil().max(1.0) as u32
}

/// A track maker that was looked for and not found.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Absence {
    /// How much of the bank was searched, m: by the track where there is one, else as stated; `None` where neither is known.
    pub searched_m: Option<f64>,
    /// Its standard uncertainty, where the track gave it.
    pub u_searched_m: Option<f64>,
    /// How much the protocol asks for, m.
    pub asked_m: Option<f64>,
    /// Whether 'not found' may be said at all: the protocol's length was searched; without a protocol, some length was.
    pub enough: bool,
    /// What makes it likelier that something was missed.
    pub lowers: Vec<Lowers>,
    /// How likely that is, where the team gave a detection probability for such a visit.
    pub missed: Option<Missed>,
}

/// How likely it is that something was there and missed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Missed {
    /// The detection that was given, with its source.
    #[serde(flatten)]
    pub detection: Detection,
    /// By this visit alone.
    pub by_one_visit: Chance,
    /// How many visits without a find leave less than 5 %, this one counted.
    pub visits_until_5_percent: u32,
}

/// What makes a miss likelier.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Lowers {
    /// Its text is `absence.ID`.
    pub id: String,
    /// How well that is known.
    pub status: String,
    /// By whom.
    pub source: String,
}

#[derive(Debug, Deserialize)]
struct Data {
    lowers: Vec<Lowers>,
    limits: Limits,
}

#[derive(Debug, Deserialize)]
struct Limits {
    little_ground_share: f64,
    few_seasons: u32,
    enough_share: f64,
}

/// What it means that a visit found nothing of a track maker it looked for.
///
/// # Errors
/// The data can't be read: a mistake in the build.
pub fn absence(visit: &Visit, maker: &str) -> Result<Absence, AbsenceError> {
    let data: Data = toml::from_str(include_str!("../../data/absence.toml"))
        .map_err(|error| AbsenceError::BuiltIn { detail: error.to_string() })?;
    let (opened, effort) = (&visit.opened, effort(visit));
    let protocol = opened.protocol_rules.as_deref();
    let [searched_m, u_searched_m] = searched(&effort);
    let asked_m = protocol.map(asked_m);
    let enough = match (searched_m, asked_m) {
        (Some(searched), Some(asked)) => searched >= data.limits.enough_share * asked,
        (Some(searched), None) => searched > 0.0,
        (None, _) => false,
    };
    let holds = |id: &str| match id {
        "rain" => too_wet(&opened.conditions, protocol) == Some(true),
        "rain_unknown" => too_wet(&opened.conditions, protocol).is_none(),
        "high_water" => matches!(opened.conditions.water_level.as_deref(), Some("high" | "flood")),
        "little_ground" => {
            opened.conditions.holds_prints_share.is_some_and(|share| share < data.limits.little_ground_share)
        }
        "inexperienced" => opened.experience_seasons.is_some_and(|seasons| seasons < data.limits.few_seasons),
        "out_of_season" => {
            protocol.is_some_and(|p| !p.season.rule.months.contains(&chrono::Datelike::month(&opened.start)))
        }
        "short" => searched_m.is_some() && !enough,
        "one_bank" => protocol.is_some_and(|p| p.banks.rule.search == Which::Both) && !both_banks(&effort),
        _ => false,
    };
    let detection = opened.detection.get(maker);
    let missed = detection.map(|detection| {
        Ok(Missed {
            detection: detection.clone(),
            by_one_visit: detection.missed(1),
            visits_until_5_percent: detection.visits_until(0.05)?,
        })
    });
    Ok(Absence {
        searched_m,
        u_searched_m,
        asked_m,
        enough,
        lowers: data.lowers.into_iter().filter(|lowers| holds(&lowers.id)).collect(),
        missed: missed.filter(|_| enough).transpose()?,
    })
}

/// The length of bank that was searched, and its uncertainty.
fn searched(effort: &Effort) -> [Option<f64>; 2] {
    let mut known: Option<(f64, Option<f64>)> = None;
    for stretch in &effort.stretches {
        let this = match (&stretch.by_track, stretch.searched_m) {
            (Some(track), _) => Some((track.covered_m, Some(track.u_covered_m))),
            (None, stated) => stated.map(|metres| (metres, None)),
        };
        known = match (known, this) {
            (Some((a, u_a)), Some((b, u_b))) => Some((a + b, u_a.zip(u_b).map(|(u_a, u_b)| u_a.hypot(u_b)))),
            (one, other) => one.or(other),
        };
    }
    [known.map(|known| known.0), known.and_then(|known| known.1)]
}

/// The protocol's length, of each bank that it asks for.
fn asked_m(protocol: &Protocol) -> f64 {
    let banks = if protocol.banks.rule.search == Which::Both { 2.0 } else { 1.0 };
    banks * protocol.length.rule.metres
}

/// Whether it rained within the days that the protocol wants dry; where there is a tide rain doesn't count (Reid et al. 2013).
fn too_wet(conditions: &Conditions, protocol: Option<&Protocol>) -> Option<bool> {
    let tidal = conditions.tide.is_some() || conditions.last_high_water.is_some();
    let dry_days = protocol.map_or(5, |protocol| protocol.weather.rule.dry_days);
    if tidal { Some(false) } else { conditions.days_without_rain.map(|days| days < dry_days) }
}

fn both_banks(effort: &Effort) -> bool {
    let has = |bank: Bank| effort.stretches.iter().any(|stretch| stretch.bank == Some(bank));
    let by_track = |side: fn(&super::Searched) -> f64| {
        effort
            .stretches
            .iter()
            .filter_map(|stretch| stretch.by_track.as_ref())
            .any(|track| side(track) > 0.5 * track.length_m)
    };
    has(Bank::Both) || (has(Bank::Left) && has(Bank::Right)) || (by_track(|t| t.left_m) && by_track(|t| t.right_m))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn detection(p: f64) -> Detection {
        Detection::new(p, None, "a check").unwrap()
    }

    /// Worked out from N = ln α / ln(1 − p) for α = 0.05 and 0.01.
    #[test]
    fn visits_until_an_absence_is_inferred_are_those_of_the_table() {
        let table = [
            (0.1, 29, 44),
            (0.18, 16, 24),
            (0.2, 14, 21),
            (0.27, 10, 15),
            (0.3, 9, 13),
            (0.4, 6, 10),
            (0.5, 5, 7),
            (0.534, 4, 7),
            (0.6, 4, 6),
            (0.71, 3, 4),
            (0.8, 2, 3),
            (0.9, 2, 2),
        ];
        for (p, at_5, at_1) in table {
            let visits = [0.05, 0.01].map(|alpha| detection(p).visits_until(alpha).unwrap());
            assert_eq!(visits, [at_5, at_1], "p = {p}");
        }
    }

    #[test]
    fn visits_until_a_place_is_taken_as_empty_are_those_of_the_table() {
        let table = [(0.5, [9, 5, 4]), (0.7, [11, 6, 5]), (0.9, [15, 8, 6])];
        for (psi, expected) in table {
            let visits = [0.3, 0.5, 0.6].map(|p| detection(p).visits_until_unoccupied(psi, 0.05).unwrap());
            assert_eq!(visits, expected, "psi = {psi}");
            for (p, visits) in [0.3, 0.5, 0.6].into_iter().zip(visits) {
                let after = |n| detection(p).occupied_after(psi, n).unwrap().chance;
                assert!(after(visits) < 0.05 && after(visits - 1) >= 0.05);
            }
        }
    }

    /// MacKenzie et al. 2006, salamanders: ψ 0.594623, p 0.258729, five visits without a find.
    #[test]
    fn a_place_without_a_find_may_be_occupied_all_the_same() {
        let salamander = Detection::new(0.258729, Some(0.057702), "MacKenzie et al. 2006").unwrap();
        let after = salamander.occupied_after(0.594623, 5).unwrap();
        assert!((after.chance - 0.247156).abs() < 1e-6, "{after:?}");
        assert!((1.0 - salamander.missed(5).chance - 0.776187).abs() < 1e-6);
        let [low, high] = after.interval_95.unwrap();
        assert!(low < after.chance && after.chance < high);
    }

    #[test]
    fn a_probability_without_a_source_and_one_that_cannot_be_are_refused() {
        assert!(Detection::new(0.5, None, " ").unwrap_err().to_string().contains("whose"));
        for p in [0.0, -0.1, 1.2, f64::NAN] {
            assert!(Detection::new(p, None, "a check").is_err());
        }
        assert!(Detection::new(0.5, Some(0.0), "a check").is_err(), "zero uncertainty isn't a value");
        assert!(detection(0.5).occupied_after(1.0, 3).is_err() && detection(0.5).visits_until(0.0).is_err());
        assert_eq!(detection(1.0).visits_until(0.05).unwrap(), 1);
    }
}
