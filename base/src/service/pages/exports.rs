//! Records for others, from the pages: as `rakelight export` writes them, but that exact positions leave from the command line alone.

use std::fs::File;
use std::io;
use std::path::Path;

use axum::body::Body;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use chrono::{NaiveDate, Utc};
use rakelight_core::exchange::wire::Role;
use rakelight_core::export::{Asked, ExportError, Format, Licence, Vocabulary, export};
use rakelight_core::place::Category;
use tokio_util::io::ReaderStream;
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

use super::ask::{Ask, Reader};
use super::fields::Fields;
use super::refusal::Refusal;
use super::templates::context;
use crate::service::{Id, digests};

/// Formats: their name in the form, the file's name and its media type.
const FORMATS: [(&str, Format, &str, &str); 6] = [
    ("dwca", Format::Dwca, "records.zip", "application/zip"),
    ("gpkg", Format::Gpkg, "records.gpkg", "application/geopackage+sqlite3"),
    ("geojson", Format::GeoJson, "records.geojson", "application/geo+json"),
    ("gpx", Format::Gpx, "records.gpx", "application/gpx+xml"),
    ("csv", Format::Csv, "records.csv", "text/csv; charset=utf-8"),
    ("photos", Format::Photos, "photographs.zip", "application/zip"),
];

pub async fn page(ask: Ask) -> Response {
    ask.person(Role::Coordinator, |reader, _| show(reader, None)).await
}

fn show(reader: &Reader, wrong: Option<String>) -> Result<Response, Refusal> {
    let formats = FORMATS.map(|(name, ..)| name);
    let status = if wrong.is_some() { StatusCode::UNPROCESSABLE_ENTITY } else { StatusCode::OK };
    reader.page_with(status, "export.html", context! { formats, wrong })
}

pub async fn download(ask: Ask, fields: Fields) -> Response {
    ask.form(Role::Coordinator, fields, |reader, _, fields| {
        let named = fields.need("format")?;
        let (_, format, file, kind) =
            FORMATS.into_iter().find(|(name, ..)| *name == named).ok_or(Refusal::wrong("pages.refused.missing"))?;
        let day = |name| match fields.get(name) {
            Some(text) => text.parse::<NaiveDate>().map(Some).map_err(|_| Refusal::wrong("pages.refused.no_date")),
            None => Ok(None),
        };
        let category = fields.get("category").and_then(|number| number.parse::<u8>().ok());
        let Ok(licence) = Licence::named(fields.need("licence")?) else {
            return Err(Refusal::wrong("pages.refused.missing"));
        };
        let asked = Asked {
            from: day("from")?,
            to: day("to")?,
            category: category.and_then(|number| Category::try_from(number).ok()),
            names: fields.get("names").is_some(),
            notes: fields.get("notes").is_some(),
            vocabulary: if fields.get("vocabulary") == Some("2026") {
                Vocabulary::From2026
            } else {
                Vocabulary::default()
            },
            title: fields.get("title").map(str::to_owned),
            team: fields.get("team").map(str::to_owned),
            ..Asked::of(format, licence)
        };
        match written(reader, file, &asked) {
            Ok((written, sha256)) => {
                let attached = format!("attachment; filename=\"{file}\"");
                let of_file = [(header::CONTENT_TYPE, kind.to_owned()), (header::CONTENT_DISPOSITION, attached)];
                let field =
                    digests::field(&sha256).map_err(|_| Refusal::machine("a digest that no header can hold"))?;
                // With its digest here, nobody has to hold all of it to make one.
                let digest = [(digests::REPR_DIGEST, field)];
                let read = ReaderStream::with_capacity(tokio::fs::File::from_std(written), 1 << 16);
                Ok((of_file, digest, Body::from_stream(read)).into_response())
            }
            Err(error) if error.is_input() => show(reader, Some(error.to_string())),
            Err(error) => Err(Refusal::machine(error)),
        }
    })
    .await
}

/// The file, open to be read, and its digest; its name is gone by then, so nothing of it stays.
fn written(reader: &Reader, file: &str, asked: &Asked) -> Result<(File, Id), ExportError> {
    let folder = tempfile::tempdir().map_err(|source| disk(&std::env::temp_dir(), source))?;
    let path = folder.path().join(file);
    let store = reader.pages.own_store()?;
    if asked.format == Format::Photos {
        let copies = folder.path().join("photographs");
        export(&store, &copies, asked, Utc::now(), reader.words)?;
        zip(&copies, &path).map_err(|source| disk(&path, source))?;
    } else {
        export(&store, &path, asked, Utc::now(), reader.words)?;
    }
    let opened = digests::sha256_of_file(&path).and_then(|sha256| Ok((File::open(&path)?, sha256)));
    opened.map_err(|source| disk(&path, source))
}

/// Moves a folder's files into one, as they are: photographs don't get smaller.
fn zip(folder: &Path, out: &Path) -> io::Result<()> {
    let mut zip = ZipWriter::new(File::create_new(out)?);
    let stored = SimpleFileOptions::default().compression_method(CompressionMethod::Stored).large_file(true);
    for entry in std::fs::read_dir(folder)? {
        let entry = entry?;
        zip.start_file(entry.file_name().to_string_lossy(), stored)?;
        io::copy(&mut File::open(entry.path())?, &mut zip)?;
        std::fs::remove_file(entry.path())?;
    }
    zip.finish().map(drop).map_err(io::Error::from)
}

fn disk(path: &Path, source: io::Error) -> ExportError {
    ExportError::Disk { path: path.to_owned(), source }
}
