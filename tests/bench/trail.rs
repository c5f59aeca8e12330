//! Trails: how often they are read as they were made, how well their intervals hold, and what reading costs:
//! `cargo bench -p rakelight-checks --bench trail -- [found] [changes] [coverage] [curve] [COUNT]`; without a word all four.
//!
//! All trails are made from random numbers (tests/src/trails.rs), so this says how the reading copes with them, not with mud.

use std::error::Error;
use std::time::Instant;

use rakelight_checks::chance::{Chance, quantile};
use rakelight_checks::trails::{Made, Origin, Stretch, Truth};
use rakelight_core::measured::Measured;
use rakelight_core::trail::{PatternName, TrailReading, read};

/// Pattern, stride and straddle of a published trail or, where there is none, of a likely one, mm.
const KINDS: [(PatternName, f64, f64); 7] = [
    (PatternName::Walk, 640.0, 90.0),
    (PatternName::Trot, 1000.0, 80.0),
    (PatternName::PaceWalk, 640.0, 100.0),
    (PatternName::TwoByTwo, 600.0, 80.0),
    (PatternName::GroupOfThree, 800.0, 100.0),
    (PatternName::GroupOfFour, 900.0, 120.0),
    (PatternName::Hop, 700.0, 110.0),
];
const FIRST_SEED: u64 = 60_000;

fn main() -> Result<(), Box<dyn Error>> {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with("--")).collect();
    let count = words.iter().find_map(|word| word.parse().ok()).unwrap_or(100);
    let asked =
        |what: &str| words.iter().all(|word| word.parse::<u64>().is_ok()) || words.iter().any(|word| word == what);
    if asked("found") {
        found(count)?;
    }
    if asked("changes") {
        changes(count)?;
    }
    if asked("coverage") {
        coverage(count)?;
    }
    if asked("curve") {
        curve()?;
    }
    Ok(())
}

/// Walk and trot leave the same prints.
fn same(a: PatternName, b: PatternName) -> bool {
    let alternating = |p| matches!(p, PatternName::Walk | PatternName::Trot);
    a == b || alternating(a) && alternating(b)
}

/// How often the pattern comes out first, and the share of prints that are rightly taken for the trail's own or for another's.
fn found(count: u64) -> Result<(), Box<dyn Error>> {
    println!(
        "{count} trails a row: pattern first; prints rightly in or out of the trail; stride within its 95 % interval"
    );
    let clean = |made: Made| made;
    let poor = |made: Made| Made { missing: 0.2, foreign: 0.1, ..made };
    let bent = |made: Made| Made { bend_deg: 90.0, ..made };
    let bent_poor = |made: Made| Made { missing: 0.1, foreign: 0.05, bend_deg: 180.0, ..made };
    let ways: [(&str, &dyn Fn(Made) -> Made); 4] = [
        ("all there", &clean),
        ("20 % missing, 10 % foreign", &poor),
        ("bent by 90°", &bent),
        ("bent by 180°, 10 % missing, 5 % foreign", &bent_poor),
    ];
    for (way, change) in ways {
        for (pattern, stride, straddle) in KINDS {
            let (mut right, mut member, mut prints, mut held) = (0, 0, 0, 0);
            for seed in FIRST_SEED..FIRST_SEED + count {
                let truth = change(Made::of(pattern, stride, straddle, 12)).make(&mut Chance::new(seed));
                let reading = read(&truth.prints)?;
                right += u64::from(same(reading.patterns[0].name, pattern) && reading.no_pattern < 0.5);
                member += rightly(&truth, &reading);
                prints += truth.origins.len();
                held += u64::from(holds(reading.stride_mm(), stride));
            }
            let share = |n: u64| 100.0 * n as f64 / count as f64;
            println!(
                "{way:<42} {pattern:<13?} {:>5.1} % {:>6.2} % {:>5.1} %",
                share(right),
                100.0 * member as f64 / prints as f64,
                share(held)
            );
        }
    }
    Ok(())
}

/// How often a change of pattern is found, how far off it is placed, and how often one is seen where there is none.
fn changes(count: u64) -> Result<(), Box<dyn Error>> {
    println!(
        "{count} trails a row that change once, 6–14 strides each: found as such; prints on the wrong side of the change, median and 95 % of trails"
    );
    for (a, b) in [(0, 5), (5, 0), (0, 3), (3, 5), (6, 0)] {
        let ((first, stride_a, straddle_a), (second, stride_b, straddle_b)) = (KINDS[a], KINDS[b]);
        let (mut found, mut wrong) = (0, Vec::new());
        for seed in FIRST_SEED..FIRST_SEED + count {
            let mut chance = Chance::new(seed);
            let mut strides = || chance.between(6.0, 15.0) as usize;
            let made = Made {
                stretches: vec![
                    Stretch { pattern: first, stride_mm: stride_a, straddle_mm: straddle_a, strides: strides() },
                    Stretch { pattern: second, stride_mm: stride_b, straddle_mm: straddle_b, strides: strides() },
                ],
                missing: 0.05,
                ..Made::of(first, stride_a, straddle_a, 0)
            };
            let truth = made.make(&mut chance);
            let reading = read(&truth.prints)?;
            let [one, two] = reading.sections.as_slice() else { continue };
            if !(same(one.patterns[0].name, first) && same(two.patterns[0].name, second)) {
                continue;
            }
            found += 1;
            let stretch = |print: usize| usize::from(matches!(truth.origins[print], Origin::Trail { stretch: 1, .. }));
            let off =
                |section: &TrailReading, own: usize| section.prints.iter().filter(|p| stretch(p.print) != own).count();
            wrong.push((off(one, 0) + off(two, 1)) as f64);
        }
        let share = 100.0 * f64::from(found) / count as f64;
        println!(
            "{first:?} then {second:?}: {share:.1} %, {} and {} prints",
            quantile(&wrong, 0.5),
            quantile(&wrong, 0.95)
        );
    }
    let mut seen = 0;
    for seed in 0..count {
        let (pattern, stride, straddle) = KINDS[seed as usize % KINDS.len()];
        let made = Made { missing: 0.1, foreign: 0.05, ..Made::of(pattern, stride, straddle, 16) };
        seen += u32::from(!read(&made.make(&mut Chance::new(FIRST_SEED + seed)).prints)?.sections.is_empty());
    }
    println!(
        "a change where there is none (10 % missing, 5 % foreign): {:.1} %",
        100.0 * f64::from(seen) / count as f64
    );
    Ok(())
}

fn rightly(truth: &Truth, reading: &TrailReading) -> usize {
    let right = |(i, origin): &(usize, &Origin)| (**origin == Origin::Foreign) == reading.foreign.contains(i);
    truth.origins.iter().enumerate().filter(right).count()
}

fn holds(measure: Option<Measured>, truth_mm: f64) -> bool {
    measure.is_some_and(|m| (m.value - truth_mm).abs() <= m.half_width_95())
}

/// How often the 95 % intervals hold what the trail was made with.
fn coverage(count: u64) -> Result<(), Box<dyn Error>> {
    println!(
        "{count} trails a row: 95 % intervals of stride, straddle, group length that hold the number the trail was made with"
    );
    for (pattern, stride, straddle) in KINDS {
        let mut held = [(0, 0); 3];
        for seed in FIRST_SEED..FIRST_SEED + count {
            let mut chance = Chance::new(seed);
            let strides = chance.between(4.0, 16.0) as usize;
            let made = Made {
                missing: 0.05,
                print_sd_mm: chance.between(4.0, 12.0),
                ..Made::of(pattern, stride, straddle, strides)
            };
            let reading = read(&made.make(&mut chance).prints)?;
            if !same(reading.patterns[0].name, pattern) {
                continue;
            }
            let places = rakelight_checks::trails::places(pattern);
            let length = stride * (places[places.len() - 1].0 - places[0].0);
            let measures =
                [(reading.stride_mm(), stride), (reading.straddle_mm(), straddle), (reading.group_length_mm(), length)];
            for (held, (measure, truth)) in held.iter_mut().zip(measures) {
                if measure.is_some() {
                    held.1 += 1;
                    held.0 += u64::from(holds(measure, truth));
                }
            }
        }
        let share = |(held, of): (u64, u64)| match of {
            0 => "     –".into(),
            _ => format!("{:>5.1} %", 100.0 * held as f64 / of as f64),
        };
        println!("{pattern:<13?} {} {} {}", share(held[0]), share(held[1]), share(held[2]));
    }
    Ok(())
}

/// What reading trails made like this takes, the median of five.
fn median_ms(made: &Made) -> Result<f64, Box<dyn Error>> {
    let mut times = Vec::new();
    for seed in 0..5 {
        let truth = made.make(&mut Chance::new(FIRST_SEED + seed));
        let start = Instant::now();
        read(&truth.prints)?;
        times.push(1e3 * start.elapsed().as_secs_f64());
    }
    Ok(quantile(&times, 0.5))
}

/// What reading costs by the number of prints, beside n log n.
fn curve() -> Result<(), Box<dyn Error>> {
    println!("prints  pattern        median ms   ms / (n log n), the first row's as 1");
    for (pattern, stride, straddle) in [KINDS[0], KINDS[5]] {
        let mut first = None;
        for prints in [50, 100, 200, 500, 1000, 2000, 5000] {
            let a_stride = rakelight_checks::trails::places(pattern).len();
            let made = Made { missing: 0.1, foreign: 0.05, ..Made::of(pattern, stride, straddle, prints / a_stride) };
            let ms = median_ms(&made)?;
            let each = ms / (prints as f64 * (prints as f64).ln());
            let first = *first.get_or_insert(each);
            println!("{prints:>6}  {pattern:<13?} {ms:>10.2} {:>8.2}", each / first);
        }
    }
    let change = Made {
        stretches: vec![
            Stretch { pattern: PatternName::Walk, stride_mm: 640.0, straddle_mm: 110.0, strides: 12 },
            Stretch { pattern: PatternName::GroupOfFour, stride_mm: 950.0, straddle_mm: 120.0, strides: 8 },
        ],
        ..Made::of(PatternName::Walk, 640.0, 110.0, 0)
    };
    let bent =
        Made { missing: 0.1, foreign: 0.05, bend_deg: 180.0, ..Made::of(PatternName::GroupOfFour, 900.0, 120.0, 50) };
    for (what, made) in [("a walk, then groups of four", change), ("groups of four, bent by 180°", bent)] {
        let prints = made.make(&mut Chance::new(FIRST_SEED)).origins.len();
        println!("{prints:>6}  {what} {:.2} ms", median_ms(&made)?);
    }
    Ok(())
}
