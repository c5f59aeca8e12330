//! What it costs to ask where a walk stands, as the phone does every few seconds: beside SQLite and serde_json that read the visit's records once.

use std::error::Error;
use std::path::Path;
use std::time::Instant;

use rakelight::{Consent, Fix, Moment, ShoreAsked, TideTurn, VisitHead, Workspace};
use rakelight_core::store::{Draft, Store, kind};
use serde_json::{Value, json};

const START: Moment = Moment { utc_ms: 1_791_010_800_000, offset_minutes: 60 };
const ROUNDS: u32 = 50;

fn main() -> Result<(), Box<dyn Error>> {
    let asked: Vec<i64> = std::env::args().filter_map(|argument| argument.parse().ok()).collect();
    for fixes in if asked.is_empty() { vec![1000] } else { asked } {
        walk(fixes)?;
    }
    Ok(())
}

fn after(seconds: i64) -> Moment {
    Moment { utc_ms: START.utc_ms + 1000 * seconds, ..START }
}

/// 13.4 m every ten seconds, to and fro along 1,343 m.
fn fix(i: i64) -> Fix {
    let along = (i % 200 - 100).abs() as f64;
    Fix { at: after(10 * i), lat: 53.0 + 1e-5 * (i % 7) as f64, lon: 9.0 + 0.0002 * along, radius_68_m: Some(6.0) }
}

fn walk(fixes: i64) -> Result<(), Box<dyn Error>> {
    let folder = tempfile::tempdir()?;
    let dir = folder.path().join("store");
    let core = Workspace::open(dir.display().to_string(), "en".into())?;
    let head = VisitHead {
        purpose: "a benchmark".into(),
        targets: vec!["lutra_lutra".into()],
        protocol: None,
        experience_seasons: None,
        start: START,
        people: vec!["A Tester".into()],
        place_name: "Nowhere".into(),
        landowner: None,
        consent: Consent::None,
        notice: None,
    };
    let visit = core.open_visit(head, START)?;
    photographs(&dir, &visit)?;
    let line = (0..=40).map(|i| rakelight::LonLat { lon: 9.0 + 0.0005 * f64::from(i), lat: 53.0 }).collect();
    core.walk_stretch(visit.clone(), "bank".into(), None, line, None, START)?;
    let begun = Instant::now();
    for i in 0..fixes {
        core.add_fix(visit.clone(), fix(i))?;
    }
    let fix_ms = begun.elapsed().as_secs_f64() * 1e3 / fixes as f64;
    let turns = [(-17_400, 11.8, true), (6_000, 1.4, false), (27_000, 12.1, true)];
    let turns = turns.map(|(seconds, height_m, high)| TideTurn { at: after(seconds), height_m, high }).to_vec();
    let shore = ShoreAsked { turns, free_below_m: 4.0, walk_minutes: 20, margin_minutes: 30, past_low_water: false };
    let (mut ours_ms, mut theirs_ms) = (0.0, 0.0);
    for _ in 0..ROUNDS {
        let begun = Instant::now();
        core.walking(visit.clone(), Some(shore.clone()), after(5_000), Some(fix(fixes)))?;
        ours_ms += begun.elapsed().as_secs_f64() * 1e3 / f64::from(ROUNDS);
        let begun = Instant::now();
        read_all(&dir)?;
        theirs_ms += begun.elapsed().as_secs_f64() * 1e3 / f64::from(ROUNDS);
    }
    println!("{fixes} fixes: a fix is written in {fix_ms:.2} ms (as fast as this disk flushes)");
    println!(
        "  where the walk stands: {ours_ms:.2} ms, {:.2} of reading its records once ({theirs_ms:.2} ms)",
        ours_ms / theirs_ms
    );
    println!("  asked every 5 s: {:.3} % of one core's time", 100.0 * ours_ms / 5000.0);
    Ok(())
}

/// Twenty measured photographs, each with a document as long as the demo's.
fn photographs(dir: &Path, visit: &str) -> Result<(), Box<dyn Error>> {
    let points: Vec<Value> = (0..400).map(|i| json!({"x": 1.5 * f64::from(i), "y": 0.25 * f64::from(i)})).collect();
    let draft = |i: i32| Draft {
        kind: kind::PRINT_MEASURED.into(),
        visit: visit.into(),
        subject: format!("photo-{i}"),
        author: "A Tester".into(),
        payload: json!({"points": points}),
    };
    let drafts: Vec<Draft> = (0..20).map(draft).collect();
    Store::open(dir)?.append(&drafts, "2026-10-03T07:00:00Z".parse()?)?;
    Ok(())
}

fn read_all(dir: &Path) -> Result<usize, Box<dyn Error>> {
    let connection = rusqlite::Connection::open(dir.join("store.sqlite"))?;
    let mut query = connection.prepare("SELECT payload FROM entries")?;
    let payloads = query.query_map([], |row| row.get::<_, String>(0))?.collect::<Result<Vec<_>, _>>()?;
    Ok(payloads.iter().filter(|payload| serde_json::from_str::<Value>(payload).is_ok()).count())
}
