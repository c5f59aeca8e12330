//! When the shore lies free, and when to turn back.

use chrono::{DateTime, Datelike, TimeDelta, Utc};
use serde::{Deserialize, Serialize};

use super::tide::{Extreme, ExtremeKind, Tide, TideError};
use super::{PlanError, Span};

/// How long the way back takes, and how much earlier than needed it is begun.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct TurnBack {
    /// From the farthest place to where the tide doesn't come.
    pub walk_minutes: i64,
    /// What the user adds for their safety.
    pub margin_minutes: i64,
}

impl TurnBack {
    /// What stands in where the user says nothing: it isn't made for any place.
    ///
    /// # Errors
    /// The data can't be read: a mistake in the build.
    pub fn builtin() -> Result<Self, PlanError> {
        #[derive(Deserialize)]
        struct File {
            turn_back: TurnBack,
        }
        let file: File = toml::from_str(include_str!("../../data/shore.toml"))?;
        Ok(file.turn_back)
    }

    fn before_the_water(self) -> Result<TimeDelta, PlanError> {
        for (what, minutes) in [("the way back", self.walk_minutes), ("the margin", self.margin_minutes)] {
            if !(0..=720).contains(&minutes) {
                return Err(PlanError::Minutes { what, minutes });
            }
        }
        Ok(TimeDelta::minutes(self.walk_minutes + self.margin_minutes))
    }
}

/// A shore and its tide.
#[derive(Debug, Clone)]
pub struct Shore {
    /// The tide there.
    pub tide: Tide,
    /// The shore is free while the water is lower than this, m above the table's zero: as the user knows the place.
    pub free_below_m: f64,
    /// The way back.
    pub turn_back: TurnBack,
    /// Whether somebody may be out after low water, while the tide rises.
    pub past_low_water: bool,
}

/// One time that the shore lies free.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct FreeShore {
    /// When the falling water leaves it; the high water before, where that doesn't reach it.
    #[serde(serialize_with = "crate::time::as_utc")]
    pub free_from: DateTime<Utc>,
    /// When the rising water takes it; the high water after, where that doesn't reach it.
    #[serde(serialize_with = "crate::time::as_utc")]
    pub covered_from: DateTime<Utc>,
    /// When to turn back, at the latest: way and margin before the water, and not after low water unless that was asked for.
    #[serde(serialize_with = "crate::time::as_utc")]
    pub turn_back: DateTime<Utc>,
    /// The low water between.
    pub low_water: Extreme,
    /// The high water before: sign below its line is younger than that.
    pub last_high_water: Extreme,
}

impl FreeShore {
    /// From when to when somebody may be there; `None` where the way back is longer than that.
    pub fn usable(&self) -> Option<Span> {
        (self.free_from < self.turn_back).then_some(Span { start: self.free_from, end: self.turn_back })
    }
}

/// How it stands with a shore at a time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ShoreState {
    /// The water hasn't left it yet.
    NotYetFree,
    /// It is free, and there is time left before one has to turn back.
    Free,
    /// One has to be on the way back, whether it lies free still or was never free for long enough.
    TurnBack,
    /// The water has taken it.
    Covered,
}

/// How it stands with a shore now.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShoreNow {
    /// In a word.
    pub state: ShoreState,
    /// Whole minutes until one has to turn back, rounded down; negative once that is past.
    pub minutes_to_turn_back: i64,
    /// The tide that this is about: the one that runs, or where its low water doesn't free the shore the next that does.
    pub tide: FreeShore,
}

/// What can be said of a shore at a time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ShoreAt {
    /// How it stands.
    Told(ShoreNow),
    /// The time doesn't lie between two high waters of the table, which goes from here to there: nothing is known.
    NotInTable(Span),
    /// It doesn't come free in this tide, nor in one that the table has within the next 30 hours.
    NotFree,
}

/// Two high waters are never farther apart (a tide of one a day has about 24.8 h).
const SIDES: TimeDelta = TimeDelta::hours(30);

impl Shore {
    /// How it stands with the shore. Between two high waters it is one tide's: not yet free, free, time to turn back, covered.
    ///
    /// ```
    /// use rakelight_core::plan::{Between, Shore, ShoreAt, ShoreState, Tide, TideTable, TurnBack};
    /// let table = "utc,height_m,type\n2026-10-03T02:10Z,11.8,H\n2026-10-03T08:40Z,1.4,L\n2026-10-03T14:30Z,12.1,H\n";
    /// let shore = Shore {
    ///     tide: Tide::Table(TideTable::from_csv(table, Between::Cosine)?),
    ///     free_below_m: 4.0,
    ///     turn_back: TurnBack { walk_minutes: 20, margin_minutes: 30 },
    ///     past_low_water: false,
    /// };
    /// let ShoreAt::Told(now) = shore.now("2026-10-03T08:10:30Z".parse()?)? else { panic!("it is in the table") };
    /// assert_eq!((now.state, now.minutes_to_turn_back), (ShoreState::Free, 29));
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    ///
    /// # Errors
    /// As [`Shore::free`]. That the table says nothing of this time isn't an error.
    pub fn now(&self, at: DateTime<Utc>) -> Result<ShoreAt, PlanError> {
        if !(1..=9999).contains(&at.year()) {
            return Err(TideError::Year { year: at.year() }.into());
        }
        let around = Span { start: at - SIDES, end: at + SIDES };
        let turns = self.tide.extremes(around.start, around.end)?;
        let high = |is: &dyn Fn(DateTime<Utc>) -> bool| {
            turns.iter().any(|turn| turn.kind == ExtremeKind::High && is(turn.utc))
        };
        if !(high(&|utc| utc <= at) && high(&|utc| utc > at)) {
            return Ok(ShoreAt::NotInTable(match &self.tide {
                Tide::Table(table) => table.span(),
                Tide::Harmonic(_) => around,
            }));
        }
        let tides = self.tides(around)?;
        let Some((tide, _)) = tides.into_iter().find(|(_, next_high_water)| at < next_high_water.utc) else {
            return Ok(ShoreAt::NotFree);
        };
        let state = match () {
            () if at >= tide.covered_from => ShoreState::Covered,
            () if at >= tide.turn_back => ShoreState::TurnBack,
            () if at < tide.free_from => ShoreState::NotYetFree,
            () => ShoreState::Free,
        };
        let minutes_to_turn_back = (tide.turn_back - at).num_milliseconds().div_euclid(60_000);
        Ok(ShoreAt::Told(ShoreNow { state, minutes_to_turn_back, tide }))
    }

    /// When the shore lies free around the low waters of a time: each needs the high waters to its two sides.
    ///
    /// # Errors
    /// A height or duration that can't be; the tide can't be worked out.
    pub fn free(&self, within: Span) -> Result<Vec<FreeShore>, PlanError> {
        Ok(self.tides(within)?.into_iter().map(|(shore, _)| shore).collect())
    }

    /// The same, each with the high water after it.
    fn tides(&self, within: Span) -> Result<Vec<(FreeShore, Extreme)>, PlanError> {
        if self.free_below_m.is_nan() || self.free_below_m.abs() > 30.0 {
            return Err(PlanError::FreeBelow { free_below_m: self.free_below_m });
        }
        let before_the_water = self.turn_back.before_the_water()?;
        let extremes = self.tide.extremes(within.start - SIDES, within.end + SIDES)?;
        let mut free = Vec::new();
        for turns in extremes.windows(3) {
            let [last_high_water, low_water, next] = [turns[0], turns[1], turns[2]];
            if low_water.kind == ExtremeKind::High || low_water.height_m >= self.free_below_m {
                continue;
            }
            let passes = |high: &Extreme| {
                if high.height_m > self.free_below_m {
                    self.tide.passes(self.free_below_m, &low_water, high)
                } else {
                    Ok(high.utc)
                }
            };
            let (free_from, covered_from) = (passes(&last_high_water)?, passes(&next)?);
            let by_the_water = covered_from - before_the_water;
            let turn_back = if self.past_low_water { by_the_water } else { by_the_water.min(low_water.utc) };
            if covered_from > within.start && free_from < within.end {
                free.push((FreeShore { free_from, covered_from, turn_back, low_water, last_high_water }, next));
            }
        }
        Ok(free)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::plan::tide::{Between, TideTable};

    fn time(text: &str) -> DateTime<Utc> {
        format!("2026-10-03T{text}Z").parse().unwrap()
    }

    /// The invented tide of the bindings' tests, with a neap tide after it that doesn't free the shore.
    fn shore(past_low_water: bool) -> Shore {
        let turns = [("02:10:00", 11.8), ("08:40:00", 1.4), ("14:30:00", 12.1), ("20:40:00", 5.0), ("23:59:00", 9.0)];
        let kind = |i: usize| if i.is_multiple_of(2) { ExtremeKind::High } else { ExtremeKind::Low };
        let turns = (0..).zip(turns).map(|(i, (at, height_m))| Extreme { utc: time(at), height_m, kind: kind(i) });
        let turn_back = TurnBack { walk_minutes: 20, margin_minutes: 30 };
        let tide = Tide::Table(TideTable::from_turns(turns.collect(), Between::Cosine).unwrap());
        Shore { tide, free_below_m: 4.0, turn_back, past_low_water }
    }

    fn state(shore: &Shore, at: &str) -> (ShoreState, i64) {
        match shore.now(time(at)).unwrap() {
            ShoreAt::Told(now) => (now.state, now.minutes_to_turn_back),
            other => panic!("{at}: {other:?}"),
        }
    }

    #[test]
    fn a_falling_tide_frees_the_shore_and_low_water_turns_the_worker_back() {
        // Half a cosine from 11.8 m at 02:10 to 1.4 m at 08:40 passes 4.0 m after two thirds of the time: 06:30.
        let shore = shore(false);
        assert_eq!(state(&shore, "02:10:00"), (ShoreState::NotYetFree, 390));
        assert_eq!(state(&shore, "06:29:58"), (ShoreState::NotYetFree, 130));
        assert_eq!(state(&shore, "06:30:02"), (ShoreState::Free, 129));
        assert_eq!(state(&shore, "08:39:59"), (ShoreState::Free, 0));
        assert_eq!(state(&shore, "08:40:00"), (ShoreState::TurnBack, 0));
        assert_eq!(state(&shore, "08:40:01"), (ShoreState::TurnBack, -1));
        // acos(1 - 2 · 2.6 / 10.7) / π of 350 minutes: the water comes at 10:34:51.
        assert_eq!(state(&shore, "10:34:48"), (ShoreState::TurnBack, -115));
        assert_eq!(state(&shore, "10:34:54"), (ShoreState::Covered, -115));
        assert_eq!(state(&shore, "14:29:59"), (ShoreState::Covered, -350));
    }

    #[test]
    fn after_low_water_the_way_back_and_the_margin_decide() {
        // 50 minutes before 10:34:51.
        let shore = shore(true);
        assert_eq!(state(&shore, "09:44:48"), (ShoreState::Free, 0));
        assert_eq!(state(&shore, "09:44:54"), (ShoreState::TurnBack, -1));
    }

    #[test]
    fn where_the_table_does_not_reach_nothing_is_guessed() {
        let shore = shore(false);
        for at in ["02:09:59", "23:59:00"] {
            let ShoreAt::NotInTable(known) = shore.now(time(at)).unwrap() else { panic!("{at}") };
            assert_eq!((known.start, known.end), (time("02:10:00"), time("23:59:00")));
        }
        // The table begins with a low water: how high the water stood before isn't known.
        let Tide::Table(table) = &shore.tide else { panic!() };
        let turns = table.extremes(time("08:40:00"), time("14:30:00"));
        let cut = Shore { tide: Tide::Table(TideTable::from_turns(turns, Between::Cosine).unwrap()), ..shore };
        assert!(matches!(cut.now(time("09:00:00")).unwrap(), ShoreAt::NotInTable(_)));
        assert!(cut.now(DateTime::<Utc>::MAX_UTC).is_err());
    }

    #[test]
    fn a_neap_tide_that_does_not_free_the_shore_is_said() {
        assert_eq!(shore(false).now(time("20:00:00")).unwrap(), ShoreAt::NotFree);
        let lower = Shore { free_below_m: 6.0, ..shore(false) };
        assert_eq!(state(&lower, "15:00:00").0, ShoreState::NotYetFree);
    }

    #[test]
    fn a_shore_that_is_free_for_less_than_the_way_back_is_never_called_free() {
        let turn_back = TurnBack { walk_minutes: 240, margin_minutes: 60 };
        let far = Shore { turn_back, ..shore(false) };
        let states: Vec<ShoreState> =
            ["05:00:00", "06:00:00", "07:00:00", "11:00:00"].iter().map(|at| state(&far, at).0).collect();
        use ShoreState as S;
        assert_eq!(states, [S::NotYetFree, S::TurnBack, S::TurnBack, S::Covered]);
    }

    /// A shore on some tide: turns three to nine hours apart.
    fn some_shore() -> impl Strategy<Value = Shore> {
        let turns = prop::collection::vec((180i64..540, 0.0..3.0, 4.0..9.0), 3..9);
        (turns, 0.5..9.5, 0i64..200, 0i64..90, any::<bool>(), any::<bool>()).prop_map(
            |(turns, free_below_m, walk_minutes, margin_minutes, past_low_water, first_high)| {
                let mut utc = time("00:00:00");
                let turn = |(i, (minutes, low_m, high_m)): (usize, (i64, f64, f64))| {
                    utc += TimeDelta::minutes(minutes);
                    let high = i.is_multiple_of(2) == first_high;
                    let (kind, height_m) = if high { (ExtremeKind::High, high_m) } else { (ExtremeKind::Low, low_m) };
                    Extreme { utc, height_m, kind }
                };
                let turns: Vec<Extreme> = turns.into_iter().enumerate().map(turn).collect();
                let tide = Tide::Table(TideTable::from_turns(turns, Between::Cosine).unwrap());
                Shore { tide, free_below_m, turn_back: TurnBack { walk_minutes, margin_minutes }, past_low_water }
            },
        )
    }

    proptest! {
        /// Against the table itself: where the state is Free the water lies below the shore now, and still does when somebody who turns
        /// back now is there, with the margin to spare.
        #[test]
        fn the_state_never_says_free_after_turn_back(shore in some_shore(), minutes in 0i64..5000) {
            let at = time("00:00:00") + TimeDelta::minutes(minutes);
            match shore.now(at).unwrap() {
                ShoreAt::Told(now) => {
                    prop_assert_eq!(now.minutes_to_turn_back < 0, at > now.tide.turn_back);
                    prop_assert!(now.state != ShoreState::Free || at < now.tide.turn_back);
                    let lies_free = |at| shore.tide.height_m(at).unwrap() < shore.free_below_m + 0.02;
                    let back = TimeDelta::minutes(shore.turn_back.walk_minutes + shore.turn_back.margin_minutes);
                    if now.state == ShoreState::Free {
                        prop_assert!(lies_free(at) && lies_free(at + back), "{:?}", now);
                        prop_assert!(shore.past_low_water || at < now.tide.low_water.utc);
                    }
                    if now.state == ShoreState::NotYetFree && at >= now.tide.last_high_water.utc {
                        prop_assert!(shore.tide.height_m(at).unwrap() > shore.free_below_m - 0.02);
                    }
                }
                ShoreAt::NotInTable(known) => {
                    let Tide::Table(table) = &shore.tide else { unreachable!() };
                    let turns = table.extremes(known.start, known.end);
                    let highs = || turns.iter().filter(|turn| turn.kind == ExtremeKind::High);
                    prop_assert!(highs().all(|high| high.utc > at) || highs().all(|high| high.utc <= at));
                }
                ShoreAt::NotFree => prop_assert!(shore.tide.height_m(at).unwrap() > shore.free_below_m - 0.02),
            }
        }
    }
}
