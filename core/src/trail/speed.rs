//! How fast, roughly: from the stride of a walk or trot and the height of the hip.
//!
//! The relation of Alexander 1976 was fitted to animals that walk and run. A bound's stride is a jump, so it says nothing there.
//! Its numbers and their sources stand in `core/data/speed.toml`.

use serde::{Deserialize, Serialize};

use super::{PatternName, TrailError, TrailReading};
use crate::measured::{Measured, combine};
use crate::words::Words;

/// How high the hip stands above the ground, which only the user can say: the track maker isn't known from its trail.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HipHeight {
    mm: Measured,
    numbers: Numbers,
}

/// Why a hip height isn't taken.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum HipHeightError {
    /// Nothing that a track maker here has.
    #[error(
        "a hip height of {mm} mm can't be: give millimetres, from {least:.0} to {most:.0} (250 to 300 for an otter, by its shoulder)"
    )]
    OutOfRange {
        /// What was given.
        mm: f64,
        /// The lowest taken, mm.
        least: f64,
        /// The highest taken, mm.
        most: f64,
    },
    /// Its uncertainty isn't one.
    #[error(
        "a hip height of {mm} mm can't be uncertain by {u_mm} mm: give its standard uncertainty in millimetres, above zero and below the height"
    )]
    Uncertainty {
        /// What was given.
        mm: f64,
        /// What was given.
        u_mm: f64,
    },
    /// The built-in numbers can't be read: a fault of the program.
    #[error(transparent)]
    Data(#[from] TrailError),
}

impl HipHeight {
    /// From millimetres and their standard uncertainty; without one a tenth of the height is taken.
    ///
    /// ```
    /// use rakelight_core::trail::HipHeight;
    /// assert!(HipHeight::new(400.0, Some(30.0)).is_ok());
    /// let metres = HipHeight::new(0.4, None).unwrap_err();
    /// assert!(metres.to_string().contains("give millimetres"));
    /// ```
    pub fn new(mm: f64, u_mm: Option<f64>) -> Result<Self, HipHeightError> {
        let numbers = numbers()?;
        let limits = numbers.limits;
        let [least, most] = limits.hip_height_mm;
        if !(least..=most).contains(&mm) {
            return Err(HipHeightError::OutOfRange { mm, least, most });
        }
        let u_mm = u_mm.unwrap_or(limits.u_hip_height_share * mm);
        let height = Measured::new(mm, u_mm).filter(|height| height.u < mm);
        height.map(|mm| Self { mm, numbers }).ok_or(HipHeightError::Uncertainty { mm, u_mm })
    }
}

/// What the stride over the hip height says of the gait.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum GaitClass {
    /// A short stride.
    Walk,
    /// Between.
    Trot,
    /// A long stride.
    Run,
}

impl GaitClass {
    /// The key of its name in the words.
    pub fn key(self) -> &'static str {
        match self {
            Self::Walk => "trail.class.walk",
            Self::Trot => "trail.class.trot",
            Self::Run => "trail.class.run",
        }
    }
}

/// A rough speed. The uncertainties are those of stride and hip height alone: what the relation itself misses by isn't in them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Speed {
    /// Metres a second.
    pub m_per_s: Measured,
    /// The stride over the hip height; no unit.
    pub relative_stride: Measured,
    /// What that says of the gait.
    pub class: GaitClass,
    /// Whether another class lies within the 95 % interval of the relative stride.
    pub class_open: bool,
    /// By how much the relation has read too fast.
    over_reads: f64,
}

/// Why no speed is given.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NoSpeed {
    /// The likeliest pattern is neither walk nor trot.
    Jumps {
        /// Which it is.
        pattern: PatternName,
    },
    /// No pattern is likelier than all of them.
    NoPattern,
    /// The trail has no stride.
    NoStride,
    /// Stride and hip height can't be one animal's.
    RelativeStride {
        /// Stride over hip height.
        ratio: f64,
    },
}

/// The rough speed of a walk or trot, or why there is none.
///
/// ```
/// use rakelight_core::trail::{HipHeight, TrailPrints, read, speed};
/// let fox: TrailPrints = serde_json::from_str(include_str!("../../../fixtures/trails/fox_walk.json"))?;
/// let speed = speed(&read(&fox)?, &HipHeight::new(400.0, Some(40.0))?).expect("a walk");
/// assert!((speed.m_per_s.value - 1.06).abs() < 0.02, "metres a second, roughly");
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn speed(reading: &TrailReading, hip_height: &HipHeight) -> Result<Speed, NoSpeed> {
    let likeliest = reading.patterns.first().ok_or(NoSpeed::NoPattern)?;
    let alternating: f64 = reading.patterns.iter().filter(|p| walks(p.name)).map(|p| p.probability).sum();
    if reading.no_pattern > likeliest.probability.max(alternating) {
        return Err(NoSpeed::NoPattern);
    }
    if !walks(likeliest.name) {
        return Err(NoSpeed::Jumps { pattern: likeliest.name });
    }
    hip_height.numbers.speed(reading.stride_mm().ok_or(NoSpeed::NoStride)?, hip_height.mm)
}

fn walks(pattern: PatternName) -> bool {
    matches!(pattern, PatternName::Walk | PatternName::Trot)
}

impl Speed {
    /// The speed in words.
    pub fn say(&self, words: &Words) -> String {
        let (value, half_width) = (self.m_per_s.value, self.m_per_s.half_width_95());
        let measure = format!("{} ±{}", words.number(value, 1), words.number(half_width, 1));
        words.fill("trail.speed.speed", &[("measure", &measure)])
    }

    /// What has to be said with it.
    pub fn note(&self, words: &Words) -> String {
        let mut note = words.fill("trail.speed.note", &[("times", &words.number(self.over_reads, 0))]);
        if self.class_open {
            note.push(' ');
            note.push_str(words.say("trail.speed.class_open"));
        }
        note
    }

    /// As the command line gives it.
    pub fn json(&self, words: &Words) -> serde_json::Value {
        serde_json::json!({
            "m_per_s": self.m_per_s.value, "u_m_per_s": self.m_per_s.u,
            "relative_stride": self.relative_stride.value, "u_relative_stride": self.relative_stride.u,
            "class": self.class, "class_open": self.class_open, "rough": true, "note": self.note(words),
        })
    }
}

impl NoSpeed {
    /// Why, and what to do.
    pub fn text(&self, words: &Words) -> String {
        match self {
            Self::Jumps { pattern: PatternName::PaceWalk } => words.say("trail.speed.pace_walk").to_owned(),
            Self::Jumps { pattern } => words.fill("trail.speed.jumps", &[("pattern", words.say(pattern.key()))]),
            Self::NoPattern => words.say("trail.speed.no_pattern").to_owned(),
            Self::NoStride => words.say("trail.speed.no_stride").to_owned(),
            Self::RelativeStride { ratio } => {
                words.fill("trail.speed.relative_stride", &[("ratio", &words.number(*ratio, 1))])
            }
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
struct Numbers {
    relation: Relation,
    class: Classes,
    caution: Caution,
    limits: Limits,
}

#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
struct Relation {
    factor: f64,
    stride_exponent: f64,
    hip_height_exponent: f64,
    gravity_m_per_s2: f64,
}

#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
struct Classes {
    trot: f64,
    run: f64,
}

#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
struct Caution {
    over_reads: f64,
}

#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
struct Limits {
    hip_height_mm: [f64; 2],
    relative_stride: [f64; 2],
    u_hip_height_share: f64,
}

fn numbers() -> Result<Numbers, TrailError> {
    toml::from_str(include_str!("../../data/speed.toml")).map_err(|e| TrailError::Patterns { detail: e.to_string() })
}

impl Numbers {
    /// Uncertainties to first order (JCGM 100:2008, 5.1.6): of a product of powers, relative ones add up times the powers.
    fn speed(&self, stride_mm: Measured, hip_height_mm: Measured) -> Result<Speed, NoSpeed> {
        let [least, most] = self.limits.relative_stride;
        let ratio = stride_mm.value / hip_height_mm.value;
        if !(least..=most).contains(&ratio) {
            return Err(NoSpeed::RelativeStride { ratio });
        }
        let Relation { factor, stride_exponent: a, hip_height_exponent: b, gravity_m_per_s2: g } = self.relation;
        let m_per_s = factor * g.sqrt() * (stride_mm.value / 1000.0).powf(a) * (hip_height_mm.value / 1000.0).powf(b);
        let shares = [stride_mm.u / stride_mm.value, hip_height_mm.u / hip_height_mm.value];
        let with_u = |value: f64, powers: [f64; 2]| Measured {
            value,
            u: value * combine(&[powers[0] * shares[0], powers[1] * shares[1]]),
        };
        let relative_stride = with_u(ratio, [1.0, -1.0]);
        let [low, high] = [-1.0, 1.0].map(|side| self.class(ratio + side * relative_stride.half_width_95()));
        Ok(Speed {
            m_per_s: with_u(m_per_s, [a, b]),
            relative_stride,
            class: self.class(ratio),
            class_open: low != high,
            over_reads: self.caution.over_reads,
        })
    }

    fn class(&self, ratio: f64) -> GaitClass {
        match ratio {
            r if r < self.class.trot => GaitClass::Walk,
            r if r <= self.class.run => GaitClass::Trot,
            _ => GaitClass::Run,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trail::{TrailPrints, read};

    fn mm(value: f64, u: f64) -> Measured {
        Measured::new(value, u).unwrap()
    }

    fn fixture(name: &str) -> TrailReading {
        let text = std::fs::read_to_string(format!("../fixtures/trails/{name}.json")).unwrap();
        read(&serde_json::from_str::<TrailPrints>(&text).unwrap()).unwrap()
    }

    #[test]
    fn published_strides_and_hip_heights_give_the_published_speeds() {
        // A: Martin, Dinosaurs Without Bones (2014): 2.8 m over 1.4 m, "about 3 m/s, 10.6 km/h". B: the same relation at 4.0 m, worked
        // out apart: 5.349 m/s (19.26 km/h), relative stride published as 2.9.
        let numbers = numbers().unwrap();
        for (stride_mm, m_per_s, ratio) in [(2800.0, 2.948, 2.0), (4000.0, 5.349, 2.9)] {
            let speed = numbers.speed(mm(stride_mm, 10.0), mm(1400.0, 50.0)).unwrap();
            assert!((speed.m_per_s.value - m_per_s).abs() < 5e-4, "{speed:?}");
            assert!((speed.relative_stride.value - ratio).abs() < 0.05 && speed.class == GaitClass::Trot, "{speed:?}");
        }
    }

    #[test]
    fn an_unsure_hip_makes_an_unsure_speed() {
        // A fifth of the hip height: 23 % of the speed to first order; in full -19 and +30 % (worked out apart).
        let speed = numbers().unwrap().speed(mm(1000.0, 1.0), mm(400.0, 80.0)).unwrap();
        assert!((speed.m_per_s.u / speed.m_per_s.value - 0.234).abs() < 1e-3);
        assert!((speed.relative_stride.u / 2.5 - 0.2).abs() < 1e-3);
        assert!(speed.class == GaitClass::Trot && speed.class_open, "2.5 ± 1 may be any gait");
    }

    #[test]
    fn the_class_follows_the_stride_over_the_hip_height() {
        let class = |ratio: f64| numbers().unwrap().speed(mm(300.0 * ratio, 1.0), mm(300.0, 1.0)).unwrap().class;
        assert_eq!([1.3, 1.99, 2.01, 2.89, 2.91, 3.7].map(class), {
            use GaitClass::*;
            [Walk, Walk, Trot, Trot, Run, Run]
        });
    }

    #[test]
    fn a_bound_has_no_speed_and_every_language_says_why() {
        let refused = speed(&fixture("otter_bound"), &HipHeight::new(270.0, None).unwrap()).unwrap_err();
        assert_eq!(refused, NoSpeed::Jumps { pattern: PatternName::GroupOfFour });
        for (language, why) in [("en", "jump"), ("de", "Sprung"), ("fr", "saut"), ("es", "salto"), ("pl", "skok")] {
            let text = refused.text(&Words::load(language).unwrap());
            assert!(text.contains(why) && !text.contains('{'), "{text}");
        }
    }

    #[test]
    fn a_walk_without_a_stride_or_a_pattern_has_no_speed() {
        let hip = HipHeight::new(400.0, None).unwrap();
        let walk = fixture("fox_walk");
        let without_stride = TrailReading { measures: vec![], ..walk.clone() };
        assert_eq!(speed(&without_stride, &hip), Err(NoSpeed::NoStride));
        let scattered = TrailReading { no_pattern: 0.9999, ..walk };
        assert_eq!(speed(&scattered, &hip), Err(NoSpeed::NoPattern));
    }

    #[test]
    fn a_hip_height_in_another_unit_is_refused() {
        let say = |mm, u| HipHeight::new(mm, u).unwrap_err().to_string();
        assert!(say(0.4, None).contains("give millimetres") && say(f64::NAN, None).contains("give millimetres"));
        assert!(say(400.0, Some(0.0)).contains("above zero") && say(400.0, Some(400.0)).contains("below the height"));
        let centimetres = speed(&fixture("fox_walk"), &HipHeight::new(40.0, None).unwrap()).unwrap_err();
        assert!(matches!(centimetres, NoSpeed::RelativeStride { ratio } if ratio > 15.0));
        assert!(centimetres.text(&Words::load("en").unwrap()).contains("millimetres"));
    }

    #[test]
    fn a_speed_says_that_it_is_rough_and_what_its_uncertainty_leaves_out() {
        let speed = speed(&fixture("fox_walk"), &HipHeight::new(400.0, Some(30.0)).unwrap()).unwrap();
        let json = speed.json(&Words::load("en").unwrap());
        assert_eq!(json["rough"], true);
        assert!(json["note"].as_str().unwrap().contains("not in the uncertainty"), "{json}");
        assert!(json["u_m_per_s"].as_f64().unwrap() > 0.0 && json["u_relative_stride"].as_f64().unwrap() > 0.0);
    }
}
