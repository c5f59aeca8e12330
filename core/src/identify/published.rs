//! Published sizes of prints, feet and trails, as published.

use serde::{Deserialize, Serialize};

/// How well a number is founded.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Status {
    /// Read in the source named.
    Published,
    /// What trackers say, no source.
    CommonPractice,
    /// From memory, not checked.
    Memory,
    /// Ours.
    Assumed,
}

/// What a published size was measured on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum WhichFoot {
    /// A fore print.
    Fore,
    /// A hind print.
    Hind,
    /// Either.
    Any,
    /// A fore print without its inner toe.
    #[serde(rename = "fore_4toes")]
    Fore4Toes,
    /// The fore foot itself; held, not used: its convention isn't stated.
    ForeFoot,
    /// The hind foot itself; held, not used.
    HindFoot,
    /// A bird's whole print.
    Foot,
    /// A bird's middle toe.
    MiddleToe,
}

/// Which dimension of a print.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Dimension {
    /// Across the toe pads.
    Width,
    /// To the rear of the central pad.
    LengthWithoutHeel,
    /// To the rear of the heel.
    LengthWithHeel,
    /// The source doesn't say.
    LengthUnstated,
}

/// A published size, as published, in millimetres.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "SizeRow")]
pub struct Size {
    /// Of which foot.
    pub foot: WhichFoot,
    /// Of which dimension.
    pub dimension: Dimension,
    /// The published values.
    pub range: Range,
    /// How many prints, where the source says.
    pub n: Option<u32>,
    /// What else the source says of the sample.
    pub basis: Option<String>,
    /// On what ground.
    pub substrate: Option<String>,
    /// Where it was read.
    pub source: String,
    /// How well it is founded.
    pub status: Status,
    /// Whether the source is a weak one.
    pub weak: bool,
}

/// Minimum, mean or single value, maximum: at least one of them.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Range {
    /// Smallest.
    pub min_mm: Option<f64>,
    /// Mean, or the one value given.
    pub mean_mm: Option<f64>,
    /// Largest.
    pub max_mm: Option<f64>,
}

impl Range {
    fn new(min_mm: Option<f64>, mean_mm: Option<f64>, max_mm: Option<f64>) -> Result<Self, String> {
        let values: Vec<f64> = [min_mm, mean_mm, max_mm].into_iter().flatten().collect();
        if values.is_empty() {
            return Err("none of min_mm, mean_mm, max_mm is given".into());
        }
        if values.iter().any(|v| !(v.is_finite() && *v > 0.0)) || values.windows(2).any(|w| w[0] > w[1]) {
            return Err(format!("min_mm, mean_mm, max_mm must be above zero and rise: {values:?}"));
        }
        Ok(Self { min_mm, mean_mm, max_mm })
    }

    /// What kind of statement it is.
    pub fn shape(&self) -> Shape {
        match (self.min_mm, self.mean_mm, self.max_mm) {
            (Some(min), mean, Some(max)) => Shape::Both { min, middle: mean.unwrap_or((min * max).sqrt()), max },
            (_, Some(mean), _) => Shape::Single(mean),
            (Some(min), None, None) => Shape::AtLeast(min),
            (None, None, Some(max)) => Shape::UpTo(max),
            (None, None, None) => Shape::UpTo(f64::MAX), // `new` refuses it
        }
    }
}

/// What kind of statement a published range is, in millimetres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shape {
    /// Minimum, mean (else the middle on the log scale), maximum.
    Both {
        /// Smallest.
        min: f64,
        /// Mean or middle.
        middle: f64,
        /// Largest.
        max: f64,
    },
    /// One value, or a mean with at most one end.
    Single(f64),
    /// Only a minimum.
    AtLeast(f64),
    /// Only a maximum.
    UpTo(f64),
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SizeRow {
    foot: WhichFoot,
    dimension: Dimension,
    min_mm: Option<f64>,
    mean_mm: Option<f64>,
    max_mm: Option<f64>,
    n: Option<u32>,
    basis: Option<String>,
    substrate: Option<String>,
    source: String,
    status: Status,
    #[serde(default)]
    weak: bool,
}

impl TryFrom<SizeRow> for Size {
    type Error = String;
    fn try_from(row: SizeRow) -> Result<Self, String> {
        Ok(Self {
            foot: row.foot,
            dimension: row.dimension,
            range: Range::new(row.min_mm, row.mean_mm, row.max_mm)?,
            n: row.n,
            basis: row.basis,
            substrate: row.substrate,
            source: row.source,
            status: row.status,
            weak: row.weak,
        })
    }
}

/// The body measure: longest toe tip to back of heel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HindFoot {
    /// Smallest.
    pub min_mm: f64,
    /// Largest.
    pub max_mm: f64,
    /// `with`, `without` or `unknown`.
    pub claws: String,
    /// Whether the animal walks on its sole, so that no hind print with heel is much longer.
    pub bounds_the_sole: bool,
    /// Where it was read.
    pub source: String,
    /// How well it is founded.
    pub status: Status,
    /// Whether the source is a weak or doubtful one.
    #[serde(default)]
    pub weak: bool,
}

/// Which measure of a trail.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TrailMeasure {
    /// Same foot to same foot.
    Stride,
    /// One print to the next of the other side.
    Step,
    /// Group to group, which is the stride of a bound.
    GroupDistance,
    /// The source doesn't say which.
    DistanceUnspecified,
    /// Outer width of the trail.
    TrailWidth,
    /// Outer width of a pair in snow.
    PairWidth,
}

/// A published measure of a trail, as published, in millimetres.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "TrailRow")]
pub struct TrailSize {
    /// Which measure.
    pub measure: TrailMeasure,
    /// In which gait, where the source says.
    pub gait: Option<String>,
    /// The published values.
    pub range: Range,
    /// On what ground.
    pub substrate: Option<String>,
    /// What else the source says of the sample.
    pub basis: Option<String>,
    /// Where it was read.
    pub source: String,
    /// How well it is founded.
    pub status: Status,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TrailRow {
    measure: TrailMeasure,
    gait: Option<String>,
    min_mm: Option<f64>,
    mean_mm: Option<f64>,
    max_mm: Option<f64>,
    substrate: Option<String>,
    basis: Option<String>,
    source: String,
    status: Status,
}

impl TryFrom<TrailRow> for TrailSize {
    type Error = String;
    fn try_from(row: TrailRow) -> Result<Self, String> {
        Ok(Self {
            measure: row.measure,
            gait: row.gait,
            range: Range::new(row.min_mm, row.mean_mm, row.max_mm)?,
            substrate: row.substrate,
            basis: row.basis,
            source: row.source,
            status: row.status,
        })
    }
}

/// Which measure of a dropping.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DroppingMeasure {
    /// Across, where it is thickest.
    Width,
    /// From end to end.
    Length,
}

/// A published measure of droppings, as published, in millimetres.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "DroppingRow")]
pub struct DroppingSize {
    /// Which measure.
    pub measure: DroppingMeasure,
    /// The published values.
    pub range: Range,
    /// Where it was read.
    pub source: String,
    /// How well it is founded.
    pub status: Status,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct DroppingRow {
    measure: DroppingMeasure,
    min_mm: Option<f64>,
    mean_mm: Option<f64>,
    max_mm: Option<f64>,
    source: String,
    status: Status,
}

impl TryFrom<DroppingRow> for DroppingSize {
    type Error = String;
    fn try_from(row: DroppingRow) -> Result<Self, String> {
        let range = Range::new(row.min_mm, row.mean_mm, row.max_mm)?;
        Ok(Self { measure: row.measure, range, source: row.source, status: row.status })
    }
}
