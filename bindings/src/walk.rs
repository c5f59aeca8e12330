//! The walk itself: the track as it is recorded, where the walk stands, what was searched.

use chrono::{DateTime, FixedOffset, Utc};
use rakelight_core::place::{self, Position};
use rakelight_core::plan::{ShoreAt, Span as TimeSpan};
use rakelight_core::store::Store;
use rakelight_core::survey::{self, PlacePlanned, Record, Recording, Step, StretchWalked, TimedPlace, Visit, along};

use crate::{Moment, ShellError, ShoreAsked, Workspace};

/// Where the receiver says that the worker is.
#[derive(Debug, Clone, Copy, uniffi::Record)]
pub struct Fix {
    /// When.
    pub at: Moment,
    /// WGS84, degrees.
    pub lat: f64,
    /// WGS84, degrees.
    pub lon: f64,
    /// The radius that holds the truth with 68 %, m, where the receiver gives one.
    pub radius_68_m: Option<f64>,
}

/// A place on the earth.
#[derive(Debug, Clone, Copy, PartialEq, uniffi::Record)]
pub struct LonLat {
    /// WGS84, degrees.
    pub lon: f64,
    /// WGS84, degrees.
    pub lat: f64,
}

/// Where the walk stands.
#[derive(Debug, Clone, uniffi::Record)]
pub struct Walking {
    /// The stretch, where one is planned or written down; of several the one that is nearest.
    pub stretch: Option<StretchNow>,
    /// Length of the track so far, m. The receiver's noise makes it longer than the way, so that it is no measure of what was searched.
    pub walked_m: f64,
    /// The shore, where one was asked about and the table reaches this time.
    pub shore: Option<ShoreNow>,
    /// Where one was asked about, and nothing can be said of it: why, in words.
    pub shore_unknown: Option<String>,
}

/// How far it is with a stretch.
#[derive(Debug, Clone, uniffi::Record)]
pub struct StretchNow {
    /// Its name.
    pub name: String,
    /// Its length, m.
    pub length_m: f64,
    /// How much of it was searched, m; each part once.
    pub covered_m: f64,
    /// Its standard uncertainty.
    pub u_covered_m: f64,
    /// Time on it, minutes.
    pub minutes: f64,
    /// How far along it the worker is, m from its start, where that is known.
    pub along_m: Option<f64>,
    /// How far away it is, m.
    pub away_m: Option<f64>,
}

/// How it stands with the shore.
#[derive(Debug, Clone, uniffi::Record)]
pub struct ShoreNow {
    /// In a word.
    pub state: ShoreState,
    /// When the falling water leaves it.
    pub free_from: Moment,
    /// Low water.
    pub low_water: Moment,
    /// When to turn back, at the latest.
    pub turn_back: Moment,
    /// When the water takes the shore.
    pub water_comes: Moment,
    /// Whole minutes until one has to turn back, rounded down; negative once that is past.
    pub minutes_to_turn_back: i64,
}

/// From here to there along a stretch, m from its start.
#[derive(Debug, Clone, Copy, PartialEq, uniffi::Record)]
pub struct Span {
    /// From.
    pub from_m: f64,
    /// To.
    pub to_m: f64,
}

/// What was searched of a stretch and what wasn't.
#[derive(Debug, Clone, uniffi::Record)]
pub struct StretchSearched {
    /// Its name.
    pub name: String,
    /// Which bank, where that was said.
    pub bank: Option<Bank>,
    /// Its length, m.
    pub length_m: f64,
    /// How much of it was searched, by the track, m.
    pub covered_m: f64,
    /// Its standard uncertainty.
    pub u_covered_m: f64,
    /// How much of it was searched, as the worker says, m.
    pub said_m: Option<f64>,
    /// Time on it, minutes.
    pub minutes: f64,
    /// The parts that were searched.
    pub covered: Vec<Span>,
    /// Those that weren't.
    pub gaps: Vec<Span>,
}

/// A stretch as it is planned.
#[derive(Debug, Clone, uniffi::Record)]
pub struct StretchPlanned {
    /// Its place's name.
    pub name: String,
    /// From its start on.
    pub line: Vec<LonLat>,
    /// Its length, m.
    pub length_m: f64,
}

#[allow(missing_docs)]
mod mirrored {
    //! The core's plain enums, as they are.

    pub type FixKept = rakelight_core::survey::Taken;
    pub type ShoreState = rakelight_core::plan::ShoreState;
    pub type Bank = rakelight_core::survey::Bank;

    #[uniffi::remote(Enum)]
    pub enum FixKept {
        Kept,
        TooCoarse,
        TooSoon,
        OutOfOrder,
    }

    #[uniffi::remote(Enum)]
    pub enum ShoreState {
        NotYetFree,
        Free,
        TurnBack,
        Covered,
    }

    #[uniffi::remote(Enum)]
    pub enum Bank {
        Left,
        Right,
        Both,
    }
}

pub use mirrored::{Bank, FixKept, ShoreState};

#[uniffi::export]
impl Workspace {
    /// Adds a fix to a visit's track; what was kept is on the disk when this returns. A fix that is out of order says that the clock was set
    /// back: end the track and go on.
    pub fn add_fix(&self, visit: String, fix: Fix) -> Result<FixKept, ShellError> {
        let fix = fix.read()?;
        let mut store = self.store();
        let draft = store.draft(&draft_of(&visit))?;
        let recording = Recording::of_draft(draft.as_deref()).map_err(bad_draft)?;
        let written = if recording.is_empty() { way(&store, &visit)?.track } else { vec![] };
        let (taken, steps) = recording.add(&fix, &written).map_err(ShellError::internal)?;
        do_steps(&mut store, &visit, steps)?;
        Ok(taken)
    }

    /// Writes what is left of the track: at a pause, when the visit is closed, and when the app starts again, for each draft of `track/`.
    pub fn end_track(&self, visit: String) -> Result<(), ShellError> {
        let mut store = self.store();
        let Some(draft) = store.draft(&draft_of(&visit))? else { return Ok(()) };
        let recording = Recording::of_draft(Some(&draft)).map_err(bad_draft)?;
        do_steps(&mut store, &visit, recording.end())
    }

    /// Where the walk stands at a time. Costs little: made to be asked every few seconds. The shore is asked about in the times that the
    /// phone's clock shows, whether the sun stands low or not.
    pub fn walking(
        &self,
        visit: String,
        shore: Option<ShoreAsked>,
        at: Moment,
        here: Option<Fix>,
    ) -> Result<Walking, ShellError> {
        let way = Way::of(&self.store(), &visit)?;
        let here = here.map(Fix::read).transpose()?.map(|fix| [fix.position.lat, fix.position.lon]);
        let (shore, shore_unknown) = match shore {
            Some(shore) => self.shore_now(shore, at.local()?)?,
            None => (None, None),
        };
        let walked_m = way.visit.track.iter().fold(0.0, |sum, piece| sum + piece.length_m());
        Ok(Walking { stretch: way.stretch_now(here)?, walked_m, shore, shore_unknown })
    }

    /// What was searched of a visit's stretches and what wasn't.
    pub fn searched(&self, visit: String) -> Result<Vec<StretchSearched>, ShellError> {
        let way = Way::of(&self.store(), &visit)?;
        way.stretches().into_iter().map(|stretch| way.searched(stretch)).collect()
    }

    /// Writes down that a stretch was walked; `searched_m` is what the worker says. A stretch of the same name takes the older one's place.
    pub fn walk_stretch(
        &self,
        visit: String,
        name: String,
        bank: Option<Bank>,
        line: Vec<LonLat>,
        searched_m: Option<f64>,
        now: Moment,
    ) -> Result<(), ShellError> {
        let points: Result<Vec<[f64; 2]>, ShellError> = line.into_iter().map(LonLat::read).collect();
        let (name, line) = (name.trim().to_owned(), points?);
        if name.is_empty() {
            return Err(ShellError::input("the stretch has no name: give it one"));
        }
        if line.windows(2).all(|pair| pair[0] == pair[1]) {
            return Err(ShellError::input(format!("the stretch {name:?} has no length: give two different points")));
        }
        if let Some(metres) = searched_m.filter(|metres| !(metres.is_finite() && *metres >= 0.0)) {
            return Err(ShellError::input(format!("{metres} m searched can't be: give metres, 0 or more")));
        }
        let visit = self.visit(&visit)?;
        let stretch = StretchWalked { name, bank, line, searched_m };
        self.write(&visit, vec![Record::StretchWalked(stretch)], now.utc()?)
    }

    /// The stretch of a place, as it was planned last; `None` where it is found on the spot.
    pub fn stretch_of_place(&self, place: String) -> Result<Option<StretchPlanned>, ShellError> {
        let planned = self.store().place_planned(&place)?;
        let stretch = planned.as_ref().and_then(PlacePlanned::as_stretch);
        Ok(stretch.map(|stretch| StretchPlanned {
            length_m: stretch.length_m(),
            line: stretch.line.iter().map(|&[lon, lat]| LonLat { lon, lat }).collect(),
            name: stretch.name,
        }))
    }
}

impl Workspace {
    /// What is known of the shore, or why nothing is.
    fn shore_now(
        &self,
        shore: ShoreAsked,
        at: DateTime<FixedOffset>,
    ) -> Result<(Option<ShoreNow>, Option<String>), ShellError> {
        let moment = |utc: DateTime<Utc>| Moment::from(utc.with_timezone(at.offset()));
        let unknown = match shore.read()?.now(at.to_utc()).map_err(ShellError::input)? {
            ShoreAt::Told(now) => {
                let shore = ShoreNow {
                    state: now.state,
                    free_from: moment(now.tide.free_from),
                    low_water: moment(now.tide.low_water.utc),
                    turn_back: moment(now.tide.turn_back),
                    water_comes: moment(now.tide.covered_from),
                    minutes_to_turn_back: now.minutes_to_turn_back,
                };
                return Ok((Some(shore), None));
            }
            ShoreAt::NotInTable(TimeSpan { start, end }) => {
                let time = |utc: DateTime<Utc>| utc.with_timezone(at.offset()).format("%Y-%m-%d %H:%M").to_string();
                self.words.fill("walk.no_tide", &[("from", &time(start)), ("to", &time(end))])
            }
            ShoreAt::NotFree => self.words.say("walk.shore_not_free").to_owned(),
        };
        Ok((None, Some(unknown)))
    }
}

/// A visit's way with what isn't a record yet, and its place as it is planned.
pub(crate) struct Way {
    pub visit: Visit,
    pub place: Option<PlacePlanned>,
}

impl Way {
    pub fn of(store: &Store, id: &str) -> Result<Self, ShellError> {
        let mut visit = way(store, id)?;
        let draft = store.draft(&draft_of(id))?;
        let recording = Recording::of_draft(draft.as_deref()).map_err(bad_draft)?;
        visit.track = recording.onto(std::mem::take(&mut visit.track));
        let place = store.place_planned(&visit.opened.place_name)?;
        Ok(Self { visit, place })
    }

    fn stretches(&self) -> Vec<StretchWalked> {
        self.visit.stretches_or_planned(self.place.as_ref())
    }

    fn by_track(&self, stretch: &StretchWalked) -> Result<survey::Searched, ShellError> {
        let fixes: Vec<TimedPlace> = self.visit.track.iter().flat_map(|piece| piece.fixes.iter().copied()).collect();
        survey::searched(&stretch.name, &stretch.line, &fixes).map_err(ShellError::input)
    }

    fn searched(&self, stretch: StretchWalked) -> Result<StretchSearched, ShellError> {
        let found = self.by_track(&stretch)?;
        let spans = |spans: Vec<[f64; 2]>| spans.into_iter().map(|[from_m, to_m]| Span { from_m, to_m }).collect();
        Ok(StretchSearched {
            name: stretch.name,
            bank: stretch.bank,
            length_m: found.length_m,
            covered_m: found.covered_m,
            u_covered_m: found.u_covered_m,
            said_m: stretch.searched_m,
            minutes: found.minutes,
            covered: spans(found.covered),
            gaps: spans(found.gaps),
        })
    }

    /// The stretch that is nearest; the last one where nobody knows where the worker is.
    fn stretch_now(&self, here: Option<[f64; 2]>) -> Result<Option<StretchNow>, ShellError> {
        let beside = |stretch: &StretchWalked| here.and_then(|here| along(&stretch.line, here));
        let away_m = |stretch: &StretchWalked| beside(stretch).map_or(f64::MAX, |beside| beside.away_m);
        let stretches = self.stretches();
        // Of equals the first is the least, so the last comes first.
        let nearest = stretches.iter().rev().min_by(|a, b| away_m(a).total_cmp(&away_m(b)));
        let Some(stretch) = nearest else { return Ok(None) };
        let (found, beside) = (self.by_track(stretch)?, beside(stretch));
        Ok(Some(StretchNow {
            name: stretch.name.clone(),
            length_m: found.length_m,
            covered_m: found.covered_m,
            u_covered_m: found.u_covered_m,
            minutes: found.minutes,
            along_m: beside.map(|beside| beside.along_m),
            away_m: beside.map(|beside| beside.away_m),
        }))
    }
}

fn draft_of(visit: &str) -> String {
    format!("track/{visit}")
}

fn bad_draft(error: survey::RecordingError) -> ShellError {
    ShellError::BadStore { detail: error.to_string() }
}

fn way(store: &Store, visit: &str) -> Result<Visit, ShellError> {
    store.way(visit)?.ok_or_else(|| ShellError::NotFound { what: "visit".into(), id: visit.into() })
}

/// One after the other, each on the disk before the next.
fn do_steps(store: &mut Store, visit: &str, steps: Vec<Step>) -> Result<(), ShellError> {
    let draft = draft_of(visit);
    for step in steps {
        match step {
            Step::Keep(recording) => store.keep_draft(&draft, &recording.to_draft().map_err(ShellError::internal)?)?,
            Step::Drop => store.drop_draft(&draft)?,
            Step::Write(piece) => {
                let author = way(store, visit)?.author().to_owned();
                let now = piece.fixes.last().map(|fix| fix.0).unwrap_or_default();
                store.write_records(visit, &author, &[Record::TrackPiece(piece)], now)?;
            }
        }
    }
    Ok(())
}

impl Fix {
    pub(crate) fn read(self) -> Result<place::Fix, ShellError> {
        let position = Position::new(self.lat, self.lon, self.radius_68_m).map_err(ShellError::input)?;
        Ok(place::Fix { time: self.at.utc()?, position })
    }
}

impl LonLat {
    fn read(self) -> Result<[f64; 2], ShellError> {
        let position = Position::new(self.lat, self.lon, None).map_err(ShellError::input)?;
        Ok([position.lon, position.lat])
    }
}

#[cfg(test)]
mod tests {
    use rakelight_core::survey::SeasonPlan;

    use super::*;
    use crate::demo::{self, open};
    use crate::{LineKind, MarkKind, TideTurn, VisitHead};

    /// 2026-10-03T07:00:00Z, on British summer time.
    const START: Moment = Moment { utc_ms: 1_791_010_800_000, offset_minutes: 60 };

    fn after(seconds: i64) -> Moment {
        Moment { utc_ms: START.utc_ms + 1000 * seconds, ..START }
    }

    /// A visit to an invented place with a stretch of 536.9 m to the east and a spot.
    fn a_visit(core: &Workspace) -> String {
        let plan = "[[place]]\nname = 'Sallow Bridge'\nat = [53.0, 9.0]\nstretch = [[9.0, 53.0], [9.008, 53.0]]\nspots = [{ at = [53.0, 9.002], why = ['log'] }]";
        let plan = SeasonPlan::from_toml(plan).unwrap();
        core.store().write_season("2026", "Cy", &plan, START.utc().unwrap()).unwrap();
        let head = VisitHead { start: START, ..demo::head("Sallow Bridge") };
        core.open_visit(head, START).unwrap()
    }

    /// Ten steps of 13.4 m each 100 seconds.
    fn step(i: i64) -> Fix {
        Fix { at: after(10 * i), lat: 53.00002, lon: 9.0 + 0.0002 * i as f64, radius_68_m: Some(6.0) }
    }

    fn shore() -> ShoreAsked {
        let turns = [(-17_400, 11.8, true), (6_000, 1.4, false), (27_000, 12.1, true)];
        let turn = |(seconds, height_m, high)| TideTurn { at: after(seconds), height_m, high };
        ShoreAsked {
            turns: turns.map(turn).to_vec(),
            free_below_m: 4.0,
            walk_minutes: 20,
            margin_minutes: 30,
            past_low_water: false,
        }
    }

    #[test]
    fn a_walk_is_recorded_through_a_restart_and_a_pause_and_nothing_is_lost() {
        let folder = tempfile::tempdir().unwrap();
        let core = open(folder.path());
        let visit = a_visit(&core);
        (0..=9).for_each(|i| assert_eq!(core.add_fix(visit.clone(), step(i)).unwrap(), FixKept::Kept));
        let coarse = Fix { radius_68_m: Some(80.0), ..step(10) };
        assert_eq!(core.add_fix(visit.clone(), coarse).unwrap(), FixKept::TooCoarse);
        let before = core.walking(visit.clone(), None, after(90), Some(step(9))).unwrap();
        // The battery is empty: nothing is closed, and the app starts again.
        std::mem::forget(core);
        let core = open(folder.path());
        assert_eq!(core.drafts("track/".into()).unwrap(), [format!("track/{visit}")]);
        core.end_track(visit.clone()).unwrap();
        core.end_track(visit.clone()).unwrap();
        assert!(core.drafts(String::new()).unwrap().is_empty());
        let now = core.walking(visit.clone(), None, after(90), Some(step(9))).unwrap();
        // 0.0018 degrees at 53° N on WGS84.
        assert!((now.walked_m - 120.85).abs() < 0.1 && (before.walked_m - now.walked_m).abs() < 1e-6, "{now:?}");
        let stretch = now.stretch.unwrap();
        assert!((stretch.length_m - 537.1).abs() < 0.2 && (stretch.covered_m - 120.85).abs() < 0.2, "{stretch:?}");
        assert!((stretch.along_m.unwrap() - 120.85).abs() < 0.2 && (stretch.away_m.unwrap() - 2.2).abs() < 0.1);
        assert!((stretch.minutes - 1.5).abs() < 0.01 && stretch.u_covered_m > 0.0);
        (20..=30).for_each(|i| assert_eq!(core.add_fix(visit.clone(), step(i)).unwrap(), FixKept::Kept));
        core.end_track(visit.clone()).unwrap();
        let pieces = core.visit(&visit).unwrap().track;
        assert_eq!(pieces.iter().map(|piece| piece.fixes.len()).collect::<Vec<_>>(), [7, 4, 7, 5]);
        assert_eq!(
            core.add_fix("nowhere".into(), step(1)).unwrap_err().to_string(),
            "there is no visit nowhere in the store"
        );
        assert!(matches!(core.add_fix(visit, Fix { lat: 95.0, ..step(40) }), Err(ShellError::BadInput { .. })));
    }

    #[test]
    fn the_shore_tells_when_to_turn_back_and_a_table_that_does_not_reach_is_said() {
        let folder = tempfile::tempdir().unwrap();
        let core = open(folder.path());
        let visit = a_visit(&core);
        let at = |seconds| core.walking(visit.clone(), Some(shore()), after(seconds), None).unwrap();
        let free = at(0).shore.unwrap();
        assert_eq!((free.state, free.minutes_to_turn_back), (ShoreState::Free, 100));
        // Two thirds of the way from high to low water at 06:30 UTC; back at low water.
        assert!((free.free_from.utc_ms - after(-1800).utc_ms).abs() <= 1000 && free.free_from.offset_minutes == 60);
        assert_eq!((free.turn_back.utc_ms, free.low_water.utc_ms), (after(6000).utc_ms, after(6000).utc_ms));
        assert_eq!(at(6060).shore.unwrap().minutes_to_turn_back, -1);
        assert_eq!(at(6060).shore.unwrap().state, ShoreState::TurnBack);
        assert_eq!(at(14_000).shore.unwrap().state, ShoreState::Covered);
        let beyond = at(27_000);
        assert!(beyond.shore.is_none());
        let why = beyond.shore_unknown.unwrap();
        assert!(why.contains("2026-10-03 03:10") && why.contains("2026-10-03 15:30"), "local times: {why}");
        let never = ShoreAsked { free_below_m: 1.0, ..shore() };
        let never = core.walking(visit.clone(), Some(never), after(0), None).unwrap();
        assert!(never.shore.is_none() && never.shore_unknown.unwrap().contains("doesn't come free"));
        assert!(core.walking(visit.clone(), None, after(0), None).unwrap().shore_unknown.is_none());
    }

    #[test]
    fn what_was_and_was_not_searched_is_told_from_the_start_of_the_stretch() {
        let folder = tempfile::tempdir().unwrap();
        let core = open(folder.path());
        let visit = a_visit(&core);
        (10..=20).for_each(|i| _ = core.add_fix(visit.clone(), step(i)).unwrap());
        let [planned] = &core.searched(visit.clone()).unwrap()[..] else { panic!() };
        let gaps: Vec<f64> = planned.gaps.iter().flat_map(|gap| [gap.from_m, gap.to_m]).map(f64::round).collect();
        assert_eq!(gaps, [0.0, 134.0, 269.0, 537.0], "{planned:?}");
        let line = core.stretch_of_place("sallow bridge".into()).unwrap().unwrap().line;
        let walk = |name: &str, line: &[LonLat], metres: f64| {
            core.walk_stretch(visit.clone(), name.into(), Some(Bank::Left), line.to_vec(), Some(metres), after(200))
        };
        walk(" the left bank ", &line, 130.0).unwrap();
        let [walked] = &core.searched(visit.clone()).unwrap()[..] else { panic!() };
        assert_eq!(
            (walked.name.as_str(), walked.bank, walked.said_m),
            ("the left bank", Some(Bank::Left), Some(130.0))
        );
        for (refused, told) in [
            (walk(" ", &line, 1.0), "no name"),
            (walk("a", &line[..1], 1.0), "no length"),
            (walk("a", &line, f64::NAN), "can't be"),
            (walk("a", &[LonLat { lon: 200.0, lat: 0.0 }], 1.0), "no position"),
        ] {
            let refused = refused.unwrap_err().to_string();
            assert!(refused.contains(told), "{refused}");
        }
        assert!(core.stretch_of_place("Nowhere".into()).unwrap().is_none());
    }

    #[test]
    fn the_map_shows_the_place_before_the_visit_and_the_walk_during_it() {
        let folder = tempfile::tempdir().unwrap();
        let core = open(folder.path());
        let visit = a_visit(&core);
        let before = core.map(None, Some("Sallow Bridge".into()), None).unwrap();
        assert_eq!((before.lines.len(), before.marks.len()), (1, 2));
        (0..=8).for_each(|i| _ = core.add_fix(visit.clone(), step(i)).unwrap());
        let map = core.map(Some(visit), None, Some(step(9))).unwrap();
        let kinds: Vec<LineKind> = map.lines.iter().map(|line| line.kind).collect();
        assert_eq!(kinds, [LineKind::Stretch, LineKind::Searched, LineKind::Track]);
        assert_eq!(map.marks[1].label, "log over the water");
        let here = &map.marks[2];
        assert_eq!(here.kind, MarkKind::Here { radius_68_m: Some(6.0) });
        assert!((here.x_m - 120.85).abs() < 0.1 && (here.y_m - 2.2).abs() < 0.1);
        assert!(core.map(None, None, None).unwrap().lines.is_empty());
    }
}
