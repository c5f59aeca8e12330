//! What may be asked of a trail beside its own measures: a rough speed, and what is published.

use std::path::{Path, PathBuf};

use clap::Args;
use rakelight_core::identify::{Compared, Doubt, Facts, Fit, Maker, compare_trail};
use rakelight_core::measured::Measured;
use rakelight_core::raster;
use rakelight_core::trail::{HipHeight, TrailReading, speed};
use rakelight_core::words::Words;
use serde_json::{Value, json};

use super::facts::{MoreFacts, maker_of, range, word};
use crate::failure::{self, Failure};

/// What else is asked.
#[derive(Args)]
pub struct Beside {
    /// How high the track maker's hip stands, mm: gives a rough speed for a walk or trot.
    #[arg(long, value_name = "MM")]
    hip_height_mm: Option<f64>,
    /// Its standard uncertainty, mm; a tenth of the height where it isn't given.
    #[arg(long, value_name = "MM", requires = "hip_height_mm")]
    u_hip_height_mm: Option<f64>,
    /// Hold the measures against published trails: of one track maker, or of all where none is named.
    #[arg(long, value_name = "MAKER")]
    compare: Option<Option<String>>,
    /// A file that adds a track maker to compare with (TOML as in core/data/species).
    #[arg(long, value_name = "FILE", requires = "compare")]
    facts: Vec<PathBuf>,
}

/// What was asked, worked out.
pub struct Answers {
    speed: Option<Value>,
    speed_lines: Vec<String>,
    compared: Option<(Facts, Vec<Compared>)>,
}

impl Beside {
    pub fn answers(&self, reading: &TrailReading, words: &Words) -> Result<Answers, Failure> {
        let mut answers = Answers { speed: None, speed_lines: Vec::new(), compared: None };
        if let Some(mm) = self.hip_height_mm {
            let hip_height = HipHeight::new(mm, self.u_hip_height_mm).map_err(Failure::input)?;
            let (value, lines) = match speed(reading, &hip_height) {
                Ok(speed) => {
                    let relative =
                        [("measure", &*pm(speed.relative_stride, 1, words)), ("class", words.say(speed.class.key()))];
                    let lines = vec![
                        speed.say(words),
                        words.fill("trail.speed.relative_stride_is", &relative),
                        speed.note(words),
                    ];
                    (speed.json(words), lines)
                }
                Err(refused) => {
                    let why = refused.text(words);
                    (json!({"refused": why}), vec![words.fill("trail.speed.no_speed", &[("why", &why)])])
                }
            };
            (answers.speed, answers.speed_lines) = (Some(value), lines);
        }
        if let Some(maker) = &self.compare {
            let facts = MoreFacts { files: self.facts.clone(), region: None }.read()?;
            let rows = match maker {
                Some(species) => compare_trail(reading, [maker_of(&facts, species, words)?]),
                None => compare_trail(reading, facts.makers()),
            };
            answers.compared = Some((facts, rows));
        }
        Ok(answers)
    }
}

impl Answers {
    /// The reading as JSON with what was asked beside it.
    pub fn json(&self, reading: &TrailReading) -> Value {
        let mut document = json!(reading);
        if let Some(speed) = &self.speed {
            document["speed"] = speed.clone();
        }
        if let Some((_, rows)) = &self.compared {
            document["compared"] = json!(rows);
        }
        document
    }

    /// In words, after the trail's own measures.
    pub fn print(&self, reading: &TrailReading, words: &Words) {
        for line in &self.speed_lines {
            println!("{line}");
        }
        if let Some((facts, rows)) = &self.compared {
            print_compared(facts, rows, reading, words);
        }
    }
}

/// Width of a PNG: sharp on paper as wide as a hand, at 300 dots an inch.
const PNG_WIDTH_PX: u32 = 1440;

/// Writes a drawing in the format of its file's name.
pub fn draw(path: &Path, svg: &str, words: &Words) -> Result<(), Failure> {
    match path.extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase).as_deref() {
        Some("svg") => failure::write(path, svg),
        Some("png") => {
            let font = raster::system_font();
            if font.is_none() {
                eprintln!("{}", words.say("raster.no_font"));
            }
            failure::write(path, raster::png(svg, PNG_WIDTH_PX, font.as_deref()).map_err(Failure::input)?)
        }
        _ => Err(Failure::input(format!("{} must end in .svg or .png", path.display()))),
    }
}

fn print_compared(facts: &Facts, rows: &[Compared], reading: &TrailReading, words: &Words) {
    println!();
    if rows.is_empty() {
        println!("{}", words.say("compare.nothing"));
        return;
    }
    println!("{}", words.say("compare.heading"));
    let mut doubts: Vec<Doubt> = Vec::new();
    let makers = facts.makers().iter().filter_map(|maker| {
        let of_maker: Vec<&Compared> = rows.iter().filter(|row| row.maker == maker.id).collect();
        (!of_maker.is_empty()).then_some((maker, of_maker))
    });
    for (Maker { id, scientific_name, .. }, of_maker) in makers {
        println!("\n{} ({scientific_name})", facts.name(id, words));
        for row in of_maker {
            println!("{}", line(row, &mut doubts, words));
        }
    }
    println!();
    for (i, doubt) in doubts.iter().enumerate() {
        println!("[{}] {}", i + 1, words.say(doubt.key()));
    }
    if let Some(length) = reading.group_length_mm() {
        let measure = format!("{} mm", pm(length, 0, words));
        println!("{}", words.fill("compare.group_length", &[("measure", &measure)]));
    }
}

/// One row; its doubts are numbered in the order they first come up.
fn line(row: &Compared, doubts: &mut Vec<Doubt>, words: &Words) -> String {
    let measure = word(json!(row.measure), words);
    let what = match word(json!(row.taken_as), words) {
        taken_as if row.taken_as != row.measure => {
            words.fill("compare.taken_as", &[("measure", &measure), ("taken_as", &taken_as)])
        }
        _ => measure,
    };
    let ours = format!("{} mm", pm(Measured { value: row.ours_mm, u: row.u_ours_mm }, 0, words));
    let factor = row.factor.map(|factor| words.number(factor, 2)).unwrap_or_default();
    let fit = match row.fit {
        Fit::Within => "compare.within",
        Fit::WithinUncertainty => "compare.within_uncertainty",
        Fit::Beyond => "compare.beyond",
        Fit::OtherGait => "compare.other_gait",
    };
    let gait = row.gait.as_deref().map(|gait| {
        let key = format!("trail.{gait}");
        if words.has(&key) { words.say(&key).to_owned() } else { gait.to_owned() }
    });
    let about: Vec<&str> =
        [gait.as_deref(), row.substrate.as_deref(), row.basis.as_deref()].into_iter().flatten().collect();
    let numbers: Vec<String> = row
        .doubts
        .iter()
        .map(|doubt| {
            let known = doubts.iter().position(|d| d == doubt).unwrap_or_else(|| {
                doubts.push(*doubt);
                doubts.len() - 1
            });
            format!("[{}]", known + 1)
        })
        .collect();
    format!(
        "  {what:<38} {:>14}  {:<22} {} {}\n      {}{}{}: {}",
        range(&row.published, words),
        words.fill("compare.ours", &[("measure", &ours)]),
        words.fill(fit, &[("factor", &factor)]),
        numbers.concat(),
        about.join(" · "),
        if about.is_empty() { "" } else { " · " },
        word(json!(row.status), words),
        row.source,
    )
}

/// A measure and its 95 % half-width.
fn pm(measured: Measured, decimals: usize, words: &Words) -> String {
    format!("{} ±{}", words.number(measured.value, decimals), words.number(measured.half_width_95(), decimals))
}
