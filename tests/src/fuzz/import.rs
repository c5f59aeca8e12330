//! Earlier records, as other people's programs wrote them.

use std::fs;

use rakelight_core::export::{Asked, Format, Licence, export};
use rakelight_core::import::{self, DateOrder, Given};
use rakelight_core::store::Store;
use rakelight_core::survey::{Record, SignKind};

use super::{WORDS, fixtures, scratch, shortened};

const START: &str = "2026-10-03T07:00:00+02:00";

/// A table of signs, with what it lacks given by hand.
pub fn table(bytes: &[u8]) {
    let Some(words) = WORDS.as_ref() else { return };
    let given = Given {
        columns: vec![],
        dates: Some(DateOrder::DayFirst),
        people: vec!["Ida Fennwick".into()],
        kind: Some(SignKind::Dropping),
    };
    for given in [Given::default(), given] {
        let Ok(tabled) = import::table(&String::from_utf8_lossy(bytes), &given, words) else { continue };
        let records: Vec<Record> = tabled.visits.iter().flat_map(|visit| visit.records()).collect();
        let _ = serde_json::to_string(&records);
    }
}

/// A walk with its points.
pub fn walked(bytes: &[u8]) {
    let Ok(start) = START.parse() else { return };
    let _ = import::walk(bytes, start).map(|walked| serde_json::to_string(&walked.records()));
}

/// Stretches of bank.
pub fn lines(bytes: &[u8]) {
    let _ = import::stretches(&String::from_utf8_lossy(bytes)).map(|(places, _)| serde_json::to_string(&places));
}

/// The list of copied photographs, beside an archive.
pub fn copies(bytes: &[u8]) {
    let (Some(folder), Some(words)) = (scratch(), WORDS.as_ref()) else { return };
    let copies = folder.path().join("copies");
    let laid = fs::create_dir(&copies).and_then(|()| fs::write(copies.join("photographs.csv"), bytes));
    let store = Store::open_or_create(&folder.path().join("store"));
    let (Ok(()), Ok(store), Ok(licence), Ok(now)) = (laid, store, Licence::named("CC0-1.0"), START.parse()) else {
        return;
    };
    let asked = Asked {
        photos_at: Some("https://photographs.example".into()),
        photos_in: Some(copies),
        ..Asked::of(Format::Dwca, licence)
    };
    let _ = export(&store, &folder.path().join("records.zip"), &asked, now, words);
}

pub fn some_tables() -> Vec<Vec<u8>> {
    let comma: &[u8] = "eventDate,locality,decimalLatitude,decimalLongitude,scientificName,recordedBy,sign,count,remarks\n2019-10-03,Mill weir,53.9,8.2,Lutra lutra,Ida Fennwick,spraint,2,\"on the ledge, fresh\"\n2019-10-04,Mill weir,53.91,8.21,Neogale vison,Ida Fennwick; Jorun Tesk,print,1,\n".as_bytes();
    let semicolon: &[u8] = "# earlier records\nDatum;Ort;Breite;L\u{e4}nge;Art\n3.10.2019;M\u{fc}hlwehr;53,9;8,2;Fischotter\n03/04/2019;Furt;;;\n".as_bytes();
    vec![comma.to_vec(), semicolon.to_vec()]
}

pub fn some_walks() -> Vec<Vec<u8>> {
    fixtures("fixtures/demo-visit", ".gpx").into_iter().map(shortened).collect()
}

pub fn some_lines() -> Vec<Vec<u8>> {
    let line: &[u8] = br#"{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {"name": "Mill weir"},
        "geometry": {"type": "LineString", "coordinates": [[8.2, 53.9], [8.21, 53.9, 1]]}}, {"type": "Feature", "properties": null, "geometry": null}]}"#;
    vec![line.to_vec()]
}

pub fn some_copies() -> Vec<Vec<u8>> {
    vec![b"file,identifier,sha256,width_px,height_px,taken\na.jpg,a,00ff,640,480,\n\"../b.jpg\",b,,1,1,\n".to_vec()]
}
