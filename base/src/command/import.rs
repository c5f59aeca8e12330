//! `rakelight import`: earlier records in. Without --write it shows what would be written.

use std::path::{Path, PathBuf};

use chrono::Utc;
use clap::{Args, ValueEnum};
use rakelight_core::import::{Column, DateOrder, Given, Tabled, stretches, table, walk};
use rakelight_core::store::Store;
use rakelight_core::survey::{PlacePlanned, SeasonPlan, SignKind, same_name};
use rakelight_core::words::Words;
use serde_json::json;

use super::visit::store_failure;
use super::{print_json, print_table};
use crate::failure::{Failure, read, read_text};

/// A file, and where its records go.
#[derive(Args)]
pub struct Arguments {
    /// FILE.csv: earlier signs, a row each. FILE.gpx: a visit's track and points. FILE.geojson: stretches, as places of a season. Photographs in bulk: `rakelight visit FOLDER`.
    file: PathBuf,
    /// The store.
    #[arg(long, value_name = "DIR")]
    store: PathBuf,
    /// Who brings them in.
    #[arg(long, value_name = "NAME")]
    author: String,
    /// Write them; without this it is only shown what would be written.
    #[arg(long)]
    write: bool,
    /// Of a table: which column means what, such as date=Tag. Of date, place, people, lat, lon, kind, maker and note; those with usual heads are found by themselves.
    #[arg(long = "column", value_name = "MEANS=HEAD", value_parser = column)]
    columns: Vec<(Column, String)>,
    /// Of a table: who was there, where no column says it. Repeatable.
    #[arg(long = "person", value_name = "NAME")]
    people: Vec<String>,
    /// Of a table: what kind of sign all are, where no column says it.
    #[arg(long, value_name = "KIND", value_parser = kind)]
    kind: Option<SignKind>,
    /// Of a table: how days like 3/10/2026 are read.
    #[arg(long)]
    dates: Option<Dates>,
    /// Of GPX: the visit that it belongs to, by its id.
    #[arg(long, value_name = "ID")]
    visit: Option<String>,
    /// Of GeoJSON: the season that the places belong to.
    #[arg(long, value_name = "NAME")]
    season: Option<String>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

#[derive(Clone, Copy, ValueEnum)]
enum Dates {
    DayFirst,
    MonthFirst,
}

fn column(text: &str) -> Result<(Column, String), String> {
    let (means, head) = text.split_once('=').ok_or("write MEANS=HEAD, such as date=Tag")?;
    let column = Column::ALL.into_iter().find(|column| column.name() == means.trim());
    let known = Column::ALL.map(Column::name).join(", ");
    column.map(|column| (column, head.trim().to_owned())).ok_or_else(|| format!("a column means one of: {known}"))
}

fn kind(text: &str) -> Result<SignKind, String> {
    serde_json::from_value(json!(text)).map_err(|_| "there is no such kind of sign".to_owned())
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    let mut store = Store::open(&arguments.store).map_err(store_failure)?;
    let ending = arguments.file.extension().and_then(|ending| ending.to_str()).map(str::to_lowercase);
    match ending.as_deref() {
        Some("csv" | "tsv" | "txt") => of_table(arguments, &mut store, words),
        Some("gpx") => of_walk(arguments, &mut store, words),
        Some("geojson" | "json") => of_lines(arguments, &mut store, words),
        _ => Err(in_file(
            &arguments.file,
            &"it must end in .csv, .gpx or .geojson; photographs come in by `rakelight visit FOLDER`",
        )),
    }
}

fn in_file(file: &Path, what: &dyn std::fmt::Display) -> Failure {
    Failure::input(format!("{}: {what}", file.display()))
}

fn of_table(arguments: &Arguments, store: &mut Store, words: &Words) -> Result<(), Failure> {
    let dates = arguments.dates.map(|dates| match dates {
        Dates::DayFirst => DateOrder::DayFirst,
        Dates::MonthFirst => DateOrder::MonthFirst,
    });
    let (columns, people, kind) = (arguments.columns.clone(), arguments.people.clone(), arguments.kind);
    let given = Given { columns, dates, people, kind };
    let tabled = table(&read_text(&arguments.file)?, &given, words).map_err(|e| in_file(&arguments.file, &e))?;
    let mut added = 0;
    if arguments.write {
        for visit in &tabled.visits {
            let appended = store.write_records(&visit.id, &arguments.author, &visit.records(), Utc::now());
            added += appended.map_err(store_failure)?.added;
        }
    }
    let signs: usize = tabled.visits.iter().map(|visit| visit.signs.len()).sum();
    if arguments.json {
        let mapping: Vec<_> =
            tabled.mapping.iter().map(|(column, head)| json!({ "means": column, "column": head })).collect();
        print_json(&json!({
            "mapping": mapping, "unused": tabled.unused, "visits": tabled.visits.len(), "signs": signs,
            "refused": tabled.refused, "written": arguments.write, "added": added,
        }));
        return Ok(());
    }
    show(&tabled, words);
    let counts =
        [("visits", tabled.visits.len()), ("signs", signs), ("refused", tabled.refused.len()), ("added", added)];
    say(arguments, &counts, words);
    Ok(())
}

/// What each column means with what stands in the first rows, then what can't be taken.
fn show(tabled: &Tabled, words: &Words) {
    let rows: Vec<[String; 2]> =
        tabled.mapping.iter().map(|(column, head)| [column.name().to_owned(), head.clone()]).collect();
    print_table(&["means", "column"].map(|head| words.say(&format!("import.{head}")).to_owned()), &rows);
    if !tabled.unused.is_empty() {
        println!("{}", words.fill("import.unused", &[("columns", &tabled.unused.join(", "))]));
    }
    println!();
    for visit in tabled.visits.iter().take(5) {
        let people = visit.opened.people.join(", ");
        println!("{} · {} · {people}", visit.opened.start.date_naive(), visit.opened.place_name);
        for sign in visit.signs.iter().take(3) {
            let at = sign.place.map_or_else(String::new, |[lat, lon]| format!("{lat}, {lon}"));
            let kind = serde_json::to_value(sign.sign).ok().and_then(|kind| kind.as_str().map(str::to_owned));
            println!("    {} · {} · {at}", kind.unwrap_or_default(), sign.taken_for.as_deref().unwrap_or_default());
        }
    }
    for refused in &tabled.refused {
        println!("{}", words.fill("import.refused", &[("line", &refused.line.to_string()), ("why", &refused.why)]));
    }
}

/// What was written, or that nothing was yet.
fn say(arguments: &Arguments, counts: &[(&str, usize)], words: &Words) {
    let counts: Vec<(&str, String)> = counts.iter().map(|(name, n)| (*name, n.to_string())).collect();
    let counts: Vec<(&str, &str)> = counts.iter().map(|(name, n)| (*name, n.as_str())).collect();
    println!("{}", words.fill("import.read", &counts));
    println!("{}", words.fill(if arguments.write { "import.written" } else { "import.not_written" }, &counts));
}

fn of_walk(arguments: &Arguments, store: &mut Store, words: &Words) -> Result<(), Failure> {
    let id =
        arguments.visit.as_ref().ok_or_else(|| Failure::input("say which visit the walk belongs to: --visit ID"))?;
    let visit = store.visit(id).map_err(store_failure)?;
    let visit = visit.ok_or_else(|| Failure::input(format!("the store has no visit {id}")))?;
    let walked = walk(&read(&arguments.file)?, visit.opened.start).map_err(|error| in_file(&arguments.file, &error))?;
    let records = walked.records();
    let mut added = 0;
    if arguments.write {
        added = store.write_records(id, &arguments.author, &records, Utc::now()).map_err(store_failure)?.added;
    }
    let (pieces, notes) = (walked.track.len(), walked.notes.len());
    if arguments.json {
        print_json(
            &json!({ "visit": id, "track_pieces": pieces, "notes": notes, "written": arguments.write, "added": added }),
        );
    } else {
        let values = [("pieces", &*pieces.to_string()), ("notes", &*notes.to_string())];
        println!("{}", words.fill("import.walk", &values));
        let counts = [("added", &*added.to_string())];
        println!("{}", words.fill(if arguments.write { "import.written" } else { "import.not_written" }, &counts));
    }
    Ok(())
}

fn of_lines(arguments: &Arguments, store: &mut Store, words: &Words) -> Result<(), Failure> {
    let season = arguments
        .season
        .as_ref()
        .ok_or_else(|| Failure::input("say which season the places belong to: --season NAME"))?;
    let (places, passed_over) =
        stretches(&read_text(&arguments.file)?).map_err(|error| in_file(&arguments.file, &error))?;
    let names: Vec<String> = places.iter().map(|place| place.name.clone()).collect();
    let mut added = 0;
    if arguments.write {
        // What was planned and given before stays.
        let before = store.season(season).map_err(store_failure)?;
        let is_new = |place: &PlacePlanned| places.iter().any(|new| same_name(&new.name, &place.name));
        let kept: Vec<PlacePlanned> = before.places.iter().filter(|place| !is_new(place)).cloned().collect();
        let plan = SeasonPlan { places: kept.into_iter().chain(places).collect(), given: before.given };
        added = store.write_season(season, &arguments.author, &plan, Utc::now()).map_err(store_failure)?.0.added;
    }
    if arguments.json {
        print_json(
            &json!({ "season": season, "places": names, "passed_over": passed_over, "written": arguments.write, "added": added }),
        );
    } else {
        names.iter().for_each(|name| println!("· {name}"));
        println!(
            "{}",
            words.fill("import.lines", &[("n", &*names.len().to_string()), ("passed_over", &*passed_over.to_string())])
        );
        let counts = [("added", &*added.to_string())];
        println!("{}", words.fill(if arguments.write { "import.written" } else { "import.not_written" }, &counts));
    }
    Ok(())
}
