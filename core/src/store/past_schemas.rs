//! Every schema that a store ever had is still opened: `fixtures/store/README.md` says how the files were made.

use std::fs;
use std::path::Path;

use rusqlite::{Connection, OpenFlags};

use super::photographs::path_of;
use super::*;
use crate::survey::{SignKind, findings};
use crate::words::Words;

const FIXTURES: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../fixtures");

/// The past schemas of which a store is kept; today's is tried by all other tests.
fn kept() -> Vec<usize> {
    (1..=MIGRATIONS.len()).filter(|schema| file_of(*schema).exists()).collect()
}

fn file_of(schema: usize) -> PathBuf {
    Path::new(FIXTURES).join(format!("store/schema-{schema}.sqlite"))
}

/// The entries as they stand in the file, without any code of the store.
fn as_written(file: &Path) -> Vec<Entry> {
    let connection = Connection::open_with_flags(file, OpenFlags::SQLITE_OPEN_READ_ONLY).unwrap();
    let sql = format!("SELECT {} FROM entries ORDER BY wall_ms, counter, device, number", Entry::COLUMNS);
    let mut query = connection.prepare(&sql).unwrap();
    query.query_map([], Entry::of_row).unwrap().collect::<Result<_, _>>().unwrap()
}

#[test]
fn a_store_of_every_past_schema_is_kept() {
    let past: Vec<usize> = (1..MIGRATIONS.len()).collect();
    assert!(kept().starts_with(&past), "fixtures/store/README.md says how to make the one that is missing");
}

#[test]
fn a_store_of_every_past_schema_opens_verifies_and_reads_as_it_was_written() {
    for schema in kept() {
        let folder = tempfile::tempdir().unwrap();
        let dir = folder.path();
        fs::copy(file_of(schema), dir.join(FILE)).unwrap();
        let written = as_written(&dir.join(FILE));
        let photo = Path::new(FIXTURES).join("demo-visit/IMG_0108.jpg");
        let (digest, _) = files::digest_file(&photo).unwrap();
        let place = path_of(dir, &digest, "jpg");
        fs::create_dir_all(place.parent().unwrap()).unwrap();
        fs::copy(&photo, &place).unwrap();

        let mut store = Store::open(dir).unwrap();
        let verified = store.verify().unwrap();
        assert_eq!(verified, Verified { entries: 13, erased: 1, photographs: 1, damage: vec![] }, "schema {schema}");
        let ids = store.visits().unwrap();
        let [id] = &ids[..] else { panic!("one visit: {ids:?}") };
        assert_eq!(store.entries_of(id).unwrap(), written, "schema {schema}");
        assert_eq!(store.photo_path(&hex::encode(digest)).unwrap(), Some(place));

        let visit = store.visit(id).unwrap().unwrap();
        assert_eq!(visit.opened.people, ["Ida Fennwick", "Jorun Tesk"]);
        assert_eq!((visit.stretches.len(), visit.track.len(), visit.photos.len()), (1, 1, 1));
        assert_eq!((visit.measured.len(), visit.trails.len(), visit.identified.len()), (1, 1, 1));
        let dropping = visit.signs.iter().find(|sign| sign.sign == SignKind::Dropping).unwrap();
        assert!(dropping.note.as_deref().unwrap().ends_with("left it there"), "the newer note counts");
        assert_eq!(crate::survey::utc_text(visit.closed.as_ref().unwrap().end), "2026-10-14T08:36:00Z");
        assert_eq!(findings(&visit, &Words::load("en").unwrap())[0].maker, "lutra_lutra");

        let note = Draft {
            kind: kind::NOTE.into(),
            visit: id.clone(),
            subject: "n".into(),
            author: "Ada".into(),
            payload: "goes on".into(),
        };
        assert_eq!(store.append(&[note], "2026-11-01T00:00:00Z".parse().unwrap()).unwrap().added, 1);
        assert_eq!(store.verify().unwrap().damage, [], "schema {schema}");
    }
}
