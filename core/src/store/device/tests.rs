//! Whose log a store goes on with. All records are invented.

use serde_json::json;
use tempfile::TempDir;

use super::*;
use crate::store::{Draft, FILE, kind};

fn a_store() -> (TempDir, Store) {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open_or_create(&folder.path().join("store")).unwrap();
    (folder, store)
}

/// Appends something new; gives whose log it went to and its number there.
fn write_on(store: &mut Store, subject: &str) -> Result<(String, u64), StoreError> {
    let payload = json!({ "of": subject });
    let (visit, author) = ("visit-1".to_owned(), "Ada".to_owned());
    let draft = Draft { kind: kind::NOTE.into(), visit, subject: subject.into(), author, payload };
    store.append(&[draft], "2026-10-03T07:41:10Z".parse().unwrap())?;
    let entry = store.entries_of("visit-1")?.pop().unwrap();
    Ok((entry.device, entry.number))
}

/// The folder as `cp -r` copies it, key and all.
fn copied(store: &Store, to: &Path) -> Store {
    fs::create_dir(to).unwrap();
    for name in [FILE, "store.sqlite-wal", KEY_FILE] {
        fs::copy(store.dir.join(name), to.join(name)).unwrap();
    }
    Store::open(to).unwrap()
}

fn tells_births(store: &Store) -> bool {
    birth(&File::open(store.dir.join(FILE)).unwrap()).is_some()
}

#[test]
fn a_copied_store_goes_on_in_a_log_of_its_own() {
    let (folder, mut store) = a_store();
    let (device, _) = write_on(&mut store, "a").unwrap();
    let mut copy = copied(&store, &folder.path().join("copy"));
    if !tells_births(&store) {
        return;
    }
    let (copys, number) = write_on(&mut copy, "in the copy").unwrap();
    assert!(copys != device && number == 1);
    assert_eq!(write_on(&mut copy, "again in the copy").unwrap(), (copys, 2));
    assert_eq!(write_on(&mut store, "in the first one").unwrap(), (device.clone(), 2));
    assert!(copy.dir.join("device.key.copied").exists());
    assert_eq!(copy.verify().unwrap().damage, []);
    assert_ne!(copy.device().unwrap(), store.device().unwrap());
}

#[test]
fn a_store_that_is_only_moved_keeps_its_log() {
    let (folder, mut store) = a_store();
    let (device, _) = write_on(&mut store, "a").unwrap();
    drop(store);
    fs::rename(folder.path().join("store"), folder.path().join("moved")).unwrap();
    let mut store = Store::open(&folder.path().join("moved")).unwrap();
    assert_eq!(write_on(&mut store, "b").unwrap(), (device, 2));
}

#[test]
fn a_key_that_does_not_say_when_it_was_born_is_taken_as_it_is() {
    let (folder, mut store) = a_store();
    let (device, _) = write_on(&mut store, "a").unwrap();
    let key = store.dir.join(KEY_FILE);
    let first_line = fs::read_to_string(&key).unwrap().lines().next().unwrap().to_owned();
    fs::write(&key, first_line + "\n").unwrap();
    let mut copy = copied(&store, &folder.path().join("copy"));
    assert_eq!(write_on(&mut copy, "b").unwrap(), (device, 2));
}

/// A key store of a phone, by a byte that it alone knows.
struct Phone(u8);

impl KeyWrapping for Phone {
    fn wrap(&self, secret: Vec<u8>) -> Result<Vec<u8>, String> {
        Ok([self.0].into_iter().chain(secret.into_iter().map(|byte| byte ^ self.0)).collect())
    }

    fn unwrap(&self, wrapped: Vec<u8>) -> Result<Vec<u8>, String> {
        match wrapped.split_first() {
            Some((by, secret)) if *by == self.0 => Ok(secret.iter().map(|byte| byte ^ self.0).collect()),
            _ => Err("wrapped by another key".into()),
        }
    }
}

/// One that forgets.
struct Broken;

impl KeyWrapping for Broken {
    fn wrap(&self, _: Vec<u8>) -> Result<Vec<u8>, String> {
        Ok(vec![])
    }

    fn unwrap(&self, _: Vec<u8>) -> Result<Vec<u8>, String> {
        Ok(vec![7; 32])
    }
}

#[test]
fn a_plain_key_is_wrapped_in_place_and_the_log_goes_on() {
    let (folder, mut store) = a_store();
    let (device, _) = write_on(&mut store, "a").unwrap();
    let (dir, key) = (folder.path().join("store"), store.dir.join(KEY_FILE));
    let secret = fs::read_to_string(&key).unwrap()[..64].to_owned();
    drop(store);

    let broken = Store::open_or_create_wrapped(&dir, Arc::new(Broken));
    assert!(matches!(broken, Err(StoreError::KeyWrapped { .. })), "{broken:?}");
    assert!(fs::read_to_string(&key).unwrap().starts_with(&secret), "a key store that forgets costs nothing");

    for subject in ["b", "c"] {
        let mut store = Store::open_or_create_wrapped(&dir, Arc::new(Phone(90))).unwrap();
        assert_eq!(write_on(&mut store, subject).unwrap().0, device);
        let text = fs::read_to_string(&key).unwrap();
        assert!(text.starts_with(WRAPPED) && !text.contains(&secret));
    }
}

#[test]
fn with_another_key_store_reading_goes_on_and_nothing_is_lost() {
    let (folder, _) = a_store();
    let dir = folder.path().join("store");
    let mut store = Store::open_or_create_wrapped(&dir, Arc::new(Phone(90))).unwrap();
    let (device, _) = write_on(&mut store, "a").unwrap();
    let key = fs::read(dir.join(KEY_FILE)).unwrap();
    drop(store);
    let other = Store::open_or_create_wrapped(&dir, Arc::new(Phone(91))).unwrap();
    for mut store in [other, Store::open(&dir).unwrap()] {
        let refused = write_on(&mut store, "b");
        assert!(matches!(refused, Err(StoreError::KeyWrapped { .. })), "{refused:?}");
        assert_eq!(store.entries_of("visit-1").unwrap().len(), 1);
        assert_eq!(fs::read(dir.join(KEY_FILE)).unwrap(), key);
    }
    let mut store = Store::open_or_create_wrapped(&dir, Arc::new(Phone(90))).unwrap();
    assert_eq!(write_on(&mut store, "b").unwrap(), (device, 2));
}

#[test]
fn a_second_connection_writes_on_in_the_same_log_with_the_same_key_store() {
    let (folder, _) = a_store();
    let mut store = Store::open_or_create_wrapped(&folder.path().join("store"), Arc::new(Phone(90))).unwrap();
    let (device, _) = write_on(&mut store, "a").unwrap();
    let mut second = store.again().unwrap();
    assert_eq!(write_on(&mut second, "b").unwrap(), (device.clone(), 2));
    assert_eq!(write_on(&mut store, "c").unwrap(), (device, 3));
}
