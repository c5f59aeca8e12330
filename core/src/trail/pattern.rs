//! The patterns as data: `core/data/patterns.toml`.

use std::sync::OnceLock;

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

impl Family {
    pub fn of(name: PatternName) -> Self {
        match name {
            PatternName::Walk | PatternName::Trot => Self::Alternating,
            PatternName::PaceWalk => Self::PaceWalk,
            PatternName::TwoByTwo => Self::TwoByTwo,
            PatternName::GroupOfThree => Self::GroupOfThree,
            PatternName::GroupOfFour => Self::GroupOfFour,
            PatternName::Hop => Self::Hop,
        }
    }
}

/// How the pattern's variants are called.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Form {
    /// Hind in fore print.
    DirectRegister,
    /// The hind print behind the fore print that it goes with.
    HindBehindFore,
    /// The hind print ahead of it.
    HindAheadOfFore,
    /// Two beside each other, one a little ahead.
    Oblique,
    /// In a row that leans across the direction of travel.
    Diagonal,
    /// The middle one to the other side.
    Staggered,
    /// Left and right in turn.
    InTurn,
    /// The fore prints side by side.
    ForeSideBySide,
    /// The fore prints one behind the other.
    ForeInLine,
}

impl Form {
    /// The key of its name in the words' table `[trail]`.
    pub fn key(self) -> &'static str {
        match self {
            Self::DirectRegister => "trail.direct_register",
            Self::HindBehindFore => "trail.hind_behind_fore",
            Self::HindAheadOfFore => "trail.hind_ahead_of_fore",
            Self::Oblique => "trail.oblique",
            Self::Diagonal => "trail.diagonal",
            Self::Staggered => "trail.staggered",
            Self::InTurn => "trail.in_turn",
            Self::ForeSideBySide => "trail.fore_side_by_side",
            Self::ForeInLine => "trail.fore_in_line",
        }
    }
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
    pub change: f64,
    pub unsure: f64,
    pub stride_cm: [f64; 2],
    pub spacing_cm: [f64; 2],
    /// Of a print that is there and is the trail's own: ln (1 - missing) + ln (1 - foreign).
    #[serde(skip)]
    pub ln_kept: f64,
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
    form: Form,
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
    pub form: Form,
    /// Of the entry, shared out among its variants.
    pub prior: f64,
    /// Whether a cycle is a group, with a gap to the next.
    pub group: bool,
    pub slots: Vec<Slot>,
    pub along_spread: f64,
    pub across_spread: f64,
    /// Whether this is how it looks walked along the line, and walked against it; some patterns look the same both ways.
    pub along_line: bool,
    pub against_line: bool,
    /// Whether another template is the same but for the print at which its cycle begins, and comes before this one.
    pub begun_elsewhere: bool,
    /// The first template whose places are the same, whatever the feet: where no foot is named, one fit does for both.
    pub alike: usize,
}

/// All patterns.
pub(super) struct Patterns {
    pub assumed: Assumed,
    pub alternating: Alternating,
    pub templates: Vec<Template>,
}

/// The built-in patterns, each also mirrored and walked the other way.
pub(super) fn patterns() -> Result<&'static Patterns, TrailError> {
    static PATTERNS: OnceLock<Result<Patterns, TrailError>> = OnceLock::new();
    PATTERNS.get_or_init(load).as_ref().map_err(Clone::clone)
}

fn load() -> Result<Patterns, TrailError> {
    let mut file: File = toml::from_str(include_str!("../../data/patterns.toml"))
        .map_err(|e| TrailError::Patterns { detail: e.to_string() })?;
    file.assumed.ln_kept = (1.0 - file.assumed.missing).ln() + (1.0 - file.assumed.foreign).ln();
    let mut templates: Vec<Template> = file.template.iter().flat_map(variants).collect();
    for i in 0..templates.len() {
        let one = &templates[i];
        let alike = |j: usize| Some((j, in_order_of(&templates[j].slots, &one.slots)?));
        if let Some((j, slots)) = (0..=i).find_map(alike) {
            (templates[i].alike, templates[i].slots) = (j, slots);
        }
    }
    Ok(Patterns { assumed: file.assumed, alternating: file.alternating, templates })
}

fn variants(entry: &Entry) -> Vec<Template> {
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
    let turned: Vec<Slot> = slots.iter().rev().map(|s| Slot { along: -s.along, across: -s.across, ..*s }).collect();
    let ways = [(slots.clone(), true), (mirrored(&slots), true), (turned.clone(), false), (mirrored(&turned), false)];
    // Without gaps a cycle may begin at any of its prints.
    let begins = if entry.group { 1 } else { slots.len() };
    let mut found: Vec<Template> = Vec::new();
    for (slots, along_line) in ways {
        let feet = |slots: &[Slot]| slots.iter().map(|s| s.foot).collect::<Vec<_>>();
        let is = |known: &[Slot], other: &[Slot]| in_order_of(known, other).is_some_and(|o| feet(&o) == feet(known));
        let same = |known: &&mut Template| (0..begins).any(|first| is(&known.slots, &begun_at(&slots, first)));
        match found.iter_mut().find(same) {
            Some(known) => {
                known.along_line |= along_line;
                known.against_line |= !along_line;
            }
            None => found.push(Template {
                family: entry.pattern,
                form: entry.form,
                prior: entry.prior,
                group: entry.group,
                slots,
                along_spread: entry.along_spread,
                across_spread: entry.across_spread,
                along_line,
                against_line: !along_line,
                begun_elsewhere: false,
                alike: 0,
            }),
        }
    }
    let prior = entry.prior / (found.len() * begins) as f64;
    let begun = |t: &Template, first: usize| Template {
        slots: begun_at(&t.slots, first),
        prior,
        begun_elsewhere: first > 0,
        ..t.clone()
    };
    found.iter().flat_map(|template| (0..begins).map(|first| begun(template, first))).collect()
}

/// The same shape, its cycle begun at another print.
fn begun_at(slots: &[Slot], first: usize) -> Vec<Slot> {
    let on = |(i, s): (usize, &Slot)| Slot { along: s.along + f64::from(u8::from(i < first)), ..*s };
    let mut begun: Vec<Slot> = slots.iter().enumerate().map(on).collect();
    begun.rotate_left(first);
    let middle = begun.iter().map(|s| s.along).sum::<f64>() / begun.len() as f64;
    begun.iter_mut().for_each(|s| s.along -= middle);
    begun
}

/// The second shape's prints in the order of the first's, where both have the same places.
fn in_order_of(a: &[Slot], b: &[Slot]) -> Option<Vec<Slot>> {
    let near = |x: &Slot, y: &Slot| (x.along - y.along).abs() < 1e-9 && (x.across - y.across).abs() < 1e-9;
    if a.len() != b.len() {
        return None;
    }
    a.iter().map(|x| b.iter().find(|y| near(x, y)).copied()).collect()
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
            assert!(entry.along.len() <= super::super::runs::MOST_SLOTS);
            assert!(!entry._source.is_empty());
        }
        assert!((file.alternating.walk + file.alternating.trot - 1.0).abs() < 1e-12);
    }

    #[test]
    fn a_template_that_is_the_same_mirrored_or_walked_the_other_way_is_tried_once() {
        let of = |family| patterns().unwrap().templates.iter().filter(|t| t.family == family).collect::<Vec<_>>();
        let direct: Vec<_> = of(Family::Alternating).into_iter().filter(|t| t.form == Form::DirectRegister).collect();
        assert_eq!(direct.len(), 2, "left and right in turn begins on either side");
        assert_eq!(of(Family::TwoByTwo).len(), 2);
        assert!(of(Family::TwoByTwo).iter().all(|t| t.along_line && t.against_line), "pairs don't tell the direction");
        assert_eq!(of(Family::Hop).len(), 4);
        assert!(of(Family::Hop).iter().all(|t| t.along_line != t.against_line), "hind prints lie ahead");
    }
}
