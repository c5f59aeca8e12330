//! Where the worker walked, from GPX 1.1.

use chrono::{DateTime, TimeDelta, Utc};
use geo::{Haversine, InterpolatePoint};

use super::{PlaceError, Position};

/// A photograph's time may lie this far outside a track, or in a gap this long, and still get its position.
const REACH: TimeDelta = TimeDelta::minutes(5);

/// Why a track can't be used.
#[derive(Debug, thiserror::Error)]
pub enum TrackError {
    /// Not GPX.
    #[error("the track can't be read as GPX 1.1: {detail}")]
    NotGpx {
        /// What the reader says.
        detail: String,
    },
    /// A point off the earth.
    #[error("the track has an impossible point: {0}")]
    Place(#[from] PlaceError),
    /// No point has a time.
    #[error("the track has no points with a time, so no photograph can be placed by it")]
    NoTimes,
}

/// One point of a track.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fix {
    /// When.
    pub time: DateTime<Utc>,
    /// Where.
    pub position: Position,
}

/// The points of a walk in order of time.
#[derive(Debug, Clone, Default)]
pub struct Track {
    /// In order of time; of two with one time the first stands.
    pub fixes: Vec<Fix>,
}

impl Track {
    /// Reads a GPX file's tracks; points without a time are passed over.
    pub fn from_gpx(file: &[u8]) -> Result<Self, TrackError> {
        let gpx = gpx::read(file).map_err(|e| TrackError::NotGpx { detail: e.to_string() })?;
        let points = gpx.tracks.iter().flat_map(|track| &track.segments).flat_map(|segment| &segment.points);
        let mut fixes = Vec::new();
        for point in points {
            let Some(time) = point.time.and_then(|t| t.format().ok()).and_then(|t| t.parse::<DateTime<Utc>>().ok())
            else {
                continue;
            };
            fixes.push(Fix { time, position: Position::new(point.point().y(), point.point().x(), None)? });
        }
        if fixes.is_empty() {
            return Err(TrackError::NoTimes);
        }
        Ok(Self::from_fixes(fixes))
    }

    /// From points in any order.
    pub fn from_fixes(mut fixes: Vec<Fix>) -> Self {
        fixes.sort_by_key(|fix| fix.time);
        fixes.dedup_by_key(|fix| fix.time);
        Self { fixes }
    }

    /// Where the worker was at this time: between two points along the great circle, `None` where the track says nothing.
    ///
    /// ```
    /// use rakelight_core::place::{Fix, Position, Track};
    /// let fix = |time: &str, lat| Fix { time: time.parse().unwrap(), position: Position::new(lat, 8.2, None).unwrap() };
    /// let track = Track::from_fixes(vec![fix("2026-10-03T05:00:00Z", 53.90), fix("2026-10-03T05:02:00Z", 53.91)]);
    /// let midway = track.at("2026-10-03T05:01:00Z".parse().unwrap()).unwrap();
    /// assert!((midway.lat - 53.905).abs() < 1e-6);
    /// assert!(track.at("2026-10-03T06:00:00Z".parse().unwrap()).is_none());
    /// ```
    pub fn at(&self, time: DateTime<Utc>) -> Option<Position> {
        let after = self.fixes.partition_point(|fix| fix.time < time);
        let next = self.fixes.get(after);
        let previous = after.checked_sub(1).map(|before| &self.fixes[before]);
        match (previous, next) {
            (Some(a), Some(b)) if b.time - a.time <= REACH => {
                let share = (time - a.time).as_seconds_f64() / (b.time - a.time).as_seconds_f64();
                let point = Haversine.point_at_ratio_between(a.position.point(), b.position.point(), share);
                Position::new(point.y(), point.x(), None).ok()
            }
            // At an end or in a gap: the nearer point, where it is near enough in time.
            _ => [previous, next]
                .into_iter()
                .flatten()
                .min_by_key(|fix| (fix.time - time).abs())
                .filter(|fix| (fix.time - time).abs() <= REACH)
                .map(|fix| fix.position),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GPX: &str = r#"<?xml version="1.0"?><gpx version="1.1" creator="a test" xmlns="http://www.topografix.com/GPX/1/1">
        <trk><trkseg><trkpt lat="53.902" lon="8.2"><time>2026-10-03T05:02:00Z</time></trkpt>
        <trkpt lat="53.900" lon="8.2"><time>2026-10-03T05:00:00Z</time></trkpt>
        <trkpt lat="53.910" lon="8.2"></trkpt></trkseg></trk></gpx>"#;

    #[test]
    fn a_track_is_put_in_order_of_time_and_points_without_one_are_passed_over() {
        let track = Track::from_gpx(GPX.as_bytes()).unwrap();
        assert_eq!(track.fixes.iter().map(|fix| fix.position.lat).collect::<Vec<_>>(), [53.900, 53.902]);
    }

    #[test]
    fn a_photograph_long_after_the_walk_gets_no_position() {
        let track = Track::from_gpx(GPX.as_bytes()).unwrap();
        assert!(track.at("2026-10-03T05:06:00Z".parse().unwrap()).is_some());
        assert!(track.at("2026-10-03T05:08:00Z".parse().unwrap()).is_none());
    }

    #[test]
    fn a_broken_track_says_so() {
        assert!(matches!(Track::from_gpx(b"<gpx"), Err(TrackError::NotGpx { .. })));
        let no_times =
            GPX.replace("<time>2026-10-03T05:02:00Z</time>", "").replace("<time>2026-10-03T05:00:00Z</time>", "");
        assert!(matches!(Track::from_gpx(no_times.as_bytes()), Err(TrackError::NoTimes)));
    }
}
