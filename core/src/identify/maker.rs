//! What a track maker's file and a substrate hold: every number with source and status.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use super::evidence::{Arrangement, Content, Pattern, Smell, Vegetation};

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

/// A probability above 0 and below 1.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct Chance(f64);

impl Chance {
    /// The probability.
    pub fn get(self) -> f64 {
        self.0
    }

    /// Its log odds.
    pub(super) fn log_odds(self) -> f64 {
        (self.0 / (1.0 - self.0)).ln()
    }
}

impl TryFrom<f64> for Chance {
    type Error = String;
    fn try_from(p: f64) -> Result<Self, String> {
        if p > 0.0 && p < 1.0 {
            Ok(Self(p))
        } else {
            Err(format!("{p} isn't a chance between 0 and 1 (both excluded)"))
        }
    }
}

impl From<Chance> for f64 {
    fn from(chance: Chance) -> f64 {
        chance.0
    }
}

/// How a whole is shared among kinds; what isn't named shares the rest evenly.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "BTreeMap<K, Chance>", bound(deserialize = "K: Ord + Deserialize<'de>"))]
pub struct Shares<K: Ord>(BTreeMap<K, Chance>);

impl<K: Ord + Copy> Shares<K> {
    /// The share of one kind out of `kinds` there are.
    pub fn share(&self, kind: K, kinds: usize) -> f64 {
        let named: f64 = self.0.values().map(|c| c.0).sum();
        self.0.get(&kind).map_or_else(|| (1.0 - named) / (kinds - self.0.len()).max(1) as f64, |c| c.0)
    }

    /// The kind with the largest share.
    pub fn largest(&self) -> Option<K> {
        self.0.iter().max_by(|a, b| a.1.0.total_cmp(&b.1.0)).map(|(k, _)| *k)
    }
}

impl<K: Ord> TryFrom<BTreeMap<K, Chance>> for Shares<K> {
    type Error = String;
    fn try_from(shares: BTreeMap<K, Chance>) -> Result<Self, String> {
        let sum: f64 = shares.values().map(|c| c.0).sum();
        if sum <= 1.0 + 1e-9 { Ok(Self(shares)) } else { Err(format!("the shares sum to {sum}, more than 1")) }
    }
}

/// All that is held about one track maker.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "MakerFile")]
pub struct Maker {
    /// Scientific name in snake case.
    pub id: String,
    /// As written.
    pub scientific_name: String,
    /// Mammal or bird.
    pub class: Class,
    /// Reported in place of its members, where prints can't tell them apart.
    pub group: Option<String>,
    /// Whether it lives along water, so that it is likelier on a bank.
    pub waterside: bool,
    /// Whether a heel can print behind the central pad; if not, both lengths are the same.
    pub heel_may_print: bool,
    /// How often a tail or belly mark shows.
    pub drag_mark: Known<Chance>,
    /// The fore foot.
    pub fore: FootFacts,
    /// The hind foot.
    pub hind: FootFacts,
    /// How its trails run.
    pub patterns: Option<Patterns>,
    /// The body measure, longest toe to back of heel.
    pub hind_foot: Option<HindFoot>,
    /// What its droppings are like.
    pub droppings: Option<DroppingFacts>,
    /// Published sizes of prints, as published.
    pub sizes: Vec<Size>,
    /// Published measures of trails, as published.
    pub trails: Vec<TrailSize>,
}

/// A maker as its file has it.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct MakerFile {
    id: String,
    scientific_name: String,
    class: Class,
    group: Option<String>,
    #[serde(default)]
    waterside: bool,
    heel_may_print: bool,
    drag_mark: Known<Chance>,
    #[serde(default)]
    foot: Vec<FootFacts>,
    patterns: Option<Patterns>,
    hind_foot: Option<HindFoot>,
    droppings: Option<DroppingFacts>,
    #[serde(default)]
    size: Vec<Size>,
    #[serde(default)]
    trail: Vec<TrailSize>,
}

impl TryFrom<MakerFile> for Maker {
    type Error = String;
    fn try_from(file: MakerFile) -> Result<Self, String> {
        let of = |wanted: WhichFoot, name: &str| {
            let mut fitting = file.foot.iter().filter(|f| f.foot == wanted || f.foot == WhichFoot::Any);
            match (fitting.next(), fitting.next()) {
                (Some(foot), None) => Ok(foot.clone()),
                (None, _) => Err(format!("no [[foot]] for the {name} foot")),
                (Some(_), Some(_)) => Err(format!("more than one [[foot]] for the {name} foot")),
            }
        };
        if file.id.is_empty() || !file.id.bytes().all(|b| b.is_ascii_lowercase() || b == b'_') {
            return Err(format!("the id {:?} isn't a name in snake case", file.id));
        }
        if file.foot.iter().any(|f| f.toe_chances.is_empty() || f.toe_chances.len() > 5) {
            return Err("toe_chances must name one to five toes".into());
        }
        if file.size.is_empty() {
            return Err("no [[size]]: a track maker without any size can't be compared".into());
        }
        Ok(Self {
            fore: of(WhichFoot::Fore, "fore")?,
            hind: of(WhichFoot::Hind, "hind")?,
            id: file.id,
            scientific_name: file.scientific_name,
            class: file.class,
            group: file.group,
            waterside: file.waterside,
            heel_may_print: file.heel_may_print,
            drag_mark: file.drag_mark,
            patterns: file.patterns,
            hind_foot: file.hind_foot,
            droppings: file.droppings,
            sizes: file.size,
            trails: file.trail,
        })
    }
}

/// The class of a track maker.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Class {
    /// A mammal.
    Mammal,
    /// A bird.
    Bird,
}

/// A single fact with its source.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Known<T> {
    /// The fact.
    pub chance: T,
    /// Where it is from.
    pub source: String,
    /// How well it is founded.
    pub status: Status,
}

/// How a foot registers on average ground.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FootFacts {
    /// Fore, hind or any.
    pub foot: WhichFoot,
    /// For each toe from the inner one: how often it registers. Their number is the number of toes.
    pub toe_chances: Vec<Chance>,
    /// Claw marks.
    pub claws: Chance,
    /// Webbing.
    pub webbing: Chance,
    /// Heel pad.
    pub heel_pad: Chance,
    /// How the toes stand.
    pub arrangement: Shares<Arrangement>,
    /// Where the facts are from.
    pub source: String,
    /// How well the numbers are founded.
    pub status: Status,
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

/// How a maker's trails run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Patterns {
    /// How often which.
    pub chances: Shares<Pattern>,
    /// Where it is from.
    pub source: String,
    /// How well it is founded.
    pub status: Status,
}

/// What a dropping may hold, scales and bones of fish together, crayfish and crab together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Prey {
    /// Fish.
    Fish,
    /// Amphibian.
    Amphibian,
    /// Crayfish or crab.
    Crustacean,
    /// Insect.
    Insect,
    /// Bird.
    Bird,
    /// Mammal.
    MammalHair,
    /// Mollusc.
    Mollusc,
    /// Plant.
    Plant,
}

impl Prey {
    /// The class of a content; `None` for nothing identifiable.
    pub fn of(content: Content) -> Option<Self> {
        Some(match content {
            Content::FishScales | Content::FishBones => Self::Fish,
            Content::Amphibian => Self::Amphibian,
            Content::Crayfish | Content::Crab => Self::Crustacean,
            Content::Insect => Self::Insect,
            Content::Bird => Self::Bird,
            Content::MammalHair => Self::MammalHair,
            Content::Mollusc => Self::Mollusc,
            Content::Plant => Self::Plant,
            Content::NothingIdentifiable => return None,
        })
    }
}

/// What a maker's droppings are like.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DroppingFacts {
    /// Contents of which one at least makes it typical.
    #[serde(default)]
    pub typical_contents: BTreeSet<Content>,
    /// The smell that makes it typical.
    #[serde(default)]
    pub typical_smell: Option<Smell>,
    /// How often one holds what.
    pub contents: BTreeMap<Prey, Chance>,
    /// How often it smells of what.
    pub smell: Shares<Smell>,
    /// How often on a prominent spot.
    pub prominent_spot: Chance,
    /// The plants around.
    pub vegetation: Shares<Vegetation>,
    /// Where it is from.
    pub source: String,
    /// How well it is founded.
    pub status: Status,
}

/// What a substrate does to a print.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Substrate {
    /// Added to the log odds of every toe.
    pub toes: f64,
    /// Added to the log odds of claw marks.
    pub claws: f64,
    /// Added to the log odds of webbing.
    pub webbing: f64,
    /// Added to the log odds of the heel pad.
    pub heel_pad: f64,
    /// How much larger than the foot a print reads.
    pub size_factor: f64,
    /// Relative spread of that, common to a trail.
    pub u_trail: f64,
    /// Relative spread from print to print.
    pub u_print: f64,
    /// Where it is from.
    pub source: String,
    /// How well it is founded.
    pub status: Status,
}
