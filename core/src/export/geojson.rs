//! GeoJSON (RFC 7946): WGS84, longitude before latitude, at most seven decimals, no `crs`. Visits, signs, and stretches where exact positions leave.
//! A thing without a place has `null` for its geometry.

use std::borrow::Cow;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;

use serde_json::{Map, Value, json};

use super::leaving::{Event, EventKind, Spot};
use super::{About, ExportError, Visits, columns, text};

pub(super) fn write(out: &Path, file: &mut File, visits: &mut Visits, about: &About) -> Result<(), ExportError> {
    let failed = |source| ExportError::Disk { path: out.to_owned(), source };
    let mut to = BufWriter::new(file);
    let head = json!({ "title": about.title(), "creator": about.team(), "license": about.asked.licence.url });
    // The list stays open, so that features can be written one after the other.
    let head = head.to_string();
    write!(to, "{{\"type\":\"FeatureCollection\",{},\"features\":[", &head[1..head.len() - 1]).map_err(failed)?;
    let mut separator = "\n";
    for leaving in visits {
        let leaving = leaving?;
        let visit = feature("visit", &columns::visit_columns(), columns::visit(&leaving, about), leaving.visit());
        let stretches = leaving.events.iter().filter(|event| event.kind == EventKind::Stretch && event.line.is_some());
        let stretches = stretches.map(|event| {
            let mut cells = Vec::new();
            columns::of_event(event, &mut cells);
            feature("stretch", &columns::OF_EVENT, cells, event)
        });
        let names = columns::flat_columns();
        let signs = leaving.occurrences.iter().enumerate().map(|(index, occurrence)| {
            feature("sign", &names, columns::flat(&leaving, index, about), leaving.event_of(occurrence))
        });
        for feature in std::iter::once(visit).chain(stretches).chain(signs) {
            write!(to, "{separator}{feature}").map_err(failed)?;
            separator = ",\n";
        }
    }
    writeln!(to, "\n]}}").and_then(|()| to.flush()).map_err(failed)
}

/// The first cell is its identifier.
fn feature(record: &str, names: &[&str], cells: Vec<Cow<str>>, event: &Event) -> Value {
    let id = cells.first().map(ToString::to_string);
    let mut properties = Map::from_iter([("record".to_owned(), json!(record))]);
    for (name, cell) in names.iter().zip(cells).filter(|(_, cell)| !cell.is_empty()) {
        let value = if columns::is_number(name) { serde_json::from_str(&cell).ok() } else { None };
        properties.insert((*name).to_owned(), value.unwrap_or_else(|| json!(text::clean(&cell))));
    }
    let geometry = match (&event.line, event.spot) {
        (Some(line), _) => {
            json!({ "type": "LineString", "coordinates": line.iter().map(|[lon, lat]| [seven(*lon), seven(*lat)]).collect::<Vec<_>>() })
        }
        (None, Some(Spot { lat, lon, .. })) => json!({ "type": "Point", "coordinates": [lon, lat] }),
        (None, None) => Value::Null,
    };
    json!({ "type": "Feature", "id": id, "geometry": geometry, "properties": properties })
}

fn seven(degrees: f64) -> f64 {
    (degrees * 1e7).round() / 1e7
}
