//! Which spots of a stretch to look at first: those that are known to be marked.

use geo::{Closest, Distance, Geodesic, HaversineClosestPoint, Length, Line, LineString, Point, line_intersection};
use geojson::{Feature, GeoJson, GeometryValue};
use serde::{Deserialize, Serialize};

/// Why the spots can't be told.
#[derive(Debug, thiserror::Error)]
pub enum SpotsError {
    /// Neither GeoJSON nor GPX.
    #[error("the file is neither GeoJSON (RFC 7946) nor GPX 1.1: {0}")]
    Unreadable(String),
    /// A feature that can't be used.
    #[error("feature {number}: {wrong}")]
    Feature {
        /// Counted from 1.
        number: usize,
        /// What is wrong and what to do.
        wrong: String,
    },
    /// No line to walk along.
    #[error(
        "there is no stretch: give a line (in GeoJSON a LineString whose kind is stretch, in GPX a track or route) of two points at least"
    )]
    NoStretch,
    /// Which of them is it?
    #[error(
        "{lines} lines could be the stretch: give one of them the property kind = \"stretch\", and the others \"water\" or \"way\""
    )]
    ManyStretches {
        /// How many.
        lines: usize,
    },
    /// The data that is built in.
    #[error("the marking spots' data can't be read: {0}")]
    BuiltIn(#[from] toml::de::Error),
}

/// What `marking_spots.toml` holds.
#[derive(Debug, Deserialize)]
struct Data {
    reach: Reach,
    spot: Vec<KindOfSpot>,
}

#[derive(Debug, Deserialize)]
struct Reach {
    together_m: f64,
    on_stretch_m: f64,
}

/// A kind of spot that is known to be marked.
#[derive(Debug, Clone, Deserialize)]
struct KindOfSpot {
    kind: String,
    tier: u32,
    source: String,
}

/// A map of the place: a stretch, other waters, ways, points.
#[derive(Debug, Default)]
struct Map {
    stretches: Vec<LineString>,
    unnamed: Vec<LineString>,
    waters: Vec<LineString>,
    ways: Vec<LineString>,
    points: Vec<Marked>,
}

#[derive(Debug, Clone)]
struct Marked {
    kind: String,
    name: Option<String>,
    at: Point,
    /// Worked out here from lines that meet.
    from_lines: bool,
}

/// A spot to look at, first ones first.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Spot {
    /// From 1.
    pub rank: usize,
    /// What the user calls it.
    pub name: Option<String>,
    /// WGS84, degrees.
    pub lat: f64,
    /// WGS84, degrees.
    pub lon: f64,
    /// How far along the stretch, m.
    pub along_m: f64,
    /// How far from it, m.
    pub off_m: f64,
    /// Why: at least one.
    pub reasons: Vec<Reason>,
}

/// Why a spot is worth a look.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Reason {
    /// What is there.
    pub kind: String,
    /// Whether that was worked out from lines that meet, and not given.
    pub from_lines: bool,
    /// Who says that it is marked.
    pub source: String,
    #[serde(skip)]
    tier: u32,
}

/// The spots of a stretch, and what lies too far from it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Spots {
    /// Length of the stretch, m.
    pub length_m: f64,
    /// In the order in which to look.
    pub spots: Vec<Spot>,
    /// Points that don't lie on the stretch.
    pub left_out: Vec<LeftOut>,
}

/// A point that doesn't lie on the stretch.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LeftOut {
    /// What the user calls it.
    pub name: Option<String>,
    /// What is there.
    pub kind: String,
    /// How far from the stretch, m.
    pub off_m: f64,
}

/// The spots of a map: GeoJSON with a LineString (`kind` = `stretch`), other lines (`water`: where one meets the stretch is a confluence; `way`: where one
/// crosses it is a bridge) and points whose `kind` says what is there; or GPX with a track or route, and waypoints whose type does.
///
/// ```
/// use rakelight_core::plan::spots;
/// let map = r#"{"type": "FeatureCollection", "features": [
///   {"type": "Feature", "properties": {"kind": "stretch"}, "geometry": {"type": "LineString", "coordinates": [[9.0, 53.0], [9.01, 53.0]]}},
///   {"type": "Feature", "properties": {"kind": "way"}, "geometry": {"type": "LineString", "coordinates": [[9.005, 52.999], [9.005, 53.001]]}},
///   {"type": "Feature", "properties": {"kind": "log", "name": "ash"}, "geometry": {"type": "Point", "coordinates": [9.001, 53.0001]}}]}"#;
/// let spots = spots(map.as_bytes())?;
/// assert_eq!(spots.spots.iter().map(|spot| spot.reasons[0].kind.as_str()).collect::<Vec<_>>(), ["bridge", "log"]);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// A file that can't be read, without a stretch, or with a kind that isn't known.
pub fn spots(file: &[u8]) -> Result<Spots, SpotsError> {
    let data: Data = toml::from_str(include_str!("../../data/marking_spots.toml"))?;
    let mut map = Map::read(file)?;
    let stretch = map.stretch()?;
    map.points.extend(meetings(&stretch, &map.waters, "confluence", data.reach.together_m));
    map.points.extend(meetings(&stretch, &map.ways, "bridge", 0.0));
    let length_m = Geodesic.length(&stretch);
    let mut spots: Vec<Spot> = Vec::new();
    let mut left_out = Vec::new();
    for (number, point) in (1..).zip(map.points) {
        let Some(known) = data.spot.iter().find(|known| known.kind == point.kind) else {
            let kinds: Vec<&str> = data.spot.iter().map(|known| known.kind.as_str()).collect();
            let wrong = format!("the kind {:?} isn't known; there are: {}", point.kind, kinds.join(", "));
            return Err(SpotsError::Feature { number, wrong });
        };
        let (along_m, off_m) = along(&stretch, point.at);
        if off_m > data.reach.on_stretch_m {
            left_out.push(LeftOut { name: point.name, kind: point.kind, off_m });
            continue;
        }
        let reason =
            Reason { kind: point.kind, from_lines: point.from_lines, source: known.source.clone(), tier: known.tier };
        let near =
            |spot: &&mut Spot| Geodesic.distance(Point::new(spot.lon, spot.lat), point.at) <= data.reach.together_m;
        match spots.iter_mut().find(near) {
            Some(spot) => spot.add(reason, point.name),
            None => spots.push(Spot {
                rank: 0,
                name: point.name,
                lat: point.at.y(),
                lon: point.at.x(),
                along_m,
                off_m,
                reasons: vec![reason],
            }),
        }
    }
    spots.iter_mut().for_each(|spot| spot.reasons.sort_by_key(|reason| reason.tier));
    spots.sort_by(|a, b| a.order().cmp(&b.order()).then(a.along_m.total_cmp(&b.along_m)));
    (1..).zip(&mut spots).for_each(|(rank, spot)| spot.rank = rank);
    Ok(Spots { length_m, spots, left_out })
}

impl Spot {
    /// A kind counts once, however often it is there; what was given before what was worked out.
    fn add(&mut self, reason: Reason, name: Option<String>) {
        self.name = self.name.take().or(name);
        if self.reasons.iter().all(|known| known.kind != reason.kind) {
            self.reasons.push(reason);
        }
    }

    fn order(&self) -> (Option<u32>, std::cmp::Reverse<usize>) {
        (self.reasons.iter().map(|reason| reason.tier).min(), std::cmp::Reverse(self.reasons.len()))
    }
}

/// Where other lines meet the stretch: where they cross it, or end this near to it.
fn meetings(stretch: &LineString, others: &[LineString], kind: &str, end_within_m: f64) -> Vec<Marked> {
    let mut places: Vec<Point> = Vec::new();
    for other in others {
        for (a, b) in stretch.lines().flat_map(|a| other.lines().map(move |b| (a, b))) {
            places.extend(crossing(a, b));
        }
        for end in [other.0.first(), other.0.last()].into_iter().flatten() {
            let (_, off_m) = along(stretch, Point(*end));
            if off_m <= end_within_m {
                places.push(Point(*end));
            }
        }
    }
    places.into_iter().map(|at| Marked { kind: kind.into(), name: None, at, from_lines: true }).collect()
}

fn crossing(a: Line, b: Line) -> Option<Point> {
    match line_intersection::line_intersection(a, b)? {
        line_intersection::LineIntersection::SinglePoint { intersection, .. } => Some(Point(intersection)),
        line_intersection::LineIntersection::Collinear { intersection } => Some(Point(intersection.start)),
    }
}

/// How far along a line its point lies that is nearest to another, and how far away that is, m.
fn along(line: &LineString, point: Point) -> (f64, f64) {
    let (mut before, mut best) = (0.0, (0.0, f64::MAX));
    for piece in line.lines() {
        let nearest = match piece.haversine_closest_point(&point) {
            Closest::Intersection(nearest) | Closest::SinglePoint(nearest) => nearest,
            Closest::Indeterminate => Point(piece.start),
        };
        let off_m = Geodesic.distance(point, nearest);
        if off_m < best.1 {
            best = (before + Geodesic.distance(Point(piece.start), nearest), off_m);
        }
        before += Geodesic.distance(Point(piece.start), Point(piece.end));
    }
    best
}

impl Map {
    fn read(file: &[u8]) -> Result<Self, SpotsError> {
        let is_json = file.iter().find(|byte| !byte.is_ascii_whitespace()) == Some(&b'{');
        if is_json { Self::from_geojson(file) } else { Self::from_gpx(file) }
    }

    fn from_geojson(file: &[u8]) -> Result<Self, SpotsError> {
        let unreadable = |error: &dyn std::fmt::Display| SpotsError::Unreadable(error.to_string());
        let text = std::str::from_utf8(file).map_err(|e| unreadable(&e))?;
        let features = match text.parse::<GeoJson>().map_err(|e| unreadable(&e))? {
            GeoJson::FeatureCollection(collection) => collection.features,
            GeoJson::Feature(feature) => vec![feature],
            GeoJson::Geometry(geometry) => vec![Feature { geometry: Some(geometry), ..Feature::default() }],
        };
        let mut map = Self::default();
        for (number, feature) in (1..).zip(features) {
            map.add(&feature).map_err(|wrong| SpotsError::Feature { number, wrong })?;
        }
        Ok(map)
    }

    fn add(&mut self, feature: &Feature) -> Result<(), String> {
        let text = |name: &str| feature.property(name).and_then(|value| value.as_str()).map(str::to_owned);
        let kind = text("kind");
        let Some(geometry) = &feature.geometry else { return Err("it has no geometry".into()) };
        match &geometry.value {
            GeometryValue::Point { coordinates } => {
                let at = point(coordinates.as_slice())?;
                let kind = kind.unwrap_or_else(|| "given".into());
                self.points.push(Marked { kind, name: text("name"), at, from_lines: false });
                Ok(())
            }
            GeometryValue::LineString { coordinates } => {
                let line = coordinates.iter().map(|c| point(c.as_slice())).collect::<Result<Vec<Point>, String>>()?;
                self.add_line(kind.as_deref(), line.into())
            }
            _ => Err("only points and lines are read: take MultiLineStrings and areas apart".into()),
        }
    }

    fn add_line(&mut self, kind: Option<&str>, line: LineString) -> Result<(), String> {
        let distinct = line.0.windows(2).any(|pair| pair[0] != pair[1]);
        if !distinct {
            return Err("a line needs two different points at least".into());
        }
        match kind {
            Some("stretch") => self.stretches.push(line),
            None => self.unnamed.push(line),
            Some("water") => self.waters.push(line),
            Some("way") => self.ways.push(line),
            Some(other) => return Err(format!("a line's kind is stretch, water or way, not {other:?}")),
        }
        Ok(())
    }

    fn from_gpx(file: &[u8]) -> Result<Self, SpotsError> {
        let gpx = gpx::read(file).map_err(|error| SpotsError::Unreadable(error.to_string()))?;
        let mut map = Self::default();
        let routes = gpx.routes.iter().map(|route| &route.points);
        let lines = gpx.tracks.iter().flat_map(|track| &track.segments).map(|segment| &segment.points).chain(routes);
        for (number, points) in (1..).zip(lines) {
            let line: LineString = points.iter().map(gpx::Waypoint::point).collect();
            map.add_line(None, line).map_err(|wrong| SpotsError::Feature { number, wrong })?;
        }
        for waypoint in gpx.waypoints {
            let kind = waypoint.type_.clone().unwrap_or_else(|| "given".into());
            map.points.push(Marked { kind, name: waypoint.name.clone(), at: waypoint.point(), from_lines: false });
        }
        Ok(map)
    }

    /// The one line that is the stretch.
    fn stretch(&mut self) -> Result<LineString, SpotsError> {
        let lines = if self.stretches.is_empty() { &mut self.unnamed } else { &mut self.stretches };
        match lines.len() {
            0 => Err(SpotsError::NoStretch),
            1 => Ok(lines.remove(0)),
            lines => Err(SpotsError::ManyStretches { lines }),
        }
    }
}

/// A GeoJSON position on the earth.
fn point(coordinates: &[f64]) -> Result<Point, String> {
    let [lon, lat] =
        coordinates.get(..2).and_then(|c| c.try_into().ok()).ok_or("a position has a longitude and a latitude")?;
    let place = crate::place::Position::new(lat, lon, None).map_err(|error| error.to_string())?;
    Ok(Point::new(place.lon, place.lat))
}
