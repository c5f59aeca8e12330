//! What a worker saw: the input of the identification, and the refusal of what can't be true.
//!
//! Three-valued features are `seen`, `absent` (looked for, not there) or `not_looked`; a missing key or `null` is 'not known'.

use serde::{Deserialize, Deserializer, Serialize};

use super::facts::Facts;
use super::named::{Arrangement, Content, Feature, Foot, Form, Pattern, Remains, Smell, Vegetation};
use super::possible::EvidenceError;

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
    /// Remains of meals beside it; another animal may have left them.
    #[serde(deserialize_with = "null_is_default")]
    pub feeding_remains: Vec<Remains>,
}

/// Where the finding lies: water weighs in the prior, the tide doesn't.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Setting {
    /// By fresh or salt water.
    pub near_water: Option<bool>,
    /// How far from the water's edge, m; says whether it is by water where that isn't said.
    pub distance_to_water_m: Option<f64>,
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
    /// Which toes registered, where the inner side is known: 1, the inner one of five, to 5, the outer one. A foot with four toes
    /// has 2 to 5.
    pub which_toes: Option<Vec<u8>>,
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
    /// Its form.
    #[serde(deserialize_with = "null_is_default")]
    pub form: Form,
    /// Across, where it is thickest.
    pub width_mm: Option<f64>,
    /// Its standard uncertainty.
    pub u_width_mm: Option<f64>,
    /// From end to end.
    pub length_mm: Option<f64>,
    /// Its standard uncertainty.
    pub u_length_mm: Option<f64>,
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

fn null_is_default<'de, D: Deserializer<'de>, T: Deserialize<'de> + Default>(from: D) -> Result<T, D::Error> {
    Ok(Option::deserialize(from)?.unwrap_or_default())
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
}

impl Setting {
    /// As said, else by the distance: near, far, or neither.
    pub(super) fn is_by_water(&self, facts: &Facts) -> Option<bool> {
        let prior = &facts.constants.prior;
        let by_distance = |m: f64| match m {
            m if m <= prior.by_water_m => Some(true),
            m if m >= prior.off_water_m => Some(false),
            _ => None,
        };
        self.near_water.or_else(|| by_distance(self.distance_to_water_m?))
    }
}

impl PrintEvidence {
    /// How many toes registered.
    pub fn toes(&self) -> Option<u8> {
        self.toes_seen.or(self.which_toes.as_ref().map(|which| which.len() as u8))
    }

    /// Width, length without heel, length with heel: key, value, uncertainty.
    pub(super) fn sizes(&self) -> [(&'static str, Option<f64>, Option<f64>); 3] {
        [
            ("width_mm", self.width_mm, self.u_width_mm),
            ("length_without_heel_mm", self.length_without_heel_mm, self.u_length_without_heel_mm),
            ("length_with_heel_mm", self.length_with_heel_mm, self.u_length_with_heel_mm),
        ]
    }
}
