//! What lies on a memory stick.

use std::fs;
use std::ops::ControlFlow;
use std::path::{Component, Path};

use rakelight_core::exchange::{FolderPeer, Photographs, exchange};
use rakelight_core::store::{Admission, Store};

use super::exchange::{head_of, parts, target, with};
use super::scratch;

/// A stick's files, parted by a line of dashes: a line with the path from `rakelight/` on, then what is in it.
pub fn folder(bytes: &[u8]) {
    let Some(stick) = scratch() else { return };
    for part in parts(bytes) {
        let (path, content) = head_of(part);
        let path = Path::new(&path);
        if path.components().all(|component| matches!(component, Component::Normal(_))) {
            let file = stick.path().join("rakelight").join(path);
            // A name that no file system takes can't be on a stick.
            _ = file.parent().map(fs::create_dir_all);
            _ = fs::write(file, content);
        }
    }
    with(|target| _ = go_round(&mut target.store, &target.folder.path().join("store"), stick.path()));
}

fn go_round(store: &mut Store, dir: &Path, stick: &Path) -> Option<()> {
    let mut peer = FolderPeer::open(stick, dir).ok()?;
    let welcome = |_: &str| Admission::Welcome;
    exchange(store, &mut peer, Photographs::Both, &welcome, &mut |_| ControlFlow::Continue(())).ok().map(drop)
}

/// The sticks that two stores write.
pub fn some_folders() -> Vec<Vec<u8>> {
    let of_another = target().and_then(|mut other| written_by(&mut other.store, &other.folder.path().join("store")));
    let mut own = None;
    with(|target| own = written_by(&mut target.store, &target.folder.path().join("store")));
    of_another.into_iter().chain(own).collect()
}

fn written_by(store: &mut Store, dir: &Path) -> Option<Vec<u8>> {
    let stick = scratch()?;
    go_round(store, dir, stick.path())?;
    let (root, mut files) = (stick.path().join("rakelight"), Vec::new());
    let photograph = root.join("photographs/ab").join("ab".repeat(32));
    fs::create_dir_all(photograph.parent()?).ok()?;
    fs::write(photograph, "not what its name says").ok()?;
    collect(&root, &root, &mut files)?;
    Some(files.join(&b"\n---\n"[..]))
}

fn collect(root: &Path, folder: &Path, files: &mut Vec<Vec<u8>>) -> Option<()> {
    for entry in fs::read_dir(folder).ok()?.flatten() {
        let path = entry.path();
        if path.is_dir() {
            collect(root, &path, files)?;
        } else {
            let name = path.strip_prefix(root).ok()?.display().to_string();
            files.push([name.as_bytes(), b"\n", &fs::read(&path).ok()?].concat());
        }
    }
    Some(())
}
