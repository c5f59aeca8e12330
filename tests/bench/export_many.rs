//! For `tests/bench/export`: `export-many make DIR SIGNS` makes a store of visits with a hundred signs each, all made up; `export-many write DIR OUT FORMAT` exports it
//! and prints seconds, the process's peak memory (kB) and how many records.

use std::error::Error;
use std::path::Path;
use std::time::Instant;

use chrono::{DateTime, FixedOffset, TimeDelta, Utc};
use rakelight_core::export::{Asked, Format, Licence, export};
use rakelight_core::identify::{Evidence, Facts, identify};
use rakelight_core::place::Category;
use rakelight_core::store::Store;
use rakelight_core::survey::{
    Closed, Conditions, Consent, Identified, Opened, PlacedBy, Protocol, SignKind, SignNoted, StretchWalked,
    TrackPiece, Visit,
};
use rakelight_core::words::Words;

type Outcome<T = ()> = Result<T, Box<dyn Error>>;

const SIGNS: usize = 100;
/// What is found: a spraint with a print, a print of something like a mink, one of something like a fox.
const FOUND: [&str; 3] = [
    r#"{"substrate": "firm_mud", "setting": {"near_water": true}, "prints": [{"foot": "hind", "width_mm": 60.1, "u_width_mm": 0.9, "length_with_heel_mm": 85.0, "u_length_with_heel_mm": 1.2, "toes_seen": 5, "claws": "seen"}], "droppings": [{"contents": ["fish_bones"], "smell": "sweet_fishy", "prominent_spot": true}]}"#,
    r#"{"substrate": "soft_mud", "prints": [{"foot": "fore", "width_mm": 31.0, "u_width_mm": 1.0, "toes_seen": 5, "claws": "seen"}]}"#,
    r#"{"substrate": "wet_sand", "prints": [{"foot": "fore", "width_mm": 42.0, "u_width_mm": 1.0, "length_without_heel_mm": 52.0, "u_length_without_heel_mm": 1.1, "toes_seen": 4, "claws": "seen", "arrangement": "paired"}]}"#,
];

fn main() -> Outcome {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    match arguments.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        ["make", dir, signs] => make(Path::new(dir), signs.parse()?),
        ["write", dir, out, format] => write(Path::new(dir), Path::new(out), format),
        _ => Err("export-many make DIR SIGNS, or export-many write DIR OUT dwca|csv|geojson|gpx|gpkg".into()),
    }
}

fn make(dir: &Path, signs: usize) -> Outcome {
    let mut store = Store::open_or_create(dir)?;
    let words = Words::load("en")?;
    let found = FOUND.map(|text| -> Outcome<Identified> {
        let evidence = Evidence::from_json(text)?;
        let result = identify(&evidence, Facts::builtin()?, &words)?;
        let facts_digest = Facts::builtin()?.digest();
        Ok(Identified { sign: String::new(), evidence, result, core_version: "0.1.0".into(), facts_digest })
    });
    let found = found.into_iter().collect::<Outcome<Vec<_>>>()?;
    println!("an identification is {} bytes of JSON", serde_json::to_string(&found[0])?.len());
    for number in 0..signs / SIGNS {
        store.write_visit(&visit(number, &found)?, now()?)?;
    }
    Ok(())
}

fn now() -> Outcome<DateTime<Utc>> {
    Ok("2026-11-25T07:41:10Z".parse()?)
}

fn visit(number: usize, found: &[Identified]) -> Outcome<Visit> {
    let start: DateTime<FixedOffset> = "2024-03-01T08:00:00+01:00".parse()?;
    let start = start + TimeDelta::days(number as i64 % 900);
    let opened = Opened {
        purpose: "otter survey".into(),
        targets: vec!["lutra_lutra".into(), "castor_fiber".into()],
        protocol: None,
        protocol_rules: Some(Box::new(Protocol::named("one_bank_600")?)),
        detection: [].into(),
        experience_seasons: Some(4),
        start,
        people: vec!["A. Walker".into(), "B. Walker".into()],
        place_name: format!("place {}", number / 3),
        landowner: None,
        consent: Consent::None,
        sensitivity_category: Category::try_from(2)?,
        notice: None,
        conditions: Conditions { days_without_rain: Some(6), ..Conditions::default() },
    };
    let mut visit = Visit::open(opened);
    let [lat, lon] = [48.0 + (number / 3) as f64 * 0.013, 5.0 + (number % 300) as f64 * 0.021];
    let bank = StretchWalked {
        name: "bank".into(),
        bank: None,
        line: vec![[lon, lat], [lon + 0.0082, lat]],
        searched_m: Some(600.0),
    };
    visit.stretches.push(bank);
    let fixes = (0..60).map(|i| (start.to_utc() + TimeDelta::seconds(20 * i), lat, lon + 0.0082 * i as f64 / 60.0));
    visit.track.push(TrackPiece { fixes: fixes.collect() });
    for i in 0..SIGNS {
        let id = format!("s{i}");
        let kind = if i % 3 == 0 { SignKind::Dropping } else { SignKind::Print };
        visit.identified.push(Identified { sign: id.clone(), ..found[i % found.len()].clone() });
        visit.signs.push(SignNoted {
            id,
            sign: kind,
            photos: vec![],
            trail: None,
            place: Some([lat + i as f64 * 1e-6, lon + i as f64 * 8e-5]),
            placed_by: Some(PlacedBy::Phone),
            radius_68_m: Some(5.0),
            taken_for: None,
            time: Some(start + TimeDelta::seconds(12 * i as i64)),
            freshness: Some("fresh".into()),
            below_high_water: None,
            note: Some("on the flat stone below the alder".into()),
        });
    }
    visit.closed = Some(Closed { end: start + TimeDelta::minutes(40) });
    Ok(visit)
}

fn write(dir: &Path, out: &Path, format: &str) -> Outcome {
    let format = match format {
        "dwca" => Format::Dwca,
        "csv" => Format::Csv,
        "geojson" => Format::GeoJson,
        "gpx" => Format::Gpx,
        "gpkg" => Format::Gpkg,
        other => return Err(format!("no format {other}").into()),
    };
    let words = Words::load("en")?;
    let store = Store::open(dir)?;
    let asked = Asked::of(format, Licence::named("CC-BY-4.0")?);
    let begun = Instant::now();
    let exported = export(&store, out, &asked, now()?, &words)?;
    let seconds = begun.elapsed().as_secs_f64();
    let status = std::fs::read_to_string("/proc/self/status")?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:")).unwrap_or_default();
    let peak_kb = line.split_whitespace().nth(1).unwrap_or_default();
    println!("{seconds:.3} {peak_kb} {}", exported.occurrences + exported.absences);
    Ok(())
}
