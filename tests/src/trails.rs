//! Trails made from known numbers, with the truth beside them. All of it is invented; the scatter is independent normal, except where said.

use rakelight_core::trail::{PatternName, TrailPrint, TrailPrints};

use crate::chance::Chance;

/// One stretch in one pattern.
#[derive(Debug, Clone)]
pub struct Stretch {
    /// The pattern.
    pub pattern: PatternName,
    /// Same foot to same foot, mm.
    pub stride_mm: f64,
    /// Between the outermost print positions, across, mm.
    pub straddle_mm: f64,
    /// How many strides long.
    pub strides: usize,
}

/// How a trail is made.
#[derive(Debug, Clone)]
pub struct Made {
    /// One after the other.
    pub stretches: Vec<Stretch>,
    /// Of each print from its place, mm, in both directions.
    pub print_sd_mm: f64,
    /// Of one stride, as a share of it.
    pub stride_sd: f64,
    /// Of the reading along and across, mm.
    pub u_position_mm: f64,
    /// Share of prints left out.
    pub missing: f64,
    /// Prints of others, as a share of all that are there.
    pub foreign: f64,
    /// How far the way turns over its whole length, degrees.
    pub bend_deg: f64,
}

/// Where a print came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Origin {
    /// Of the trail: which stretch, which stride from the beginning, which place in the stride.
    Trail { stretch: usize, stride: usize, place: usize },
    /// Another animal's.
    Foreign,
}

/// A made trail.
#[derive(Debug, Clone)]
pub struct Truth {
    /// What a worker would write down.
    pub prints: TrailPrints,
    /// Of each print.
    pub origins: Vec<Origin>,
}

/// Along (share of the stride) and across (share of half the straddle) of the prints of a stride.
pub fn places(pattern: PatternName) -> &'static [(f64, f64)] {
    match pattern {
        PatternName::Walk | PatternName::Trot => &[(0.0, 1.0), (0.5, -1.0)],
        PatternName::PaceWalk => &[(0.0, 1.0), (0.06, -1.0), (0.5, -1.0), (0.56, 1.0)],
        PatternName::TwoByTwo => &[(0.0, 1.0), (0.08, -1.0)],
        PatternName::GroupOfThree => &[(0.0, 1.0), (0.13, 0.0), (0.26, -1.0)],
        PatternName::GroupOfFour => &[(0.0, 1.0), (0.12, 0.4), (0.24, -0.4), (0.35, -1.0)],
        PatternName::Hop => &[(0.0, 0.3), (0.04, -0.3), (0.28, 1.0), (0.29, -1.0)],
    }
}

impl Made {
    /// A trail of one pattern as a careful worker finds it.
    pub fn of(pattern: PatternName, stride_mm: f64, straddle_mm: f64, strides: usize) -> Self {
        Self {
            stretches: vec![Stretch { pattern, stride_mm, straddle_mm, strides }],
            print_sd_mm: 7.0,
            stride_sd: 0.04,
            u_position_mm: 5.0,
            missing: 0.0,
            foreign: 0.0,
            bend_deg: 0.0,
        }
    }

    /// Makes it.
    pub fn make(&self, chance: &mut Chance) -> Truth {
        let mut found = Vec::new();
        let (mut at, mut stride) = (0.0, 0);
        for (number, stretch) in self.stretches.iter().enumerate() {
            for _ in 0..stretch.strides {
                for (place, &(along, across)) in places(stretch.pattern).iter().enumerate() {
                    let s = at + along * stretch.stride_mm + chance.normal(self.print_sd_mm);
                    let t = across * stretch.straddle_mm / 2.0 + chance.normal(self.print_sd_mm);
                    found.push(([s, t], Origin::Trail { stretch: number, stride, place }));
                }
                at += stretch.stride_mm * (1.0 + chance.normal(self.stride_sd));
                stride += 1;
            }
        }
        found.retain(|_| chance.between(0.0, 1.0) >= self.missing);
        let width = self.stretches.iter().map(|s| s.straddle_mm).fold(0.0, f64::max);
        let strangers = (found.len() as f64 * self.foreign / (1.0 - self.foreign)).round() as usize;
        for _ in 0..strangers {
            found.push(([chance.between(0.0, at), chance.between(-1.0, 1.0) * width], Origin::Foreign));
        }
        found.sort_by(|a, b| a.0[0].total_cmp(&b.0[0]));
        let turn = self.bend_deg.to_radians() / at;
        let print = |&(place, _): &([f64; 2], Origin)| {
            let [along, across] = on_bend(place, turn);
            TrailPrint {
                along_cm: (along + chance.normal(self.u_position_mm)) / 10.0,
                offset_cm: (across + chance.normal(self.u_position_mm)) / 10.0,
                foot: Default::default(),
                side: Default::default(),
            }
        };
        let prints = found.iter().map(print).collect();
        let origins = found.iter().map(|(_, origin)| *origin).collect();
        Truth {
            prints: TrailPrints { prints, u_position_cm: self.u_position_mm.max(0.5) / 10.0, ..TrailPrints::default() },
            origins,
        }
    }
}

/// A place along a circle that turns by `turn` (radians a millimetre), in the plane in which it begins along x.
fn on_bend([s, t]: [f64; 2], turn: f64) -> [f64; 2] {
    if turn.abs() < 1e-12 {
        return [s, t];
    }
    let (sin, cos) = (s * turn).sin_cos();
    [(1.0 / turn - t) * sin, 1.0 / turn - (1.0 / turn - t) * cos]
}
