//! Copies of photographs for others: pixels alone, under names that tell nothing. Position, device, serial number, times, thumbnails and whatever else a
//! camera writes aren't in a copy, since it is made from the pixels.

use std::collections::HashMap;
use std::fs;
use std::io::{self, Write};
use std::path::Path;

use image::codecs::jpeg::JpegEncoder;

use super::leaving::{Leaving, Picture, local};
use super::{About, ExportError, LeftOut, Visits, text};
use crate::photo;
use crate::store::{Store, files};

/// What copies there are.
const LIST: &str = "photographs.csv";
/// As good as a print is measured on.
const QUALITY: u8 = 90;

pub(super) fn write(
    out: &Path,
    store: &Store,
    visits: &mut Visits,
    about: &About,
) -> Result<Vec<LeftOut>, ExportError> {
    let part = files::with_part(out);
    let failed = |source| ExportError::Disk { path: out.to_owned(), source };
    // What a killed export left.
    if part.is_dir() {
        fs::remove_dir_all(&part).map_err(failed)?;
    }
    files::ensure_folder(&part).map_err(failed)?;
    let copied = copy_all(&part, store, visits, about);
    match copied {
        Ok(left_out) => files::replace_folder(&part, out).map_err(failed).map(|()| left_out),
        Err(error) => {
            _ = fs::remove_dir_all(&part);
            Err(error)
        }
    }
}

fn copy_all(part: &Path, store: &Store, visits: &mut Visits, about: &About) -> Result<Vec<LeftOut>, ExportError> {
    let list = part.join(LIST);
    let failed = |source: io::Error| ExportError::Disk { path: list.clone(), source };
    let mut table = csv::Writer::from_writer(files::private().truncate(true).open(&list).map_err(failed)?);
    let heads = [
        "file",
        "identifier",
        "sha256",
        "width_px",
        "height_px",
        "taken",
        "shows",
        "occurrenceIDs",
        "scientificNames",
        "license",
        "creator",
    ];
    table.write_record(heads).map_err(|error| failed(error.into()))?;
    let mut left_out = Vec::new();
    for leaving in visits.by_ref() {
        let leaving = leaving?;
        for picture in &leaving.photos {
            match copy(part, store, picture)? {
                Ok(copied) => {
                    line(&mut table, &leaving, picture, &copied, about).map_err(|error| failed(error.into()))?
                }
                Err(reason) => left_out.push(LeftOut { file: picture.file(), reason }),
            }
        }
    }
    if visits.counts.visits == 0 {
        return Err(visits.nothing());
    }
    table.flush().map_err(failed)?;
    Ok(left_out)
}

/// What is told of a copy.
#[derive(Debug, Clone, PartialEq, serde::Deserialize)]
pub(super) struct Copied {
    pub file: String,
    /// Of the copy's bytes.
    pub sha256: String,
    pub width_px: u32,
    pub height_px: u32,
}

/// The copies in a folder that photographs were exported into, by their names; those that were taken out of it since aren't there any more.
pub(super) fn copies(folder: &Path) -> Result<HashMap<String, Copied>, ExportError> {
    let path = folder.join(LIST);
    let wrong = |why: csv::Error| ExportError::Copies { path: path.clone(), why: why.to_string() };
    let listed: Vec<Copied> =
        csv::Reader::from_path(&path).map_err(wrong)?.deserialize().collect::<Result<_, _>>().map_err(wrong)?;
    let there = listed.into_iter().filter(|copy| folder.join(&copy.file).is_file());
    Ok(there.map(|copy| (copy.file.clone(), copy)).collect())
}

/// The copy, or why there can't be one.
fn copy(part: &Path, store: &Store, picture: &Picture) -> Result<Result<Copied, String>, ExportError> {
    let Some(path) = store.photo_path(&picture.sha256)? else { return Ok(Err("it isn't in the store".into())) };
    let read = fs::read(&path).map_err(|error| error.to_string());
    let decoded = read.and_then(|bytes| photo::read_colour(&bytes).map_err(|error| error.to_string()));
    let encoded = decoded.and_then(|pixels| {
        let mut jpeg = Vec::new();
        let done = JpegEncoder::new_with_quality(&mut jpeg, QUALITY).encode_image(&pixels);
        done.map(|()| (jpeg, pixels.width(), pixels.height())).map_err(|error| error.to_string())
    });
    let (jpeg, width, height) = match encoded {
        Ok(encoded) => encoded,
        Err(reason) => return Ok(Err(reason)),
    };
    let target = part.join(picture.file());
    let written = files::private()
        .truncate(true)
        .open(&target)
        .and_then(|mut file| file.write_all(&jpeg).and_then(|()| file.sync_all()));
    written.map_err(|source| ExportError::Disk { path: target, source })?;
    Ok(Ok(Copied { file: picture.file(), sha256: photo::digest(&jpeg), width_px: width, height_px: height }))
}

fn line(
    table: &mut csv::Writer<fs::File>,
    leaving: &Leaving,
    picture: &Picture,
    copied: &Copied,
    about: &About,
) -> Result<(), csv::Error> {
    let of = |told: fn(&super::leaving::Occurrence) -> &str| {
        picture.of.iter().map(|i| told(&leaving.occurrences[*i])).collect::<Vec<_>>().join(" | ")
    };
    let cells = [
        copied.file.clone(),
        picture.id.clone(),
        copied.sha256.clone(),
        copied.width_px.to_string(),
        copied.height_px.to_string(),
        picture.taken.map(local).unwrap_or_default(),
        picture.shows.clone().unwrap_or_default(),
        of(|occurrence| &occurrence.id),
        of(|occurrence| &occurrence.taxon.name),
        about.asked.licence.url.clone(),
        about.team(),
    ];
    table.write_record(cells.iter().map(|cell| text::cell(cell).into_owned()))
}
