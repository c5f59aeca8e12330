//! Places drawn by lot: so many in each square of the grid, in such a way that the draw can be repeated by whoever has its number.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::protocol::Places;
use crate::place::{Epsg3035, PlaceError, Position};

/// A place that may be drawn: a bridge, an access to the bank.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Candidate {
    /// Its name in the draw: another id, another lot.
    pub id: String,
    /// For people.
    #[serde(default)]
    pub name: Option<String>,
    /// WGS84, degrees.
    pub lat: f64,
    /// WGS84, degrees.
    pub lon: f64,
}

/// The outcome of a draw.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Draw {
    /// Whoever draws from the same places with this number gets the same ones.
    pub number: u64,
    /// Square by square.
    pub squares: Vec<Square>,
}

/// A square of the grid.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Square {
    /// Its name (EPSG:3035).
    pub cell: String,
    /// How many places were there to draw from.
    pub candidates: usize,
    /// How many are missing, where there were too few.
    pub missing: usize,
    /// Those that were drawn, in the order of the draw; the rest of the order is who comes next where one can't be entered.
    pub drawn: Vec<Drawn>,
    /// In the order in which they take the place of one that can't be entered.
    pub next: Vec<String>,
}

/// A place that was drawn.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Drawn {
    /// The place.
    #[serde(flatten)]
    pub place: Candidate,
    /// Which quarter of the square: 0 south-west, 1 south-east, 2 north-west, 3 north-east.
    pub quarter: usize,
}

/// Why a draw can't be made.
#[derive(Debug, thiserror::Error)]
pub enum DrawError {
    /// Not on the grid.
    #[error("the place {id:?}: {error}")]
    Place {
        /// Which.
        id: String,
        /// What is wrong.
        error: PlaceError,
    },
    /// Two with one id.
    #[error("two places have the id {id:?}: the lot hangs on it, so give each its own")]
    Twice {
        /// Which.
        id: String,
    },
    /// A file of places that can't be read.
    #[error("the places can't be read: {0}")]
    Unreadable(String),
    /// Nothing to draw from.
    #[error("there are no places to draw from")]
    NoCandidates,
}

impl Candidate {
    /// Reads places: CSV with columns `id`, `name` (may be missing), `lat`, `lon`, or GeoJSON points with the properties `id` (or the feature's own id) and `name`.
    ///
    /// # Errors
    /// Says which one is wrong.
    pub fn read(file: &str) -> Result<Vec<Self>, DrawError> {
        if file.trim_start().starts_with('{') { Self::from_geojson(file) } else { Self::from_csv(file) }
    }

    fn from_csv(file: &str) -> Result<Vec<Self>, DrawError> {
        let unreadable = |error: &dyn std::fmt::Display| DrawError::Unreadable(error.to_string());
        let rows = crate::rows::rows(file).map_err(|e| unreadable(&e))?;
        rows.map(|row| Ok(row.map_err(|e| unreadable(&e))?.1)).collect()
    }

    fn from_geojson(file: &str) -> Result<Vec<Self>, DrawError> {
        let collection: geojson::FeatureCollection =
            file.parse().map_err(|error: geojson::Error| DrawError::Unreadable(error.to_string()))?;
        let read = |(number, feature): (usize, geojson::Feature)| {
            let text = |name: &str| feature.property(name).and_then(|value| value.as_str()).map(str::to_owned);
            let own = feature.id.as_ref().map(|id| match id {
                geojson::feature::Id::String(id) => id.clone(),
                geojson::feature::Id::Number(id) => id.to_string(),
            });
            let wrong = |what: &str| DrawError::Unreadable(format!("feature {number} {what}"));
            let id = text("id").or(own).ok_or_else(|| wrong("has no id: the lot hangs on it"))?;
            let point = feature.geometry.as_ref().map(|geometry| &geometry.value);
            let Some(geojson::GeometryValue::Point { coordinates }) = point else { return Err(wrong("isn't a point")) };
            let [lon, lat, ..] = coordinates.as_slice() else { return Err(wrong("has no longitude and latitude")) };
            Ok(Self { id, name: text("name"), lat: *lat, lon: *lon })
        };
        (1..).zip(collection.features).map(read).collect()
    }
}

/// Draws places. A place's lot is the SHA-256 of the draw's number and its id: it doesn't depend on the order in which the places are given, on the machine,
/// or on other places. Where the protocol spreads them over a square's quarters, each quarter gives its first lot in turn, as long as it has one.
///
/// ```
/// use rakelight_core::survey::{Candidate, Protocol, draw};
/// let bridge = |id: &str, lon: f64| Candidate { id: id.into(), name: None, lat: 53.0, lon };
/// let bridges: Vec<Candidate> = (0..20).map(|i| bridge(&i.to_string(), 9.0 + 0.005 * f64::from(i))).collect();
/// let places = Protocol::named("one_bank_600")?.places.rule;
/// let (once, again) = (draw(&bridges, places, 2026)?, draw(&bridges, places, 2026)?);
/// assert_eq!(once, again);
/// assert!(once.squares.iter().all(|square| square.drawn.len() <= 4));
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// Places off the grid, ids that stand twice, no places.
pub fn draw(candidates: &[Candidate], places: Places, number: u64) -> Result<Draw, DrawError> {
    let mut squares: BTreeMap<String, Vec<(Lot, Drawn)>> = BTreeMap::new();
    let mut ids = std::collections::HashSet::new();
    for place in candidates {
        if !ids.insert(&place.id) {
            return Err(DrawError::Twice { id: place.id.clone() });
        }
        let on_grid = Position::new(place.lat, place.lon, None).and_then(|position| Epsg3035::of(&position));
        let on_grid = on_grid.map_err(|error| DrawError::Place { id: place.id.clone(), error })?;
        let quarter = on_grid.quarter(places.square_km);
        let lot = Lot::of(number, &place.id);
        squares.entry(on_grid.cell(places.square_km)).or_default().push((lot, Drawn { place: place.clone(), quarter }));
    }
    if squares.is_empty() {
        return Err(DrawError::NoCandidates);
    }
    let squares = squares.into_iter().map(|(cell, lots)| Square::drawn(cell, lots, places)).collect();
    Ok(Draw { number, squares })
}

/// The smallest comes first.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
struct Lot([u8; 32]);

impl Lot {
    fn of(number: u64, id: &str) -> Self {
        Self(Sha256::new().chain_update(format!("{number}|{id}")).finalize().into())
    }
}

impl Square {
    fn drawn(cell: String, mut lots: Vec<(Lot, Drawn)>, places: Places) -> Self {
        lots.sort_by(|(a, _), (b, _)| a.cmp(b));
        let mut order: Vec<Drawn> = lots.into_iter().map(|(_, drawn)| drawn).collect();
        if places.in_each_quarter {
            // The first of each quarter before the second of any.
            let mut seen = [0; 4];
            let mut rounds: Vec<(usize, Drawn)> = Vec::new();
            for drawn in order {
                rounds.push((seen[drawn.quarter], drawn.clone()));
                seen[drawn.quarter] += 1;
            }
            rounds.sort_by_key(|(round, _)| *round);
            order = rounds.into_iter().map(|(_, drawn)| drawn).collect();
        }
        let wanted = places.per_square as usize;
        let candidates = order.len();
        let next = order.split_off(wanted.min(candidates)).into_iter().map(|drawn| drawn.place.id).collect();
        Self { cell, candidates, missing: wanted.saturating_sub(candidates), drawn: order, next }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const PLACES: Places = Places { square_km: 10, per_square: 4, in_each_quarter: true };

    fn candidates(n: usize) -> impl Strategy<Value = Vec<Candidate>> {
        let place = (52.0..53.0, 9.0..10.5);
        prop::collection::vec(place, 1..n).prop_map(|places| {
            let candidate = |(i, (lat, lon))| Candidate { id: format!("p{i}"), name: None, lat, lon };
            places.into_iter().enumerate().map(candidate).collect()
        })
    }

    fn ids(draw: &Draw) -> Vec<Vec<String>> {
        draw.squares.iter().map(|square| square.drawn.iter().map(|drawn| drawn.place.id.clone()).collect()).collect()
    }

    proptest! {
        #[test]
        fn a_draw_does_not_depend_on_the_order_of_the_places(places in candidates(60), number in 0u64..1000, turn in 0usize..60) {
            let mut turned = places.clone();
            turned.rotate_left(turn % places.len());
            turned.reverse();
            prop_assert_eq!(draw(&places, PLACES, number).unwrap(), draw(&turned, PLACES, number).unwrap());
        }

        #[test]
        fn nothing_is_drawn_twice_or_lost_and_no_square_gets_more_than_its_share(places in candidates(80), number in 0u64..1000) {
            let draw = draw(&places, PLACES, number).unwrap();
            let mut all: Vec<String> = ids(&draw).concat();
            all.extend(draw.squares.iter().flat_map(|square| square.next.clone()));
            all.sort();
            let mut expected: Vec<String> = places.iter().map(|place| place.id.clone()).collect();
            expected.sort();
            prop_assert_eq!(all, expected);
            for square in &draw.squares {
                prop_assert_eq!(square.drawn.len() + square.missing, 4);
                let quarter_of = |id: &String| {
                    let place = places.iter().find(|place| place.id == *id).unwrap();
                    Epsg3035::of(&Position::new(place.lat, place.lon, None).unwrap()).unwrap().quarter(10)
                };
                let of: Vec<usize> = square.drawn.iter().map(|drawn| drawn.quarter).collect();
                // A quarter that gave two leaves none behind that gave nothing and still has a place.
                let gave_two = (0..4).any(|quarter| of.iter().filter(|q| **q == quarter).count() > 1);
                prop_assert!(!gave_two || square.next.iter().all(|id| of.contains(&quarter_of(id))));
            }
        }
    }

    #[test]
    fn each_quarter_that_has_places_gives_one_before_any_gives_two() {
        // Three in the south-west quarter of 10kmE432N321 (52° N, 10° E is its corner at 4321000, 3210000), one in the north-east.
        let at = |id: &str, lat: f64, lon: f64| Candidate { id: id.into(), name: None, lat, lon };
        let places = [at("a", 52.01, 10.001), at("b", 52.012, 10.002), at("c", 52.014, 10.003), at("d", 52.07, 10.1)];
        for number in 0..50 {
            let one = Places { per_square: 2, ..PLACES };
            let draw = draw(&places, one, number).unwrap();
            assert_eq!(draw.squares.len(), 1, "{draw:?}");
            assert!(ids(&draw)[0].contains(&"d".to_owned()), "{number}");
        }
    }

    #[test]
    fn every_place_has_the_same_chance() {
        let at = |i: usize| Candidate { id: format!("p{i}"), name: None, lat: 52.01 + 0.001 * i as f64, lon: 10.001 };
        let places: Vec<Candidate> = (0..10).map(at).collect();
        let mut times = [0u32; 10];
        for number in 0..5000 {
            let drawn = draw(&places, Places { in_each_quarter: false, ..PLACES }, number).unwrap();
            for id in ids(&drawn).concat() {
                times[id[1..].parse::<usize>().unwrap()] += 1;
            }
        }
        // 2,000 expected of each, standard deviation 35: these are 5,000 fixed numbers, so that the outcome is always the same.
        assert!(times.iter().all(|n| (1860..2140).contains(n)), "{times:?}");
    }

    #[test]
    fn two_places_with_one_id_are_refused() {
        let at = |lat| Candidate { id: "bridge".into(), name: None, lat, lon: 10.0 };
        assert!(draw(&[at(52.1), at(52.2)], PLACES, 1).unwrap_err().to_string().contains("bridge"));
        assert!(draw(&[], PLACES, 1).is_err());
    }
}
