//! A trail's measures beside the published ones, row by row.
//!
//! Conventions: stride = gap + group length, same foot to same foot; a step is half a stride; the distance from group to group is the stride of a
//! bound. Where a source doesn't say whether its distance is a step or a stride, both are tried. Walk and trot leave the same
//! prints, so rows of either are held against both. A published width runs over the outer edges of the prints, ours between
//! print positions: it is held against the row as it is, with that doubt said. No group lengths are published.

use serde::Serialize;

use super::maker::Maker;
use super::published::{Range, Shape, Status, TrailMeasure, TrailSize};
use crate::measured::Measured;
use crate::trail::{PatternName, TrailReading};

/// How our measure stands to a published row.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Fit {
    /// Within the published range.
    Within,
    /// Beyond it, by less than our own 95 % half-width.
    WithinUncertainty,
    /// Beyond it by more.
    Beyond,
    /// The row is of another gait, which is no misfit.
    OtherGait,
}

/// What makes a comparison unsure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Doubt {
    /// The source doesn't say whether its distance is a step or a stride.
    StepOrStride,
    /// Ours lies between print positions, the published one over the outer edges: about one print width more.
    BetweenPositions,
    /// Walk and trot can't be told apart by positions.
    WalkOrTrot,
    /// The source names no gait.
    GaitNotStated,
    /// One value was published, no range: what lies beside it may still be usual.
    SingleValue,
}

impl Doubt {
    /// The key of its text in the words.
    pub fn key(self) -> &'static str {
        match self {
            Self::StepOrStride => "compare.step_or_stride",
            Self::BetweenPositions => "compare.between_positions",
            Self::WalkOrTrot => "compare.walk_or_trot",
            Self::GaitNotStated => "compare.gait_not_stated",
            Self::SingleValue => "compare.single_value",
        }
    }
}

/// One published row and our measure beside it, both in millimetres.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Compared {
    /// Whose row it is, by the track maker's id.
    pub maker: String,
    /// As the source has it.
    pub measure: TrailMeasure,
    /// What it was taken as, where the source doesn't say.
    pub taken_as: TrailMeasure,
    /// In which gait, where the source says.
    pub gait: Option<String>,
    /// On what ground.
    pub substrate: Option<String>,
    /// What else the source says of the sample.
    pub basis: Option<String>,
    /// The published values.
    #[serde(flatten)]
    pub published: Range,
    /// Ours, in the row's convention.
    pub ours_mm: f64,
    /// Its standard uncertainty.
    pub u_ours_mm: f64,
    /// How it stands.
    pub fit: Fit,
    /// Ours over the nearer end of the range where it lies beyond: below 1 for too short, above 1 for too long.
    pub factor: Option<f64>,
    /// What makes that unsure; nothing where the row is of another gait.
    pub doubts: Vec<Doubt>,
    /// Where the row was read.
    pub source: String,
    /// How well it is founded.
    pub status: Status,
}

/// Holds a trail's stride and straddle against every published row of these track makers; none where the trail has no pattern.
///
/// ```
/// use rakelight_core::identify::{Facts, Fit, compare_trail};
/// use rakelight_core::trail::{TrailPrints, read};
/// let trail: TrailPrints = serde_json::from_str(include_str!("../../../fixtures/trails/otter_bound.json"))?;
/// let otter = Facts::builtin()?.maker("lutra_lutra").expect("held");
/// let compared = compare_trail(&read(&trail)?, [otter]);
/// // A stride of 717 mm lies within the bounds of 700 to 1100 mm that are published for snow.
/// let on_crust = compared.iter().find(|row| row.published.max_mm == Some(1100.0)).expect("held");
/// assert_eq!(on_crust.fit, Fit::Within);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn compare_trail<'a>(reading: &TrailReading, makers: impl IntoIterator<Item = &'a Maker>) -> Vec<Compared> {
    let Some(pattern) = reading.patterns.first().filter(|p| p.probability > reading.no_pattern) else {
        return Vec::new();
    };
    let rows = makers.into_iter().flat_map(|maker| maker.trails.iter().map(move |row| (maker, row)));
    rows.flat_map(|(maker, row)| {
        taken_as(row.measure)
            .iter()
            .filter_map(move |&taken_as| Some(compared(maker, row, taken_as, ours(reading, taken_as)?, pattern.name)))
    })
    .collect()
}

fn taken_as(measure: TrailMeasure) -> &'static [TrailMeasure] {
    use TrailMeasure::*;
    match measure {
        DistanceUnspecified => &[Step, Stride],
        Stride => &[Stride],
        Step => &[Step],
        GroupDistance => &[GroupDistance],
        TrailWidth => &[TrailWidth],
        PairWidth => &[PairWidth],
    }
}

fn ours(reading: &TrailReading, measure: TrailMeasure) -> Option<Measured> {
    match measure {
        TrailMeasure::Stride | TrailMeasure::GroupDistance | TrailMeasure::DistanceUnspecified => reading.stride_mm(),
        TrailMeasure::Step => {
            reading.stride_mm().map(|stride| Measured { value: stride.value / 2.0, u: stride.u / 2.0 })
        }
        TrailMeasure::TrailWidth | TrailMeasure::PairWidth => reading.straddle_mm(),
    }
}

fn compared(maker: &Maker, row: &TrailSize, taken_as: TrailMeasure, ours: Measured, pattern: PatternName) -> Compared {
    let same_gait = is_of_gait(row, taken_as, pattern);
    let beyond = beyond(&row.range, ours.value);
    let fit = match beyond {
        _ if same_gait == Some(false) => Fit::OtherGait,
        None => Fit::Within,
        Some((end, _)) if (ours.value - end).abs() <= ours.half_width_95() => Fit::WithinUncertainty,
        Some(_) => Fit::Beyond,
    };
    let doubts = [
        (Doubt::StepOrStride, row.measure == TrailMeasure::DistanceUnspecified),
        (Doubt::BetweenPositions, matches!(taken_as, TrailMeasure::TrailWidth | TrailMeasure::PairWidth)),
        (Doubt::WalkOrTrot, same_gait == Some(true) && matches!(pattern, PatternName::Walk | PatternName::Trot)),
        (Doubt::GaitNotStated, same_gait.is_none()),
        (Doubt::SingleValue, matches!(row.range.shape(), Shape::Single(_))),
    ];
    Compared {
        maker: maker.id.clone(),
        measure: row.measure,
        taken_as,
        gait: row.gait.clone(),
        substrate: row.substrate.clone(),
        basis: row.basis.clone(),
        published: row.range,
        ours_mm: ours.value,
        u_ours_mm: ours.u,
        fit,
        factor: beyond.filter(|_| fit != Fit::OtherGait).map(|(_, factor)| factor),
        doubts: doubts
            .into_iter()
            .filter_map(|(doubt, holds)| (holds && fit != Fit::OtherGait).then_some(doubt))
            .collect(),
        source: row.source.clone(),
        status: row.status,
    }
}

/// Whether the row is of the pattern's gait; `None` where its gait isn't stated or isn't one of ours.
fn is_of_gait(row: &TrailSize, taken_as: TrailMeasure, pattern: PatternName) -> Option<bool> {
    use PatternName::*;
    let alternates = matches!(pattern, Walk | Trot);
    let bounds = matches!(pattern, TwoByTwo | GroupOfThree | GroupOfFour | Hop);
    match row.gait.as_deref() {
        Some("walk" | "trot") => Some(alternates),
        Some("pace_walk") => Some(pattern == PaceWalk),
        Some("bound") => Some(bounds),
        Some("two_by_two") => Some(pattern == TwoByTwo),
        Some("hop") => Some(pattern == Hop),
        // A group needs a bound, a step feet in turn, whatever the source says of the gait.
        _ => match taken_as {
            TrailMeasure::GroupDistance | TrailMeasure::PairWidth => Some(bounds),
            TrailMeasure::Step if bounds => Some(false),
            _ => None,
        },
    }
}

/// The end of the range beyond which a value lies, and by which factor.
fn beyond(range: &Range, value: f64) -> Option<(f64, f64)> {
    let single = range.mean_mm.filter(|_| matches!(range.shape(), Shape::Single(_)));
    let low = range.min_mm.or(single).filter(|end| value < *end);
    let high = range.max_mm.or(single).filter(|end| value > *end);
    low.or(high).map(|end| (end, value / end))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::identify::Facts;
    use crate::trail::{MeasureName, PatternProbability, TrailPrints, read};

    /// A reading of this pattern with this stride and straddle, mm.
    fn reading(pattern: PatternName, stride_mm: f64, straddle_mm: f64) -> TrailReading {
        let trail: TrailPrints =
            serde_json::from_str(include_str!("../../../fixtures/trails/otter_bound.json")).unwrap();
        let mut reading = read(&trail).unwrap();
        reading.patterns = vec![PatternProbability { name: pattern, probability: 0.9 }];
        for measure in &mut reading.measures {
            match measure.name {
                MeasureName::StrideMm => (measure.value, measure.u) = (stride_mm, 10.0),
                MeasureName::StraddleMm => (measure.value, measure.u) = (straddle_mm, 5.0),
                _ => {}
            }
        }
        reading
    }

    fn otter() -> &'static Maker {
        Facts::builtin().unwrap().maker("lutra_lutra").unwrap()
    }

    fn row<'a>(compared: &'a [Compared], measure: TrailMeasure, gait: Option<&str>) -> &'a Compared {
        compared.iter().find(|c| c.measure == measure && c.gait.as_deref() == gait).unwrap()
    }

    fn pattern_of(gait: Option<&str>, measure: TrailMeasure) -> PatternName {
        match gait {
            Some("walk" | "trot") => PatternName::Walk,
            Some("pace_walk") => PatternName::PaceWalk,
            None if measure == TrailMeasure::Stride || measure == TrailMeasure::Step => PatternName::Walk,
            _ => PatternName::TwoByTwo,
        }
    }

    #[test]
    fn every_published_row_lies_within_itself() {
        let mut rows = 0;
        for maker in Facts::builtin().unwrap().makers() {
            for published in &maker.trails {
                let Range { min_mm, mean_mm, max_mm } = published.range;
                for mm in [min_mm, mean_mm, max_mm].into_iter().flatten() {
                    for &taken_as in taken_as(published.measure) {
                        let stride_mm = if taken_as == TrailMeasure::Step { 2.0 * mm } else { mm };
                        let pattern = pattern_of(published.gait.as_deref(), published.measure);
                        let compared = compare_trail(&reading(pattern, stride_mm, mm), [maker]);
                        let is_row = |c: &&Compared| {
                            (c.measure, c.taken_as, c.published, &c.gait)
                                == (published.measure, taken_as, published.range, &published.gait)
                        };
                        let itself = compared.iter().find(is_row).unwrap();
                        assert!(
                            itself.fit == Fit::Within && itself.factor.is_none(),
                            "{} {published:?}: {itself:?}",
                            maker.id
                        );
                        rows += 1;
                    }
                }
            }
        }
        assert!(rows > 40, "{rows}");
    }

    #[test]
    fn a_row_of_another_gait_is_no_misfit() {
        let compared = compare_trail(&reading(PatternName::GroupOfFour, 2000.0, 130.0), [otter()]);
        for gait in ["walk", "trot"] {
            let row = row(&compared, TrailMeasure::Stride, Some(gait));
            assert!(row.fit == Fit::OtherGait && row.factor.is_none());
        }
        let bound = row(&compared, TrailMeasure::GroupDistance, Some("bound"));
        assert!(bound.fit == Fit::Beyond && (bound.factor.unwrap() - 2000.0 / 1100.0).abs() < 1e-9);
    }

    #[test]
    fn a_step_is_half_a_stride_and_walk_is_held_against_trot_too() {
        let compared = compare_trail(&reading(PatternName::Walk, 900.0, 130.0), [otter()]);
        let step = row(&compared, TrailMeasure::Step, Some("trot"));
        assert_eq!((step.ours_mm, step.u_ours_mm, step.fit), (450.0, 5.0, Fit::Within));
        assert!(step.doubts.contains(&Doubt::WalkOrTrot));
    }

    #[test]
    fn a_distance_that_may_be_step_or_stride_is_tried_as_both() {
        let badger = Facts::builtin().unwrap().maker("meles_meles").unwrap();
        let compared = compare_trail(&reading(PatternName::Walk, 1000.0, 190.0), [badger]);
        let of_walk: Vec<_> = compared.iter().filter(|c| c.gait.as_deref() == Some("walk")).collect();
        assert_eq!(
            of_walk.iter().map(|c| (c.taken_as, c.fit)).collect::<Vec<_>>(),
            [(TrailMeasure::Step, Fit::Within), (TrailMeasure::Stride, Fit::Beyond)]
        );
        assert!(of_walk.iter().all(|c| c.doubts.contains(&Doubt::StepOrStride)));
    }

    #[test]
    fn a_width_says_that_it_lies_between_positions_and_a_near_miss_that_it_is_one() {
        let compared = compare_trail(&reading(PatternName::GroupOfFour, 900.0, 104.0), [otter()]);
        let pair = row(&compared, TrailMeasure::PairWidth, None);
        assert_eq!(pair.fit, Fit::WithinUncertainty, "104 ± 10 mm reaches 110 mm");
        assert!(pair.doubts.contains(&Doubt::BetweenPositions) && pair.factor.unwrap() < 1.0);
        assert_eq!(row(&compared, TrailMeasure::TrailWidth, None).fit, Fit::Beyond, "at least 150 mm");
    }

    #[test]
    fn a_trail_without_a_pattern_is_compared_with_nothing() {
        let scattered = TrailReading { no_pattern: 0.95, ..reading(PatternName::Walk, 600.0, 60.0) };
        assert!(compare_trail(&scattered, Facts::builtin().unwrap().makers()).is_empty());
    }
}
