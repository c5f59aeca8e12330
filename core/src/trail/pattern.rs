//! The patterns as data: `core/data/patterns.toml`.

use serde::{Deserialize, Serialize};

use super::TrailError;
use crate::print::Foot;

/// The patterns that a trail can have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PatternName {
    /// Left and right in turn, evenly.
    Walk,
    /// As walk, faster; positions alone don't tell them apart.
    Trot,
    /// Fore beside the opposite hind, the side in turn.
    PaceWalk,
    /// Pairs with gaps between.
    TwoByTwo,
    /// Groups of three with gaps between.
    GroupOfThree,
    /// Groups of four with gaps between.
    GroupOfFour,
    /// Groups of four with both hind feet beside each other ahead.
    Hop,
}

impl PatternName {
    /// The key of its name in the words' table `[trail]`.
    pub fn key(self) -> &'static str {
        match self {
            Self::Walk => "trail.walk",
            Self::Trot => "trail.trot",
            Self::PaceWalk => "trail.pace_walk",
            Self::TwoByTwo => "trail.two_by_two",
            Self::GroupOfThree => "trail.group_of_three",
            Self::GroupOfFour => "trail.group_of_four",
            Self::Hop => "trail.hop",
        }
    }
}

/// What a template stands for: walk and trot share one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum Family {
    Alternating,
    PaceWalk,
    TwoByTwo,
    GroupOfThree,
    GroupOfFour,
    Hop,
}

/// See the comments in `patterns.toml`.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Assumed {
    #[serde(rename = "status")]
    _status: String,
    pub missing: f64,
    pub foreign: f64,
    pub wrong_label: f64,
    pub scatter: f64,
    pub stride_variation: f64,
    pub drift: f64,
    pub weight: f64,
    pub no_pattern: f64,
    pub unsure: f64,
    pub stride_cm: [f64; 2],
    pub spacing_cm: [f64; 2],
}

/// How walk and trot share what positions can't tell apart.
#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Alternating {
    pub walk: f64,
    pub trot: f64,
    #[serde(rename = "status")]
    _status: Status,
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Status {
    Published,
    CommonPractice,
    Assumed,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    assumed: Assumed,
    alternating: Alternating,
    template: Vec<Entry>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Entry {
    pattern: Family,
    prior: f64,
    #[serde(default)]
    group: bool,
    along: Vec<f64>,
    across: Vec<f64>,
    feet: Option<String>,
    along_spread: f64,
    across_spread: f64,
    #[serde(rename = "status")]
    _status: Status,
    #[serde(rename = "source")]
    _source: String,
}

/// Where one foot comes down in a cycle, as fractions of the stride from the cycle's middle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Slot {
    pub along: f64,
    pub across: f64,
    pub foot: Foot,
}

/// One cycle of a pattern.
#[derive(Debug, Clone)]
pub(super) struct Template {
    pub family: Family,
    /// Which entry of the file it is a variant of.
    pub entry: usize,
    pub prior: f64,
    /// Whether a cycle is a group, with a gap to the next.
    pub group: bool,
    pub slots: Vec<Slot>,
    pub along_spread: f64,
    pub across_spread: f64,
}

/// All patterns.
pub(super) struct Patterns {
    pub assumed: Assumed,
    pub alternating: Alternating,
    pub templates: Vec<Template>,
}

/// The built-in patterns, each also mirrored and walked the other way.
pub(super) fn patterns() -> Result<Patterns, TrailError> {
    let file: File = toml::from_str(include_str!("../../data/patterns.toml"))
        .map_err(|e| TrailError::Patterns { detail: e.to_string() })?;
    let templates = file.template.iter().enumerate().flat_map(|(i, entry)| variants(i, entry)).collect();
    Ok(Patterns { assumed: file.assumed, alternating: file.alternating, templates })
}

fn variants(number: usize, entry: &Entry) -> Vec<Template> {
    let feet = entry.feet.as_deref().unwrap_or_default();
    let foot = |i: usize| match feet.as_bytes().get(i) {
        Some(b'f') => Foot::Fore,
        Some(b'h') => Foot::Hind,
        _ => Foot::Unknown,
    };
    let k = entry.along.len() as f64;
    let middle = entry.along.iter().sum::<f64>() / k;
    let slots: Vec<Slot> = entry
        .along
        .iter()
        .zip(&entry.across)
        .enumerate()
        .map(|(i, (along, &across))| Slot { along: along - middle, across, foot: foot(i) })
        .collect();
    let mirrored = |slots: &[Slot]| slots.iter().map(|s| Slot { across: -s.across, ..*s }).collect::<Vec<_>>();
    let reversed = |slots: &[Slot]| slots.iter().rev().map(|s| Slot { along: -s.along, ..*s }).collect::<Vec<_>>();
    let back = reversed(&slots);
    let mut shapes: Vec<Vec<Slot>> = Vec::new();
    for shape in [slots.clone(), mirrored(&slots), back.clone(), mirrored(&back)] {
        if !shapes.iter().any(|known| same(known, &shape)) {
            shapes.push(shape);
        }
    }
    shapes
        .into_iter()
        .map(|slots| Template {
            family: entry.pattern,
            entry: number,
            prior: entry.prior,
            group: entry.group,
            slots,
            along_spread: entry.along_spread,
            across_spread: entry.across_spread,
        })
        .collect()
}

/// Whether two shapes are one.
fn same(a: &[Slot], b: &[Slot]) -> bool {
    a.iter()
        .zip(b)
        .all(|(x, y)| (x.along - y.along).abs() < 1e-9 && (x.across - y.across).abs() < 1e-9 && x.foot == y.foot)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_template_has_a_place_across_and_a_foot_for_each_of_its_prints() {
        let file: File = toml::from_str(include_str!("../../data/patterns.toml")).unwrap();
        for entry in &file.template {
            assert_eq!(entry.along.len(), entry.across.len(), "{:?}", entry.pattern);
            assert!(entry.feet.as_ref().is_none_or(|f| f.len() == entry.along.len()), "{:?}", entry.pattern);
            assert!(entry.along.is_sorted(), "{:?}: prints in order along", entry.pattern);
            assert!(entry.along.len() <= super::super::assign::MOST_SLOTS);
            assert!(!entry._source.is_empty());
        }
        assert!((file.alternating.walk + file.alternating.trot - 1.0).abs() < 1e-12);
    }

    #[test]
    fn a_template_that_is_the_same_walked_the_other_way_is_tried_once_each_side() {
        let count = |family| patterns().unwrap().templates.iter().filter(|t| t.family == family).count();
        assert_eq!(count(Family::TwoByTwo), 2);
        assert_eq!(count(Family::Hop), 8);
    }
}
