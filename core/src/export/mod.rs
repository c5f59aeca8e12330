//! Records for others, in open formats: Darwin Core Archive, GeoJSON, GPX, GeoPackage, CSV, and copies of photographs.
//!
//! A visit becomes what may leave of it (`build`, by `policy`), and all formats are written from that alone, visit by visit. Positions are rounded by how
//! sensitive their place is; names, notes and tracks stay here. A file is there whole or not at all, and none is written over.

mod archive;
mod build;
mod columns;
mod csv;
mod data;
mod geojson;
mod geopackage;
mod gpx;
mod ids;
mod leaving;
mod photos;
mod policy;
mod tally;
mod text;

#[cfg(test)]
mod tests;

use std::collections::HashMap;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Serialize, Serializer};

use self::build::leaving;
use self::data::Radii;
use self::leaving::Leaving;
use self::policy::{Places, Policy};
use crate::identify::Facts;
use crate::place::Category;
use crate::store::{Store, StoreError, files};
use crate::words::Words;

pub use self::data::Licence;
pub use self::tally::Tally;

/// In which format.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
#[allow(missing_docs)]
pub enum Format {
    Dwca,
    GeoJson,
    Gpx,
    Gpkg,
    Csv,
    Photos,
}

impl Format {
    /// The name of a file in a folder that was given in a file's place.
    fn file_name(self) -> &'static str {
        match self {
            Self::Dwca => "records.zip",
            Self::GeoJson => "records.geojson",
            Self::Gpx => "records.gpx",
            Self::Gpkg => "records.gpkg",
            Self::Csv => "records.csv",
            Self::Photos => "photographs",
        }
    }
}

/// The values of `dwc:occurrenceStatus`, which changed on 2026-05-26. One file has one of them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub enum Vocabulary {
    /// `present` and `absent`, which readers of all ages know.
    #[default]
    #[serde(rename = "before-2026")]
    Before2026,
    /// `detected` and `notDetected`.
    #[serde(rename = "2026")]
    From2026,
}

impl Vocabulary {
    fn status(self, found: bool) -> &'static str {
        match (self, found) {
            (Self::Before2026, true) => "present",
            (Self::Before2026, false) => "absent",
            (Self::From2026, true) => "detected",
            (Self::From2026, false) => "notDetected",
        }
    }
}

/// What leaves, how.
#[derive(Debug, Clone)]
pub struct Asked {
    /// In which format.
    pub format: Format,
    /// Under which licence.
    pub licence: Licence,
    /// Visits from this day on, by the clock of the place,
    pub from: Option<NaiveDate>,
    /// up to this day, itself included.
    pub to: Option<NaiveDate>,
    /// At least so sensitive; a place that is more sensitive stays so.
    pub category: Option<Category>,
    /// Exact positions and names of places leave, for this reason, which leaves with them.
    pub exact: Option<String>,
    /// People's names leave.
    pub names: bool,
    /// Workers' own words leave, but for those that name a place or a person.
    pub notes: bool,
    /// Which words say found and not found.
    pub vocabulary: Vocabulary,
    /// Where the copies of the photographs will lie: the address that stands before their names.
    pub photos_at: Option<String>,
    /// The folder into which the copies were exported: their hashes and sizes leave with the records, and only what is there is linked.
    pub photos_in: Option<PathBuf>,
    /// What the records are called.
    pub title: Option<String>,
    /// Whose they are.
    pub team: Option<String>,
}

impl Asked {
    /// As sensitive places are safest: nothing exact, no names, no notes.
    pub fn of(format: Format, licence: Licence) -> Self {
        Self {
            format,
            licence,
            from: None,
            to: None,
            category: None,
            exact: None,
            names: false,
            notes: false,
            vocabulary: Vocabulary::default(),
            photos_at: None,
            photos_in: None,
            title: None,
            team: None,
        }
    }
}

/// Why nothing was exported.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// Not one of those that records are taken under.
    #[error(
        "the licence {given:?} isn't one that records are taken under; there are: {known}. Choose with your team: it can't be taken back"
    )]
    Licence {
        /// Asked for.
        given: String,
        /// Those that there are.
        known: String,
    },
    /// Something is there already.
    #[error("{path} is there already and isn't written over: choose another name, or remove it first", path = .0.display())]
    There(PathBuf),
    /// Exact without a reason.
    #[error("exact positions leave only for a reason, which is told with them: say it")]
    NoReason,
    /// Exact and rounded at once.
    #[error("exact positions and a category contradict each other: give one of them")]
    ExactAndCategory,
    /// The last day lies before the first.
    #[error("{to} lies before {from}: no visit is both after the first and before the second")]
    Backwards {
        /// First day.
        from: NaiveDate,
        /// Last day.
        to: NaiveDate,
    },
    /// Not an address.
    #[error("{0:?} isn't an address that photographs can lie at: give one that begins with https:// or http://")]
    Address(String),
    /// Not what the copies of photographs were exported into.
    #[error("the copies of photographs in {path} can't be told: {why}; export them there first, as photographs", path = .path.display())]
    Copies {
        /// The list of them.
        path: PathBuf,
        /// Why.
        why: String,
    },
    /// No visit to export.
    #[error("there is no visit to export{}", if *.0 { " in these days" } else { " in this store" })]
    Nothing(bool),
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The disk.
    #[error("{path} can't be written: {source}", path = .path.display())]
    Disk {
        /// Which file.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// SQLite, which writes GeoPackages.
    #[error("the GeoPackage can't be written: {0}")]
    GeoPackage(#[from] rusqlite::Error),
    /// Data that is built in.
    #[error("the export's data can't be read: {detail}")]
    BuiltIn {
        /// What is wrong.
        detail: String,
    },
}

impl ExportError {
    /// Whether whoever asked can mend it.
    pub fn is_input(&self) -> bool {
        !matches!(self, Self::Store(_) | Self::Disk { .. } | Self::GeoPackage(_) | Self::BuiltIn { .. })
    }

    /// An error carried through something that knows only those of the disk.
    fn within(path: &Path, error: io::Error) -> Self {
        match error.downcast::<Self>() {
            Ok(own) => own,
            Err(source) => Self::Disk { path: path.to_owned(), source },
        }
    }
}

impl From<ExportError> for io::Error {
    fn from(error: ExportError) -> Self {
        Self::other(error)
    }
}

/// What was exported.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Exported {
    /// The file or folder.
    #[serde(serialize_with = "as_text")]
    pub out: PathBuf,
    /// In which format.
    pub format: Format,
    /// Under which licence: its SPDX identifier.
    pub licence: String,
    /// How many visits,
    pub visits: usize,
    /// of these events: visits, stretches, places of signs,
    pub events: usize,
    /// signs,
    pub occurrences: usize,
    /// targets that were looked for with enough effort and not found,
    pub absences: usize,
    /// measures,
    pub measurements: usize,
    /// and photographs.
    pub photographs: usize,
    /// Visits by how they were generalised: category 1 to 4, or `exact`.
    pub generalised: std::collections::BTreeMap<String, usize>,
    /// What stayed here, with counts.
    pub withheld: Tally,
    /// Photographs that couldn't be copied, with the reason.
    pub left_out: Vec<LeftOut>,
    /// Bytes written.
    pub bytes: u64,
}

/// A photograph that couldn't be copied.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct LeftOut {
    /// The name that its copy would have.
    pub file: String,
    /// Why.
    pub reason: String,
}

fn as_text<S: Serializer>(path: &Path, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.collect_str(&path.display())
}

/// Exports a store's visits to a file, or into a folder that is there; photographs into a new or empty folder. `now` is when the file says it was made.
///
/// ```
/// use rakelight_core::export::{Asked, Format, Licence, export};
/// use rakelight_core::{store::Store, words::Words};
/// # let folder = tempfile::tempdir().expect("a folder");
/// let store = Store::open_or_create(&folder.path().join("store"))?;
/// let asked = Asked::of(Format::GeoJson, Licence::named("CC0-1.0")?);
/// let now = "2026-10-03T07:41:10Z".parse().expect("a time");
/// let nothing = export(&store, &folder.path().join("records.geojson"), &asked, now, &Words::load("en").expect("built in"));
/// assert!(nothing.unwrap_err().to_string().contains("no visit"));
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// See [`ExportError`]; then nothing was written.
pub fn export(
    store: &Store,
    out: &Path,
    asked: &Asked,
    now: DateTime<Utc>,
    words: &Words,
) -> Result<Exported, ExportError> {
    check(asked)?;
    let out = free_name(out, asked.format)?;
    let mut visits = Visits::of(store, asked, words)?;
    let copies = asked.photos_in.as_deref().map(photos::copies).transpose()?;
    let about = About { asked, now, words, id_root: visits.root()?, copies };
    let mut left_out = Vec::new();
    if asked.format == Format::Photos {
        left_out = photos::write(&out, store, &mut visits, &about)?;
    } else {
        let write = |file: &mut fs::File| -> io::Result<()> {
            match asked.format {
                Format::Dwca => archive::write(&out, file, &mut visits, &about)?,
                Format::GeoJson => geojson::write(&out, file, &mut visits, &about)?,
                Format::Gpx => gpx::write(&out, file, &mut visits, &about)?,
                Format::Gpkg => geopackage::write(&files::with_part(&out), &mut visits, &about)?,
                Format::Csv => csv::write(&out, file, &mut visits, &about)?,
                Format::Photos => {}
            }
            if visits.counts.visits == 0 { Err(visits.nothing().into()) } else { Ok(()) }
        };
        files::write_whole(&out, write).map_err(|error| ExportError::within(&out, error))?;
    }
    let bytes = written(&out);
    let copied = |counts: &Counts| counts.photographs.saturating_sub(left_out.len());
    Ok(Exported {
        format: asked.format,
        licence: asked.licence.id.clone(),
        visits: visits.counts.visits,
        events: visits.counts.events,
        occurrences: visits.counts.occurrences,
        absences: visits.counts.absences,
        measurements: visits.counts.measurements,
        photographs: copied(&visits.counts),
        generalised: visits.generalised,
        withheld: visits.tally,
        left_out,
        bytes,
        out,
    })
}

fn check(asked: &Asked) -> Result<(), ExportError> {
    if asked.exact.as_ref().is_some_and(|why| why.trim().is_empty()) {
        return Err(ExportError::NoReason);
    }
    if asked.exact.is_some() && asked.category.is_some() {
        return Err(ExportError::ExactAndCategory);
    }
    if let (Some(from), Some(to)) = (asked.from, asked.to)
        && to < from
    {
        return Err(ExportError::Backwards { from, to });
    }
    match &asked.photos_at {
        Some(address) if !address.starts_with("https://") && !address.starts_with("http://") => {
            Err(ExportError::Address(address.clone()))
        }
        _ => Ok(()),
    }
}

/// Where it is written to: under a name that nothing has yet.
fn free_name(out: &Path, format: Format) -> Result<PathBuf, ExportError> {
    let is_free_folder = || fs::read_dir(out).is_ok_and(|mut inside| inside.next().is_none());
    if format == Format::Photos && out.is_dir() && is_free_folder() {
        return Ok(out.to_owned());
    }
    let out = if out.is_dir() && format != Format::Photos { out.join(format.file_name()) } else { out.to_owned() };
    if out.symlink_metadata().is_ok() { Err(ExportError::There(out)) } else { Ok(out) }
}

fn written(out: &Path) -> u64 {
    let length = |path: &Path| fs::metadata(path).map_or(0, |metadata| metadata.len());
    match fs::read_dir(out) {
        Ok(inside) => inside.flatten().map(|entry| length(&entry.path())).sum(),
        Err(_) => length(out),
    }
}

/// What a format says of the whole.
struct About<'a> {
    asked: &'a Asked,
    now: DateTime<Utc>,
    words: &'a Words,
    /// What the records' own identifier follows from.
    id_root: crate::store::Digest,
    /// Copies of photographs by their names, where it is known which there are.
    copies: Option<HashMap<String, photos::Copied>>,
}

impl About<'_> {
    fn title(&self) -> String {
        text::clean(self.asked.title.as_deref().unwrap_or_else(|| self.words.say("export.title"))).into_owned()
    }

    fn team(&self) -> String {
        text::clean(self.asked.team.as_deref().unwrap_or_else(|| self.words.say("export.team"))).into_owned()
    }

    /// Where a photograph's copy lies, as far as one was made.
    fn photo_address(&self, file: &str) -> Option<String> {
        self.copies.as_ref().is_none_or(|copies| copies.contains_key(file)).then_some(())?;
        self.asked.photos_at.as_ref().map(|address| format!("{}/{file}", address.trim_end_matches('/')))
    }
}

/// How many of what.
#[derive(Debug, Clone, Copy, Default)]
struct Counts {
    visits: usize,
    events: usize,
    occurrences: usize,
    absences: usize,
    measurements: usize,
    photographs: usize,
}

/// The visits of a store one after the other, as they leave; only one of them is in memory.
struct Visits<'a> {
    store: &'a Store,
    ids: std::vec::IntoIter<String>,
    places: Places,
    radii: Radii,
    facts: &'static Facts,
    asked: &'a Asked,
    words: &'a Words,
    counts: Counts,
    generalised: std::collections::BTreeMap<String, usize>,
    tally: Tally,
}

impl<'a> Visits<'a> {
    fn of(store: &'a Store, asked: &'a Asked, words: &'a Words) -> Result<Self, ExportError> {
        let facts = Facts::builtin().map_err(|error| ExportError::BuiltIn { detail: error.to_string() })?;
        Ok(Self {
            ids: store.visits()?.into_iter(),
            places: Places::of(store)?,
            radii: Radii::assumed()?,
            counts: Counts::default(),
            generalised: std::collections::BTreeMap::new(),
            tally: Tally::default(),
            store,
            facts,
            asked,
            words,
        })
    }

    /// That of the first visit: stays as long as that one is the first.
    fn root(&self) -> Result<crate::store::Digest, ExportError> {
        let first = self.ids.as_slice().first().map(|id| self.store.root(id)).transpose()?;
        Ok(first.flatten().unwrap_or_default())
    }

    fn nothing(&self) -> ExportError {
        ExportError::Nothing(self.asked.from.is_some() || self.asked.to.is_some())
    }

    fn read(&mut self, id: &str) -> Result<Option<Leaving>, ExportError> {
        let (Some(visit), Some(root)) = (self.store.visit(id)?, self.store.root(id)?) else { return Ok(None) };
        let day = visit.opened.start.date_naive();
        if self.asked.from.is_some_and(|from| day < from) || self.asked.to.is_some_and(|to| day > to) {
            return Ok(None);
        }
        let place = self.places.root(&visit).unwrap_or(root);
        let policy = Policy::of(&visit, &self.places, self.radii, self.asked, self.words);
        let leaving = leaving(&visit, [&root, &place], &policy, self.facts, &mut self.tally);
        let how = policy.category().map_or_else(|| "exact".to_owned(), |category| u8::from(category).to_string());
        *self.generalised.entry(how).or_default() += 1;
        let found = leaving.occurrences.iter().filter(|occurrence| occurrence.found).count();
        self.counts.visits += 1;
        self.counts.events += leaving.events.len();
        self.counts.occurrences += found;
        self.counts.absences += leaving.occurrences.len() - found;
        self.counts.measurements +=
            leaving.occurrences.iter().map(|occurrence| occurrence.measures.len()).sum::<usize>();
        self.counts.photographs += leaving.photos.len();
        Ok(Some(leaving))
    }
}

impl Iterator for Visits<'_> {
    type Item = Result<Leaving, ExportError>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            let id = self.ids.next()?;
            if let Some(visit) = self.read(&id).transpose() {
                return Some(visit);
            }
        }
    }
}
