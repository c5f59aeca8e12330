//! `rakelight export`: records for others.

use std::path::PathBuf;

use chrono::NaiveDate;
use clap::{Args, ValueEnum};
use rakelight_core::export::{Asked, Exported, Format, Licence, Vocabulary, export};
use rakelight_core::place::Category;
use rakelight_core::store::Store;
use rakelight_core::words::Words;
use serde_json::json;

use super::print_json;
use super::visit::store_failure;
use crate::failure::Failure;

/// What leaves, how.
#[derive(Args)]
pub struct Arguments {
    /// The store.
    #[arg(long, value_name = "DIR")]
    store: PathBuf,
    /// The file to write, or a folder to put it into; for photographs a new or empty folder.
    #[arg(long, value_name = "FILE|DIR")]
    out: PathBuf,
    /// Darwin Core Archive, GeoJSON, GPX, GeoPackage, a table, or copies of the photographs.
    #[arg(long)]
    format: AskedFormat,
    /// CC0-1.0, CC-BY-4.0 or CC-BY-NC-4.0: the team's choice, which can't be taken back.
    #[arg(long, value_name = "LICENCE")]
    licence: String,
    /// Visits from this day on.
    #[arg(long, value_name = "DATE")]
    from: Option<NaiveDate>,
    /// Visits up to this day, itself included.
    #[arg(long, value_name = "DATE")]
    to: Option<NaiveDate>,
    /// Round at least as coarsely as this category does: 1 to 1°, 2 to 0.1°, 3 to 0.01°, 4 to 0.001°. Each visit's own stays where it is stricter.
    #[arg(long, value_name = "1-4", conflicts_with = "exact")]
    category: Option<u8>,
    /// Let exact positions and names of places leave.
    #[arg(long, requires = "why")]
    exact: bool,
    /// For what reason; it leaves with them.
    #[arg(long, value_name = "TEXT", requires = "exact")]
    why: Option<String>,
    /// Let the names of the people leave who were there, as they agreed.
    #[arg(long)]
    names: bool,
    /// Let workers' notes leave, but for those that name a place or a person.
    #[arg(long)]
    with_notes: bool,
    /// The words for found and not found: present and absent, or, since 2026-05-26, detected and notDetected.
    #[arg(long, default_value = "before-2026")]
    vocabulary: AskedVocabulary,
    /// The address that the copies of the photographs will lie at.
    #[arg(long, value_name = "URL")]
    photos_at: Option<String>,
    /// The folder that the photographs were exported into: copies' hashes and sizes go into the records, and only those that are there are linked.
    #[arg(long, value_name = "DIR", requires = "photos_at")]
    photos_in: Option<PathBuf>,
    /// What the records are called.
    #[arg(long, value_name = "TEXT")]
    title: Option<String>,
    /// Whose they are: the team's name as others shall read it.
    #[arg(long, value_name = "TEXT")]
    team: Option<String>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

#[derive(Clone, Copy, ValueEnum)]
enum AskedFormat {
    Dwca,
    Geojson,
    Gpx,
    Gpkg,
    Csv,
    Photos,
}

#[derive(Clone, Copy, ValueEnum)]
enum AskedVocabulary {
    #[value(name = "before-2026")]
    Before2026,
    #[value(name = "2026")]
    From2026,
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    let asked = arguments.asked()?;
    let store = Store::open(&arguments.store).map_err(store_failure)?;
    let exported = export(&store, &arguments.out, &asked, chrono::Utc::now(), words);
    let exported = exported.map_err(|error| match error.is_input() {
        true => Failure::input(error),
        false => Failure::Machine(error.to_string()),
    })?;
    if arguments.json {
        print_json(&json!(exported));
    } else {
        show(&exported, words);
    }
    if asked.exact.is_some() {
        eprintln!("{}", words.say("export.exact_caution"));
    }
    Ok(())
}

impl Arguments {
    fn asked(&self) -> Result<Asked, Failure> {
        let format = match self.format {
            AskedFormat::Dwca => Format::Dwca,
            AskedFormat::Geojson => Format::GeoJson,
            AskedFormat::Gpx => Format::Gpx,
            AskedFormat::Gpkg => Format::Gpkg,
            AskedFormat::Csv => Format::Csv,
            AskedFormat::Photos => Format::Photos,
        };
        let vocabulary = match self.vocabulary {
            AskedVocabulary::Before2026 => Vocabulary::Before2026,
            AskedVocabulary::From2026 => Vocabulary::From2026,
        };
        let licence = Licence::named(&self.licence).map_err(Failure::input)?;
        Ok(Asked {
            from: self.from,
            to: self.to,
            category: self.category.map(Category::try_from).transpose().map_err(Failure::input)?,
            exact: self.why.clone(),
            names: self.names,
            notes: self.with_notes,
            vocabulary,
            photos_at: self.photos_at.clone(),
            photos_in: self.photos_in.clone(),
            title: self.title.clone(),
            team: self.team.clone(),
            ..Asked::of(format, licence)
        })
    }
}

/// What was written, what wasn't and why.
fn show(exported: &Exported, words: &Words) {
    let counts = [
        ("out", exported.out.display().to_string()),
        ("licence", exported.licence.clone()),
        ("visits", exported.visits.to_string()),
        ("signs", exported.occurrences.to_string()),
        ("absences", exported.absences.to_string()),
        ("measures", exported.measurements.to_string()),
        ("photos", exported.photographs.to_string()),
    ];
    let filled: Vec<(&str, &str)> = counts.iter().map(|(name, value)| (*name, value.as_str())).collect();
    println!("{}", words.fill("export.written", &filled));
    for (what, count) in exported.withheld.counts() {
        println!("· {}", words.fill(&format!("export.not.{what}"), &[("n", &count.to_string())]));
    }
    for left_out in &exported.left_out {
        eprintln!("{}: {}: {}", words.say("visit.left_out"), left_out.file, left_out.reason);
    }
}
