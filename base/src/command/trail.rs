//! `rakelight trail`: prints in a row.

use std::path::{Path, PathBuf};

use clap::Args;
use rakelight_core::measured::Measured;
use rakelight_core::photo::Photo;
use rakelight_core::print::{Request, ScaleKind};
use rakelight_core::scale::card::U_CHECK_LINE_MM;
use rakelight_core::trail::{self, Placed, TrailMarks, TrailPhoto};
use rakelight_core::words::Words;

use super::beside::{self, Beside};
use super::print_json;
use crate::failure::{self, Failure, read_text};

/// The prints of a trail.
#[derive(Args)]
pub struct Arguments {
    /// Prints along a tape, or marked in photographs (named relative to this file), as JSON; or `-`.
    trail: PathBuf,
    /// What the card's check line of 100 mm measures with a good ruler, where it was printed at another size, mm; for photographs.
    #[arg(long, value_name = "MM", allow_hyphen_values = true)]
    check_line_mm: Option<f64>,
    /// Standard uncertainty of that, mm.
    #[arg(long, value_name = "MM", requires = "check_line_mm", default_value_t = U_CHECK_LINE_MM, allow_hyphen_values = true)]
    u_check_line_mm: f64,
    /// Write a plan view: FILE.svg or FILE.png.
    #[arg(long)]
    draw: Option<PathBuf>,
    #[command(flatten)]
    beside: Beside,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    let in_file = |what: &dyn std::fmt::Display| Failure::input(format!("{}: {what}", arguments.trail.display()));
    let marks: TrailMarks = serde_json::from_str(&read_text(&arguments.trail)?).map_err(|e| in_file(&e))?;
    let (reading, placed) = match marks {
        TrailMarks::Tape(_) if arguments.check_line_mm.is_some() => {
            return Err(in_file(&"prints along a tape have no card: leave --check-line-mm out"));
        }
        TrailMarks::Tape(prints) => (trail::read(&prints).map_err(|e| in_file(&e))?, None),
        TrailMarks::Photos(photos) => {
            let placed = photos.place(|photo| open(arguments, photo)).map_err(|e| in_file(&e))?;
            let reading =
                trail::read_placed(&placed.prints, photos.travel, photos.drag_mark).map_err(|e| in_file(&e))?;
            (reading, Some(placed))
        }
    };
    let warnings = placed.as_ref().map(|placed| warnings(placed, words)).unwrap_or_default();
    if let Some(path) = &arguments.draw {
        beside::draw(path, &trail::draw(&reading, words), words)?;
    }
    let answers = arguments.beside.answers(&reading, words)?;
    if arguments.json {
        let mut document = answers.json(&reading);
        if let Some(placed) = &placed {
            document["placed"] = placed.prints.to_json();
            document["warnings"] = serde_json::json!(warnings);
        }
        print_json(&document);
        return Ok(());
    }
    for pattern in reading.patterns.iter().filter(|pattern| pattern.probability >= 0.01) {
        println!("{:<32} {:>4} %", words.say(pattern.name.key()), words.number(100.0 * pattern.probability, 0));
    }
    let measures = [
        ("trail.stride", reading.stride_mm()),
        ("trail.group_length", reading.group_length_mm()),
        ("trail.gap", reading.gap_mm()),
        ("trail.straddle", reading.straddle_mm()),
    ];
    for (key, mm) in measures.into_iter().filter_map(|(key, measure)| Some((key, measure?))) {
        let measure = format!("{} mm ±{}", words.number(mm.value, 0), words.number(mm.half_width_95(), 0));
        println!("{}", words.fill(key, &[("measure", &measure)]));
    }
    answers.print(&reading, words);
    for warning in warnings {
        eprintln!("rakelight: {warning}");
    }
    Ok(())
}

/// A photograph that lies beside the trail's file, and what is to be measured in it.
fn open(arguments: &Arguments, photo: &TrailPhoto) -> Result<(Photo, Request), String> {
    let path = arguments.trail.parent().unwrap_or(Path::new("")).join(&photo.file);
    let bytes = failure::read(&path).map_err(|error| error.to_string())?;
    let mut request = photo.request().map_err(|error| error.to_string())?;
    let check_line = arguments.check_line_mm.map(|value| Measured { value, u: arguments.u_check_line_mm });
    request.check_line = check_line.filter(|_| request.scale == ScaleKind::Card);
    Ok((Photo::read(&bytes).map_err(|error| error.to_string())?, request))
}

/// What to know about the photographs, and about how they go together.
fn warnings(placed: &Placed, words: &Words) -> Vec<String> {
    let of_photos = placed.of_photos.iter().map(|(file, warning)| format!("{file}: {}", warning.say(words)));
    of_photos.chain(placed.prints.warnings.iter().map(ToString::to_string)).collect()
}
