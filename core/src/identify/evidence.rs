//! What a worker saw: the input of the identification, and the refusal of what can't be true.
//!
//! Three-valued features are `seen`, `absent` (looked for, not there) or `not_looked`; a missing key or `null` is 'not known'.

use serde::{Deserialize, Deserializer, Serialize};

use super::constants::Limits;
use super::facts::Facts;

/// One finding: prints of one trail, the trail's measures, droppings that go with it. Reads from JSON and TOML.
///
/// ```
/// use rakelight_core::identify::Evidence;
/// let evidence = Evidence::from_json(r#"{"prints": [{"foot": "hind", "width_mm": 60, "u_width_mm": 2, "toes_seen": 5}]}"#)
///     .expect("a print");
/// assert_eq!(evidence.prints[0].toes_seen, Some(5));
/// assert!(Evidence::from_json(r#"{"prnts": []}"#).unwrap_err().to_string().contains("prnts"));
/// ```
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Evidence {
    /// A name of `substrates.toml`.
    pub substrate: Option<String>,
    /// Where it was found.
    pub setting: Option<Setting>,
    /// Prints of one trail, so of one animal.
    #[serde(deserialize_with = "null_is_default")]
    pub prints: Vec<PrintEvidence>,
    /// What was measured along the trail.
    pub trail: Option<TrailEvidence>,
    /// Droppings of the same finding.
    #[serde(deserialize_with = "null_is_default")]
    pub droppings: Vec<DroppingEvidence>,
}

/// Where the finding lies: water weighs in the prior, the tide doesn't.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Setting {
    /// By fresh or salt water.
    pub near_water: Option<bool>,
    /// Reached by the tide.
    pub tidal: Option<bool>,
}

/// One print; lengths in millimetres, claws not counted, each with its standard uncertainty.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct PrintEvidence {
    /// Fore, hind or unknown.
    #[serde(deserialize_with = "null_is_default")]
    pub foot: Foot,
    /// Greatest distance between the outer edges of the toe pads.
    pub width_mm: Option<f64>,
    /// Its standard uncertainty.
    pub u_width_mm: Option<f64>,
    /// Foremost toe pad to the rear edge of the central pad.
    pub length_without_heel_mm: Option<f64>,
    /// Its standard uncertainty.
    pub u_length_without_heel_mm: Option<f64>,
    /// Foremost toe pad to the rear edge of the heel.
    pub length_with_heel_mm: Option<f64>,
    /// Its standard uncertainty.
    pub u_length_with_heel_mm: Option<f64>,
    /// How many toes registered, 0 to 5: at least so many the animal has.
    pub toes_seen: Option<u8>,
    /// Claw marks.
    #[serde(deserialize_with = "null_is_default")]
    pub claws: Feature,
    /// Webbing between the toes.
    #[serde(deserialize_with = "null_is_default")]
    pub webbing: Feature,
    /// Carpal or tarsal pad behind the central pad.
    #[serde(deserialize_with = "null_is_default")]
    pub heel_pad: Feature,
    /// How the toes stand.
    #[serde(deserialize_with = "null_is_default")]
    pub arrangement: Arrangement,
}

/// Measures along the trail, in millimetres.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct TrailEvidence {
    /// How the prints follow each other.
    pub pattern: Option<Pattern>,
    /// Same foot to same foot.
    pub stride_mm: Option<f64>,
    /// Its standard uncertainty.
    pub u_stride_mm: Option<f64>,
    /// Rear of the first to front of the last print of a group.
    pub group_length_mm: Option<f64>,
    /// Its standard uncertainty.
    pub u_group_length_mm: Option<f64>,
    /// Outer width across the direction of travel.
    pub straddle_mm: Option<f64>,
    /// Its standard uncertainty.
    pub u_straddle_mm: Option<f64>,
    /// Marks of tail or belly.
    #[serde(deserialize_with = "null_is_default")]
    pub drag_mark: Feature,
}

/// One dropping.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct DroppingEvidence {
    /// What was found in it; `None` where nobody looked.
    pub contents: Option<Vec<Content>>,
    /// How it smells.
    #[serde(deserialize_with = "null_is_default")]
    pub smell: Smell,
    /// On a raised or otherwise prominent spot.
    pub prominent_spot: Option<bool>,
    /// The plants around it.
    #[serde(deserialize_with = "null_is_default")]
    pub vegetation: Vegetation,
    /// Whether a second person has checked it.
    #[serde(deserialize_with = "null_is_default")]
    pub checked: bool,
}

macro_rules! named {
    ($(#[$doc:meta])* $name:ident: $($(#[$item_doc:meta])* $item:ident = $key:literal),+ $(; default $default:ident)?) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        pub enum $name { $($(#[$item_doc])* #[serde(rename = $key)] $item),+ }
        impl $name {
            /// All of them, in order.
            pub const ALL: &[Self] = &[$(Self::$item),+];

            /// Its name in the evidence.
            pub fn name(self) -> &'static str {
                match self { $(Self::$item => $key),+ }
            }
        }
        $(impl Default for $name { fn default() -> Self { Self::$default } })?
    };
}

named! {
    /// Which foot.
    Foot:
    /// Front foot.
    Fore = "fore",
    /// Rear foot.
    Hind = "hind",
    /// Not known.
    Unknown = "unknown";
    default Unknown
}
named! {
    /// A feature that was looked for, or not.
    Feature:
    /// Looked for and there.
    Seen = "seen",
    /// Looked for and not there.
    Absent = "absent",
    /// Not looked for.
    NotLooked = "not_looked";
    default NotLooked
}
named! {
    /// How the toes stand around the pad.
    Arrangement:
    /// In an arc.
    Arc = "arc",
    /// In a nearly straight row.
    Row = "row",
    /// Paired and symmetrical.
    Paired = "paired",
    /// Finger-like, joined to the palm.
    Fingers = "fingers",
    /// Two hooves.
    Cloven = "cloven",
    /// A bird's.
    Bird = "bird",
    /// Not looked at.
    NotLooked = "not_looked";
    default NotLooked
}
named! {
    /// How the prints of a trail follow each other.
    Pattern:
    /// Alternating, no overstep to speak of.
    Walk = "walk",
    /// Alternating, faster.
    Trot = "trot",
    /// Fore beside the opposite hind.
    PaceWalk = "pace_walk",
    /// Pairs.
    TwoByTwo = "two_by_two",
    /// Groups of three.
    GroupOfThree = "group_of_three",
    /// Groups of four.
    GroupOfFour = "group_of_four",
    /// Hind feet ahead of the fore feet, together.
    Hop = "hop"
}
named! {
    /// What a dropping holds.
    Content:
    /// Scales.
    FishScales = "fish_scales",
    /// Bones of fish.
    FishBones = "fish_bones",
    /// Frog, toad, newt.
    Amphibian = "amphibian",
    /// Crayfish.
    Crayfish = "crayfish",
    /// Crab.
    Crab = "crab",
    /// Insect.
    Insect = "insect",
    /// Feathers, bird bones.
    Bird = "bird",
    /// Hair or bones of a mammal.
    MammalHair = "mammal_hair",
    /// Shell of a mollusc.
    Mollusc = "mollusc",
    /// Plant.
    Plant = "plant",
    /// Looked, and nothing could be told.
    NothingIdentifiable = "nothing_identifiable"
}
named! {
    /// How a dropping smells.
    Smell:
    /// Sweet, of fish.
    SweetFishy = "sweet_fishy",
    /// Foul.
    Foul = "foul",
    /// Of nothing.
    None = "none",
    /// Nobody smelled.
    NotLooked = "not_looked";
    default NotLooked
}
named! {
    /// The plants around a dropping.
    Vegetation:
    /// Scorched.
    Browned = "browned",
    /// Greener than around.
    Greened = "greened",
    /// As around.
    Unchanged = "unchanged",
    /// Not looked at.
    NotLooked = "not_looked";
    default NotLooked
}

fn null_is_default<'de, D: Deserializer<'de>, T: Deserialize<'de> + Default>(from: D) -> Result<T, D::Error> {
    Ok(Option::deserialize(from)?.unwrap_or_default())
}

/// Evidence that can't be read or can't be true. Nothing is computed from it.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum EvidenceError {
    /// Not JSON or TOML of the documented shape.
    #[error("the evidence can't be read: {detail}")]
    Unreadable {
        /// What is wrong and where; names an unknown key.
        detail: String,
    },
    /// No such substrate.
    #[error("substrate: {value:?} isn't known; there are: {known}")]
    UnknownSubstrate {
        /// As given.
        value: String,
        /// Those of `substrates.toml`.
        known: String,
    },
    /// NaN or infinite.
    #[error("{field}: not a number; leave it out where it isn't known")]
    NotFinite {
        /// Which.
        field: String,
    },
    /// Too small or too large for what it is.
    #[error("{field}: {value} mm can't be; it must lie between {low} and {high} mm")]
    OutOfRange {
        /// Which.
        field: String,
        /// As given.
        value: f64,
        /// Smallest accepted.
        low: f64,
        /// Largest accepted.
        high: f64,
    },
    /// So small that another unit was meant.
    #[error("{field}: {value} mm is too small for a print; are these cm? Millimetres are expected ({in_mm} mm)")]
    PerhapsCentimetres {
        /// Which.
        field: String,
        /// As given.
        value: f64,
        /// Ten times that.
        in_mm: f64,
    },
    /// A length without its uncertainty.
    #[error("{field}: missing; every length needs its standard uncertainty in mm")]
    NoUncertainty {
        /// The missing key.
        field: String,
    },
    /// Zero, negative, or as large as the length.
    #[error("{field}: {value} isn't a standard uncertainty; it must be above zero and below the length itself")]
    BadUncertainty {
        /// Which.
        field: String,
        /// As given.
        value: f64,
    },
    /// More than five.
    #[error(
        "{field}: {value} toes; no print of a mammal or bird shows more than five, so a second print may lie over it"
    )]
    TooManyToes {
        /// Which.
        field: String,
        /// As given.
        value: u8,
    },
    /// Two statements that exclude each other.
    #[error("{field} contradicts {other}: look again, or leave out what isn't sure")]
    Contradiction {
        /// One.
        field: String,
        /// The other.
        other: String,
    },
}

impl Evidence {
    /// From JSON text; an unknown key is an error that names it.
    pub fn from_json(text: &str) -> Result<Self, EvidenceError> {
        serde_json::from_str(text).map_err(|e| EvidenceError::Unreadable { detail: e.to_string() })
    }

    /// From TOML text; an unknown key is an error that names it.
    pub fn from_toml(text: &str) -> Result<Self, EvidenceError> {
        toml::from_str(text).map_err(|e| EvidenceError::Unreadable { detail: e.to_string() })
    }

    /// Whether all of this can be true.
    pub fn check(&self, facts: &Facts) -> Result<(), EvidenceError> {
        if let Some(value) = &self.substrate
            && facts.substrate(value).is_none()
        {
            let known = facts.substrates().collect::<Vec<_>>().join(", ");
            return Err(EvidenceError::UnknownSubstrate { value: value.clone(), known });
        }
        let limits = facts.limits();
        for (i, print) in self.prints.iter().enumerate() {
            print.check(&format!("prints[{i}]."), limits)?;
        }
        if let Some(trail) = &self.trail {
            trail.check(limits)?;
        }
        self.droppings.iter().enumerate().try_for_each(|(i, d)| d.check(&format!("droppings[{i}].")))
    }
}

impl PrintEvidence {
    /// Width, length without heel, length with heel: key, value, uncertainty.
    pub(super) fn sizes(&self) -> [(&'static str, Option<f64>, Option<f64>); 3] {
        [
            ("width_mm", self.width_mm, self.u_width_mm),
            ("length_without_heel_mm", self.length_without_heel_mm, self.u_length_without_heel_mm),
            ("length_with_heel_mm", self.length_with_heel_mm, self.u_length_with_heel_mm),
        ]
    }

    fn check(&self, at: &str, limits: &Limits) -> Result<(), EvidenceError> {
        for (key, value, u) in self.sizes() {
            if let Some(value) = value
                && value > 0.0
                && value < limits.print_min_mm
            {
                return Err(EvidenceError::PerhapsCentimetres {
                    field: format!("{at}{key}"),
                    value,
                    in_mm: value * 10.0,
                });
            }
            check_length(at, key, value, u, limits.print_min_mm, limits.print_max_mm)?;
        }
        let contradiction = |field: &str, other: &str| {
            Err(EvidenceError::Contradiction { field: format!("{at}{field}"), other: format!("{at}{other}") })
        };
        let toes = self.toes_seen.unwrap_or(0);
        if toes > 5 {
            return Err(EvidenceError::TooManyToes { field: format!("{at}toes_seen"), value: toes });
        }
        if toes > 4 && matches!(self.arrangement, Arrangement::Cloven | Arrangement::Bird) {
            return contradiction("toes_seen", "arrangement");
        }
        if self.length_with_heel_mm.is_some() && self.heel_pad == Feature::Absent {
            return contradiction("length_with_heel_mm", "heel_pad");
        }
        if let (Some(with), Some(without)) = (self.length_with_heel_mm, self.length_without_heel_mm) {
            let u = self.u_length_with_heel_mm.unwrap_or(0.0).hypot(self.u_length_without_heel_mm.unwrap_or(0.0));
            if without > with + 3.0 * u {
                return contradiction("length_without_heel_mm", "length_with_heel_mm");
            }
        }
        Ok(())
    }
}

impl TrailEvidence {
    fn check(&self, limits: &Limits) -> Result<(), EvidenceError> {
        for (key, value, u) in [
            ("stride_mm", self.stride_mm, self.u_stride_mm),
            ("group_length_mm", self.group_length_mm, self.u_group_length_mm),
            ("straddle_mm", self.straddle_mm, self.u_straddle_mm),
        ] {
            check_length("trail.", key, value, u, limits.trail_min_mm, limits.trail_max_mm)?;
        }
        Ok(())
    }
}

impl DroppingEvidence {
    fn check(&self, at: &str) -> Result<(), EvidenceError> {
        match &self.contents {
            Some(contents) if contents.len() > 1 && contents.contains(&Content::NothingIdentifiable) => {
                Err(EvidenceError::Contradiction {
                    field: format!("{at}contents: nothing_identifiable"),
                    other: "the other contents".into(),
                })
            }
            _ => Ok(()),
        }
    }
}

fn check_length(
    at: &str,
    key: &str,
    value: Option<f64>,
    u: Option<f64>,
    low: f64,
    high: f64,
) -> Result<(), EvidenceError> {
    let Some(value) = value else { return Ok(()) };
    let field = format!("{at}{key}");
    let u_field = format!("{at}u_{key}");
    if !value.is_finite() {
        return Err(EvidenceError::NotFinite { field });
    }
    if !(low..=high).contains(&value) {
        return Err(EvidenceError::OutOfRange { field, value, low, high });
    }
    match u {
        None => Err(EvidenceError::NoUncertainty { field: u_field }),
        Some(u) if !u.is_finite() => Err(EvidenceError::NotFinite { field: u_field }),
        Some(u) if u <= 0.0 || u >= value => Err(EvidenceError::BadUncertainty { field: u_field, value: u }),
        Some(_) => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The refusal of one print with this written in.
    fn refusal(print: &str) -> String {
        let evidence = Evidence::from_toml(&format!("[[prints]]\n{print}")).unwrap();
        evidence.check(Facts::builtin().unwrap()).unwrap_err().to_string()
    }

    #[test]
    fn a_negative_width_and_a_metre_are_refused() {
        assert!(refusal("width_mm = -60\nu_width_mm = 2").starts_with("prints[0].width_mm"));
        assert!(refusal("length_with_heel_mm = 1000\nu_length_with_heel_mm = 2").contains("length_with_heel_mm: 1000"));
    }

    #[test]
    fn centimetres_are_asked_about() {
        let refusal = refusal("width_mm = 5.5\nu_width_mm = 0.2");
        assert!(refusal.contains("prints[0].width_mm") && refusal.contains("cm?") && refusal.contains("55 mm"));
    }

    #[test]
    fn what_is_not_a_number_is_refused() {
        assert!(refusal("width_mm = nan\nu_width_mm = 2").contains("width_mm: not a number"));
        assert!(refusal("width_mm = 60\nu_width_mm = inf").contains("u_width_mm: not a number"));
    }

    #[test]
    fn an_uncertainty_is_never_zero_nor_left_out() {
        assert!(refusal("width_mm = 60\nu_width_mm = 0").contains("prints[0].u_width_mm"));
        assert!(refusal("width_mm = 60").contains("prints[0].u_width_mm: missing"));
    }

    #[test]
    fn six_toes_are_two_prints() {
        assert!(refusal("toes_seen = 6").contains("prints[0].toes_seen: 6"));
    }

    #[test]
    fn contradictions_name_both_sides() {
        assert!(refusal("toes_seen = 5\narrangement = 'cloven'").contains("prints[0].arrangement"));
        let heel = refusal("length_with_heel_mm = 85\nu_length_with_heel_mm = 3\nheel_pad = 'absent'");
        assert!(heel.contains("prints[0].heel_pad"));
    }

    #[test]
    fn an_unknown_substrate_is_refused_with_the_known_ones() {
        let evidence = Evidence { substrate: Some("custard".into()), ..Evidence::default() };
        let refusal = evidence.check(Facts::builtin().unwrap()).unwrap_err().to_string();
        assert!(refusal.contains("custard") && refusal.contains("firm_mud"), "{refusal}");
    }

    #[test]
    fn null_is_not_known() {
        let nulls =
            r#"{"substrate": null, "prints": [{"foot": null, "width_mm": null, "claws": null}], "trail": null}"#;
        let evidence = Evidence::from_json(nulls).unwrap();
        assert_eq!(evidence.prints, [PrintEvidence::default()]);
    }
}
