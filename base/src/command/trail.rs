//! `rakelight trail`: prints in a row.

use std::path::{Path, PathBuf};

use clap::Args;
use rakelight_core::measured::Measured;
use rakelight_core::photo::Photo;
use rakelight_core::print::{Request, ScaleKind};
use rakelight_core::scale::card::U_CHECK_LINE_MM;
use rakelight_core::trail::{self, Placed, TrailMarks, TrailPhoto, TrailReading};
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
    match reading.sections.as_slice() {
        [] => say(&reading, words),
        sections => sections.iter().for_each(|section| {
            let ends =
                section.prints.iter().map(|p| p.along_cm).fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(v), h.max(v)));
            let [from, to] = [ends.0, ends.1].map(|cm| words.number(cm / 100.0, 1));
            println!("{}", words.fill("trail.section", &[("from", &from), ("to", &to)]));
            say(section, words);
            println!();
        }),
    }
    answers.print(&reading, words);
    for warning in warnings {
        eprintln!("rakelight: {warning}");
    }
    Ok(())
}

/// What one pattern's stretch says.
fn say(reading: &TrailReading, words: &Words) {
    let percent = |share: f64| words.number(100.0 * share, 0);
    for pattern in reading.patterns.iter().filter(|pattern| pattern.probability >= 0.01) {
        println!("{:<32} {:>4} %", words.say(pattern.name.key()), percent(pattern.probability));
    }
    if reading.no_pattern >= 0.01 {
        println!("{:<32} {:>4} %", words.say("trail.no_pattern"), percent(reading.no_pattern));
    }
    for form in reading.forms.iter().filter(|form| form.probability >= 0.05) {
        println!("  {:<30} {:>4} %", words.say(form.name.key()), percent(form.probability));
    }
    if let Some(forwards) = reading.forwards {
        println!("{}", words.fill("trail.forwards", &[("share", &percent(forwards))]));
    }
    reading.measures.iter().for_each(|measure| println!("{}", measure.say(words)));
    let list =
        |prints: &mut dyn Iterator<Item = usize>| prints.map(|print| print.to_string()).collect::<Vec<_>>().join(", ");
    let doubtful = list(&mut reading.prints.iter().filter(|p| p.probability < DOUBTFUL).map(|p| p.print));
    let lines = [
        ("trail.missing", "n", reading.missing.to_string(), reading.missing > 0),
        ("trail.foreign", "list", list(&mut reading.foreign.iter().copied()), !reading.foreign.is_empty()),
        ("trail.doubtful", "list", doubtful.clone(), !doubtful.is_empty() && reading.fitted.is_some()),
    ];
    for (key, slot, value, _) in lines.into_iter().filter(|(.., said)| *said) {
        println!("{}", words.fill(key, &[(slot, &value)]));
    }
    for other in &reading.alternatives {
        let slots = [("name", words.say(other.pattern.key())), ("share", &*percent(other.probability))];
        println!("{}", words.fill("trail.alternative", &slots));
    }
    if reading.drag_mark == Some(true) {
        println!("{}", words.say("trail.drag"));
    }
}

/// A print less sure than this of where it belongs is named.
const DOUBTFUL: f64 = 0.9;

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
