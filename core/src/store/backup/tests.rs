//! What a backup promises. All records are invented.

use std::path::Component;

use proptest::prelude::*;
use serde_json::json;
use tempfile::TempDir;

use super::*;
use crate::store::{Damage, Draft, kind};

fn draft(subject: &str) -> Draft {
    let payload = json!({"file": subject});
    Draft { kind: kind::NOTE.into(), visit: "visit-1".into(), subject: subject.into(), author: "Ada".into(), payload }
}

fn now() -> chrono::DateTime<chrono::Utc> {
    "2026-10-03T07:41:10Z".parse().unwrap()
}

fn a_photo(folder: &Path, filling: u8) -> PathBuf {
    let photo = folder.join(format!("IMG_{filling}.JPG"));
    fs::write(&photo, [&[0xFF, 0xD8, 0xFF, 0xE0][..], &vec![filling; 90_000]].concat()).unwrap();
    photo
}

/// A store with records, a photograph, what the base's service keeps, and what belongs in no backup.
fn a_store() -> (TempDir, Store) {
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path().join("store");
    let mut store = Store::open_or_create(&dir).unwrap();
    store.append(&[draft("a"), draft("b")], now()).unwrap();
    let photo = store.add_photo(&a_photo(folder.path(), 1)).unwrap();
    Connection::open(dir.join(SERVICE))
        .unwrap()
        .execute_batch("CREATE TABLE peers (name); INSERT INTO peers VALUES ('Ada')")
        .unwrap();
    fs::create_dir_all(dir.join("service/inner")).unwrap();
    for name in
        ["service/tls.key", "service/tls.key.part", "service/.hidden", "service/inner/more", "uploads", "notes.txt"]
    {
        fs::write(dir.join(name), "x").unwrap();
    }
    fs::write(store.photo_path(&photo.sha256).unwrap().unwrap().with_extension("jpg.part"), "half").unwrap();
    (folder, store)
}

/// A key made for the test, and the lock that it opens.
fn a_key() -> (Lock, Unlock) {
    let identity = age::x25519::Identity::generate();
    let lock = Lock::for_recipients(&[identity.to_public().to_string()]).unwrap();
    (lock, Unlock(vec![Box::new(identity)]))
}

fn names_inside(file: &Path, unlock: &Unlock) -> Vec<String> {
    let mut tar = tar::Archive::new(open(file, unlock).unwrap());
    tar.entries().unwrap().map(|entry| entry.unwrap().path().unwrap().display().to_string()).collect()
}

/// An encrypted archive of whatever a stranger puts into it.
fn a_strangers(file: &Path, lock: &Lock, fill: impl FnOnce(&mut tar::Builder<Vec<u8>>)) {
    let mut tar = tar::Builder::new(Vec::new());
    fill(&mut tar);
    let recipients = lock.0.iter().map(|recipient| &**recipient as &dyn Recipient);
    let mut sealed = Encryptor::with_recipients(recipients).unwrap().wrap_output(File::create(file).unwrap()).unwrap();
    sealed.write_all(&tar.into_inner().unwrap()).unwrap();
    sealed.finish().unwrap();
}

/// Without the checks that the archive's own writer makes of names.
fn raw_entry(tar: &mut tar::Builder<Vec<u8>>, name: &str, kind: tar::EntryType, bytes: &[u8]) {
    let mut header = tar::Header::new_ustar();
    header.as_mut_bytes()[..name.len()].copy_from_slice(name.as_bytes());
    header.set_entry_type(kind);
    header.set_size(bytes.len() as u64);
    header.set_cksum();
    tar.append(&header, bytes).unwrap();
}

fn assert_nothing_came_of_it(folder: &Path, restored: &Result<Verified, StoreError>) {
    assert!(restored.is_err());
    assert!(!folder.join("again").exists() && !folder.join("again.part").exists(), "{restored:?}");
}

#[test]
fn a_backup_brings_back_every_entry_and_photograph() {
    let (folder, store) = a_store();
    let (file, again) = (folder.path().join("store.age"), folder.path().join("far/away/again"));
    let lock = Lock::with_passphrase("low sun on wet mud").unwrap();
    let made = store.backup(&file, &lock).unwrap();
    assert_eq!((made.photographs, made.bytes), (1, fs::metadata(&file).unwrap().len()));
    let wrong = restore(&file, &Unlock::with_passphrase("low sun on wet sand").unwrap(), &folder.path().join("again"));
    assert!(matches!(wrong, Err(StoreError::BackupLocked { by: "passphrase", .. })), "{wrong:?}");
    assert_nothing_came_of_it(folder.path(), &wrong);

    let verified = restore(&file, &Unlock::with_passphrase("low sun on wet mud").unwrap(), &again).unwrap();
    assert_eq!(verified, Verified { entries: 2, erased: 0, photographs: 1, damage: vec![] });
    let restored = Store::open(&again).unwrap();
    assert_eq!(restored.entries_of("visit-1").unwrap(), store.entries_of("visit-1").unwrap());
    let mode: String = restored.connection.query_row("PRAGMA journal_mode", [], |row| row.get(0)).unwrap();
    assert_eq!(mode, "wal", "readers don't wait for writers in a restored store either");
    assert!(!again.with_extension("part").exists());
}

#[test]
fn what_belongs_to_this_device_or_is_unfinished_stays_out() {
    let (folder, store) = a_store();
    let (file, (lock, unlock)) = (folder.path().join("store.age"), a_key());
    store.backup(&file, &lock).unwrap();
    let names = names_inside(&file, &unlock);
    let [database, service_database, photo, key] = &names[..] else { panic!("{names:?}") };
    assert_eq!([database, service_database, key], [FILE, SERVICE, "service/tls.key"]);
    assert!(photo.starts_with("photos/") && photo.ends_with(".jpg"));
    assert!(!folder.path().join("store/backup.part").exists(), "no copy in the open is left");
}

#[test]
fn a_restored_store_goes_on_under_a_new_device_id() {
    let (folder, mut store) = a_store();
    let (file, again, (lock, unlock)) = (folder.path().join("b.age"), folder.path().join("again"), a_key());
    store.backup(&file, &lock).unwrap();
    fs::create_dir(&again).unwrap();
    restore(&file, &unlock, &again).unwrap();
    let mut restored = Store::open(&again).unwrap();
    restored.append(&[draft("in the restored one")], now()).unwrap();
    store.append(&[draft("in the first one")], now()).unwrap();
    let newest = |store: &Store| store.entries_of("visit-1").unwrap().pop().unwrap();
    assert_eq!((newest(&store).number, newest(&restored).number), (3, 1));
    assert_ne!(newest(&store).device, newest(&restored).device);
}

#[test]
fn a_backup_of_a_store_in_use_is_of_one_moment() {
    let (folder, mut store) = a_store();
    let (lock, unlock) = a_key();
    let reader = Store::open(&folder.path().join("store")).unwrap();
    std::thread::scope(|scope| {
        let writer = scope.spawn(|| {
            for i in 2..40 {
                let photo = store.add_photo(&a_photo(folder.path(), i)).unwrap();
                store.append(&[draft(&photo.sha256)], now()).unwrap();
            }
        });
        for i in 0..4 {
            let (file, again) = (folder.path().join("b.age"), folder.path().join(format!("again-{i}")));
            reader.backup(&file, &lock).unwrap();
            assert_eq!(restore(&file, &unlock, &again).unwrap().damage, []);
            let restored = Store::open(&again).unwrap();
            for entry in &restored.entries_of("visit-1").unwrap()[2..] {
                let photo =
                    restored.photo_path(&entry.subject).unwrap().expect("what an entry names was there before it");
                assert!(photo.is_file());
            }
        }
        writer.join().unwrap();
    });
}

#[test]
fn two_backups_of_one_store_at_once_are_refused_and_leftovers_cleared() {
    let (folder, store) = a_store();
    let (file, (lock, unlock)) = (folder.path().join("b.age"), a_key());
    let first = Copies::take(&store).unwrap();
    assert!(matches!(store.backup(&file, &lock), Err(StoreError::BackupRunning { .. })));
    assert!(!file.exists());
    let left = first.folder.clone();
    drop(first);
    fs::create_dir(&left).unwrap();
    fs::write(left.join(FILE), "left by a killed process").unwrap();
    store.backup(&file, &lock).unwrap();
    assert_eq!(restore(&file, &unlock, &folder.path().join("again")).unwrap().damage, []);
}

#[test]
fn damage_comes_along_and_is_said() {
    let (folder, store) = a_store();
    let (file, (lock, unlock)) = (folder.path().join("b.age"), a_key());
    let sha256 = hex::encode(files::digest_file(&a_photo(folder.path(), 1)).unwrap().0);
    fs::remove_file(store.photo_path(&sha256).unwrap().unwrap()).unwrap();
    store.backup(&file, &lock).unwrap();
    let verified = restore(&file, &unlock, &folder.path().join("again")).unwrap();
    assert_eq!(verified.damage, [Damage::PhotographMissing { sha256 }]);
}

#[test]
fn a_folder_with_something_in_it_is_left_alone() {
    let (folder, store) = a_store();
    let (file, (lock, unlock)) = (folder.path().join("b.age"), a_key());
    store.backup(&file, &lock).unwrap();
    let before = names_in(folder.path(), "store").unwrap();
    let over = restore(&file, &unlock, &folder.path().join("store"));
    assert!(matches!(over, Err(StoreError::NotEmpty { .. })), "{over:?}");
    assert_eq!(names_in(folder.path(), "store").unwrap(), before);
    fs::create_dir(folder.path().join("again.part")).unwrap();
    let beside = restore(&file, &unlock, &folder.path().join("again"));
    assert!(matches!(&beside, Err(StoreError::NotEmpty { dir }) if dir.ends_with("again.part")), "{beside:?}");
}

#[test]
fn the_wrong_key_and_the_wrong_file_are_told_apart() {
    let (folder, store) = a_store();
    let (file, (lock, unlock)) = (folder.path().join("b.age"), a_key());
    store.backup(&file, &lock).unwrap();
    let into = folder.path().join("again");
    let other = restore(&file, &a_key().1, &into);
    assert!(matches!(other, Err(StoreError::BackupLocked { by: "identity", .. })), "{other:?}");
    assert_nothing_came_of_it(folder.path(), &other);
    for (text, name) in [("", "empty"), ("a text of somebody's", "text"), ("age-encryption.org/v1\n", "head")] {
        fs::write(folder.path().join(name), text).unwrap();
        let refused = restore(&folder.path().join(name), &unlock, &into);
        assert!(matches!(refused, Err(StoreError::NotABackup { .. })), "{name}: {refused:?}");
        assert_nothing_came_of_it(folder.path(), &refused);
    }
    let none = restore(&folder.path().join("none"), &unlock, &into);
    assert!(matches!(&none, Err(StoreError::File { path, .. }) if path.ends_with("none")), "{none:?}");
    assert_nothing_came_of_it(folder.path(), &none);
}

#[test]
fn keys_are_read_as_age_keygen_writes_them() {
    // From the specification of age (age-encryption.org/v1): its example recipient.
    let recipient = "age1zvkyg2lqzraa2lnjvqej32nkuu0ues2s82hzrye869xeexvn73equnujwj".to_owned();
    assert!(Lock::for_recipients(std::slice::from_ref(&recipient)).is_ok());
    let identity = age::x25519::Identity::generate().to_string();
    let file = format!(
        "# created: today\n# public key: {recipient}\n{}\n\n",
        age::secrecy::ExposeSecret::expose_secret(&identity)
    );
    assert!(Unlock::with_identities(&file).is_ok());
    for wrong in [vec![], vec![recipient, "age1nobody".into()]] {
        assert!(matches!(Lock::for_recipients(&wrong), Err(StoreError::BackupKey { .. })));
    }
    let said = Unlock::with_identities("AGE-SECRET-KEY-1MISTYPED").err().unwrap().to_string();
    assert!(!said.contains("MISTYPED"), "a secret isn't repeated: {said}");
    assert!(Unlock::with_identities("# nothing\n").is_err() && Lock::with_passphrase("").is_err());
}

#[test]
fn nothing_but_the_files_of_a_store_comes_out_of_an_archive() {
    use tar::EntryType as Kind;
    let folder = tempfile::tempdir().unwrap();
    let (file, (lock, unlock)) = (folder.path().join("b.age"), a_key());
    let photo = format!("photos/ab/ab{}.jpg", "0".repeat(62));
    let hostile = [
        ("../outside", Kind::Regular),
        ("/tmp/outside", Kind::Regular),
        ("photos/../../outside", Kind::Regular),
        ("service/../../outside", Kind::Regular),
        ("service/..", Kind::Regular),
        ("device.key", Kind::Regular),
        ("store.sqlite-wal", Kind::Regular),
        ("service/tls.key\n", Kind::Regular),
        (&photo.replace("/ab/", "/cd/"), Kind::Regular),
        (&photo, Kind::Symlink),
        ("service/link", Kind::Link),
        ("service/fifo", Kind::Fifo),
        ("store.sqlite", Kind::GNUSparse),
    ];
    for (name, kind) in hostile {
        a_strangers(&file, &lock, |tar| raw_entry(tar, name, kind, b""));
        let refused = restore(&file, &unlock, &folder.path().join("again"));
        assert!(matches!(refused, Err(StoreError::NotABackup { .. })), "{name}: {refused:?}");
        assert_nothing_came_of_it(folder.path(), &refused);
    }
    a_strangers(&file, &lock, |tar| (0..2).for_each(|_| raw_entry(tar, "service/a", Kind::Regular, b"x")));
    let twice = restore(&file, &unlock, &folder.path().join("again"));
    assert!(twice.as_ref().is_err_and(|e| e.to_string().contains("twice")), "{twice:?}");
    a_strangers(&file, &lock, |tar| raw_entry(tar, "service/a", Kind::Regular, b"x"));
    let no_database = restore(&file, &unlock, &folder.path().join("again"));
    assert!(no_database.as_ref().is_err_and(|e| e.to_string().contains("no store.sqlite")), "{no_database:?}");
    assert_nothing_came_of_it(folder.path(), &no_database);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(32))]

    #[test]
    fn a_torn_or_changed_file_restores_nothing(at in any::<prop::sample::Index>(), bit in 0u8..8, cut in any::<bool>()) {
        let (folder, store) = a_store();
        let (file, (lock, unlock)) = (folder.path().join("b.age"), a_key());
        store.backup(&file, &lock).unwrap();
        let mut bytes = fs::read(&file).unwrap();
        let at = at.index(bytes.len());
        if cut { bytes.truncate(at) } else { bytes[at] ^= 1 << bit }
        fs::write(&file, bytes).unwrap();
        let restored = restore(&file, &unlock, &folder.path().join("again"));
        assert_nothing_came_of_it(folder.path(), &restored);
        let said = restored.unwrap_err();
        prop_assert!(matches!(said, StoreError::BackupTorn { .. } | StoreError::NotABackup { .. } | StoreError::BackupLocked { .. }), "{}", said);
    }

    #[test]
    fn a_name_with_a_place_never_leads_out_of_the_folder(name in "(store.sqlite|photos|service|[a-z.]{1,3})(/[a-f0-9./\\\\:-]{0,70}){0,3}") {
        if has_its_place(&name) {
            prop_assert!(Path::new(&name).components().all(|part| matches!(part, Component::Normal(_))));
            prop_assert!(!name.contains(['\\', ':']));
        }
    }
}
