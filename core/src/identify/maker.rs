//! What a track maker's file and a substrate hold: every number with source and status.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use super::named::{Arrangement, Content, Form, Pattern, Remains, Smell, Vegetation};
use super::published::{DroppingSize, HindFoot, Size, Status, TrailSize, WhichFoot};

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
    /// What it leaves of its meals.
    pub feeding: Option<FeedingFacts>,
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
    feeding: Option<FeedingFacts>,
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
            feeding: file.feeding,
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
    /// Forms that don't speak against its being typical.
    #[serde(default)]
    pub typical_forms: BTreeSet<Form>,
    /// How often one holds what.
    pub contents: BTreeMap<Prey, Chance>,
    /// How often it has which form.
    #[serde(default)]
    pub form: Option<Shares<Form>>,
    /// How thick and how long one is, as published.
    #[serde(default)]
    pub size: Vec<DroppingSize>,
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

/// What a maker leaves of its meals, of all remains that could be told.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FeedingFacts {
    /// How often which.
    pub remains: Shares<Remains>,
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
