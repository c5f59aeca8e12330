//! A walk from GPX 1.1: its track as a visit's, its waypoints as notes.

use chrono::{DateTime, FixedOffset, TimeDelta};

use crate::place::{Position, Track, TrackError};
use crate::survey::{Note, Record, TrackPiece};

/// What a file holds.
#[derive(Debug, Clone, PartialEq)]
pub struct Walked {
    /// One piece a run: a pause or a jump of five minutes begins another.
    pub track: Vec<TrackPiece>,
    /// Waypoints with what is written beside them.
    pub notes: Vec<Note>,
}

/// So long a silence is a gap, not a line between.
const GAP: TimeDelta = TimeDelta::minutes(5);

impl Walked {
    /// As records of a visit.
    pub fn records(&self) -> Vec<Record> {
        let track = self.track.iter().cloned().map(Record::TrackPiece);
        track.chain(self.notes.iter().cloned().map(Record::Note)).collect()
    }
}

/// Reads a GPX file. `start` is when the visit began: a waypoint without a time gets one of its own after that, a second each, so that none takes
/// another's place.
///
/// # Errors
/// Not GPX 1.1, or an impossible point.
pub fn walk(file: &[u8], start: DateTime<FixedOffset>) -> Result<Walked, TrackError> {
    let track = match Track::from_gpx(file) {
        Ok(track) => track.fixes,
        Err(TrackError::NoTimes) => vec![],
        Err(error) => return Err(error),
    };
    let mut pieces: Vec<TrackPiece> = Vec::new();
    for fix in track {
        let point = (fix.time, fix.position.lat, fix.position.lon);
        match pieces.last_mut().filter(|piece| piece.fixes.last().is_some_and(|last| fix.time - last.0 <= GAP)) {
            Some(piece) => piece.fixes.push(point),
            None => pieces.push(TrackPiece { fixes: vec![point] }),
        }
    }
    Ok(Walked { track: pieces, notes: notes(file, start)? })
}

fn notes(file: &[u8], start: DateTime<FixedOffset>) -> Result<Vec<Note>, TrackError> {
    let gpx = gpx::read(file).map_err(|error| TrackError::NotGpx { detail: error.to_string() })?;
    let mut notes: Vec<Note> = Vec::new();
    for (n, point) in gpx.waypoints.iter().enumerate() {
        let said = [&point.name, &point.comment, &point.description].into_iter().flatten().map(|text| text.trim());
        let text = said.filter(|text| !text.is_empty()).collect::<Vec<_>>().join(" · ");
        let place = Position::new(point.point().y(), point.point().x(), None)?;
        let time =
            point.time.and_then(|time| time.format().ok()).and_then(|time| time.parse::<DateTime<FixedOffset>>().ok());
        let mut at = time.unwrap_or_else(|| start + TimeDelta::seconds(n as i64));
        while notes.iter().any(|other| other.at == at) {
            at += TimeDelta::seconds(1);
        }
        let text = if text.is_empty() { format!("{}", n + 1) } else { text };
        notes.push(Note { text, place: Some([place.lat, place.lon]), at });
    }
    Ok(notes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_track_breaks_where_nothing_was_heard_and_waypoints_become_notes() {
        let file = br#"<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1">
            <wpt lat="53.9" lon="8.2"><name>spraint</name><desc>on the ledge</desc></wpt><wpt lat="53.8" lon="8.2"/>
            <trk><trkseg><trkpt lat="53.90" lon="8.2"><time>2026-10-03T05:00:00Z</time></trkpt>
            <trkpt lat="53.91" lon="8.2"><time>2026-10-03T05:01:00Z</time></trkpt>
            <trkpt lat="53.92" lon="8.2"><time>2026-10-03T06:00:00Z</time></trkpt></trkseg></trk></gpx>"#;
        let start = "2026-10-03T07:00:00+02:00".parse().unwrap();
        let walked = walk(file, start).unwrap();
        assert_eq!(walked.track.iter().map(|piece| piece.fixes.len()).collect::<Vec<_>>(), [2, 1]);
        assert_eq!(walked.notes[0].text, "spraint · on the ledge");
        assert_ne!(walked.notes[0].at, walked.notes[1].at);
        assert_eq!(walked.records().len(), 4);
        assert!(walk(b"<gpx", start).is_err());
    }
}
