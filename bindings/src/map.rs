//! The worker's own map, to be drawn by the phone without a network.

use rakelight_core::survey::{self, Map, MapOf};

use crate::walk::Way;
use crate::{Fix, ShellError, SignKind, Workspace};

/// What to draw: x east, y north, in metres of one plane. Nothing in it is generalised: it is for the worker's eyes.
#[derive(Debug, Clone, uniffi::Record)]
pub struct MapDrawn {
    /// Not more than 1,500 points in all.
    pub lines: Vec<MapLine>,
    /// In the order in which to draw them.
    pub marks: Vec<MapMark>,
}

/// A line.
#[derive(Debug, Clone, uniffi::Record)]
pub struct MapLine {
    /// What it is.
    pub kind: LineKind,
    /// From its start on.
    pub points: Vec<MapPoint>,
}

/// A point of the map.
#[derive(Debug, Clone, Copy, PartialEq, uniffi::Record)]
pub struct MapPoint {
    /// East, m.
    pub x_m: f64,
    /// North, m.
    pub y_m: f64,
}

/// A mark.
#[derive(Debug, Clone, uniffi::Record)]
pub struct MapMark {
    /// What it is.
    pub kind: MarkKind,
    /// East, m.
    pub x_m: f64,
    /// North, m.
    pub y_m: f64,
    /// What to write beside it, in words; may be empty.
    pub label: String,
}

mod mirrored {
    //! The core's plain enums, as they are.

    use super::SignKind;

    pub type LineKind = rakelight_core::survey::LineKind;
    pub type MarkKind = rakelight_core::survey::MarkKind;

    #[uniffi::remote(Enum)]
    pub enum LineKind {
        Stretch,
        Searched,
        Track,
    }

    #[uniffi::remote(Enum)]
    pub enum MarkKind {
        Sign { id: String, sign: SignKind },
        Spot,
        PlaceStart,
        Here { radius_68_m: Option<f64> },
    }
}

pub use mirrored::{LineKind, MarkKind};

#[uniffi::export]
impl Workspace {
    /// The map of a visit with its place, or of a place before the visit; empty where nothing has a position. Its origin stays where it is
    /// during a visit, whatever `here` is.
    pub fn map(&self, visit: Option<String>, place: Option<String>, here: Option<Fix>) -> Result<MapDrawn, ShellError> {
        let here = here.map(Fix::read).transpose()?.map(|fix| fix.position);
        let way = visit.map(|visit| Way::of(&self.store(), &visit)).transpose()?;
        let named = place.map(|name| self.store().place_planned(&name)).transpose()?.flatten();
        let place = named.as_ref().or(way.as_ref().and_then(|way| way.place.as_ref()));
        let of = MapOf { visit: way.as_ref().map(|way| &way.visit), place, here };
        Ok(Map::of(of, &self.words).map_err(ShellError::internal)?.into())
    }
}

impl From<Map> for MapDrawn {
    fn from(map: Map) -> Self {
        let point = |[x_m, y_m]: [f64; 2]| MapPoint { x_m, y_m };
        let line =
            |line: survey::MapLine| MapLine { kind: line.kind, points: line.points.into_iter().map(point).collect() };
        let mark = |mark: survey::MapMark| {
            let [x_m, y_m] = mark.at_m;
            MapMark { kind: mark.kind, x_m, y_m, label: mark.label }
        };
        Self { lines: map.lines.into_iter().map(line).collect(), marks: map.marks.into_iter().map(mark).collect() }
    }
}
