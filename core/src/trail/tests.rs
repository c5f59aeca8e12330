//! Trails that are made from known numbers, and what must be read from them.

use proptest::prelude::*;

use super::*;
use crate::measured::Measured;

/// A small generator of our own, so that a trail is the same on every machine.
pub(super) struct Scatter(pub(super) u64);

impl Scatter {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 33) as f64 + 0.5) / f64::from(1u32 << 31)
    }

    pub(super) fn normal(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

/// How a made trail scatters, cm, and what is left out (every so-manieth print) or added (at these places).
#[derive(Clone, Copy)]
struct Made<'a> {
    /// Along (fraction of the stride) and across (cm) of each print of a cycle.
    slots: &'a [(f64, f64)],
    stride_cm: f64,
    cycles: usize,
    print_cm: f64,
    stride_share: f64,
    left_out: &'a [usize],
    added: &'a [[f64; 2]],
}

impl Made<'_> {
    fn trail(self, seed: u64) -> TrailPrints {
        let mut scatter = Scatter(seed);
        let mut at = 0.0;
        let mut places = Vec::new();
        for _ in 0..self.cycles {
            for &(along, across) in self.slots {
                places.push([
                    at + along * self.stride_cm + self.print_cm * scatter.normal(),
                    across + self.print_cm * scatter.normal(),
                ]);
            }
            at += self.stride_cm * (1.0 + self.stride_share * scatter.normal());
        }
        let kept = places.iter().enumerate().filter(|(i, _)| !self.left_out.contains(i)).map(|(_, p)| *p);
        trail(kept.chain(self.added.iter().copied()))
    }
}

fn trail(places: impl Iterator<Item = [f64; 2]>) -> TrailPrints {
    let print =
        |[along_cm, offset_cm]: [f64; 2]| TrailPrint { along_cm, offset_cm, foot: Foot::Unknown, side: Side::Unknown };
    TrailPrints { prints: places.map(print).collect(), u_position_cm: 1.0, ..TrailPrints::default() }
}

const DIAGONAL: [(f64, f64); 4] = [(0.0, 5.5), (0.12, 2.0), (0.24, -2.0), (0.35, -5.5)];

fn bound() -> Made<'static> {
    Made { slots: &DIAGONAL, stride_cm: 90.0, cycles: 6, print_cm: 0.8, stride_share: 0.04, left_out: &[], added: &[] }
}

fn holds(measure: Option<Measured>, truth_mm: f64) -> bool {
    measure.is_some_and(|m| (m.value - truth_mm).abs() <= m.half_width_95())
}

/// The places of a pattern's prints whose outermost ones are `straddle_cm` apart.
fn slots(pattern: PatternName, straddle_cm: f64) -> Vec<(f64, f64)> {
    let w = straddle_cm / 2.0;
    match pattern {
        PatternName::Walk | PatternName::Trot => vec![(0.0, w), (0.5, -w)],
        PatternName::PaceWalk => vec![(0.0, w), (0.06, -w), (0.5, -w), (0.56, w)],
        PatternName::TwoByTwo => vec![(0.0, w), (0.08, -w)],
        PatternName::GroupOfThree => vec![(0.0, w), (0.13, 0.0), (0.26, -w)],
        PatternName::GroupOfFour => vec![(0.0, w), (0.12, 0.4 * w), (0.24, -0.4 * w), (0.35, -w)],
        PatternName::Hop => vec![(0.0, 0.3 * w), (0.04, -0.3 * w), (0.28, w), (0.29, -w)],
    }
}

#[test]
fn published_strides_and_widths_are_read_back_within_their_uncertainty() {
    let table = include_str!("../../../fixtures/trails/published_strides.csv");
    for row in table.lines().filter(|l| !l.starts_with('#')).skip(1) {
        let cells: Vec<&str> = row.splitn(5, ',').collect();
        let pattern: PatternName = serde_json::from_value(cells[1].into()).unwrap();
        let (stride_mm, straddle_mm): (f64, f64) = (cells[2].parse().unwrap(), cells[3].parse().unwrap());
        let slots = slots(pattern, straddle_mm / 10.0);
        let made = Made {
            slots: &slots,
            stride_cm: stride_mm / 10.0,
            cycles: 8,
            print_cm: 0.7,
            stride_share: 0.04,
            left_out: &[],
            added: &[],
        };
        let reading = read(&made.trail(1)).unwrap();
        assert_eq!(reading.patterns[0].name, pattern, "{row}: {:?}", reading.patterns);
        assert!(holds(reading.stride_mm(), stride_mm), "{row}: {:?}", reading.stride_mm());
        assert!(holds(reading.straddle_mm(), straddle_mm), "{row}: {:?}", reading.straddle_mm());
    }
}

#[test]
fn an_otters_groups_of_four_are_found_with_a_print_missing_and_a_foreign_one() {
    let trail: TrailPrints = serde_json::from_str(include_str!("../../../fixtures/trails/otter_bound.json")).unwrap();
    let reading = read(&trail).unwrap();
    assert_eq!(reading.patterns[0].name, PatternName::GroupOfFour);
    assert!(reading.patterns[0].probability > 0.9, "{:?}", reading.patterns);
    let groups = [vec![0, 1, 2, 3], vec![4, 5, 6, 7], vec![8, 9, 10], vec![12, 13, 14, 15], vec![16, 17, 18, 19]];
    assert_eq!(reading.groups, groups);
    assert_eq!((reading.foreign.clone(), reading.missing), (vec![11], 1));
    let (stride, group, gap) =
        (reading.stride_mm().unwrap(), reading.group_length_mm().unwrap(), reading.gap_mm().unwrap());
    assert!((gap.value - (stride.value - group.value)).abs() < 1e-9, "gap = stride - group length");
}

#[test]
fn a_fifth_of_the_prints_missing_and_a_tenth_foreign_still_give_pattern_and_stride() {
    let made = Made {
        cycles: 10,
        left_out: &[2, 7, 9, 16, 21, 24, 30, 35],
        added: &[[130.0, 9.0], [415.0, -9.0], [700.0, 8.0]],
        ..bound()
    };
    let reading = read(&made.trail(5)).unwrap();
    assert_eq!(reading.patterns[0].name, PatternName::GroupOfFour, "{:?}", reading.patterns);
    assert!(holds(reading.stride_mm(), 900.0), "{:?}", reading.stride_mm());
    assert_eq!(reading.foreign, [32, 33, 34]);
}

fn made_of(stretches: &[(PatternName, f64, usize)], seed: u64) -> TrailPrints {
    let mut places = Vec::new();
    let mut at = 0.0;
    for (number, &(pattern, stride_cm, cycles)) in stretches.iter().enumerate() {
        let slots = slots(pattern, 11.0);
        let made = Made { slots: &slots, stride_cm, cycles, ..bound() };
        places.extend(made.trail(seed + number as u64).prints.iter().map(|p| [at + p.along_cm, p.offset_cm]));
        at += stride_cm * cycles as f64;
    }
    trail(places.into_iter())
}

#[test]
fn a_change_from_walk_to_groups_of_four_and_back_is_found_and_placed() {
    let trail =
        made_of(&[(PatternName::Walk, 60.0, 9), (PatternName::GroupOfFour, 95.0, 6), (PatternName::Walk, 62.0, 8)], 20);
    let reading = read(&trail).unwrap();
    let names: Vec<PatternName> = reading.sections.iter().map(|section| section.patterns[0].name).collect();
    assert_eq!(names, [PatternName::Walk, PatternName::GroupOfFour, PatternName::Walk]);
    for (section, (prints, stride_mm)) in
        reading.sections.iter().zip([(0..18_usize, 600.0), (18..42, 950.0), (42..58, 620.0)])
    {
        let of: Vec<usize> = section.prints.iter().map(|p| p.print).collect();
        let wrong = of.iter().filter(|&&print| !prints.contains(&print)).count();
        assert!(wrong <= 2 && of.len().abs_diff(prints.len()) <= 2, "{of:?} for {prints:?}");
        assert!(holds(section.stride_mm(), stride_mm), "{stride_mm}: {:?}", section.stride_mm());
    }
    assert_eq!(reading.patterns[0].name, PatternName::GroupOfFour, "the longest section speaks for the whole");
}

#[test]
fn a_trail_of_one_pattern_has_no_sections() {
    for seed in 1..20 {
        assert!(read(&Made { cycles: 14, ..bound() }.trail(seed)).unwrap().sections.is_empty());
    }
}

#[test]
fn a_tape_beside_a_bending_trail_gives_the_same_stride_as_a_straight_one() {
    let straight = Made { cycles: 12, ..bound() }.trail(8);
    let radius_cm = 700.0;
    let bent = changed(&straight, |p| {
        let (sin, cos) = (p.along_cm / radius_cm).sin_cos();
        (p.along_cm, p.offset_cm) = ((radius_cm - p.offset_cm) * sin, radius_cm - (radius_cm - p.offset_cm) * cos);
    });
    let (straight, bent) = (read(&straight).unwrap(), read(&bent).unwrap());
    assert_eq!(straight.groups, bent.groups);
    for (a, b) in straight.measures.iter().zip(&bent.measures) {
        assert!((a.value - b.value).abs() < 0.3 * a.u, "{a:?} {b:?}");
    }
}

#[test]
fn a_tape_that_lies_askew_of_a_short_trail_does_no_harm() {
    let straight = Made { slots: &slots(PatternName::Walk, 9.0), stride_cm: 60.0, cycles: 3, ..bound() }.trail(8);
    let (sin, cos) = 0.5_f64.sin_cos();
    let askew = changed(&straight, |p| {
        (p.along_cm, p.offset_cm) = (p.along_cm * cos - p.offset_cm * sin, p.along_cm * sin + p.offset_cm * cos);
    });
    let (straight, askew) = (read(&straight).unwrap(), read(&askew).unwrap());
    assert_eq!(straight.patterns[0].name, askew.patterns[0].name);
    let (a, b) = (straight.stride_mm().unwrap(), askew.stride_mm().unwrap());
    assert!((a.value - b.value).abs() < 0.5 * a.u, "{a:?} {b:?}");
}

#[test]
fn toes_that_point_along_the_tape_tell_left_from_right() {
    let mut trail = Made { slots: &slots(PatternName::Walk, 10.0), stride_cm: 64.0, cycles: 6, ..bound() }.trail(2);
    trail.prints[0].side = Side::Left;
    let sides = |trail: &TrailPrints| read(trail).unwrap().prints.iter().map(|p| p.side).collect::<Vec<_>>();
    let forwards = sides(&TrailPrints { travel: Travel::Forwards, ..trail.clone() });
    assert_eq!(forwards[..4], [Side::Left, Side::Right, Side::Left, Side::Right]);
    trail.prints[0].side = Side::Unknown;
    assert!(sides(&trail).iter().all(|side| *side == Side::Unknown), "nothing says which side of a tape is left");
}

#[test]
fn hops_tell_which_way_they_went() {
    let trail = Made { slots: &slots(PatternName::Hop, 11.0), stride_cm: 70.0, cycles: 6, ..bound() }.trail(3);
    assert!(read(&trail).unwrap().forwards.unwrap() > 0.9, "hind prints lie ahead of the fore prints");
    let back = changed(&trail, |p| p.along_cm = -p.along_cm);
    assert!(read(&back).unwrap().forwards.unwrap() < 0.1);
    assert!(read(&bound().trail(3)).unwrap().forwards.is_none(), "a diagonal looks the same both ways");
}

#[test]
fn a_doubtful_print_says_so() {
    let mut trail = bound().trail(4);
    // A second print beside one of the group: either may be the foreign one.
    let beside = TrailPrint {
        along_cm: trail.prints[5].along_cm + 1.2,
        offset_cm: trail.prints[5].offset_cm + 1.0,
        ..trail.prints[5]
    };
    trail.prints.push(beside);
    let reading = read(&trail).unwrap();
    let sure: Vec<f64> = reading.prints.iter().map(|p| p.probability).collect();
    assert!(sure[5] < 0.9 && sure[24] < 0.9, "{sure:?}");
    assert!(sure[13] > 0.95, "far from it nothing is in doubt: {sure:?}");
}

#[test]
fn a_walk_with_a_print_missing_has_no_groups_and_stays_open_between_walk_and_trot() {
    let trail: TrailPrints = serde_json::from_str(include_str!("../../../fixtures/trails/fox_walk.json")).unwrap();
    let reading = read(&trail).unwrap();
    let of = |name| reading.patterns.iter().find(|p| p.name == name).unwrap().probability;
    let (walk, trot) = (of(PatternName::Walk), of(PatternName::Trot));
    assert!(walk + trot > 0.95 && (walk / trot - 1.5).abs() < 1e-9, "shared as the patterns' file says: {walk} {trot}");
    assert!(reading.groups.is_empty() && reading.gap_mm().is_none());
    assert_eq!(reading.missing, 1);
    assert!(holds(reading.stride_mm(), 632.0), "{:?}", reading.stride_mm());
}

#[test]
fn named_feet_tell_fore_beside_opposite_hind_from_two_by_two() {
    let slots = slots(PatternName::PaceWalk, 9.0);
    let level: Vec<(f64, f64)> = slots.iter().map(|&(a, b)| (if a < 0.5 { 0.0 } else { 0.5 }, b)).collect();
    let made = Made {
        slots: &level,
        stride_cm: 64.0,
        cycles: 5,
        print_cm: 0.5,
        stride_share: 0.03,
        left_out: &[],
        added: &[],
    };
    let mut trail = made.trail(3);
    for (i, print) in trail.prints.iter_mut().enumerate() {
        (print.foot, print.side) =
            [(Foot::Hind, Side::Left), (Foot::Fore, Side::Right), (Foot::Hind, Side::Right), (Foot::Fore, Side::Left)]
                [i % 4];
    }
    let reading = read(&trail).unwrap();
    assert_eq!(reading.patterns[0].name, PatternName::PaceWalk, "{:?}", reading.patterns);
    assert!(holds(reading.stride_mm(), 640.0), "{:?}", reading.stride_mm());
}

#[test]
fn two_prints_have_a_pattern_in_doubt_and_no_stride() {
    let reading = read(&trail([[0.0, 0.0], [30.0, 5.0]].into_iter())).unwrap();
    assert!(reading.stride_mm().is_none());
    let along = |print: usize| reading.prints[print].along_cm;
    assert!((along(1) - along(0) - 30.0).abs() < 1e-9, "so few prints don't say where the trail goes: the tape does");
    let total: f64 = reading.patterns.iter().map(|p| p.probability).sum::<f64>() + reading.no_pattern;
    assert!((total - 1.0).abs() < 1e-9);
}

#[test]
fn prints_scattered_without_order_are_not_forced_into_a_pattern() {
    let mut scatter = Scatter(11);
    let places: Vec<[f64; 2]> = (0..14).map(|_| [400.0 * scatter.uniform(), 60.0 * scatter.uniform()]).collect();
    let reading = read(&trail(places.into_iter())).unwrap();
    assert!(reading.no_pattern > 0.5, "{reading:?}");
    assert!(reading.groups.is_empty() && reading.stride_mm().is_none());
}

#[test]
fn bad_input_is_refused_with_what_to_do() {
    let say = |t: TrailPrints| read(&t).unwrap_err().to_string();
    assert!(say(trail([[0.0, 0.0]].into_iter())).contains("at least two"));
    assert!(say(trail([[0.0, 0.0], [f64::NAN, 1.0]].into_iter())).contains("print 1"));
    assert!(say(trail([[0.0, 0.0], [30.0, 1.0], [0.0, 0.0]].into_iter())).contains("prints 0 and 2"));
    assert!(
        say(trail((0..6).map(|i| [0.3 * f64::from(i), 0.0]))).contains("centimetres"),
        "metres taken for centimetres"
    );
    let one_in_mm = (0..8).map(|i| [if i == 5 { 1500.0 } else { 30.0 * f64::from(i) }, 0.0]);
    assert!(say(trail(one_in_mm)).contains("print 5"));
    let nothing_known = TrailPrints { u_position_cm: 0.0, ..trail([[0.0, 0.0], [30.0, 1.0]].into_iter()) };
    assert!(say(nothing_known).contains("u_position_cm"));
    let unknown_key = serde_json::from_str::<TrailPrints>(r#"{"prints": [], "u_position_cm": 1, "u_position_mm": 1}"#);
    assert!(unknown_key.unwrap_err().to_string().contains("u_position_mm"));
}

#[test]
fn the_reading_has_an_uncertainty_beside_every_measure() {
    let json = serde_json::to_value(read(&bound().trail(2)).unwrap()).unwrap();
    for key in ["stride_mm", "group_length_mm", "gap_mm", "straddle_mm"] {
        assert!(json[key].is_f64() && json[format!("u_{key}")].as_f64().unwrap() > 0.0, "{key}: {json}");
    }
}

#[test]
fn a_trail_in_photographs_is_read_in_any_direction_and_doubted_as_its_places_are() {
    let along_tape = bound().trail(4);
    let (sin, cos) = 0.7_f64.sin_cos();
    let turned =
        |p: &TrailPrint| [10.0 * (p.along_cm * cos - p.offset_cm * sin), 10.0 * (p.along_cm * sin + p.offset_cm * cos)];
    let n = along_tape.prints.len();
    let placed = |own_mm: f64, scale: f64| {
        let at_mm: Vec<[f64; 2]> = along_tape.prints.iter().map(turned).collect();
        let places = nalgebra::DVector::from_iterator(2 * n, at_mm.iter().flatten().copied());
        let covariance_mm2 =
            nalgebra::DMatrix::identity(2 * n, 2 * n) * own_mm.powi(2) + &places * places.transpose() * scale.powi(2);
        let marks = vec![(Foot::Unknown, Side::Unknown); n];
        PlacedPrints { ids: vec![], at_mm, marks, covariance_mm2, misfit: None, warnings: vec![] }
    };
    let read_at = |own_mm, scale| read_placed(&placed(own_mm, scale), Travel::Forwards, None).unwrap();
    let (straight, sharp) = (read(&along_tape).unwrap(), read_at(10.0, 1e-9));
    assert_eq!(straight.groups, sharp.groups);
    for (a, b) in straight.measures.iter().zip(&sharp.measures) {
        assert!((a.value - b.value).abs() < 0.02 * a.value && (a.u / b.u).ln().abs() < 0.05, "{a:?} {b:?}");
    }
    // A scale that is off by 5 % is off for every stride alike, however many there are.
    let (known, doubted) = (sharp.stride_mm().unwrap(), read_at(10.0, 0.05).stride_mm().unwrap());
    assert!((doubted.u - known.u.hypot(0.05 * known.value)).abs() < 0.5, "{known:?} {doubted:?}");
    let sides: Vec<Side> = sharp.prints[..4].iter().map(|p| p.side).collect();
    assert_eq!(sides, [Side::Left, Side::Left, Side::Right, Side::Right], "seen from above, left is left");
}

#[test]
fn the_drawing_shows_every_print_and_says_the_stride() {
    let trail = bound().trail(6);
    let reading = read(&trail).unwrap();
    for language in crate::words::LANGUAGES {
        let svg = draw(&reading, &Words::load(language).unwrap());
        assert_eq!(svg.matches("<ellipse").count(), trail.prints.len());
        assert!(svg.contains(&format!("{:.0} mm", reading.stride_mm().unwrap().value)), "{svg}");
    }
}

use crate::words::Words;

/// What may not depend on where the tape lay: each measure, and its uncertainty.
fn measures(reading: &TrailReading) -> Vec<(f64, f64)> {
    reading.measures.iter().filter(|m| m.name != MeasureName::PairMm).map(|m| (m.value, m.u)).collect()
}

fn changed(trail: &TrailPrints, change: impl Fn(&mut TrailPrint)) -> TrailPrints {
    let mut trail = trail.clone();
    trail.prints.iter_mut().for_each(change);
    trail
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(100))]

    #[test]
    fn shifting_mirroring_and_turning_the_tape_round_change_nothing_else(
        seed in 1u64..1000, shift in -300.0..300.0f64, kind in 0usize..7,
    ) {
        let names = [PatternName::Walk, PatternName::Trot, PatternName::PaceWalk, PatternName::TwoByTwo,
            PatternName::GroupOfThree, PatternName::GroupOfFour, PatternName::Hop];
        let slots = slots(names[kind], 9.0);
        let trail = Made { slots: &slots, stride_cm: 70.0, cycles: 5, ..bound() }.trail(seed);
        let as_laid = read(&trail).unwrap();
        prop_assume!(as_laid.alternatives.is_empty());
        let moved = [
            changed(&trail, |p| { p.along_cm += shift; p.offset_cm -= shift / 9.0 }),
            changed(&trail, |p| p.offset_cm = -p.offset_cm),
            changed(&trail, |p| { p.along_cm = -p.along_cm; p.offset_cm = -p.offset_cm }),
        ];
        for other in moved {
            let other = read(&other).unwrap();
            prop_assert_eq!(as_laid.patterns[0].name, other.patterns[0].name);
            prop_assert_eq!(&as_laid.foreign, &other.foreign);
            for ((a, u), (b, other_u)) in measures(&as_laid).into_iter().zip(measures(&other)) {
                prop_assert!((a - b).abs() < 0.01 * a.abs().max(10.0), "{a} {b}");
                // Begun from the other end, the strides of a trail without gaps are made up of other prints: their fitted scatter moves.
                prop_assert!((u / other_u).ln().abs() < if as_laid.groups.is_empty() { 0.4 } else { 0.01 }, "{a} ±{u}, {b} ±{other_u}");
            }
        }
    }

    #[test]
    fn a_less_certain_tape_never_gives_a_more_certain_measure(seed in 1u64..1000, u_cm in 0.3..2.0f64, more in 1.0..2.0f64) {
        let trail = |u_position_cm| TrailPrints { u_position_cm, ..bound().trail(seed) };
        let (less, more) = (read(&trail(u_cm)).unwrap(), read(&trail(u_cm * more)).unwrap());
        prop_assert_eq!(&less.groups, &more.groups);
        for (less, more) in less.measures.iter().zip(&more.measures) {
            prop_assert!(less.u <= more.u * (1.0 + 1e-9), "{less:?} {more:?}");
        }
    }

    #[test]
    fn whatever_the_places_the_answer_is_a_reading_or_a_refusal(
        places in prop::collection::vec((-500.0..500.0f64, -80.0..80.0f64), 0..40), power in -3i32..200, stretch in 0.0..1.0f64,
    ) {
        // From all on one spot to as far apart as numbers go, along a tape or not.
        let scale = if power < 4 { 1.0 } else { 10_f64.powi(power) };
        let places = places.into_iter().map(|(a, b)| [a * scale * stretch, b * scale]);
        if let Ok(reading) = read(&trail(places)) {
            let total: f64 = reading.patterns.iter().map(|p| p.probability).sum::<f64>() + reading.no_pattern;
            prop_assert!((total - 1.0).abs() < 1e-9, "{reading:?}");
            prop_assert!(reading.measures.iter().all(|m| m.value.is_finite() && m.u > 0.0), "{:?}", reading.measures);
        }
    }
}
