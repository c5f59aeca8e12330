//! A table of earlier records: a row a sign. Rows of one day, place and people are one visit.

use std::collections::{BTreeMap, HashMap};

use chrono::{DateTime, FixedOffset, NaiveDate, NaiveTime, Offset, Utc};
use csv::{ReaderBuilder, StringRecord, Trim};
use serde::Serialize;
use serde_json::json;
use sha2::{Digest, Sha256};

use super::columns::{Column, Mapping};
use crate::identify::Facts;
use crate::place::{Category, Position};
use crate::survey::{Conditions, Consent, Opened, PlacedBy, SignKind, SignNoted, Visit};
use crate::time::parse_time;
use crate::words::Words;

/// How a day with slashes is read: `3/10/2026` is the 3rd of October or the 10th of March.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DateOrder {
    /// Day, month, year.
    DayFirst,
    /// Month, day, year.
    MonthFirst,
}

/// What the table doesn't say itself.
#[derive(Debug, Clone, Default)]
pub struct Given {
    /// Which column means what, where its head doesn't say it.
    pub columns: Vec<(Column, String)>,
    /// How days with slashes are read.
    pub dates: Option<DateOrder>,
    /// Who was there, where no column says it.
    pub people: Vec<String>,
    /// What kind of sign it is, where no column says it.
    pub kind: Option<SignKind>,
}

/// What would be written, and what can't be taken.
#[derive(Debug, Clone)]
pub struct Tabled {
    /// What each column means, with its head in the table.
    pub mapping: Vec<(Column, String)>,
    /// Heads of columns that mean nothing here.
    pub unused: Vec<String>,
    /// Visits with their signs.
    pub visits: Vec<Visit>,
    /// Rows that can't be taken, in order of their lines.
    pub refused: Vec<Refused>,
}

/// A row that can't be taken.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Refused {
    /// Its line in the file, from 1.
    pub line: u64,
    /// Why, and what to do.
    pub why: String,
}

/// Why nothing of a table can be taken.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum TableError {
    /// Which columns.
    #[error("{0}")]
    Columns(String),
    /// Not a table.
    #[error("this isn't a table: {0}")]
    NotCsv(String),
    /// Data that is built in.
    #[error("the facts can't be read: {0}")]
    BuiltIn(String),
}

/// Reads a table (CSV with commas, semicolons or tabs; `#` begins a comment line).
///
/// ```
/// use rakelight_core::import::{Given, table};
/// use rakelight_core::{survey::SignKind, words::Words};
/// let file = "Date;Site;Species;Lat;Lon\n2019-10-03;Mill weir;Lutra lutra;53.9;8.2\n2019-10-03;Mill weir;Yeti;;\n";
/// let given = Given { people: vec!["Ada Holm".into()], kind: Some(SignKind::Dropping), ..Given::default() };
/// let read = table(file, &given, &Words::load("en").expect("English")).expect("a table");
/// assert_eq!((read.visits.len(), read.visits[0].signs.len()), (1, 1));
/// assert_eq!(read.refused[0].line, 3);
/// ```
///
/// # Errors
/// No column is found for what is needed, or one that was named isn't there. A row that can't be taken is no error: the rest is.
pub fn table(file: &str, given: &Given, words: &Words) -> Result<Tabled, TableError> {
    let file = file.trim_start_matches('\u{feff}');
    let mut reader = ReaderBuilder::new()
        .comment(Some(b'#'))
        .flexible(true)
        .trim(Trim::All)
        .delimiter(delimiter(file))
        .from_reader(file.as_bytes());
    let not_csv = |error: csv::Error| TableError::NotCsv(error.to_string());
    let heads: Vec<String> = reader.headers().map_err(not_csv)?.iter().map(str::to_owned).collect();
    let mapping = Mapping::of(&heads, &given.columns).map_err(TableError::Columns)?;
    let facts = Facts::builtin().map_err(|error| TableError::BuiltIn(error.to_string()))?;
    let rows = Rows { mapping: &mapping, given, facts, words, columns: heads.len() };
    let (mut signs, mut refused) = (Vec::new(), Vec::new());
    let mut seen: HashMap<String, u64> = HashMap::new();
    for row in reader.records() {
        let row = row.map_err(not_csv)?;
        let line = row.position().map_or(0, csv::Position::line);
        let read = rows.sign(&row).and_then(|found| match seen.insert(found.sign.id.clone(), line) {
            Some(first) => Err(format!("it says the same as line {first}, and counts once")),
            None => Ok(found),
        });
        match read {
            Ok(found) => signs.push(found),
            Err(why) => refused.push(Refused { line, why }),
        }
    }
    let used: Vec<(Column, String)> = mapping.pairs(&heads).map(|(column, head)| (column, head.to_owned())).collect();
    let unused = heads.into_iter().filter(|head| !used.iter().any(|(_, known)| known == head)).collect();
    Ok(Tabled { mapping: used, unused, visits: visits(signs), refused })
}

/// What stands most often in the heads.
fn delimiter(file: &str) -> u8 {
    let heads = file.lines().find(|line| !line.starts_with('#')).unwrap_or_default();
    let count = |delimiter: u8| heads.bytes().filter(|byte| *byte == delimiter).count();
    [b',', b';', b'\t'].into_iter().max_by_key(|delimiter| count(*delimiter)).unwrap_or(b',')
}

/// A row that can be taken.
struct Found {
    start: DateTime<FixedOffset>,
    day: NaiveDate,
    place: String,
    people: Vec<String>,
    maker: String,
    sign: SignNoted,
}

struct Rows<'a> {
    mapping: &'a Mapping,
    given: &'a Given,
    facts: &'a Facts,
    words: &'a Words,
    columns: usize,
}

impl Rows<'_> {
    fn sign(&self, row: &StringRecord) -> Result<Found, String> {
        if row.len() != self.columns {
            return Err(format!("{} cells where the header has {}: one too many or too few?", row.len(), self.columns));
        }
        let cell = |column: Column| {
            let text = self.mapping.at(column).and_then(|at| row.get(at)).map(str::trim);
            text.filter(|text| !text.is_empty())
        };
        let need = |column: Column| cell(column).ok_or_else(|| format!("the {} is missing", column.name()));
        let (start, timed) = self.date(need(Column::Date)?)?;
        let maker = self.maker(need(Column::Maker)?)?;
        let place = need(Column::Place)?.to_owned();
        let people = match cell(Column::People) {
            Some(names) => {
                names.split([';', '|', '&']).map(|name| name.trim().to_owned()).filter(|n| !n.is_empty()).collect()
            }
            None => self.given.people.clone(),
        };
        if people.is_empty() {
            return Err("who was there is missing: give it for all rows, or name the column".into());
        }
        let kind = match cell(Column::Kind) {
            Some(text) => kind(text)?,
            None => self.given.kind.ok_or("the kind of sign is missing: give it for all rows, or name the column")?,
        };
        let at = position(cell(Column::Lat), cell(Column::Lon))?;
        let text = row.iter().collect::<Vec<_>>().join("\u{1f}");
        let sign = SignNoted {
            // Of what the row says, so that the same row is the same sign in whatever order and however often it is read.
            id: format!("earlier-{}", &hex::encode(Sha256::digest(text))[..12]),
            sign: kind,
            photos: vec![],
            trail: None,
            place: at,
            placed_by: at.map(|_| PlacedBy::Typed),
            radius_68_m: None,
            taken_for: Some(maker.clone()),
            time: timed.then_some(start),
            freshness: None,
            below_high_water: None,
            note: cell(Column::Note).map(str::to_owned),
        };
        Ok(Found { day: start.date_naive(), start, place, people, maker, sign })
    }

    /// The day, and whether its time is known.
    fn date(&self, text: &str) -> Result<(DateTime<FixedOffset>, bool), String> {
        if let Some(time) = parse_time(text) {
            return Ok((time, true));
        }
        let with_slashes = match self.given.dates {
            Some(DateOrder::DayFirst) => Some("%d/%m/%Y"),
            Some(DateOrder::MonthFirst) => Some("%m/%d/%Y"),
            None => None,
        };
        let formats = ["%Y-%m-%d", "%d.%m.%Y"].into_iter().chain(with_slashes);
        let day = formats.filter_map(|format| NaiveDate::parse_from_str(text, format).ok()).next();
        match day {
            Some(day) => Ok((day.and_time(NaiveTime::MIN).and_utc().fixed_offset(), false)),
            None if text.contains('/') && self.given.dates.is_none() => {
                Err(format!("{text:?} may be read in two ways: say whether the day or the month comes first"))
            }
            None => Err(format!("{text:?} isn't a day: write it as 2026-10-03 or 3.10.2026")),
        }
    }

    fn maker(&self, text: &str) -> Result<String, String> {
        let snake = text.to_lowercase().replace(' ', "_");
        let is_meant = |id: &str, scientific: &str| {
            id == snake
                || scientific.eq_ignore_ascii_case(text)
                || self.facts.name(id, self.words).to_lowercase() == text.to_lowercase()
        };
        let maker = self.facts.makers().iter().find(|maker| is_meant(&maker.id, &maker.scientific_name));
        maker.map(|maker| maker.id.clone()).ok_or_else(|| {
            format!(
                "nothing is known of {text:?}: write its scientific name; `rakelight facts` lists those that are known"
            )
        })
    }
}

fn kind(text: &str) -> Result<SignKind, String> {
    let snake = text.trim().to_lowercase().replace([' ', '-'], "_");
    let name = match snake.as_str() {
        "spraint" | "spraints" | "scat" | "scats" | "droppings" => "dropping",
        "footprint" | "footprints" | "prints" | "track" | "tracks" => "print",
        "holt" | "couch" | "den" => "resting_place",
        other => other,
    };
    serde_json::from_value(json!(name)).map_err(|_| {
        format!(
            "{text:?} is no kind of sign; there are: print, trail, dropping, feeding_remains, resting_place, slide, hair, sighting, dead_animal"
        )
    })
}

fn position(lat: Option<&str>, lon: Option<&str>) -> Result<Option<[f64; 2]>, String> {
    let number =
        |text: &str| text.replace(',', ".").parse::<f64>().map_err(|_| format!("{text:?} isn't a number of degrees"));
    match (lat, lon) {
        (None, None) => Ok(None),
        (Some(lat), Some(lon)) => {
            let place = Position::new(number(lat)?, number(lon)?, None).map_err(|error| error.to_string())?;
            Ok(Some([place.lat, place.lon]))
        }
        _ => Err("one of latitude and longitude is missing".into()),
    }
}

/// Rows of one day, place and people together.
fn visits(signs: Vec<Found>) -> Vec<Visit> {
    let mut by_visit: BTreeMap<(NaiveDate, String, Vec<String>), Vec<Found>> = BTreeMap::new();
    for found in signs {
        by_visit.entry((found.day, found.place.clone(), found.people.clone())).or_default().push(found);
    }
    by_visit.into_iter().map(|((day, place, people), found)| visit(day, place, people, found)).collect()
}

fn visit(day: NaiveDate, place_name: String, people: Vec<String>, found: Vec<Found>) -> Visit {
    let mut targets: Vec<String> = found.iter().map(|found| found.maker.clone()).collect();
    targets.sort();
    targets.dedup();
    let offset = found.first().map_or_else(|| Utc.fix(), |found| *found.start.offset());
    // The day's beginning, whatever the rows' times are, so that another row of it later makes no second visit.
    let midnight = day.and_time(NaiveTime::MIN).and_local_timezone(offset).single();
    let start = midnight.unwrap_or_else(|| day.and_time(NaiveTime::MIN).and_utc().fixed_offset());
    let mut visit = Visit::open(Opened {
        purpose: "earlier records".into(),
        // What was found is known; what was looked for isn't, so that nothing follows from what isn't there.
        targets,
        protocol: None,
        protocol_rules: None,
        detection: BTreeMap::new(),
        experience_seasons: None,
        start,
        people,
        place_name,
        landowner: None,
        consent: Consent::None,
        sensitivity_category: Category::STRICTEST,
        notice: None,
        conditions: Conditions::default(),
    });
    visit.signs = found.into_iter().map(|found| found.sign).collect();
    visit
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(file: &str, given: &Given) -> Result<Tabled, TableError> {
        table(file, given, &Words::load("en").unwrap())
    }

    fn ada() -> Given {
        Given { people: vec!["Ada Holm".into()], kind: Some(SignKind::Dropping), ..Given::default() }
    }

    #[test]
    fn rows_of_one_day_place_and_people_are_one_visit_and_darwin_core_is_understood() {
        let file = "eventDate,locality,decimalLatitude,decimalLongitude,recordedBy,scientificName,sign,occurrenceRemarks,x\n\
                    2019-10-03T07:10:00+02:00,Mill weir,53.9,8.2,Ada Holm | Bo,Lutra lutra,spraint,old,1\n\
                    2019-10-03,Mill weir,53.9,8.2,Ada Holm | Bo,Eurasian otter,footprint,,2\n\
                    04.10.2019,Mill weir,,,Bo,lutra_lutra,trail,,3\n";
        let tabled = read(file, &Given::default()).unwrap();
        assert_eq!(tabled.refused, []);
        assert_eq!(tabled.visits.iter().map(|visit| visit.signs.len()).collect::<Vec<_>>(), [2, 1]);
        assert_eq!(tabled.unused, ["x"]);
        let sign = &tabled.visits[0].signs[0];
        assert_eq!((sign.sign, sign.taken_for.as_deref()), (SignKind::Dropping, Some("lutra_lutra")));
        assert_eq!(sign.place, Some([53.9, 8.2]));
        assert!(tabled.visits[0].signs[1].time.is_none(), "no time was said");
    }

    #[test]
    fn a_broken_row_is_told_by_its_line_and_the_rest_is_taken() {
        let file = "date,place,species,lat,lon\n2019-10-03,Weir,Lutra lutra,53.9,8.2\nlong ago,Weir,Lutra lutra,,\n2019-10-04,,Lutra lutra,,\n\
                    2019-10-05,Weir,Nessie,,\n2019-10-06,Weir,Lutra lutra,153.9,8.2\n2019-10-07,Weir,Lutra lutra,53.9,\n2019-10-08,Weir\n\
                    2019-10-03,Weir,Lutra lutra,53.9,8.2\n3/10/2019,Weir,Lutra lutra,,\n2019-10-09,Weir,Lutra lutra,,\n";
        let tabled = read(file, &ada()).unwrap();
        assert_eq!(tabled.refused.iter().map(|refused| refused.line).collect::<Vec<_>>(), [3, 4, 5, 6, 7, 8, 9, 10]);
        assert!(tabled.refused[6].why.contains("line 2"), "{}", tabled.refused[6].why);
        assert!(tabled.refused[7].why.contains("two ways"));
        assert_eq!(tabled.visits.len(), 2);
    }

    #[test]
    fn the_same_table_read_again_is_the_same_records_in_whatever_order() {
        let rows = [
            "2019-10-03,Weir,Lutra lutra,53.9,8.2",
            "2019-10-03,Weir,Lutra lutra,53.8,8.2",
            "2019-10-04,Weir,Lutra lutra,,",
        ];
        let of = |order: [usize; 3]| {
            let rows: Vec<&str> = order.iter().map(|i| rows[*i]).collect();
            let mut visits = read(&format!("date,place,species,lat,lon\n{}", rows.join("\n")), &ada()).unwrap().visits;
            visits.iter_mut().for_each(|visit| visit.signs.sort_by(|a, b| a.id.cmp(&b.id)));
            visits
        };
        assert_eq!(of([0, 1, 2]), of([2, 1, 0]));
    }

    #[test]
    fn days_with_slashes_and_columns_of_any_name_are_read_as_was_said() {
        let file = "Tag;Wo;Was;Breite;Länge\n3/10/2019;Wehr;Lutra lutra;53,9;8,2\n";
        let columns = [
            (Column::Date, "Tag"),
            (Column::Place, "Wo"),
            (Column::Maker, "Was"),
            (Column::Lat, "Breite"),
            (Column::Lon, "Länge"),
        ];
        let columns = columns.map(|(column, name)| (column, name.to_owned())).to_vec();
        let given = Given { columns, dates: Some(DateOrder::DayFirst), ..ada() };
        let tabled = read(file, &given).unwrap();
        assert_eq!(tabled.visits[0].opened.start.date_naive().to_string(), "2019-10-03");
        assert_eq!(tabled.visits[0].signs[0].place, Some([53.9, 8.2]));
        let refused = read("Tag;Wo\n1;2\n", &ada()).unwrap_err().to_string();
        assert!(refused.contains("date, place, maker") && refused.contains("Tag, Wo"), "{refused}");
    }
}
