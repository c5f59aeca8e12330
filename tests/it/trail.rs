//! Trails made with every published number, and how well the intervals hold.

use rakelight_checks::chance::Chance;
use rakelight_checks::trails::Made;
use rakelight_core::identify::{Facts, TrailMeasure};
use rakelight_core::measured::Measured;
use rakelight_core::trail::{PatternName, read};

fn holds(measure: Option<Measured>, truth_mm: f64) -> bool {
    measure.is_some_and(|m| (m.value - truth_mm).abs() <= m.half_width_95())
}

/// The pattern that a published measure speaks of.
fn pattern(gait: Option<&str>, measure: TrailMeasure) -> PatternName {
    match (gait, measure) {
        (Some("pace_walk"), _) => PatternName::PaceWalk,
        (Some("bound" | "jump" | "gallop"), _) | (_, TrailMeasure::GroupDistance) => PatternName::GroupOfFour,
        _ => PatternName::Walk,
    }
}

#[test]
fn every_published_stride_step_and_group_distance_is_read_back_within_its_uncertainty() {
    let facts = Facts::builtin().unwrap();
    let (mut held, mut all) = (0, 0);
    for maker in facts.makers() {
        for (row, size) in maker.trails.iter().enumerate() {
            let strides = match size.measure {
                TrailMeasure::Stride | TrailMeasure::GroupDistance => vec![1.0],
                TrailMeasure::Step => vec![2.0],
                TrailMeasure::DistanceUnspecified => vec![1.0, 2.0],
                TrailMeasure::TrailWidth | TrailMeasure::PairWidth => vec![],
            };
            let values = [size.range.min_mm, size.range.mean_mm, size.range.max_mm].into_iter().flatten();
            for (i, mm) in values.flat_map(|mm| strides.iter().map(move |times| mm * times)).enumerate() {
                let pattern = pattern(size.gait.as_deref(), size.measure);
                // A small animal's prints scatter less than a large one's, and its trail is narrower.
                let made = Made { print_sd_mm: 0.012 * mm, ..Made::of(pattern, mm, 0.15 * mm, 9) };
                let made = Made { u_position_mm: (0.01 * mm).min(5.0), ..made };
                let seed = 1000 * row as u64 + i as u64 + maker.id.bytes().map(u64::from).sum::<u64>();
                let reading = read(&made.make(&mut Chance::new(seed)).prints);
                let reading = reading.unwrap_or_else(|error| panic!("{} row {row}, {mm} mm: {error}", maker.id));
                let of = |name| reading.patterns.iter().filter(|p| p.name == name).map(|p| p.probability).sum::<f64>();
                let right = of(pattern) + if pattern == PatternName::Walk { of(PatternName::Trot) } else { 0.0 };
                assert!(right > 0.5, "{} row {row}, {mm} mm: {:?}", maker.id, reading.patterns);
                all += 1;
                held += usize::from(holds(reading.stride_mm(), mm));
            }
        }
    }
    assert!(all > 40, "{all}");
    assert!(held as f64 >= 0.93 * all as f64, "{held} of {all} within 95 % intervals");
}

#[test]
fn an_otter_at_ordinary_speed_leaves_groups_of_four_in_a_diagonal_about_45_cm_apart() {
    // Common practice, no source: groups of four set in a diagonal, about 45 cm from group to group's beginning.
    let made = Made { print_sd_mm: 6.0, ..Made::of(PatternName::GroupOfFour, 700.0, 110.0, 8) };
    let reading = read(&made.make(&mut Chance::new(45)).prints).unwrap();
    assert_eq!(reading.patterns[0].name, PatternName::GroupOfFour);
    assert_eq!(serde_json::to_value(reading.forms[0].name).unwrap(), "diagonal");
    // The gap is the stride less the group's length: 700 − 0.35 · 700 = 455 mm.
    assert!(holds(reading.gap_mm(), 455.0), "{:?}", reading.gap_mm());
}

#[test]
fn intervals_hold_what_trails_were_made_with_in_95_of_100() {
    // 300 trails; 2,000 a pattern in tests/bench/trail.rs. Five standard deviations of a count leave 88 % to 100 %.
    let (mut held, mut all) = ([0; 2], 0);
    for seed in 0..300 {
        let kinds = [
            (PatternName::Walk, 640.0, 90.0),
            (PatternName::GroupOfFour, 900.0, 120.0),
            (PatternName::TwoByTwo, 600.0, 80.0),
        ];
        let (pattern, stride, straddle) = kinds[seed as usize % 3];
        let made = Made { missing: 0.05, ..Made::of(pattern, stride, straddle, 5 + seed as usize % 9) };
        let reading = read(&made.make(&mut Chance::new(80_000 + seed)).prints).unwrap();
        all += 1;
        held[0] += usize::from(holds(reading.stride_mm(), stride));
        held[1] += usize::from(holds(reading.straddle_mm(), straddle));
    }
    for held in held {
        assert!((0.90..0.995).contains(&(f64::from(held as u32) / f64::from(all))), "{held} of {all}");
    }
}
