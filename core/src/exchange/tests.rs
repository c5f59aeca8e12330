//! What an exchange promises, between stores in temporary folders. All records are invented.

use std::cell::Cell;
use std::collections::BTreeMap;
use std::fs;

use chrono::{DateTime, TimeDelta, Utc};
use proptest::prelude::*;
use serde_json::json;
use tempfile::TempDir;

use super::wire::Reason;
use super::*;
use crate::store::packet::{Packet, read_sequence};
use crate::store::{Draft, kind};

/// A store of somebody's, in a folder that goes with it.
struct Someone {
    folder: TempDir,
    store: Store,
}

fn now() -> DateTime<Utc> {
    "2026-10-03T07:41:10Z".parse().unwrap()
}

fn welcome(_: &str) -> Admission {
    Admission::Welcome
}

fn on_and_on(_: Progress) -> ControlFlow<()> {
    ControlFlow::Continue(())
}

impl Someone {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open_or_create(&folder.path().join("store")).unwrap();
        Self { folder, store }
    }

    /// Notes something in a batch of so many entries, minutes after the start.
    fn notes(&mut self, what: &str, entries: usize, minutes: i64) {
        let note = |i| Draft {
            kind: kind::NOTE.into(),
            visit: format!("visit-{}", what.len() % 2),
            subject: format!("s{}", i % 3),
            author: "Ada".into(),
            payload: json!({ "text": what, "i": i }),
        };
        let drafts: Vec<Draft> = (0..entries).map(note).collect();
        self.store.append(&drafts, now() + TimeDelta::minutes(minutes)).unwrap();
    }

    fn photographs(&mut self, shade: u8) -> String {
        let photo = self.folder.path().join("photo.jpg");
        fs::write(&photo, [&[0xFF, 0xD8, 0xFF][..], &[shade; 5000]].concat()).unwrap();
        let sha256 = self.store.add_photo(&photo).unwrap().sha256;
        let draft = Draft {
            kind: kind::PHOTOGRAPH_ATTACHED.into(),
            visit: "visit-0".into(),
            subject: sha256.clone(),
            author: "Ada".into(),
            payload: json!({"shade": shade}),
        };
        self.store.append(&[draft], now()).unwrap();
        sha256
    }

    /// A copy of the folder, key and all, that doesn't show: as of a whole disk, or where files don't say when they were born.
    fn copied(&self) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let (from, to) = (self.folder.path().join("store"), folder.path().join("store"));
        fs::create_dir(&to).unwrap();
        for name in ["store.sqlite", "store.sqlite-wal", "device.key"] {
            if from.join(name).exists() {
                fs::copy(from.join(name), to.join(name)).unwrap();
            }
        }
        let key = fs::read_to_string(to.join("device.key")).unwrap();
        fs::write(to.join("device.key"), key.lines().next().unwrap()).unwrap();
        let store = Store::open(&to).unwrap();
        Self { folder, store }
    }

    fn all(&self) -> Vec<u8> {
        self.store.lacking(&Heads::default(), usize::MAX).unwrap()
    }

    fn exchange(&mut self, other: &mut Self) -> Exchanged {
        let mut peer = Beside(&mut other.store);
        exchange(&mut self.store, &mut peer, Photographs::Both, &welcome, &mut on_and_on).unwrap()
    }

    fn by_folder(&mut self, stick: &Path) -> (Exchanged, usize) {
        let mut peer = FolderPeer::open(stick, &self.folder.path().join("store")).unwrap();
        let done = exchange(&mut self.store, &mut peer, Photographs::Both, &welcome, &mut on_and_on).unwrap();
        (done, peer.damaged().len())
    }
}

/// Another store in the same program.
struct Beside<'s>(&'s mut Store);

impl Peer for Beside<'_> {
    fn heads(&mut self) -> Result<Heads, ExchangeError> {
        Ok(self.0.heads()?)
    }
    fn lacking(&mut self, heads: &Heads) -> Result<Vec<u8>, ExchangeError> {
        // Small pages, so that there are many.
        Ok(self.0.lacking(heads, 2_000)?)
    }
    fn take(&mut self, sequence: &[u8]) -> Result<Accepted, ExchangeError> {
        Ok(self.0.accept(sequence, &welcome)?)
    }
    fn wanted(&mut self) -> Result<Vec<String>, ExchangeError> {
        Ok(self.0.wanted_photos(2)?)
    }
    fn put_photo(&mut self, _: &str, file: &Path, _: &mut Going) -> Result<(), ExchangeError> {
        self.0.add_photo(file)?;
        Ok(())
    }
    fn get_photo(&mut self, sha256: &str, file: &Path, _: &mut Going) -> Result<bool, ExchangeError> {
        let Some(photo) = self.0.photo_path(sha256)? else { return Ok(false) };
        fs::copy(photo, file).unwrap();
        Ok(true)
    }
}

/// All that counts of a store, whatever way it came.
fn state(store: &Store) -> (Heads, Vec<String>) {
    let visits = store.visits().unwrap();
    let entries = visits.iter().flat_map(|visit| store.entries_of(visit).unwrap());
    let current = visits.iter().flat_map(|visit| store.current_of(visit).unwrap());
    let text = entries.chain(current).map(|entry| format!("{entry:?}")).collect();
    (store.heads().unwrap(), text)
}

fn packets(sequence: &[u8]) -> Vec<Packet> {
    read_sequence(sequence).into_iter().collect::<Result<_, _>>().unwrap()
}

fn sequence<'p>(packets: impl IntoIterator<Item = &'p Packet>) -> Vec<u8> {
    let mut bytes = Vec::new();
    packets.into_iter().for_each(|packet| packet.write(&mut bytes));
    bytes
}

#[test]
fn after_an_exchange_both_have_everything_and_another_one_moves_nothing() {
    let (mut ada, mut base, mut ben) = (Someone::new(), Someone::new(), Someone::new());
    ada.notes("by the weir", 700, 0);
    let photo = ada.photographs(7);
    ben.notes("at the bridge", 40, 5);
    let brought = ada.exchange(&mut base);
    assert_eq!((brought.entries_out, brought.photographs_out, brought.entries_in), (701, 1, 0));
    let brought = ben.exchange(&mut base);
    assert_eq!((brought.entries_out, brought.entries_in, brought.photographs_in), (40, 701, 1));
    ada.exchange(&mut base);
    assert_eq!(ada.exchange(&mut base), Exchanged::default());
    for one in [&ada, &ben, &base] {
        assert_eq!(state(&one.store), state(&ada.store));
        assert_eq!(one.store.verify().unwrap().damage, []);
        assert!(one.store.photo_path(&photo).unwrap().unwrap().is_file());
    }
}

#[test]
fn a_copied_store_makes_a_fork_and_both_branches_are_kept_and_said() {
    let mut ada = Someone::new();
    let mut base = Someone::new();
    ada.notes("before", 600, 0);
    let device = ada.store.device().unwrap();
    let mut copy = ada.copied();
    write_on_as(&mut copy, &device, "in the copy", 300, 1);
    ada.notes("in the first", 5, 2);
    ada.exchange(&mut base);
    let brought = copy.exchange(&mut base);
    assert_eq!((brought.entries_in, brought.entries_out), (5, 300));
    assert_eq!(brought.forked, std::slice::from_ref(&device));
    let brought = ada.exchange(&mut base);
    assert_eq!((brought.entries_in, brought.entries_out, brought.forked), (300, 0, vec![device.clone()]));
    for one in [&ada, &copy, &base] {
        assert_eq!(state(&one.store), state(&ada.store));
        assert_eq!(one.store.verify().unwrap().damage, []);
    }
    // Whoever sees that another went on with its log goes on in a log of its own.
    assert_ne!(ada.store.device().unwrap(), device);
    assert_ne!(copy.store.device().unwrap(), device);
    ada.notes("later", 1, 3);
    ada.exchange(&mut base);
    assert_eq!(base.store.heads().unwrap().logs.len(), 2);
}

/// Writes on with the key of the store that was copied.
fn write_on_as(copy: &mut Someone, device: &str, what: &str, entries: usize, minutes: i64) {
    copy.notes(what, entries, minutes);
    assert_eq!(copy.store.device().unwrap(), device);
}

#[test]
fn what_is_withdrawn_goes_everywhere_and_does_not_come_back() {
    let (mut ada, mut ben, mut base) = (Someone::new(), Someone::new(), Someone::new());
    ada.notes("the owner's name", 3, 0);
    ada.exchange(&mut base);
    ben.exchange(&mut base);
    let device = ada.store.device().unwrap();
    let payloads = |someone: &Someone| {
        let entries = someone.store.entries_of("visit-0").unwrap();
        entries.iter().filter(|e| e.kind == kind::NOTE && e.payload.is_some()).count()
    };
    assert_eq!([payloads(&ada), payloads(&ben)], [3, 3]);

    // Anyone may erase in their own store; elsewhere it holds only if it is their own entry or they are trusted.
    assert!(ben.store.erase(&device, 1, "not mine to erase", "Ben", now()).unwrap());
    ben.exchange(&mut base);
    ada.exchange(&mut base);
    assert_eq!([payloads(&ada), payloads(&ben), payloads(&base)], [3, 2, 3]);
    base.store.trust(&[ben.store.device().unwrap()]).unwrap();
    assert_eq!(payloads(&base), 2, "a coordinator's withdrawal holds as soon as the store knows");

    assert!(ada.store.erase(&device, 2, "asked to", "Ada", now()).unwrap());
    ada.exchange(&mut base);
    ben.exchange(&mut base);
    ada.exchange(&mut base);
    assert_eq!([payloads(&ada), payloads(&ben), payloads(&base)], [2, 1, 1]);
    for one in [&ada, &ben, &base] {
        assert_eq!(one.store.verify().unwrap().damage, []);
    }
}

#[test]
fn a_photograph_goes_with_the_last_entry_that_spoke_of_it() {
    let (mut ada, mut base) = (Someone::new(), Someone::new());
    let (kept, gone) = (ada.photographs(7), ada.photographs(8));
    let again = Draft {
        kind: kind::PHOTOGRAPH_ATTACHED.into(),
        visit: "visit-1".into(),
        subject: kept.clone(),
        author: "Ada".into(),
        payload: json!({"shade": 7}),
    };
    ada.store.append(&[again], now()).unwrap();
    ada.exchange(&mut base);
    let device = ada.store.device().unwrap();
    for number in [1, 2] {
        assert!(ada.store.erase(&device, number, "somebody is in the picture", "Ada", now()).unwrap());
    }
    ada.exchange(&mut base);
    for one in [&ada, &base] {
        assert!(one.store.photo_path(&kept).unwrap().unwrap().is_file(), "another visit shows it too");
        assert_eq!(one.store.photo_path(&gone).unwrap(), None);
        assert_eq!(one.store.verify().unwrap().damage, []);
    }
    let photos = base.folder.path().join("store/photos").join(&gone[..2]);
    assert_eq!(fs::read_dir(photos).unwrap().count(), 0, "its file is gone too");
}

#[test]
fn what_was_stripped_on_its_way_is_asked_for_and_comes() {
    let (mut ada, mut base) = (Someone::new(), Someone::new());
    ada.notes("by the weir", 4, 0);
    let mut stripped = packets(&ada.all());
    stripped[1].body = None;
    assert_eq!(base.store.accept(&sequence(&stripped), &welcome).unwrap().taken, 4);
    let device = ada.store.device().unwrap();
    assert_eq!(base.store.heads().unwrap().hollow, [(device, 2)]);
    ada.exchange(&mut base);
    assert_eq!(state(&base.store), state(&ada.store));
    assert_eq!(base.store.verify().unwrap().damage, []);
}

#[test]
fn a_withdrawal_that_was_stripped_on_its_way_holds_once_it_is_whole() {
    let (mut ada, mut base) = (Someone::new(), Someone::new());
    ada.notes("by the weir", 2, 0);
    ada.exchange(&mut base);
    let device = ada.store.device().unwrap();
    ada.store.erase(&device, 1, "asked to", "Ada", now()).unwrap();
    let mut withdrawal = packets(&ada.store.lacking(&base.store.heads().unwrap(), usize::MAX).unwrap());
    withdrawal[0].body = None;
    base.store.accept(&sequence(&withdrawal), &welcome).unwrap();
    let erased = |base: &Someone| base.store.verify().unwrap().erased;
    assert_eq!(erased(&base), 1, "only the stripped withdrawal itself");
    ada.exchange(&mut base);
    assert_eq!(state(&base.store), state(&ada.store));
    assert_eq!((erased(&base), base.store.verify().unwrap().damage), (1, vec![]));
    assert_eq!(base.store.entries_of("visit-1").unwrap()[0].payload, None, "what it names is gone");
}

#[test]
fn a_withdrawal_that_names_what_cannot_be_withdraws_nothing_and_holds_nothing_up() {
    let (mut ada, mut base) = (Someone::new(), Someone::new());
    let device = ada.store.device().unwrap();
    let erased =
        json!([[device, 1e300], [device, u64::MAX], [device, -1], ["nobody", 1], [1, 2], 7, [[]], [device, 1]]);
    let withdrawal = Draft {
        kind: kind::WITHDRAWAL.into(),
        visit: "visit-1".into(),
        subject: "odd".into(),
        author: "Ada".into(),
        payload: json!({ "why": "oddly", "erased": erased }),
    };
    ada.notes("by the weir", 2, 0);
    ada.store.append(&[withdrawal], now()).unwrap();
    ada.exchange(&mut base);
    assert_eq!(base.store.entry_count().unwrap(), 3);
    assert_eq!(base.store.verify().unwrap().erased, 1, "the one that can be");
}

#[test]
fn who_is_unknown_or_barred_brings_nothing_new_and_holds_nobody_up() {
    let (mut ada, mut ben, mut stick, mut base) = (Someone::new(), Someone::new(), Someone::new(), Someone::new());
    ada.notes("first", 2, 0);
    let ada_id = ada.store.device().unwrap();
    ada.exchange(&mut base);
    ada.notes("after she was barred", 2, 1);
    ben.notes("nobody knows him", 2, 1);
    let ben_id = ben.store.device().unwrap();
    let mut cat = Someone::new();
    cat.notes("known", 2, 1);
    for one in [&mut ada, &mut ben, &mut cat] {
        one.exchange(&mut stick);
    }
    let admission = |device: &str| match device {
        device if device == ada_id => Admission::Barred,
        device if device == ben_id => Admission::Unknown,
        _ => Admission::Welcome,
    };
    let mut peer = Beside(&mut stick.store);
    let done = exchange(&mut base.store, &mut peer, Photographs::Both, &admission, &mut on_and_on).unwrap();
    assert_eq!(done.entries_in, 2);
    let reasons: BTreeMap<Reason, usize> = done.refused.iter().fold(BTreeMap::new(), |mut counts, refused| {
        *counts.entry(refused.reason).or_default() += 1;
        counts
    });
    assert_eq!(reasons, BTreeMap::from([(Reason::BarredDevice, 2), (Reason::UnknownDevice, 2)]));
    assert_eq!(base.store.heads().unwrap().logs[&ada_id][0].number, 2, "what came before stays");
}

#[test]
fn a_stopped_exchange_keeps_what_it_has_and_goes_on_later() {
    let (mut ada, mut base) = (Someone::new(), Someone::new());
    base.notes("a lot", 900, 0);
    let mut steps = 0;
    let mut twice = |_: Progress| {
        steps += 1;
        if steps > 2 { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    };
    let stopped = exchange(&mut ada.store, &mut Beside(&mut base.store), Photographs::Both, &welcome, &mut twice);
    assert!(matches!(stopped, Err(ExchangeError::Stopped)));
    let kept = ada.store.entry_count().unwrap();
    assert!(0 < kept && kept < 900, "{kept}");
    assert_eq!(ada.exchange(&mut base).entries_in, 900 - kept);
}

#[test]
fn a_stick_carries_from_one_to_the_other() {
    let stick = tempfile::tempdir().unwrap();
    let (mut ada, mut ben) = (Someone::new(), Someone::new());
    ada.notes("by the weir", 300, 0);
    let photo = ada.photographs(9);
    ben.notes("at the bridge", 3, 1);
    let (brought, _) = ada.by_folder(stick.path());
    assert_eq!((brought.entries_out, brought.photographs_out), (301, 1));
    let (brought, _) = ben.by_folder(stick.path());
    assert_eq!((brought.entries_in, brought.photographs_in, brought.entries_out), (301, 1, 3));
    ada.by_folder(stick.path());
    assert_eq!(state(&ada.store), state(&ben.store));
    assert!(ben.store.photo_path(&photo).unwrap().unwrap().is_file());
    for one in [&mut ada, &mut ben] {
        assert_eq!(one.by_folder(stick.path()), (Exchanged::default(), 0));
    }
}

#[test]
fn a_torn_piece_on_a_stick_is_put_aside_and_written_again() {
    let stick = tempfile::tempdir().unwrap();
    let (mut ada, mut ben) = (Someone::new(), Someone::new());
    ada.notes("by the weir", 20, 0);
    ada.by_folder(stick.path());
    ada.notes("further on", 5, 1);
    ada.by_folder(stick.path());
    let log = stick.path().join("rakelight/entries").join(ada.store.device().unwrap());
    let mut pieces: Vec<PathBuf> = fs::read_dir(&log).unwrap().map(|file| file.unwrap().path()).collect();
    pieces.sort();
    let torn = pieces.iter().find(|piece| piece.file_name().unwrap().to_str().unwrap().starts_with("1-")).unwrap();
    let bytes = fs::read(torn).unwrap();
    fs::write(torn, &bytes[..bytes.len() / 2]).unwrap();

    let (brought, damaged) = ben.by_folder(stick.path());
    assert_eq!((brought.entries_in, damaged), (0, 1), "what follows from it can't be taken either");
    assert_eq!(ada.by_folder(stick.path()).0.entries_out, 25);
    assert_eq!(ben.by_folder(stick.path()).0.entries_in, 25);
    assert_eq!(state(&ada.store), state(&ben.store));
}

#[test]
fn a_stick_shows_a_fork_too() {
    let stick = tempfile::tempdir().unwrap();
    let mut ada = Someone::new();
    ada.notes("before", 10, 0);
    let mut copy = ada.copied();
    ada.notes("in the first", 5, 1);
    copy.notes("in the copy", 2, 1);
    ada.by_folder(stick.path());
    assert_eq!(copy.by_folder(stick.path()).0.forked.len(), 1);
    assert_eq!(ada.by_folder(stick.path()).0.forked.len(), 1);
    assert_eq!(state(&ada.store), state(&copy.store));
}

#[test]
fn what_claims_too_much_is_refused_with_its_reason() {
    let (mut ada, mut ben, mut base) = (Someone::new(), Someone::new(), Someone::new());
    ada.notes("by the weir", 3, 0);
    ben.notes("at the bridge", 1, 0);
    let genuine = packets(&ada.all());
    let signature = packets(&ben.all())[0].signature;
    let reason = |base: &mut Someone, sequence: &[u8]| {
        let accepted = base.store.accept(sequence, &welcome).unwrap();
        assert_eq!(accepted.taken, 0);
        accepted.refused.first().map(|refused| refused.reason)
    };
    let changed = |change: &dyn Fn(&mut Packet)| {
        let mut packets = genuine.clone();
        change(&mut packets[2]);
        // Its digest is worked out anew by whoever reads it.
        sequence([&packets[0], &packets[1], &packets[2]])
    };
    assert_eq!(reason(&mut base, &changed(&|p| p.signature = signature)), Some(Reason::BadSignature));
    assert_eq!(reason(&mut base, &changed(&|p| p.header.visit = "another".into())), Some(Reason::BadSignature));
    assert_eq!(reason(&mut base, &changed(&|p| p.header.number = 1)), Some(Reason::ChainBroken));
    assert_eq!(reason(&mut base, &changed(&|p| p.header.time.wall_ms = 0)), Some(Reason::ChainBroken));
    assert_eq!(reason(&mut base, &changed(&|p| p.header.time.wall_ms = i64::MAX)), Some(Reason::Unreadable));
    assert_eq!(reason(&mut base, &changed(&|p| p.header.visit = "x".repeat(1000))), Some(Reason::Unreadable));
    let author = |p: &mut Packet| p.body.as_mut().unwrap().author = "Eve".into();
    assert_eq!(reason(&mut base, &changed(&author)), Some(Reason::Changed));
    let large = |p: &mut Packet| p.body.as_mut().unwrap().payload = "x".repeat(2 << 20);
    assert_eq!(reason(&mut base, &changed(&large)), Some(Reason::TooLarge));
    assert_eq!(reason(&mut base, &[0x81; 100_000]), Some(Reason::Unreadable), "deep nesting");
    // A header of the format after this one, 0x8b being an array of eleven and the format its first element.
    let mut newer = genuine[0].header.to_cbor();
    newer[1] = 2;
    let mut packet = vec![0x85, 0x59, (newer.len() >> 8) as u8, newer.len() as u8];
    packet.extend(newer);
    packet.extend([0xf6; 4]);
    assert_eq!(reason(&mut base, &packet), Some(Reason::NewerFormat));
    assert_eq!(base.store.accept(&ada.all(), &welcome).unwrap().taken, 3, "the genuine ones come all the same");
    assert_eq!(base.store.verify().unwrap().damage, []);
}

/// Logs of three devices, each in several batches, and of a copy of one of them, with a withdrawal.
fn some_logs(batches: &[(usize, usize)]) -> Vec<Vec<Packet>> {
    let mut three = [Someone::new(), Someone::new(), Someone::new()];
    let mut copy = None;
    for (i, &(who, entries)) in batches.iter().enumerate() {
        three[who].notes(&"x".repeat(i + 1), entries, i as i64);
        if i == batches.len() / 2 {
            copy = Some(three[who].copied());
        }
    }
    let mut copy = copy.unwrap();
    copy.notes("in the copy", 3, 50);
    let device = copy.store.device().unwrap();
    copy.store.erase(&device, 1, "asked to", "Ada", now()).unwrap();
    let stores = three.iter().chain([&copy]);
    stores.map(|someone| packets(&someone.all())).collect()
}

#[test]
fn a_base_that_was_joined_is_known_by_its_address_and_one_that_moved_by_its_certificate() {
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path();
    let base = |port: u32, certificate| Base { address: format!("https://b:{port}"), certificate: [certificate; 32] };
    let known = |address: &str| Meant::joined(address, dir).ok().map(|meant| meant.base);
    for joined in [base(1, 1), base(2, 2), base(1, 1), base(3, 2)] {
        joined.remember(dir).unwrap();
        assert_eq!(known(&format!("{}/", joined.address)), Some(joined));
    }
    assert_eq!(Base::all(dir).unwrap(), [base(3, 2), base(1, 1)]);
    let gone = Meant::joined("https://b:2", dir).unwrap_err().to_string();
    assert!(gone.contains("hasn't joined a base at https://b:2"), "{gone}");
}

/// A base that wants a photograph and refuses it.
struct Refusing {
    photograph: String,
    status: u16,
    problem: &'static str,
    /// Before the first piece, or after it.
    at_once: bool,
    begun: Cell<usize>,
}

impl Transport for Refusing {
    fn send(&self, request: &Request) -> Result<Response, TransportError> {
        let said =
            |status, body: serde_json::Value| Response { status, body: body.to_string().into(), headers: vec![] };
        let refusal = || said(self.status, json!({"type": self.problem, "detail": "not this one"}));
        Ok(match (request.method, request.path.as_str()) {
            (_, "/v1/challenge") => said(200, json!({"protocol": 1, "base": "ab".repeat(32), "challenge": "c"})),
            (_, "/v1/session" | "/v1/join") => {
                said(200, json!({"token": "t", "seconds": 900, "role": "field_worker", "trusted": []}))
            }
            (_, "/v1/heads") => said(200, json!({"logs": {}})),
            (_, "/v1/entries/lacking") => Response { status: 204, ..Response::default() },
            (_, "/v1/entries") => said(200, json!(Accepted::default())),
            (_, "/v1/photographs/wanted") => said(200, json!({"sha256": [self.photograph]})),
            ("POST", "/v1/uploads") => {
                self.begun.set(self.begun.get() + 1);
                let headers = vec![("location".into(), "/v1/uploads/1".into())];
                if self.at_once { refusal() } else { Response { status: 201, headers, body: vec![] } }
            }
            ("PATCH", _) => refusal(),
            _ => said(404, json!({})),
        })
    }
}

impl Refusing {
    /// What an exchange says of the photograph.
    fn says(&self, ada: &mut Someone, certificate: u8, code: Option<&str>) -> Vec<(String, String)> {
        let base = Base { address: "https://b:1".into(), certificate: [certificate; 32] };
        let meant = Meant { base, code: code.map(str::to_owned) };
        let both = Photographs::Both;
        let done = exchange_with_base(&mut ada.store, &meant, self, both, &welcome, &mut on_and_on).unwrap();
        assert_eq!(done.photographs_out, 0);
        assert!(ada.store.photo_path(&self.photograph).unwrap().unwrap().is_file(), "it stays in the store");
        done.photographs_refused
    }
}

#[test]
fn what_a_base_takes_for_no_photograph_is_told_once_and_offered_to_another_base_and_after_joining_anew() {
    let mut ada = Someone::new();
    let photograph = ada.photographs(7);
    let base =
        Refusing { photograph, status: 422, problem: wire::NOT_A_PHOTOGRAPH, at_once: false, begun: Cell::new(0) };
    let told = base.says(&mut ada, 1, Some("CODE"));
    assert_eq!((told[0].0.as_str(), base.begun.get()), (base.photograph.as_str(), 1));
    assert!(told[0].1.starts_with("not this one; the photograph stays in this store"), "{told:?}");
    assert_eq!((base.says(&mut ada, 1, None), base.begun.get()), (vec![], 1));
    assert_eq!((base.says(&mut ada, 2, None).len(), base.begun.get()), (1, 2));
    assert_eq!((base.says(&mut ada, 1, Some("CODE")).len(), base.begun.get()), (1, 3));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn a_refused_photograph_is_offered_again_unless_the_base_takes_it_for_none(
        // By 409 and 460 tus speaks of a piece.
        status in (400u16..600).prop_filter("of a piece", |status| ![409, 460].contains(status)),
        problem in prop::sample::select(vec![wire::NOT_A_PHOTOGRAPH, "urn:rakelight:digest_mismatch", "about:blank", ""]),
        at_once: bool,
    ) {
        let mut ada = Someone::new();
        let base = Refusing { photograph: ada.photographs(7), status, problem, at_once, begun: Cell::new(0) };
        prop_assert_eq!(base.says(&mut ada, 1, None).len(), 1);
        let (once, for_good) = (base.begun.get(), problem == wire::NOT_A_PHOTOGRAPH);
        prop_assert_eq!(base.says(&mut ada, 1, None).len(), usize::from(!for_good));
        prop_assert_eq!(base.begun.get() == once, for_good);
    }

    #[test]
    fn any_order_any_split_and_any_number_of_times_give_the_same_state(
        batches in prop::collection::vec((0usize..3, 1usize..5), 3..8),
        shuffle in prop::collection::vec(any::<prop::sample::Index>(), 60),
        cuts in prop::collection::vec(1usize..7, 60),
    ) {
        let packets = some_logs(&batches).concat();
        let mut at_once = Someone::new();
        at_once.store.accept(&sequence(&packets), &welcome).unwrap();

        let mut shuffled: Vec<&Packet> = packets.iter().collect();
        for (i, other) in shuffle.iter().enumerate() {
            let n = shuffled.len();
            shuffled.swap(i % n, other.index(n));
        }
        // Some come twice.
        let twice: Vec<&Packet> = shuffled.iter().step_by(3).copied().collect();
        shuffled.extend(twice);
        let mut in_pieces = Someone::new();
        let mut rest = &shuffled[..];
        for cut in cuts.iter().cycle() {
            let (piece, later) = rest.split_at((*cut).min(rest.len()));
            in_pieces.store.accept(&sequence(piece.iter().copied()), &welcome).unwrap();
            rest = later;
            if rest.is_empty() {
                break;
            }
        }
        prop_assert_eq!(state(&at_once.store), state(&in_pieces.store));
        prop_assert_eq!(in_pieces.store.accept(&sequence(&packets), &welcome).unwrap().taken, 0);
        prop_assert_eq!(state(&at_once.store), state(&in_pieces.store));
        for one in [at_once, in_pieces] {
            prop_assert_eq!(one.store.verify().unwrap().damage, vec![]);
        }
    }

    #[test]
    fn merging_is_commutative_and_associative(
        batches in prop::collection::vec((0usize..3, 1usize..5), 3..8), cuts in prop::collection::vec(0usize..25, 12),
    ) {
        // Three stores, each with the beginning of each log.
        let logs = some_logs(&batches);
        let filled = |place: usize| {
            let mut someone = Someone::new();
            for (log, cut) in logs.iter().zip(&cuts[4 * place..]) {
                someone.store.accept(&sequence(log.iter().take(*cut)), &welcome).unwrap();
            }
            someone
        };
        let (mut a, mut b, mut c) = (filled(0), filled(1), filled(2));
        a.exchange(&mut b);
        a.exchange(&mut c);
        let (mut x, mut y, mut z) = (filled(2), filled(0), filled(1));
        z.exchange(&mut x);
        y.exchange(&mut z);
        prop_assert_eq!(state(&a.store), state(&c.store));
        prop_assert_eq!(state(&a.store), state(&z.store));
        prop_assert_eq!(state(&a.store), state(&y.store));
    }

    #[test]
    fn one_changed_byte_on_the_way_is_never_taken_for_what_was_written(at in any::<prop::sample::Index>(), bit in 0u8..8) {
        let mut ada = Someone::new();
        ada.notes("by the weir", 6, 0);
        ada.notes("further on", 2, 1);
        let genuine = ada.all();
        let mut bytes = genuine.clone();
        bytes[at.index(genuine.len())] ^= 1 << bit;
        let mut base = Someone::new();
        base.store.accept(&bytes, &welcome).unwrap();
        let written = state(&ada.store).1;
        for entry in base.store.visits().unwrap().iter().flat_map(|visit| base.store.entries_of(visit).unwrap()) {
            prop_assert!(written.contains(&format!("{entry:?}")), "{entry:?}");
        }
        base.store.accept(&genuine, &welcome).unwrap();
        prop_assert_eq!(state(&base.store), state(&ada.store));
        prop_assert_eq!(base.store.verify().unwrap().damage, vec![]);
    }
}
