//! The worker's own map, without a network: what is planned, walked, searched and found, in metres. It is for the phone in the worker's hand;
//! nothing in it is generalised, so it goes nowhere else.

use geo::{BoundingRect, LineString, Simplify};

use super::record::{SignKind, StretchWalked, TrackPiece};
use super::searched::{Line, SearchedError, searched};
use super::season::PlacePlanned;
use super::visit::Visit;
use crate::place::{LocalPlane, Position};
use crate::words::Words;

/// So many points are drawn without waiting, and more wouldn't be seen on a phone.
const MOST_POINTS: usize = 1500;
/// What is left out of a line lies nearer to it than this, m; twice as much, and so on, where the points are too many.
const FINEST_M: f64 = 0.5;

/// What a map is of. The visit's track may hold what isn't a record yet.
#[derive(Debug, Clone, Copy, Default)]
pub struct MapOf<'a> {
    /// The visit.
    pub visit: Option<&'a Visit>,
    /// The place, as it is planned.
    pub place: Option<&'a PlacePlanned>,
    /// Where the worker is.
    pub here: Option<Position>,
}

/// Lines and marks in a plane: x east, y north, m.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Map {
    /// Never more than 1,500 points in all.
    pub lines: Vec<MapLine>,
    /// In the order in which to draw them.
    pub marks: Vec<MapMark>,
}

/// A line.
#[derive(Debug, Clone, PartialEq)]
pub struct MapLine {
    /// What it is.
    pub kind: LineKind,
    /// x, y, m.
    pub points: Vec<[f64; 2]>,
}

/// What a line is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LineKind {
    /// A stretch, planned or walked.
    Stretch,
    /// A part of it that was searched.
    Searched,
    /// Where the worker walked.
    Track,
}

/// A mark.
#[derive(Debug, Clone, PartialEq)]
pub struct MapMark {
    /// What it is.
    pub kind: MarkKind,
    /// Where: x, y, m.
    pub at_m: [f64; 2],
    /// What to write beside it, in words; may be empty.
    pub label: String,
}

/// What a mark is.
#[derive(Debug, Clone, PartialEq)]
pub enum MarkKind {
    /// A sign that was found.
    Sign {
        /// Its name within the visit.
        id: String,
        /// What it is.
        sign: SignKind,
    },
    /// A spot to look at.
    Spot,
    /// Where the search of the place begins.
    PlaceStart,
    /// Where the worker is.
    Here {
        /// The radius that holds the truth with 68 %, m, where the receiver gives one.
        radius_68_m: Option<f64>,
    },
}

impl Map {
    /// The map of a visit, a place, or both; empty where nothing has a position.
    ///
    /// # Errors
    /// The data that is built in can't be read.
    pub fn of(of: MapOf, words: &Words) -> Result<Self, SearchedError> {
        let stretches = match of.visit {
            Some(visit) => visit.stretches_or_planned(of.place),
            None => of.place.and_then(PlacePlanned::as_stretch).into_iter().collect(),
        };
        let Some(origin) = of.origin(&stretches) else { return Ok(Self::default()) };
        let plane = LocalPlane::at(&origin);
        let mut lines = Vec::new();
        let track: &[TrackPiece] = of.visit.map_or(&[], |visit| &visit.track);
        let fixes: Vec<_> = track.iter().flat_map(|piece| piece.fixes.iter().copied()).collect();
        for stretch in &stretches {
            let Some(line) = Line::in_plane(&stretch.line, &plane) else { continue };
            let covered = searched(&stretch.name, &stretch.line, &fixes)?.covered;
            lines.push((LineKind::Stretch, line.points().to_vec()));
            lines.extend(covered.into_iter().map(|part| (LineKind::Searched, line.between(part))));
        }
        lines.extend(runs(track, &plane).into_iter().map(|run| (LineKind::Track, run)));
        Ok(Self { lines: thinned(&lines), marks: of.marks(&plane, words) })
    }
}

impl MapOf<'_> {
    /// What stays where it is comes first, so that the map doesn't move under the worker.
    fn origin(&self, stretches: &[StretchWalked]) -> Option<Position> {
        let stretch = || stretches.iter().find_map(|stretch| stretch.line.first()).map(|[lon, lat]| [*lat, *lon]);
        let fix = || self.visit?.track.iter().find_map(|piece| piece.fixes.first()).map(|(_, lat, lon)| [*lat, *lon]);
        let sign = || self.visit?.signs.iter().find_map(|sign| sign.place);
        let here = || self.here.map(|here| [here.lat, here.lon]);
        let place = self.place.map(|place| place.at);
        let [lat, lon] = place.or_else(stretch).or_else(fix).or_else(sign).or_else(here)?;
        Position::new(lat, lon, None).ok()
    }

    fn marks(&self, plane: &LocalPlane, words: &Words) -> Vec<MapMark> {
        let mark = |kind, [lat, lon]: [f64; 2], label: String| MapMark { kind, at_m: plane.metres(lat, lon), label };
        let start = self.place.map(|place| mark(MarkKind::PlaceStart, place.at, place.name.clone()));
        let spots = self.place.into_iter().flat_map(|place| &place.spots).map(|spot| {
            let label = spot.name.clone().into_iter().chain(Some(spot.why(words)).filter(|why| !why.is_empty()));
            mark(MarkKind::Spot, spot.at, label.collect::<Vec<_>>().join(": "))
        });
        let signs = self.visit.into_iter().flat_map(|visit| &visit.signs).filter_map(|sign| {
            let kind = MarkKind::Sign { id: sign.id.clone(), sign: sign.sign };
            Some(mark(kind, sign.place?, sign.id.clone()))
        });
        let here = self
            .here
            .map(|here| mark(MarkKind::Here { radius_68_m: here.radius_68_m }, [here.lat, here.lon], String::new()));
        start.into_iter().chain(spots).chain(signs).chain(here).collect()
    }
}

/// The track in the plane: pieces that join are one line.
fn runs(track: &[TrackPiece], plane: &LocalPlane) -> Vec<Vec<[f64; 2]>> {
    let mut runs: Vec<Vec<[f64; 2]>> = Vec::new();
    let mut last = None;
    for piece in track {
        let mut points = piece.fixes.iter().map(|(_, lat, lon)| plane.metres(*lat, *lon));
        match runs.last_mut() {
            Some(run) if last.is_some() && last == piece.fixes.first() => run.extend(points.by_ref().skip(1)),
            _ => runs.push(points.collect()),
        }
        last = piece.fixes.last();
    }
    runs
}

/// The lines with as many points as are seen, and few enough in all. A line that is shorter than what is left out is left out.
fn thinned(lines: &[(LineKind, Vec<[f64; 2]>)]) -> Vec<MapLine> {
    let mut finest_m = FINEST_M;
    loop {
        let thinned: Vec<MapLine> = lines.iter().filter_map(|(kind, points)| thin(*kind, points, finest_m)).collect();
        if thinned.iter().map(|line| line.points.len()).sum::<usize>() <= MOST_POINTS {
            return thinned;
        }
        finest_m *= 2.0;
    }
}

fn thin(kind: LineKind, points: &[[f64; 2]], finest_m: f64) -> Option<MapLine> {
    let line: LineString = points.iter().copied().map(geo::Coord::from).collect();
    let extent = line.bounding_rect()?;
    (extent.width().max(extent.height()) > finest_m).then(|| {
        let points = line.simplify(finest_m).into_iter().map(|point| [point.x, point.y]).collect();
        MapLine { kind, points }
    })
}

#[cfg(test)]
mod tests {
    use chrono::{DateTime, TimeDelta, Utc};
    use geo::{Distance, Euclidean, Point};
    use proptest::prelude::*;

    use super::*;
    use crate::survey::{Opened, SeasonPlan, SignNoted, parse_time};

    const PLACE: &str = r#"
        [[place]]
        name = "Sallow Bridge"
        at = [53.0, 9.0]
        stretch = [[9.0, 53.0], [9.004, 53.0], [9.004, 53.002]]
        spots = [{ at = [53.0, 9.002], name = "the old ash", why = ["log"] }, { at = [53.0, 9.003] }]
    "#;

    fn visit(track: Vec<TrackPiece>) -> Visit {
        let start = parse_time("2026-10-03T07:00Z").unwrap();
        Visit { track, ..Visit::open(Opened::invented("Sallow Bridge", start, &["Ada"])) }
    }

    /// A fix every ten seconds.
    fn piece(first: i64, places: impl IntoIterator<Item = [f64; 2]>) -> TrackPiece {
        let start: DateTime<Utc> = "2026-10-03T07:00:00Z".parse().unwrap();
        let fix = |(i, [lat, lon]): (i64, [f64; 2])| (start + TimeDelta::seconds(10 * i), lat, lon);
        TrackPiece { fixes: (first..).zip(places).map(fix).collect() }
    }

    fn map(visit: Option<&Visit>, here: Option<Position>) -> Map {
        let plan = SeasonPlan::from_toml(PLACE).unwrap();
        Map::of(MapOf { visit, place: plan.places.first(), here }, &Words::load("en").unwrap()).unwrap()
    }

    fn of_kind(map: &Map, kind: LineKind) -> Vec<&[[f64; 2]]> {
        map.lines.iter().filter(|line| line.kind == kind).map(|line| line.points.as_slice()).collect()
    }

    fn near(point: [f64; 2], expected: [f64; 2], within_m: f64) -> bool {
        (point[0] - expected[0]).hypot(point[1] - expected[1]) <= within_m
    }

    #[test]
    fn a_planned_place_shows_its_start_its_stretch_and_the_spots_to_check() {
        let map = map(None, Some(Position::new(53.0001, 9.0, Some(8.0)).unwrap()));
        // Metres of a degree at 53° N on WGS84: 67,137 east, 111,286 north.
        let [stretch] = of_kind(&map, LineKind::Stretch)[..] else { panic!("{map:?}") };
        assert!(stretch.len() == 3 && near(stretch[2], [268.5, 222.6], 0.2), "{stretch:?}");
        let labels: Vec<&str> = map.marks.iter().map(|mark| mark.label.as_str()).collect();
        assert_eq!(labels, ["Sallow Bridge", "the old ash: log over the water", "", ""]);
        assert!(near(map.marks[1].at_m, [134.3, 0.0], 0.1));
        assert_eq!(map.marks[3].kind, MarkKind::Here { radius_68_m: Some(8.0) });
    }

    #[test]
    fn what_was_searched_is_drawn_on_the_stretch_round_its_bends() {
        // 13.4 m a step: to the bend, and 111 m on.
        let along = (0..=20).map(|i| [53.0001, 9.0 + 0.0002 * f64::from(i)]);
        let up = (1..=9).map(|i| [53.0 + 0.00011 * f64::from(i), 9.0041]);
        let mut visit = visit(vec![piece(0, along.chain(up))]);
        let sign = serde_json::json!({"id": "s1", "sign": "dropping", "photos": [], "trail": null, "place": [53.0, 9.001],
            "placed_by": null, "time": null, "freshness": null, "note": null});
        visit.signs.push(serde_json::from_value::<SignNoted>(sign).unwrap());
        let map = map(Some(&visit), None);
        let [searched] = of_kind(&map, LineKind::Searched)[..] else { panic!("{map:?}") };
        assert!(searched.len() == 3 && near(searched[0], [0.0, 0.0], 0.5) && near(searched[1], [268.5, 0.0], 0.2));
        assert!(near(searched[2], [268.5, 110.2], 1.0), "{searched:?}");
        assert!(map.marks.iter().any(|mark| matches!(&mark.kind, MarkKind::Sign { id, .. } if id == "s1")));
    }

    #[test]
    fn pieces_that_join_are_one_line_and_a_pause_divides_it() {
        let step = |i: i32| [53.0 + 0.0001 * f64::from(i), 9.0 + 0.0002 * f64::from(i % 2)];
        let visit =
            visit(vec![piece(0, (0..=6).map(step)), piece(6, (6..=9).map(step)), piece(90, (20..=22).map(step))]);
        let lengths: Vec<usize> = of_kind(&map(Some(&visit), None), LineKind::Track).iter().map(|l| l.len()).collect();
        assert_eq!(lengths, [10, 3]);
    }

    #[test]
    fn of_nothing_the_map_is_empty() {
        let words = Words::load("en").unwrap();
        assert_eq!(Map::of(MapOf::default(), &words).unwrap(), Map::default());
        assert_eq!(Map::of(MapOf { visit: Some(&visit(vec![])), ..MapOf::default() }, &words).unwrap(), Map::default());
    }

    proptest! {
        #[test]
        fn however_long_the_walk_few_points_are_drawn_and_none_lies_off_its_line(
            pauses in 1usize..1200, fixes in 1usize..40, seed in 0u64..1000
        ) {
            let fixes = fixes.min(4000 / pauses);
            let noise = |i: u64| ((i * 7919 + seed * 104_729) % 1009) as f64 / 1009.0 - 0.5;
            let lines: Vec<_> = (0..pauses as u64).map(|p| {
                let point = |i: u64| [10.0 * i as f64 + 9.0 * noise(i + 77 * p), p as f64 + 9.0 * noise(3 * i + p)];
                (LineKind::Track, (0..fixes as u64).map(point).collect::<Vec<_>>())
            }).collect();
            let thinned = thinned(&lines);
            prop_assert!(thinned.iter().map(|line| line.points.len()).sum::<usize>() <= MOST_POINTS);
            if lines.iter().map(|(_, points)| points.len()).sum::<usize>() <= MOST_POINTS {
                for line in &thinned {
                    let drawn: LineString = line.points.iter().copied().map(geo::Coord::from).collect();
                    let (_, whole) = lines.iter().find(|(_, points)| points[0] == line.points[0]).unwrap();
                    let off = |point: &[f64; 2]| Euclidean.distance(&Point::from(*point), &drawn);
                    prop_assert!(whole.iter().all(|point| off(point) <= FINEST_M + 1e-9));
                }
            }
        }
    }
}
