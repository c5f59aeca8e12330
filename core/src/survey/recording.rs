//! The worker's track while it is recorded: which fixes are kept, and when they become a record. Nothing here writes: it says what is to be written
//! in which order, so that whatever step is the last before an empty battery, no fix is lost and none counts twice.

use chrono::{DateTime, TimeDelta, Utc};
use geo::{Distance, Haversine, Point};
use serde::{Deserialize, Serialize};

use super::record::TrackPiece;
use super::searched::TimedPlace;
use crate::place::Fix;

/// The fixes that aren't a record yet, as they lie in a draft. The last of a piece begins the next, so that their lengths join; where recording was
/// ended between them, they don't.
///
/// ```
/// use rakelight_core::place::{Fix, Position};
/// use rakelight_core::survey::{Recording, Step, Taken};
/// let fix = |time: &str, lat| Fix { time: time.parse().unwrap(), position: Position::new(lat, 9.0, Some(5.0)).unwrap() };
/// let (taken, steps) = Recording::default().add(&fix("2026-10-03T07:00:00Z", 53.0), &[])?;
/// let [Step::Keep(recording)] = &steps[..] else { panic!("one fix is no piece yet") };
/// let (_, steps) = recording.clone().add(&fix("2026-10-03T07:01:00Z", 53.001), &[])?;
/// assert!(taken == Taken::Kept && matches!(&steps[..], [Step::Keep(_), Step::Write(_), Step::Keep(_)]));
/// # Ok::<(), rakelight_core::survey::RecordingError>(())
/// ```
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Recording {
    /// Whether the first fix is the last of a piece that is written.
    joins: bool,
    fixes: Vec<TimedPlace>,
    /// Where the clock was set back: when pieces begin that are later than the first fix. No second one may begin in the same second.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    later: Vec<DateTime<Utc>>,
}

/// What became of a fix.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Taken {
    /// It is part of the track.
    Kept,
    /// Left out: the receiver knows too little of where it is.
    TooCoarse,
    /// Left out: it comes too soon after the last one, or too soon in the same place.
    TooSoon,
    /// Left out: it isn't later than the last one. Where the clock was set right, end the track and go on.
    OutOfOrder,
}

/// What is to be written, one after the other; each on the disk before the next.
#[derive(Debug, Clone, PartialEq)]
pub enum Step {
    /// The draft, in the place of the one before.
    Keep(Recording),
    /// A record of the visit. Written twice it changes nothing.
    Write(TrackPiece),
    /// The draft goes.
    Drop,
}

/// Why nothing can be recorded.
#[derive(Debug, thiserror::Error)]
pub enum RecordingError {
    /// A draft of another program.
    #[error("the draft of the track can't be read: {0}; it is kept as it is, and nothing can be added to it")]
    Unreadable(#[from] serde_json::Error),
    /// The data that is built in.
    #[error("the recording's data can't be read: {0}")]
    BuiltIn(#[from] toml::de::Error),
}

#[derive(Debug, Deserialize)]
struct Data {
    fix: OfFix,
    piece: OfPiece,
}

#[derive(Debug, Deserialize)]
struct OfFix {
    coarsest_m: f64,
    same_place_m: f64,
    same_place_s: i64,
    soonest_s: i64,
}

#[derive(Debug, Deserialize)]
struct OfPiece {
    lasts_s: i64,
}

impl Recording {
    /// From the draft's text; an empty one where there is none.
    ///
    /// # Errors
    /// The text isn't a recording.
    pub fn of_draft(text: Option<&str>) -> Result<Self, RecordingError> {
        Ok(text.map(serde_json::from_str).transpose()?.unwrap_or_default())
    }

    /// The draft's text.
    ///
    /// # Errors
    /// None that is known of.
    pub fn to_draft(&self) -> Result<String, RecordingError> {
        Ok(serde_json::to_string(self)?)
    }

    /// Whether there is nothing in it.
    pub fn is_empty(&self) -> bool {
        self.fixes.is_empty()
    }

    /// Adds a fix, if it says something new. `written`: where nothing is in the recording, the pieces that the visit has.
    ///
    /// # Errors
    /// The data that is built in can't be read.
    pub fn add(mut self, fix: &Fix, written: &[TrackPiece]) -> Result<(Taken, Vec<Step>), RecordingError> {
        let data: Data = toml::from_str(include_str!("../../data/recording.toml"))?;
        if self.fixes.is_empty() {
            let begins = written.iter().filter_map(|piece| Some(piece.fixes.first()?.0));
            self.later = begins.filter(|begin| second(*begin) >= second(fix.time)).collect();
        }
        let taken = self.judge(fix, &data.fix);
        if taken != Taken::Kept {
            return Ok((taken, vec![]));
        }
        self.fixes.push((fix.time, fix.position.lat, fix.position.lon));
        let lasts = |first: &TimedPlace| fix.time - first.0 >= TimeDelta::seconds(data.piece.lasts_s);
        let mut steps = vec![Step::Keep(self.clone())];
        if self.fixes.first().is_some_and(lasts) {
            let fixes = self.fixes.last().copied().into_iter().collect();
            steps.push(Step::Write(TrackPiece { fixes: self.fixes }));
            steps.push(Step::Keep(Self { joins: true, fixes, later: self.later }));
        }
        Ok((taken, steps))
    }

    /// Writes what is left: at a pause, at the end, and when the program starts again.
    pub fn end(self) -> Vec<Step> {
        match self.unwritten() {
            Some(piece) => vec![Step::Write(piece), Step::Drop],
            None => vec![Step::Drop],
        }
    }

    /// The visit's track with what isn't written yet.
    pub fn onto(self, mut track: Vec<TrackPiece>) -> Vec<TrackPiece> {
        let Some(piece) = self.unwritten() else { return track };
        // A piece that was written, and whose draft didn't go any more.
        let is_it =
            |written: &TrackPiece| written.fixes.first().is_some_and(|f| second(f.0) == second(piece.fixes[0].0));
        match track.iter_mut().find(|written| is_it(written)) {
            Some(written) => *written = piece,
            None => track.push(piece),
        }
        track
    }

    fn unwritten(self) -> Option<TrackPiece> {
        (self.fixes.len() > usize::from(self.joins)).then_some(TrackPiece { fixes: self.fixes })
    }

    fn judge(&self, fix: &Fix, rules: &OfFix) -> Taken {
        if fix.position.radius_68_m.is_some_and(|radius_m| radius_m.is_nan() || radius_m > rules.coarsest_m) {
            return Taken::TooCoarse;
        }
        if self.later.iter().any(|begin| second(*begin) == second(fix.time)) {
            return Taken::TooSoon;
        }
        let Some((time, lat, lon)) = self.fixes.last() else { return Taken::Kept };
        let within = |seconds: i64| fix.time - time < TimeDelta::seconds(seconds);
        let here = || Haversine.distance(Point::new(*lon, *lat), fix.position.point()) < rules.same_place_m;
        match () {
            () if fix.time <= *time => Taken::OutOfOrder,
            () if within(rules.soonest_s) || within(rules.same_place_s) && here() => Taken::TooSoon,
            () => Taken::Kept,
        }
    }
}

/// A piece's record is known by the second in which it begins.
fn second(time: DateTime<Utc>) -> i64 {
    time.timestamp()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::place::Position;
    use crate::survey::Record;

    const START: &str = "2026-10-03T07:00:00Z";

    fn fix(ms: i64, north_m: f64, radius_68_m: Option<f64>) -> Fix {
        let start: DateTime<Utc> = START.parse().unwrap();
        let position = Position::new(53.0 + north_m / 111_286.0, 9.0, radius_68_m).unwrap();
        Fix { time: start + TimeDelta::milliseconds(ms), position }
    }

    /// A phone: a draft and the records, each by its subject, in the order in which they first came.
    #[derive(Default)]
    struct Phone {
        draft: Option<String>,
        pieces: Vec<TrackPiece>,
        /// What was kept, run by run: a run ends where recording was ended.
        kept: Vec<Vec<TimedPlace>>,
    }

    impl Phone {
        fn recording(&self) -> Recording {
            Recording::of_draft(self.draft.as_deref()).unwrap()
        }

        fn do_steps(&mut self, steps: Vec<Step>, before_the_battery_is_empty: usize) {
            for step in steps.into_iter().take(before_the_battery_is_empty) {
                match step {
                    Step::Keep(recording) => self.draft = Some(recording.to_draft().unwrap()),
                    Step::Drop => self.draft = None,
                    Step::Write(piece) => {
                        let subject = Record::TrackPiece(piece.clone()).subject();
                        match self.pieces.iter_mut().find(|p| Record::TrackPiece((*p).clone()).subject() == subject) {
                            Some(older) => *older = piece,
                            None => self.pieces.push(piece),
                        }
                    }
                }
            }
        }

        fn add(&mut self, fix: &Fix, steps: usize) -> Taken {
            let recording = self.recording();
            let begins = recording.is_empty();
            let (taken, planned) = recording.add(fix, &self.pieces).unwrap();
            self.do_steps(planned, steps);
            if taken == Taken::Kept && steps > 0 {
                let place = (fix.time, fix.position.lat, fix.position.lon);
                if begins { self.kept.push(vec![place]) } else { self.kept.last_mut().unwrap().push(place) }
            }
            taken
        }

        fn end(&mut self, steps: usize) {
            let planned = self.recording().end();
            self.do_steps(planned, steps);
        }

        /// The records as runs: pieces that join are one.
        fn runs(&self) -> Vec<Vec<TimedPlace>> {
            let mut runs: Vec<Vec<TimedPlace>> = Vec::new();
            for piece in &self.pieces {
                match runs.last_mut() {
                    Some(run) if run.last() == piece.fixes.first() => run.extend(&piece.fixes[1..]),
                    _ => runs.push(piece.fixes.clone()),
                }
            }
            runs
        }
    }

    const ALL: usize = usize::MAX;

    #[test]
    fn standing_still_and_coarse_fixes_add_nothing_but_a_sign_of_life() {
        let mut phone = Phone::default();
        let mut taken = |ms, m, radius| phone.add(&fix(ms, m, radius), ALL);
        assert_eq!(taken(0, 0.0, Some(60.0)), Taken::TooCoarse);
        assert_eq!(taken(0, 0.0, Some(f64::NAN)), Taken::TooCoarse);
        assert_eq!(taken(0, 0.0, None), Taken::Kept);
        assert_eq!(taken(5_000, 3.0, Some(4.0)), Taken::TooSoon);
        assert_eq!(taken(500, 30.0, Some(4.0)), Taken::TooSoon, "twice in a second");
        assert_eq!(taken(8_000, 8.0, Some(4.0)), Taken::Kept);
        assert_eq!(taken(68_000, 8.0, Some(4.0)), Taken::Kept, "still there after a minute");
        assert_eq!(taken(60_000, 50.0, Some(4.0)), Taken::OutOfOrder);
    }

    #[test]
    fn pieces_join_without_a_gap_in_length_until_recording_is_ended() {
        let mut phone = Phone::default();
        (0..=30).for_each(|i| _ = phone.add(&fix(10_000 * i, 10.0 * i as f64, Some(5.0)), ALL));
        phone.end(ALL);
        assert_eq!(phone.pieces.len(), 5, "five minutes");
        let length_m: f64 = phone.pieces.iter().map(TrackPiece::length_m).sum();
        assert!((length_m - 300.0).abs() < 0.5, "{length_m}");
        (40..=43).for_each(|i| _ = phone.add(&fix(10_000 * i, 10.0 * i as f64, Some(5.0)), ALL));
        phone.end(ALL);
        let length_m: f64 = phone.pieces.iter().map(TrackPiece::length_m).sum();
        assert!((length_m - 330.0).abs() < 0.5, "the pause isn't walked: {length_m}");
        assert_eq!(phone.draft, None);
    }

    #[test]
    fn a_piece_whose_draft_did_not_go_any_more_counts_once() {
        let mut phone = Phone::default();
        (0..=6).for_each(|i| _ = phone.add(&fix(10_000 * i, 10.0 * i as f64, None), if i == 6 { 2 } else { ALL }));
        let track = phone.recording().onto(phone.pieces.clone());
        assert_eq!(track, phone.pieces);
        assert_eq!(phone.add(&fix(70_000, 70.0, None), ALL), Taken::Kept);
        assert_eq!((phone.pieces.len(), phone.pieces[0].fixes.len()), (1, 8));
    }

    #[test]
    fn a_draft_of_another_program_is_refused_and_not_thrown_away() {
        let refused = Recording::of_draft(Some("{\"points\": []}")).unwrap_err().to_string();
        assert!(refused.contains("kept"), "{refused}");
    }

    #[derive(Debug, Clone)]
    enum Happens {
        Fix { after_ms: i64, metres: f64, radius_m: Option<f64>, steps: usize },
        End { steps: usize },
    }

    fn happens() -> impl Strategy<Value = Happens> {
        let steps = || prop_oneof![4 => Just(ALL), 1 => 0usize..4];
        let after_ms = prop_oneof![6 => 500i64..40_000, 1 => -2_000i64..2_000, 1 => 40_000i64..400_000];
        let fix = (after_ms, -20.0..20.0, prop::option::of(0.0..35.0), steps())
            .prop_map(|(after_ms, metres, radius_m, steps)| Happens::Fix { after_ms, metres, radius_m, steps });
        prop_oneof![12 => fix, 1 => steps().prop_map(|steps| Happens::End { steps })]
    }

    proptest! {
        #[test]
        fn whenever_the_battery_is_empty_every_kept_fix_is_in_one_piece_in_its_order(story in prop::collection::vec(happens(), 0..80)) {
            let (mut phone, mut ms, mut north_m) = (Phone::default(), 0, 0.0);
            for event in story {
                match event {
                    Happens::Fix { after_ms, metres, radius_m, steps } => {
                        (ms, north_m) = (ms + after_ms, north_m + metres);
                        phone.add(&fix(ms, north_m, radius_m), steps);
                    }
                    Happens::End { steps } => phone.end(steps),
                }
                // At every moment all that was kept is there for readers, once.
                let track = phone.recording().onto(phone.pieces.clone());
                let mut seen: Vec<TimedPlace> = track.iter().flat_map(|piece| piece.fixes.clone()).collect();
                seen.dedup();
                prop_assert_eq!(&seen, &phone.kept.concat());
            }
            phone.end(ALL);
            prop_assert_eq!(&phone.draft, &None);
            prop_assert_eq!(phone.runs().concat(), phone.kept.concat());
            prop_assert!(phone.pieces.iter().all(|piece| piece.fixes.is_sorted_by(|a, b| a.0 < b.0)));
            // No fix but one where two pieces join is in two.
            let joined = phone.pieces.windows(2).filter(|pair| pair[0].fixes.last() == pair[1].fixes.first()).count();
            let written: usize = phone.pieces.iter().map(|piece| piece.fixes.len()).sum();
            prop_assert_eq!(written - joined, phone.kept.concat().len());
        }
    }
}
