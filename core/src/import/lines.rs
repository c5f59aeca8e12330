//! Stretches of bank from GeoJSON (RFC 7946): each line is a place of a season's plan.

use geojson::{Feature, GeoJson, GeometryValue};

use crate::place::Position;
use crate::survey::PlacePlanned;

/// Why lines can't be taken.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LinesError {
    /// Not GeoJSON.
    #[error("this isn't GeoJSON: {0}")]
    NotGeoJson(String),
    /// One of them.
    #[error("feature {number}: {why}")]
    Feature {
        /// Which, from 1.
        number: usize,
        /// Why, and what to do.
        why: String,
    },
}

/// Each line with a name, as a place that is planned: where the search begins, and its stretch. Points and areas are passed over; how many, is said too.
///
/// ```
/// let file = r#"{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {"name": "Mill weir"},
///     "geometry": {"type": "LineString", "coordinates": [[8.2, 53.9], [8.21, 53.9]]}}]}"#;
/// let (places, passed_over) = rakelight_core::import::stretches(file).expect("GeoJSON");
/// assert_eq!((places[0].name.as_str(), places[0].at, passed_over), ("Mill weir", [53.9, 8.2], 0));
/// ```
///
/// # Errors
/// Not GeoJSON; a line without a name, with one that another has, or off the earth.
pub fn stretches(file: &str) -> Result<(Vec<PlacePlanned>, usize), LinesError> {
    let read: GeoJson = file.parse().map_err(|error: geojson::Error| LinesError::NotGeoJson(error.to_string()))?;
    let features = match read {
        GeoJson::FeatureCollection(all) => all.features,
        GeoJson::Feature(one) => vec![one],
        GeoJson::Geometry(_) => {
            return Err(LinesError::NotGeoJson("a geometry has no name: give features with one".into()));
        }
    };
    let (mut places, mut passed_over): (Vec<PlacePlanned>, usize) = (Vec::new(), 0);
    for (i, feature) in features.iter().enumerate() {
        let wrong = |why: String| LinesError::Feature { number: i + 1, why };
        let Some(line) = line(feature) else {
            passed_over += 1;
            continue;
        };
        let name =
            feature.property("name").and_then(|name| name.as_str()).map(str::trim).filter(|name| !name.is_empty());
        let name = name.ok_or_else(|| wrong("the line has no name: give it a property \"name\"".into()))?;
        if places.iter().any(|place| crate::survey::same_name(&place.name, name)) {
            return Err(wrong(format!("another line is called {name:?} too: give each its own name")));
        }
        for [lon, lat] in &line {
            Position::new(*lat, *lon, None).map_err(|error| wrong(error.to_string()))?;
        }
        let [lon, lat] = line[0];
        places.push(PlacePlanned {
            name: name.into(),
            at: [lat, lon],
            stretch: line,
            spots: vec![],
            protocol: None,
            cell: None,
            draw: None,
            landowner: None,
            permission: None,
        });
    }
    Ok((places, passed_over))
}

/// Longitude and latitude of a line with two points or more.
fn line(feature: &Feature) -> Option<Vec<[f64; 2]>> {
    let GeometryValue::LineString { coordinates } = &feature.geometry.as_ref()?.value else { return None };
    let points: Option<Vec<[f64; 2]>> =
        coordinates.iter().map(|point| Some([*point.as_slice().first()?, *point.as_slice().get(1)?])).collect();
    points.filter(|points| points.len() > 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_without_a_name_or_off_the_earth_is_named_by_its_number() {
        let of = |properties: &str, lat: f64| {
            stretches(&format!(
                r#"{{"type": "FeatureCollection", "features": [{{"type": "Feature", "properties": {{}}, "geometry": {{"type": "Point", "coordinates": [1, 2]}}}},
                {{"type": "Feature", "properties": {properties}, "geometry": {{"type": "LineString", "coordinates": [[8.2, {lat}], [8.3, {lat}]]}}}}]}}"#
            ))
        };
        assert_eq!(of(r#"{"name": "Weir"}"#, 53.0).unwrap().1, 1);
        assert!(of("{}", 53.0).unwrap_err().to_string().starts_with("feature 2: the line has no name"));
        assert!(of(r#"{"name": "Weir"}"#, 153.0).unwrap_err().to_string().contains("latitude 153"));
        assert!(stretches("[]").is_err());
    }
}
