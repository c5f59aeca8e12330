//! What a store promises, tried on stores in a temporary folder. All records are invented.

use std::fs;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use chrono::{DateTime, TimeDelta, Utc};
use proptest::prelude::*;
use rusqlite::config::DbConfig;
use rusqlite::types::Value as Sql;
use rusqlite::{Connection, params};
use serde_json::json;
use tempfile::TempDir;

use super::*;
use crate::words::{LANGUAGES, Words};

fn now() -> DateTime<Utc> {
    "2026-10-03T07:41:10Z".parse().unwrap()
}

fn draft(kind: &str, subject: &str, payload: serde_json::Value) -> Draft {
    Draft { kind: kind.into(), visit: "visit-1".into(), subject: subject.into(), author: "Ada".into(), payload }
}

fn one_visit() -> Vec<Draft> {
    vec![
        draft(kind::VISIT_OPENED, "", json!({"purpose": "otter survey"})),
        draft(kind::PRINT_MEASURED, "h1", json!({"width_mm": 60.1, "u_width_mm": 0.9})),
        draft("a_kind_of_tomorrow", "h1", json!([1, {"two": null}])),
    ]
}

fn a_store() -> (TempDir, Store) {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open_or_create(&folder.path().join("store")).unwrap();
    (folder, store)
}

fn a_photo(folder: &Path) -> PathBuf {
    let photo = folder.join("IMG_1.JPG");
    fs::write(&photo, [&[0xFF, 0xD8, 0xFF, 0xE0][..], &[7; 300]].concat()).unwrap();
    photo
}

/// A store with one visit in two batches and one photograph.
fn a_filled_store() -> (TempDir, Store) {
    let (folder, mut store) = a_store();
    store.append(&one_visit(), now()).unwrap();
    store.append(&[draft(kind::NOTE, "", json!("otter slide by the weir"))], now()).unwrap();
    store.add_photo(&a_photo(folder.path())).unwrap();
    (folder, store)
}

/// How long the logs are, the shortest first.
fn lengths(store: &Store) -> Vec<u64> {
    let mut lengths: Vec<u64> = store.heads().unwrap().logs.values().flatten().map(|tip| tip.number).collect();
    lengths.sort_unstable();
    lengths
}

fn current(store: &Store) -> Vec<(String, String, Option<String>)> {
    let mut current: Vec<_> =
        store.current_of("visit-1").unwrap().into_iter().map(|e| (e.kind, e.subject, e.payload)).collect();
    current.sort();
    current
}

/// A way past the store's own guards, as a fault of the disk takes it.
fn behind_its_back(store: &Store) -> Connection {
    let connection = Connection::open(store.file()).unwrap();
    connection.execute_batch("PRAGMA ignore_check_constraints = ON; PRAGMA foreign_keys = OFF").unwrap();
    connection.set_db_config(DbConfig::SQLITE_DBCONFIG_ENABLE_TRIGGER, false).unwrap();
    connection
}

#[test]
fn the_same_folder_twice_adds_nothing() {
    let (folder, mut store) = a_filled_store();
    let before = store.entry_count().unwrap();
    let again = store.append(&one_visit(), now() + TimeDelta::hours(1)).unwrap();
    assert_eq!(again, Appended { added: 0, unchanged: 3 });
    assert_eq!(store.entry_count().unwrap(), before);
    assert!(!store.add_photo(&a_photo(folder.path())).unwrap().added);
}

#[test]
fn a_correction_is_a_new_entry_and_the_older_one_stays() {
    let (_folder, mut store) = a_filled_store();
    let corrected = draft(kind::PRINT_MEASURED, "h1", json!({"width_mm": 61.0, "u_width_mm": 0.9}));
    let both = [corrected.clone(), corrected];
    assert_eq!(store.append(&both, now()).unwrap(), Appended { added: 1, unchanged: 1 });
    let widths = |entries: Vec<Entry>| -> Vec<f64> {
        entries.iter().filter_map(|e| e.value()?.get("width_mm")?.as_f64()).collect()
    };
    assert_eq!(widths(store.entries_of("visit-1").unwrap()), [60.1, 61.0]);
    assert_eq!(widths(store.current_of("visit-1").unwrap()), [61.0]);
}

#[test]
fn unknown_kinds_and_the_bytes_of_a_payload_are_kept() {
    let (folder, store) = a_filled_store();
    drop(store);
    let store = Store::open(&folder.path().join("store")).unwrap();
    let entries = store.entries_of("visit-1").unwrap();
    let unknown = entries.iter().find(|e| e.kind == "a_kind_of_tomorrow").unwrap();
    assert_eq!(unknown.payload.as_deref(), Some(r#"[1,{"two":null}]"#));
    assert_eq!(unknown.author.as_deref(), Some("Ada"));
    assert_eq!(store.visits().unwrap(), ["visit-1"]);
    assert_eq!(lengths(&store), [4]);
}

#[test]
fn a_clock_set_back_does_not_set_the_log_back() {
    let (_folder, mut store) = a_filled_store();
    store.append(&[draft(kind::NOTE, "", json!("later, by a clock set back"))], now() - TimeDelta::days(400)).unwrap();
    let entries = store.entries_of("visit-1").unwrap();
    assert!(entries.is_sorted_by(|a, b| a.time < b.time && a.number < b.number));
    assert_eq!(current(&store).iter().filter(|(kind, ..)| kind == kind::NOTE).count(), 1);
    assert_eq!(store.verify().unwrap().damage, []);
}

#[test]
fn what_is_erased_is_gone_from_the_disk_and_the_chain_still_verifies() {
    let (folder, mut store) = a_store();
    let secret = Draft { author: "Wilhelmina".into(), ..draft(kind::NOTE, "", json!("Trudes Bootshaus")) };
    store.append(&[secret, draft(kind::NOTE, "h1", json!("stays"))], now()).unwrap();
    let device = store.device().unwrap();
    assert!(store.erase(&device, 1, "asked to", "Ada", now()).unwrap());
    assert!(!store.erase(&device, 1, "asked to", "Ada", now()).unwrap(), "nothing is left to erase");
    let verified = store.verify().unwrap();
    assert_eq!((verified.entries, verified.erased, verified.damage), (3, 1, vec![]), "the withdrawal is an entry too");
    let erased = &store.entries_of("visit-1").unwrap()[0];
    assert_eq!((&erased.author, &erased.payload), (&None, &None));
    for file in fs::read_dir(folder.path().join("store")).unwrap().map(|file| file.unwrap().path()) {
        let bytes = fs::read(&file).unwrap_or_default();
        for gone in ["Wilhelmina", "Bootshaus"] {
            assert!(!bytes.windows(gone.len()).any(|w| w == gone.as_bytes()), "{gone} is still in {}", file.display());
        }
    }
    assert!(store.erase("abc", 1, "", "", now()).is_err());
}

#[test]
fn what_another_program_still_reads_is_not_called_gone() {
    let (_folder, mut store) = a_filled_store();
    store.connection.busy_timeout(std::time::Duration::from_millis(1)).unwrap();
    let device = store.device().unwrap();
    let reader = Connection::open(store.file()).unwrap();
    reader.execute_batch("BEGIN; SELECT * FROM entries").unwrap();
    assert!(matches!(store.erase(&device, 1, "", "Ada", now()), Err(StoreError::StillInLog { .. })));
    reader.execute_batch("COMMIT").unwrap();
    assert!(!store.erase(&device, 1, "", "Ada", now()).unwrap(), "it was erased before, and now it is gone");
}

#[test]
fn entries_cannot_be_changed_or_deleted() {
    let (_folder, store) = a_filled_store();
    let connection = Connection::open(store.file()).unwrap();
    for sql in ["DELETE FROM entries", "UPDATE entries SET visit = 'x'", "UPDATE entries SET payload = '1'"] {
        assert!(connection.execute(sql, []).is_err(), "{sql}");
    }
}

#[test]
fn entries_that_nobody_signed_for_are_reported() {
    let (_folder, store) = a_filled_store();
    behind_its_back(&store).execute("UPDATE entries SET signature = NULL WHERE number = 4", []).unwrap();
    assert!(matches!(store.verify().unwrap().damage[..], [Damage::Unsigned { number: 4, .. }]));
}

#[test]
fn a_database_that_is_laid_out_differently_is_reported() {
    let (_folder, store) = a_filled_store();
    let other_view =
        "DROP VIEW heads_of_entries; CREATE VIEW heads_of_entries AS SELECT device, number, digest FROM heads";
    behind_its_back(&store).execute_batch(other_view).unwrap();
    assert_eq!(store.verify().unwrap().damage, [Damage::Schema { name: "heads_of_entries".into() }]);
}

#[test]
fn a_table_for_reading_that_says_something_else_is_reported_and_built_again() {
    for (table, sql) in [
        ("newest", "UPDATE newest SET entry = 1 WHERE kind = 'note'"),
        ("visits", "UPDATE visits SET wall_ms = 1"),
        ("heads", "UPDATE heads SET number = 3"),
        ("withdrawn", "INSERT INTO withdrawn SELECT device, 1, device FROM heads"),
        ("hollow", "INSERT INTO hollow VALUES (2)"),
        ("wanted_photographs", "INSERT INTO wanted_photographs VALUES (zeroblob(32))"),
    ] {
        let (_folder, mut store) = a_filled_store();
        behind_its_back(&store).execute(sql, []).unwrap();
        assert_eq!(store.verify().unwrap().damage, [Damage::Reading { table: table.into() }]);
        store.rebuild().unwrap();
        assert_eq!(store.verify().unwrap().damage, [], "{table}");
    }
}

#[test]
fn a_missing_entry_is_a_gap_and_breaks_the_log() {
    let (_folder, store) = a_filled_store();
    behind_its_back(&store).execute("DELETE FROM entries WHERE number = 2", []).unwrap();
    let damage = store.verify().unwrap().damage;
    assert!(matches!(damage[0], Damage::Gap { missing: 2, number: 3, .. }), "{damage:?}");
}

#[test]
fn photographs_are_kept_as_taken_and_put_right_when_damaged() {
    let (folder, mut store) = a_store();
    let photo = a_photo(folder.path());
    let first = store.add_photo(&photo).unwrap();
    assert!(first.added && first.bytes == 304);
    let kept = store.photo_path(&first.sha256).unwrap().unwrap();
    assert!(kept.ends_with(format!("photos/{}/{}.jpg", &first.sha256[..2], first.sha256)));
    assert_eq!(fs::read(&kept).unwrap(), fs::read(&photo).unwrap());

    fs::remove_file(&kept).unwrap();
    assert_eq!(store.verify().unwrap().damage, [Damage::PhotographMissing { sha256: first.sha256.clone() }]);
    fs::write(&kept, "half of it").unwrap();
    fs::write(kept.with_extension("jpg.part"), "left by a killed process").unwrap();
    assert_eq!(store.verify().unwrap().damage, [Damage::PhotographChanged { sha256: first.sha256.clone() }]);
    assert!(store.add_photo(&photo).unwrap().added);
    assert_eq!(store.verify().unwrap(), Verified { entries: 0, erased: 0, photographs: 1, damage: vec![] });
    assert_eq!(fs::read_dir(kept.parent().unwrap()).unwrap().count(), 1, "nothing is left beside it");
    assert_eq!(store.photo_path(&"0".repeat(64)).unwrap(), None);
    assert!(store.photo_path("../../etc/passwd").is_err());
    assert!(store.add_photo(&folder.path().join("none.jpg")).unwrap_err().to_string().contains("none.jpg"));
}

#[test]
#[cfg(unix)]
fn the_key_and_the_records_are_the_owners_alone() {
    use std::os::unix::fs::PermissionsExt;
    let (folder, _store) = a_filled_store();
    for name in ["device.key", "store.sqlite"] {
        let mode = fs::metadata(folder.path().join("store").join(name)).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o600, "{name}");
    }
}

#[test]
fn a_store_without_its_key_goes_on_in_a_new_log() {
    let (folder, mut store) = a_filled_store();
    let key = folder.path().join("store/device.key");
    fs::write(&key, "not a key").unwrap();
    let more = [draft(kind::NOTE, "h2", json!("more"))];
    assert!(matches!(store.append(&more, now()), Err(StoreError::Key { .. })));
    fs::remove_file(&key).unwrap();
    store.append(&more, now()).unwrap();
    assert_eq!(lengths(&store), [1, 4]);
    assert_eq!(store.verify().unwrap().damage, []);
    assert_eq!(store.current_of("visit-1").unwrap().last().unwrap().subject, "h2", "it is the newest of all");
}

#[test]
#[cfg(unix)]
fn a_folder_that_cannot_be_written_is_said() {
    use std::os::unix::fs::PermissionsExt;
    let (folder, store) = a_filled_store();
    let dir = folder.path().join("store");
    store.connection.close().unwrap();
    let allow = |mode| fs::set_permissions(&dir, fs::Permissions::from_mode(mode)).unwrap();
    allow(0o500);
    if fs::write(dir.join("as-root"), "").is_ok() {
        return; // rights don't bind this user
    }
    let opened = Store::open(&dir).and_then(|store| store.entry_count());
    assert!(matches!(opened, Err(StoreError::ReadOnly { .. })), "{opened:?}");
    let made = Store::open_or_create(&dir.join("inner"));
    assert!(matches!(made, Err(StoreError::File { .. })), "{made:?}");
    allow(0o700);
    assert_eq!(Store::open(&dir).unwrap().verify().unwrap().damage, []);
}

#[test]
fn what_is_no_store_is_refused_and_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path();
    assert!(matches!(Store::open(dir), Err(StoreError::Missing { .. })));
    assert!(matches!(Store::open(&dir.join("nowhere")), Err(StoreError::Missing { .. })));
    assert_eq!(fs::read_dir(dir).unwrap().count(), 0);

    let file = dir.join(FILE);
    fs::write(&file, "a text that somebody wrote here, longer than the header of a database ".repeat(20)).unwrap();
    assert!(matches!(Store::open_or_create(dir), Err(StoreError::Foreign { .. })));
    fs::remove_file(&file).unwrap();
    Connection::open(&file).unwrap().execute_batch("CREATE TABLE theirs (a)").unwrap();
    let before = fs::read(&file).unwrap();
    assert!(matches!(Store::open_or_create(dir), Err(StoreError::Foreign { .. })));
    assert_eq!(fs::read(&file).unwrap(), before);

    fs::write(dir.join("file"), "").unwrap();
    assert!(matches!(Store::open_or_create(&dir.join("file")), Err(StoreError::File { .. })));
}

#[test]
fn a_newer_schema_is_refused_with_both_numbers() {
    let (folder, store) = a_filled_store();
    behind_its_back(&store).pragma_update(None, "user_version", 99).unwrap();
    let refused = Store::open(&folder.path().join("store")).unwrap_err();
    assert!(matches!(refused, StoreError::Newer { found: 99, known: 3, .. }), "{refused}");
}

#[test]
fn a_store_whose_making_was_cut_off_is_made() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join(FILE), "").unwrap();
    assert_eq!(Store::open(folder.path()).unwrap().entry_count().unwrap(), 0);
}

#[test]
fn a_full_disk_is_said_and_loses_nothing() {
    let (_folder, mut store) = a_filled_store();
    let pages: i64 = store.connection.query_row("PRAGMA page_count", [], |row| row.get(0)).unwrap();
    store.connection.pragma_update(None, "max_page_count", pages).unwrap();
    let before = store.entry_count().unwrap();
    let large = [draft(kind::NOTE, "small", json!(1)), draft(kind::NOTE, "large", json!("x".repeat(100_000)))];
    assert!(matches!(store.append(&large, now()), Err(StoreError::Full { .. })));
    assert_eq!(store.entry_count().unwrap(), before);
    assert_eq!(store.verify().unwrap().damage, []);
}

#[test]
fn a_store_that_somebody_else_is_writing_to_is_busy() {
    let (_folder, mut store) = a_filled_store();
    store.connection.busy_timeout(std::time::Duration::from_millis(1)).unwrap();
    let other = Connection::open(store.file()).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let more = [draft(kind::NOTE, "h2", json!("more"))];
    assert!(matches!(store.append(&more, now()), Err(StoreError::Busy { .. })));
    assert_eq!(store.entry_count().unwrap(), 4, "reading goes on meanwhile");
    other.execute_batch("COMMIT").unwrap();
    assert_eq!(store.append(&more, now()).unwrap().added, 1);
}

#[test]
fn several_writers_at_once_make_one_unbroken_log() {
    let folder = tempfile::tempdir().unwrap();
    let (dir, photo) = (folder.path().join("store"), a_photo(folder.path()));
    std::thread::scope(|scope| {
        for writer in 0..4 {
            let (dir, photo) = (&dir, &photo);
            scope.spawn(move || {
                let mut store = Store::open_or_create(dir).unwrap();
                // On a machine that is busy with other things a turn may be long in coming.
                store.connection.busy_timeout(std::time::Duration::from_secs(60)).unwrap();
                for i in 0..10 {
                    store.append(&[draft(kind::NOTE, &format!("{writer}-{i}"), json!(i))], now()).unwrap();
                }
                store.add_photo(photo).unwrap();
            });
        }
    });
    let store = Store::open(&dir).unwrap();
    assert_eq!(lengths(&store), [40]);
    assert_eq!(store.verify().unwrap(), Verified { entries: 40, erased: 0, photographs: 1, damage: vec![] });
}

#[test]
fn damage_is_said_in_every_language() {
    let (_folder, store) = a_filled_store();
    behind_its_back(&store).execute("UPDATE entries SET payload = '{}' WHERE number = 2", []).unwrap();
    let damage = &store.verify().unwrap().damage[0];
    for language in LANGUAGES {
        let text = damage.say(&Words::load(language).unwrap());
        assert!(text.contains('2') && !text.contains('{') && !text.contains("store."), "{text}");
    }
    let json = serde_json::to_value(damage).unwrap();
    assert_eq!(json["what"], "payload_changed");
}

/// Plays the process that is killed, in a process of its own.
#[test]
#[ignore = "runs until it is killed; started by the next test"]
fn records_until_it_is_killed() {
    let Ok(dir) = std::env::var("STORE_OF_THE_KILLED") else { return };
    let mut store = Store::open_or_create(Path::new(&dir)).unwrap();
    let already = store.entry_count().unwrap();
    for i in already.. {
        let photo = Path::new(&dir).with_file_name("taken.jpg");
        fs::write(&photo, vec![(i % 251) as u8; 50_000 + i]).unwrap();
        let photo = store.add_photo(&photo).unwrap();
        store.append(&[draft(kind::PHOTOGRAPH_ATTACHED, &photo.sha256, json!({"i": i}))], now()).unwrap();
        println!("\nacknowledged {}", photo.sha256);
    }
}

#[test]
fn what_was_acknowledged_before_a_kill_is_there_and_nothing_is_half_there() {
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path().join("store");
    for delay_ms in [1, 5, 13, 29, 50, 77] {
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "store::tests::records_until_it_is_killed", "--ignored", "--nocapture"])
            .env("STORE_OF_THE_KILLED", &dir)
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut said = BufReader::new(child.stdout.take().unwrap()).lines();
        let mut acknowledged = Vec::new();
        let mut take = |line: std::io::Result<String>| {
            acknowledged.extend(line.unwrap().strip_prefix("acknowledged ").map(str::to_owned));
            acknowledged.len()
        };
        while take(said.next().expect("the child records")) == 0 {}
        std::thread::sleep(std::time::Duration::from_millis(delay_ms));
        child.kill().unwrap();
        child.wait().unwrap();
        said.for_each(|line| _ = take(line));

        let store = Store::open(&dir).unwrap();
        assert_eq!(store.verify().unwrap().damage, []);
        let attached: Vec<String> = store.entries_of("visit-1").unwrap().into_iter().map(|e| e.subject).collect();
        assert!(acknowledged.iter().all(|sha256| attached.contains(sha256)));
        assert!(attached.iter().all(|sha256| store.photo_path(sha256).unwrap().unwrap().is_file()));
    }
}

fn some_drafts() -> impl Strategy<Value = Vec<Draft>> {
    let one = ("[abc]", prop::sample::select(vec![kind::NOTE, kind::SIGN_NOTED]), any::<f64>(), ".{0,12}");
    let draft = one.prop_map(|(subject, kind, number, text)| draft(kind, &subject, json!({"n": number, "t": text})));
    prop::collection::vec(draft, 1..12)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn any_split_into_batches_gives_the_same_state(drafts in some_drafts(), cuts in prop::collection::vec(1usize..5, 12)) {
        let (_one, mut at_once) = a_store();
        at_once.append(&drafts, now()).unwrap();
        let (_two, mut in_parts) = a_store();
        let mut rest = &drafts[..];
        for cut in cuts {
            let (part, later) = rest.split_at(cut.min(rest.len()));
            in_parts.append(part, now()).unwrap();
            rest = later;
        }
        prop_assert!(rest.is_empty());
        prop_assert_eq!(current(&at_once), current(&in_parts));
        prop_assert_eq!(at_once.entry_count().unwrap(), in_parts.entry_count().unwrap());
        prop_assert_eq!(in_parts.verify().unwrap().damage, vec![]);
    }

    #[test]
    fn appending_twice_adds_nothing(drafts in some_drafts()) {
        let (_folder, mut store) = a_store();
        store.append(&drafts, now()).unwrap();
        let newest: Vec<Draft> = store.current_of("visit-1").unwrap().into_iter().map(|e| {
            drafts.iter().rfind(|d| d.kind == e.kind && d.subject == e.subject).unwrap().clone()
        }).collect();
        let before = store.entry_count().unwrap();
        prop_assert_eq!(store.append(&newest, now()).unwrap(), Appended { added: 0, unchanged: newest.len() });
        prop_assert_eq!(store.entry_count().unwrap(), before);
    }
}

const COLUMNS: [&str; 15] = [
    "device",
    "number",
    "wall_ms",
    "counter",
    "kind",
    "visit",
    "subject",
    "author_digest",
    "payload_digest",
    "previous",
    "digest",
    "signature",
    "salt",
    "author",
    "payload",
];

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// One bit of one field of one entry, as it stands in the database.
    #[test]
    fn a_flipped_bit_in_an_entry_is_reported(column in prop::sample::select(&COLUMNS[..]), number in 1i64..=4, at in any::<prop::sample::Index>(), bit in 0u8..8) {
        let (_folder, store) = a_filled_store();
        let connection = behind_its_back(&store);
        let field: Sql = connection
            .query_row(&format!("SELECT {column} FROM entries WHERE number = ?1"), [number], |row| row.get(0))
            .unwrap();
        let flip = |mut bytes: Vec<u8>| { let i = at.index(bytes.len()); bytes[i] ^= 1 << bit; bytes };
        let (flipped, sql) = match field {
            Sql::Integer(n) => (Sql::Integer(n ^ 1 << at.index(63)), "?1"),
            Sql::Blob(bytes) => (Sql::Blob(flip(bytes)), "?1"),
            Sql::Text(text) if !text.is_empty() => (Sql::Blob(flip(text.into_bytes())), "CAST(?1 AS TEXT)"),
            _ => return Ok(()),
        };
        let sql = format!("UPDATE entries SET {column} = {sql} WHERE number = ?2");
        if connection.execute(&sql, params![flipped, number]).is_err() {
            return Ok(()); // a number that is there already: the database doesn't take it
        }
        let damage = store.verify().unwrap().damage;
        prop_assert!(!damage.is_empty(), "{column} of {number}");
    }

    #[test]
    fn a_flipped_bit_in_a_photograph_is_reported(at in 0usize..304, bit in 0u8..8) {
        let (folder, mut store) = a_filled_store();
        let photo = store.add_photo(&a_photo(folder.path())).unwrap();
        let path = store.photo_path(&photo.sha256).unwrap().unwrap();
        let mut bytes = fs::read(&path).unwrap();
        bytes[at] ^= 1 << bit;
        fs::write(&path, bytes).unwrap();
        prop_assert_eq!(store.verify().unwrap().damage, vec![Damage::PhotographChanged { sha256: photo.sha256 }]);
    }

    /// One bit of the database file: either the damage is noticed, or every entry reads as it was written (the bit lies where nothing is kept).
    #[test]
    fn a_flipped_bit_in_the_file_is_never_taken_silently(at in any::<prop::sample::Index>(), bit in 0u8..8) {
        let (folder, store) = a_filled_store();
        let (dir, file, written) = (folder.path().join("store"), store.file(), store.entries_of("visit-1").unwrap());
        store.connection.close().unwrap();
        let mut bytes = fs::read(&file).unwrap();
        let at = at.index(bytes.len());
        bytes[at] ^= 1 << bit;
        fs::write(&file, bytes).unwrap();
        let Ok(store) = Store::open(&dir) else { return Ok(()) };
        let Ok(verified) = store.verify() else { return Ok(()) };
        if verified.damage.is_empty() {
            prop_assert_eq!(store.entries_of("visit-1").unwrap(), written, "byte {} bit {}", at, bit);
            prop_assert_eq!((verified.entries, verified.photographs), (4, 1), "byte {} bit {}", at, bit);
        }
    }
}
