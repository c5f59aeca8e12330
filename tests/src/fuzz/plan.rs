//! What planning and effort read: tide tables, constants, maps, seasons, protocols, places to draw from, tracks on a stretch.

use chrono::{DateTime, TimeDelta, Utc};
use rakelight_core::plan::{Between, HarmonicTide, TideTable, spots};
use rakelight_core::survey::{Candidate, Protocol, SeasonPlan, draw, searched, walks};

/// A tide table, gone through from its first turn to its last.
pub fn tide_table(bytes: &[u8]) {
    let Ok(table) = TideTable::from_csv(&String::from_utf8_lossy(bytes), Between::Twelfths) else { return };
    let span = table.span();
    for i in 0..=10 {
        let height = table.height_m(span.start + span.length() / 10 * i);
        assert!(height.is_ok_and(f64::is_finite) || i == 10, "within the table every height is known");
    }
}

/// Constants, and a day of tide by them.
pub fn constants(bytes: &[u8]) {
    let Ok(tide) = HarmonicTide::from_csv(&String::from_utf8_lossy(bytes), 1.0) else { return };
    let start = DateTime::<Utc>::UNIX_EPOCH + TimeDelta::days(20_000);
    let heights = tide.heights(start, start + TimeDelta::days(1), TimeDelta::hours(1));
    assert!(heights.is_ok_and(|heights| heights.iter().all(|height| height.height_m.is_finite())));
    let _ = tide.extremes(start, start + TimeDelta::days(1));
}

/// A map with a stretch and spots.
pub fn map(bytes: &[u8]) {
    if let Ok(found) = spots(bytes) {
        assert!(found.length_m >= 0.0 && found.spots.iter().all(|spot| !spot.reasons.is_empty()));
    }
}

/// A season's plan, and what is due of it.
pub fn season(bytes: &[u8]) {
    let Ok(plan) = SeasonPlan::from_toml(&String::from_utf8_lossy(bytes)) else { return };
    let _ = plan.tasks(&walks([]), chrono::NaiveDate::MIN, None);
    assert_eq!(SeasonPlan::assemble(plan.records()).places, plan.places);
}

/// A team's own protocol.
pub fn protocol(bytes: &[u8]) {
    let _ = Protocol::from_toml(&String::from_utf8_lossy(bytes));
}

/// Places to draw from, and a draw.
pub fn candidates(bytes: &[u8]) {
    let places = Protocol::named("one_bank_600").map(|protocol| protocol.places.rule);
    if let (Ok(candidates), Ok(places)) = (Candidate::read(&String::from_utf8_lossy(bytes)), places) {
        let _ = draw(&candidates, places, 1);
    }
}

/// Bytes as a track, six a fix: seconds, north and east.
pub fn walk(bytes: &[u8]) {
    let start = DateTime::<Utc>::UNIX_EPOCH + TimeDelta::days(20_000);
    let fix = |b: &[u8]| {
        let number = |i: usize| f64::from(i16::from_le_bytes([b[i], b[i + 1]]));
        (start + TimeDelta::seconds(number(0) as i64), 53.0 + number(2) / 1e6, 9.0 + number(4) / 1e6)
    };
    let track: Vec<_> = bytes.chunks_exact(6).take(500).map(fix).collect();
    let bank = [[9.0, 53.0], [9.002, 53.001], [9.004, 53.0], [9.001, 53.0002]];
    let found = searched("bank", &bank, &track);
    assert!(found.is_ok_and(|found| found.covered_m >= 0.0 && found.share <= 1.0 + 1e-9));
}

/// A tide table.
pub fn tide_tables() -> Vec<Vec<u8>> {
    let table =
        "# invented\nutc,height_m,type\n2026-10-03T02:10Z,11.8,H\n2026-10-03T08:40Z,1.4,L\n2026-10-03 14:30,12.1,H\n";
    vec![table.into()]
}

/// Two maps.
pub fn maps() -> Vec<Vec<u8>> {
    let features = [
        r#"{"type": "Feature", "properties": {"kind": "stretch"}, "geometry": {"type": "LineString", "coordinates": [[9.0, 53.0], [9.01, 53.0]]}}"#,
        r#"{"type": "Feature", "properties": {"kind": "way"}, "geometry": {"type": "LineString", "coordinates": [[9.005, 52.999], [9.005, 53.001]]}}"#,
        r#"{"type": "Feature", "properties": {"kind": "log", "name": "ash"}, "geometry": {"type": "Point", "coordinates": [9.001, 53.0001]}}"#,
    ];
    let geojson = format!(r#"{{"type": "FeatureCollection", "features": [{}]}}"#, features.join(","));
    let gpx = r#"<gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1"><wpt lat="53.0001" lon="9.004"><type>weir</type></wpt>
        <rte><rtept lat="53.0" lon="9.0"/><rtept lat="53.0" lon="9.008"/></rte></gpx>"#;
    vec![geojson.into(), gpx.into()]
}

/// A season.
pub fn seasons() -> Vec<Vec<u8>> {
    let season = r#"
        [[place]]
        name = "Sallow Bridge"
        at = [53.0, 9.0]
        spots = [{ at = [53.001, 9.0], name = "ash", why = ["log"] }]
        permission = { granted = true, until = 2026-11-30 }
        [[given]]
        place = "Sallow Bridge"
        people = ["Ada", "Bo"]
        from = 2026-10-01
        until = 2026-10-31
    "#;
    vec![season.into()]
}

/// Places, as CSV and as GeoJSON.
pub fn some_candidates() -> Vec<Vec<u8>> {
    let geojson = r#"{"type": "FeatureCollection", "features": [{"type": "Feature", "id": 7, "properties": {"name": "bridge"},
        "geometry": {"type": "Point", "coordinates": [9.0, 53.0]}}]}"#;
    vec!["id,name,lat,lon\nb1,Sallow Bridge,53.0,9.0\nb2,,53.01,9.01\n".into(), geojson.into()]
}

/// A walk of a minute.
pub fn walks_of_bytes() -> Vec<Vec<u8>> {
    vec![(0..60i16).flat_map(|i| [10 * i, 3 * i, 60 * i]).flat_map(i16::to_le_bytes).collect()]
}
