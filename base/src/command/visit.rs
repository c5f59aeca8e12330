//! `rakelight visit` and `rakelight demo`: from a folder of photographs to store, results and summary.

use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use clap::Args;
use indicatif::{ProgressBar, ProgressStyle};
use rakelight_core::store::{Store, StoreError};
use rakelight_core::summary::{self, Besides};
use rakelight_core::survey::{self, Finding, FolderError, FolderVisit, Grade};
use rakelight_core::words::Words;

use super::{print_json, print_table};
use crate::failure::{self, Failure};

/// A visit's folder.
#[derive(Args)]
pub struct Arguments {
    /// Photographs, visit.toml and a GPX track, if there is one.
    folder: PathBuf,
    /// Where store, visit.json and summary.html go; it is made where it isn't there.
    #[arg(long)]
    out: PathBuf,
    /// Print the results as JSON too.
    #[arg(long)]
    json: bool,
}

/// The invented visit that comes with the program.
#[derive(Args)]
pub struct DemoArguments {
    /// Where store, visit.json and summary.html go.
    out: PathBuf,
    /// The demo's folder, if it isn't found from where you are.
    #[arg(long)]
    demo_folder: Option<PathBuf>,
    /// Print the results as JSON too.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    work_through(&arguments.folder, &arguments.out, arguments.json, words)
}

pub fn run_demo(arguments: &DemoArguments, words: &Words) -> Result<(), Failure> {
    let folder = match &arguments.demo_folder {
        Some(folder) => folder.clone(),
        None => find_demo().ok_or_else(|| {
            Failure::input(
                "fixtures/demo-visit isn't in this folder or one above it: say where it is with --demo-folder",
            )
        })?,
    };
    work_through(&folder, &arguments.out, arguments.json, words)
}

/// The demo's folder here or above.
fn find_demo() -> Option<PathBuf> {
    let here = std::env::current_dir().ok()?;
    here.ancestors().map(|above| above.join("fixtures/demo-visit")).find(|folder| folder.join("visit.toml").is_file())
}

fn work_through(folder: &Path, out: &Path, json: bool, words: &Words) -> Result<(), Failure> {
    let read = read(folder, words)?;
    let mut store = Store::open_or_create(&out.join("store")).map_err(store_failure)?;
    let mut new_photos = 0;
    for file in read.files.values() {
        new_photos += usize::from(store.add_photo(file).map_err(store_failure)?.added);
    }
    let appended = store.write_visit(&read.visit, chrono::Utc::now()).map_err(store_failure)?;
    // What is shown is what the store holds, not what was just read.
    let visit = store.visit(&read.visit.id).map_err(store_failure)?;
    let visit = visit.ok_or_else(|| Failure::Machine("the visit isn't in the store after it was written".into()))?;
    let findings = survey::findings(&visit, words);
    let photo_path = |sha256: &str| store.photo_path(sha256).ok().flatten();
    let plans = store.all_seasons().map_err(store_failure)?;
    let back = summary::back(&plans, &visit, chrono::Utc::now().date_naive());
    let besides = Besides { left_out: &read.left_out, back, ..Besides::default() };
    let page = summary::html_with(&visit, &besides, words, photo_path).map_err(|e| Failure::Machine(e.to_string()))?;
    let document = survey::document(&visit, &findings, &read.left_out, &read.warnings);
    failure::write(&out.join("summary.html"), page)?;
    failure::write(&out.join("visit.json"), format!("{document:#}\n"))?;
    if json {
        print_json(&document);
        return Ok(());
    }
    show(&findings, &read, words);
    let counts = [("entries", appended.added), ("photos", new_photos), ("known", appended.unchanged)];
    let counts = counts.map(|(name, n)| (name, n.to_string()));
    let filled: Vec<(&str, &str)> = counts.iter().map(|(name, n)| (*name, n.as_str())).collect();
    println!("\n{}", words.fill("visit.stored", &filled));
    for name in ["summary.html", "visit.json", "store"] {
        println!("  {}", out.join(name).display());
    }
    Ok(())
}

fn read(folder: &Path, words: &Words) -> Result<FolderVisit, Failure> {
    let bar = ProgressBar::no_length();
    if let Ok(style) = ProgressStyle::with_template("{bar:32} {pos}/{len} {wide_msg}") {
        bar.set_style(style);
    }
    let mut step = |progress: survey::Progress| {
        bar.set_length(progress.of as u64);
        bar.set_position(progress.done as u64);
        bar.set_message(progress.now.to_owned());
        ControlFlow::Continue(())
    };
    let read = survey::read_folder(folder, words, &mut step);
    bar.finish_and_clear();
    read.map_err(|error| match error {
        FolderError::Disk { ref source, .. } if source.kind() != std::io::ErrorKind::NotFound => {
            Failure::Machine(error.to_string())
        }
        error => Failure::input(error),
    })
}

/// A disk, a key or another program is the machine's; a path or a foreign file is the user's to mend.
pub fn store_failure(error: StoreError) -> Failure {
    match error {
        StoreError::Missing { .. }
        | StoreError::Foreign { .. }
        | StoreError::Newer { .. }
        | StoreError::NotAnId { .. }
        | StoreError::BackupKey { .. }
        | StoreError::BackupLocked { .. }
        | StoreError::BackupTorn { .. }
        | StoreError::NotABackup { .. }
        | StoreError::NotEmpty { .. } => Failure::input(error),
        error => Failure::Machine(error.to_string()),
    }
}

/// The findings as a table, then what was left out and what to know.
fn show(findings: &[Finding], read: &FolderVisit, words: &Words) {
    let rows: Vec<[String; 5]> = findings.iter().map(|finding| row(finding, words)).collect();
    let heads =
        ["animal", "grade", "probability", "verdict", "signs"].map(|key| words.say(&format!("visit.{key}")).to_owned());
    print_table(&heads, &rows);
    for left_out in &read.left_out {
        eprintln!("{}: {}: {}", words.say("visit.left_out"), left_out.file, left_out.reason);
    }
    for warning in &read.warnings {
        eprintln!("{}: {warning}", words.say("visit.warning"));
    }
}

fn row(finding: &Finding, words: &Words) -> [String; 5] {
    let percent = |p: f64| words.number(100.0 * p, 0);
    let probability = finding
        .probability
        .zip(finding.band)
        .map(|(p, [low, high])| format!("{} % ({}–{})", percent(p), percent(low), percent(high)));
    let verdict = if finding.firm { "summary.firm" } else { "summary.open" };
    [
        finding.name.clone(),
        words.say(&format!("visit.grade_{}", finding.grade.key())).into(),
        probability.unwrap_or_default(),
        if finding.grade == Grade::None { String::new() } else { words.say(verdict).into() },
        finding.signs.join(", "),
    ]
}
