//! Beside a folder's store, which is checked by its own tests. They need a database, RAKELIGHT_TEST_DATABASE=postgres://user@host:port/name, and so run
//! only where they are asked for (`-- postgres --ignored`), as tests/reference/test_service_postgres.py does.

use std::collections::BTreeSet;
use std::fmt::Debug;
use std::path::Path;

use ed25519_dalek::{Signer, SigningKey};
use postgres::{Client, NoTls};
use rakelight_core::store::{Admission, Body, Digest, Header, Heads, HybridTime, Packet, Tip, kind, salted};
use serde_json::json;

use super::Database;
use crate::service::{Folder, Records, Sqlite, State};

/// The address of an empty database.
fn empty() -> String {
    let address = std::env::var("RAKELIGHT_TEST_DATABASE").expect("RAKELIGHT_TEST_DATABASE is the database's address");
    let schema = format!("s{}", hex::encode(crate::service::random::<8>().unwrap()));
    let address = format!("{address}?options=-csearch_path%3D{schema}");
    Client::connect(&address, NoTls).unwrap().batch_execute(&format!("CREATE SCHEMA {schema}")).unwrap();
    address
}

/// A database, and a connection to look into it.
fn database() -> (Database, Client) {
    let address = empty();
    (Database::open(&address).unwrap(), Client::connect(&address, NoTls).unwrap())
}

/// Numbers by chance, the same for the same seed (SplitMix64, public domain).
struct Chance(u64);

impl Chance {
    fn below(&mut self, n: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ self.0 >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ z >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ z >> 31) % n as u64) as usize
    }

    fn one_in(&mut self, n: usize) -> bool {
        self.below(n) == 0
    }

    fn shuffle<T>(&mut self, items: &mut [T]) {
        (1..items.len()).rev().for_each(|i| items.swap(i, self.below(i + 1)));
    }
}

fn key(device: usize) -> SigningKey {
    SigningKey::from_bytes(&[device as u8 + 1; 32])
}

fn id(device: usize) -> [u8; 32] {
    key(device).verifying_key().to_bytes()
}

const DEVICES: usize = 3;

/// A log of some entries after `before`; the last is signed, others by chance.
fn log(device: usize, before: Option<&Packet>, chance: &mut Chance) -> Vec<Packet> {
    let (mut number, mut previous, mut wall_ms) =
        before.map_or((0, [0; 32], 1_000), |p| (p.header.number, p.digest, p.header.time.wall_ms));
    let entries = 1 + chance.below(12);
    let mut log = Vec::new();
    for i in 0..entries {
        number += 1;
        wall_ms += 1 + chance.below(5) as i64;
        let (kind, subject, payload) = what(chance);
        let body = Body { salt: [chance.below(256) as u8; 16], author: "A.\0 Wälker".into(), payload };
        let header = Header {
            device: id(device),
            number,
            time: HybridTime { wall_ms, counter: chance.below(2) as u32 * u32::MAX },
            kind: kind.into(),
            visit: ["visit-1", "visit\0-2"][chance.below(2)].into(),
            subject,
            author_digest: salted(&body.salt, body.author.as_bytes()),
            payload_digest: salted(&body.salt, body.payload.as_bytes()),
            previous,
        };
        previous = header.digest();
        let head = [&b"rakelight log head 1\0"[..], &previous].concat();
        let signed = i + 1 == entries || chance.one_in(3);
        let signature = signed.then(|| key(device).sign(&head).to_bytes());
        log.push(Packet { header, digest: previous, signature, body: Some(body) });
    }
    log
}

/// Kind, subject and payload.
fn what(chance: &mut Chance) -> (&'static str, String, String) {
    let some = chance.below(4);
    match chance.below(6) {
        0 | 1 => {
            let sha256 = if some == 0 { "no digest".into() } else { hex::encode([some as u8; 32]).to_uppercase() };
            (kind::PHOTOGRAPH_ATTACHED, sha256, json!({ "file": "a\0.jpg" }).to_string())
        }
        2 => {
            let place = |chance: &mut Chance| json!([hex::encode(id(chance.below(DEVICES))), 1 + chance.below(12)]);
            let named: Vec<_> = (0..=some).map(|_| place(chance)).collect();
            let payload = match chance.below(6) {
                0 => "not JSON".into(),
                1 => json!({ "erased": [["zz", 1], 5, [hex::encode(id(0)), 1.5], [hex::encode(id(0)), "1"]] })
                    .to_string(),
                2 => format!(r#"{{"erased": {}, "erased": []}}"#, json!(named)),
                3 => json!({ "erased": { "a": named[0] } }).to_string(),
                _ => json!({ "erased": named, "why": "a person asked" }).to_string(),
            };
            (kind::WITHDRAWAL, format!("w{some}"), payload)
        }
        3 => ("a\0kind", String::new(), "\u{0}".into()),
        _ => (kind::PRINT_MEASURED, format!("h{some}"), json!({ "width_mm": some }).to_string()),
    }
}

/// All that may be on its way: logs, a fork, copies without what can be erased or without their signature.
fn packets(chance: &mut Chance) -> Vec<Packet> {
    let mut packets: Vec<_> = (0..DEVICES).flat_map(|device| log(device, None, chance)).collect();
    let forked = packets[chance.below(packets.len())].clone();
    let device = (0..DEVICES).find(|device| id(*device) == forked.header.device).unwrap();
    packets.extend(log(device, Some(&forked), chance));
    for i in 0..packets.len() {
        let mut copy = packets[i].clone();
        if chance.one_in(3) && copy.header.kind != kind::WITHDRAWAL {
            copy.body = None;
        }
        if chance.one_in(4) {
            copy.signature = None;
        }
        packets.push(copy);
        if chance.one_in(10) && packets[i].header.kind != kind::WITHDRAWAL {
            packets[i].body = None;
        }
    }
    packets
}

fn of_postgres(client: &mut Client, sql: &str) -> BTreeSet<String> {
    let sql = format!("SELECT ROW(t.*)::text FROM ({sql}) AS t");
    client.query(&sql, &[]).unwrap().iter().map(|row| row.get(0)).collect()
}

/// As PostgreSQL writes rows.
fn of_sqlite(dir: &Path, sql: &str) -> BTreeSet<String> {
    use rusqlite::types::ValueRef;
    let connection = rusqlite::Connection::open(dir.join("store.sqlite")).unwrap();
    let mut query = connection.prepare(sql).unwrap();
    let columns = query.column_count();
    let field = |value: ValueRef<'_>| match value {
        ValueRef::Null => String::new(),
        ValueRef::Integer(number) => number.to_string(),
        ValueRef::Text(bytes) | ValueRef::Blob(bytes) => format!("\"\\\\x{}\"", hex::encode(bytes)),
        other => panic!("{other:?}"),
    };
    let row = |row: &rusqlite::Row| {
        let fields: Vec<_> = (0..columns).map(|i| field(row.get_ref(i).unwrap())).collect();
        Ok(format!("({})", fields.join(",")))
    };
    query.query_map([], row).unwrap().map(Result::unwrap).collect()
}

#[track_caller]
fn assert_same<T: PartialEq + Debug>(what: &str, postgres: T, sqlite: T) {
    assert_eq!(postgres, sqlite, "{what}: PostgreSQL, then SQLite");
}

/// Each table, and how the folder's store has it.
const TABLES: [(&str, &str); 8] = [
    (
        "SELECT device, number, digest, wall_ms, counter, kind, visit, subject, author_digest, payload_digest, previous, signature, salt,
                author, payload FROM entries",
        "SELECT device, number, digest, wall_ms, counter, kind, visit, subject, author_digest, payload_digest, previous, signature, salt,
                author, payload FROM entries",
    ),
    ("SELECT * FROM heads", "SELECT * FROM heads"),
    (
        "SELECT visit, kind, subject, device, number, digest FROM newest",
        "SELECT n.visit, n.kind, n.subject, device, number, digest FROM newest AS n JOIN entries ON id = entry",
    ),
    ("SELECT * FROM visits", "SELECT * FROM visits"),
    ("SELECT device, number, by FROM withdrawn", "SELECT device, number, by FROM withdrawn"),
    ("SELECT * FROM hollow", "SELECT device, number, digest FROM hollow JOIN entries ON id = entry"),
    ("SELECT * FROM wanted_photographs", "SELECT * FROM wanted_photographs"),
    ("SELECT * FROM trusted", "SELECT * FROM trusted"),
];

/// Heads of another store that has some of this.
fn others_heads(packets: &[Packet], chance: &mut Chance) -> Heads {
    let mut heads = Heads::default();
    for packet in packets {
        if !chance.one_in(6) {
            continue;
        }
        let digest: Digest = if chance.one_in(5) { [9; 32] } else { packet.digest };
        let tip = Tip { number: packet.header.number.unsigned_abs(), digest: hex::encode(digest) };
        heads.logs.entry(hex::encode(packet.header.device)).or_default().push(tip);
    }
    let hollow = packets.iter().filter(|_| chance.one_in(8));
    heads.hollow = hollow.map(|p| (hex::encode(p.header.device), p.header.number.unsigned_abs())).collect();
    heads
}

#[test]
#[ignore = "needs a PostgreSQL: tests/reference/test_service_postgres.py starts one and runs it"]
fn whatever_comes_in_whatever_order_ends_as_in_a_folders_store() {
    for seed in 0..40 {
        let (database, mut client) = database();
        let dir = tempfile::tempdir().unwrap();
        let (folder, chance) = (Folder::open(dir.path()).unwrap(), &mut Chance(seed));
        let mut on_their_way = packets(chance);
        if chance.one_in(3) {
            chance.shuffle(&mut on_their_way);
        }
        let barred = (seed % 4 == 0).then(|| hex::encode(id(2)));
        let admission = |device: &str| match barred.as_deref() == Some(device) {
            true => Admission::Barred,
            false => Admission::Welcome,
        };
        let mut rest = &on_their_way[..];
        while !rest.is_empty() {
            let (now, later) = rest.split_at((1 + chance.below(20)).min(rest.len()));
            rest = later;
            // One log a body: PostgreSQL takes each in by itself, a folder's store all of a body at once.
            for device in 0..DEVICES {
                let mut body = Vec::new();
                now.iter().filter(|packet| packet.header.device == id(device)).for_each(|p| p.write(&mut body));
                if chance.one_in(5) {
                    body.truncate(chance.below(body.len() + 1));
                }
                let accepted = [&database as &dyn Records, &folder].map(|it| it.accept(&body, &admission).unwrap());
                assert_same(&format!("seed {seed}"), &accepted[0], &accepted[1]);
            }
            if chance.one_in(4) {
                let trusted = [hex::encode(id(chance.below(DEVICES)))];
                database.trust(&trusted).unwrap();
                folder.trust(&trusted).unwrap();
            }
        }
        for (postgres, sqlite) in TABLES {
            let what = format!("seed {seed}, {sqlite}");
            assert_same(&what, of_postgres(&mut client, postgres), of_sqlite(dir.path(), sqlite));
        }
        assert_same("heads", database.heads().unwrap(), folder.heads().unwrap());
        assert_same("forks", database.forks().unwrap(), folder.forks().unwrap());
        for limit in [1, 2_000, 1 << 20] {
            let theirs = others_heads(&on_their_way, chance);
            let lacking = [&database as &dyn Records, &folder].map(|it| it.lacking(&theirs, limit).unwrap());
            assert_same(&format!("seed {seed}, lacking {limit}"), &lacking[0], &lacking[1]);
        }
    }
}

#[test]
#[ignore = "needs a PostgreSQL: tests/reference/test_service_postgres.py starts one and runs it"]
fn processes_that_write_the_same_log_at_once_lose_nothing() {
    let (database, mut client) = database();
    let chance = &mut Chance(7);
    let all: Vec<_> = (0..DEVICES).flat_map(|device| log(device, None, chance)).collect();
    std::thread::scope(|scope| {
        for seed in 0..6 {
            let (database, mut mine) = (&database, all.clone());
            scope.spawn(move || {
                Chance(seed).shuffle(&mut mine);
                for few in mine.chunks(5) {
                    let mut body = Vec::new();
                    few.iter().for_each(|packet| packet.write(&mut body));
                    database.accept(&body, &|_| Admission::Welcome).unwrap();
                }
            });
        }
    });
    let dir = tempfile::tempdir().unwrap();
    let folder = Folder::open(dir.path()).unwrap();
    let mut body = Vec::new();
    all.iter().for_each(|packet| packet.write(&mut body));
    folder.accept(&body, &|_| Admission::Welcome).unwrap();
    for (postgres, sqlite) in TABLES {
        assert_same(sqlite, of_postgres(&mut client, postgres), of_sqlite(dir.path(), sqlite));
    }
    assert!(of_postgres(&mut client, "SELECT * FROM waiting").is_empty());
}

#[test]
#[ignore = "needs a PostgreSQL: tests/reference/test_service_postgres.py starts one and runs it"]
fn programs_that_start_at_once_make_one_base() {
    for _ in 0..10 {
        let address = &empty();
        let bases: BTreeSet<_> = std::thread::scope(|scope| {
            let started = [(); 6].map(|()| {
                scope.spawn(move || {
                    let base = crate::service::Base::in_postgres(address).unwrap();
                    (base.identity.fingerprint(), base.records.device().unwrap())
                })
            });
            started.into_iter().map(|started| started.join().unwrap()).collect()
        });
        assert_eq!(bases.len(), 1);
    }
}

#[test]
#[ignore = "needs a PostgreSQL: tests/reference/test_service_postgres.py starts one and runs it"]
fn a_newer_programs_database_is_left_alone() {
    let address = empty();
    Database::open(&address).unwrap();
    Client::connect(&address, NoTls).unwrap().batch_execute("INSERT INTO migrations VALUES (2)").unwrap();
    let refused = Database::open(&address).err().unwrap().to_string();
    assert!(refused.contains("schema 2") && refused.contains("newer Rakelight"), "{refused}");
}

/// The same questions to both, the same answers.
#[test]
#[ignore = "needs a PostgreSQL: tests/reference/test_service_postgres.py starts one and runs it"]
fn members_and_uploads_are_kept_as_beside_a_folders_store() {
    use crate::service::state::{Begun, Invited, Upload};
    use rakelight_core::exchange::wire::Role;
    let (database, _) = database();
    let dir = tempfile::tempdir().unwrap();
    let answers = [&database as &dyn State, &Sqlite::open(dir.path()).unwrap()].map(|state| {
        let invited =
            |code: u8, role, expires_ms| Invited { code_sha256: [code; 32], name: "Ä".into(), role, expires_ms };
        state.invite(&invited(1, Role::Coordinator, 100), 0).unwrap();
        state.invite(&invited(2, Role::Checker, 100), 0).unwrap();
        let mut said = Vec::new();
        for (code, device, now_ms) in [(1, 5, 1), (1, 5, 2), (1, 6, 3), (3, 6, 3), (2, 6, 200), (2, 6, 50)] {
            said.push(format!("{:?}", state.join(&[code; 32], &[device; 32], now_ms).unwrap()));
        }
        said.push(format!("{:?}", [6, 7].map(|device| state.set_barred(&[device; 32], true).unwrap())));
        said.push(format!("{:?}", state.join(&[2; 32], &[6; 32], 60).unwrap()));
        state.set_role(&[5; 32], Role::FieldWorker).unwrap();
        state.admit(&[7; 32], "B", Role::FieldWorker, 70).unwrap();
        state.exchanged(&[7; 32], 80).unwrap();
        said.push(format!("{:?}", state.members().unwrap()));
        let upload = |id: u8, photo: u8, begun_ms| Upload {
            id: [id; 16],
            sha256: [photo; 32],
            bytes: 10,
            device: [5; 32],
            begun_ms,
            done: false,
        };
        for (id, photo) in [(1, 1), (2, 1), (3, 2), (4, 3)] {
            let begun = state.begin(&upload(id, photo, id.into()), 2).unwrap();
            let begun = match begun {
                Begun::InPlaceOf(before) => format!("{before:?}"),
                Begun::TooMany => "too many".into(),
            };
            said.push(begun);
        }
        state.done(&[2; 16]).unwrap();
        state.forget(&[9; 16]).unwrap();
        said.push(format!("{:?}", [1, 2, 3].map(|id| state.upload(&[id; 16]).unwrap())));
        said.push(format!("{:?}", state.forget_before(3).unwrap()));
        said.push(format!("{:?}", [b"a", b"b"].map(|new| state.setting("x", new).unwrap())));
        said
    });
    assert_same("members", &answers[0], &answers[1]);
}

#[test]
#[ignore = "needs a PostgreSQL: tests/reference/test_service_postgres.py starts one and runs it"]
fn of_two_pieces_at_the_same_place_one_is_taken() {
    use crate::service::state::Upload;
    let (database, _) = database();
    let id = [1; 16];
    let upload = Upload { id, sha256: [2; 32], bytes: 10, device: [3; 32], begun_ms: 0, done: false };
    database.begin(&upload, 1).unwrap();
    let taken = |offset, arrived, piece: &[u8]| database.add_piece(&id, offset, arrived, piece, 2).unwrap();
    assert_eq!([taken(0, 4, b"a"), taken(0, 5, b"b"), taken(4, 9, b"c")], [true, false, true]);
    assert_eq!(database.pieces(&id).unwrap(), Some((9, vec![b"a".to_vec(), b"c".to_vec()])));
    assert!(!taken(9, 10, b"d"), "no more than two pieces");
}
