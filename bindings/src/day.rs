//! The day ahead: times to go, what to mind, who has which place; and where the sun stands.

use chrono::{DateTime, NaiveDate, Utc};
use rakelight_core::place::Position;
use rakelight_core::plan::{
    Air, Asked, Between, Extreme, ExtremeKind, Plan, Shore, Tide, TideTable, TurnBack, Tz, delta_t_s, plan, sun,
};
use rakelight_core::survey::{self, Occasion, Task, caution_texts, walks};

use crate::{Moment, ShellError, Workspace};

/// Which days, where, and the shore.
#[derive(Debug, Clone, uniffi::Record)]
pub struct DaysAsked {
    /// WGS84, degrees.
    pub lat: f64,
    /// WGS84, degrees.
    pub lon: f64,
    /// The first local date, as `2026-10-03`.
    pub from: String,
    /// How many days.
    pub days: u32,
    /// As the phone names it: `Europe/London`.
    pub time_zone: String,
    /// Where there is a tide.
    pub shore: Option<ShoreAsked>,
}

/// A shore, as the worker knows it.
#[derive(Debug, Clone, uniffi::Record)]
pub struct ShoreAsked {
    /// High and low waters as typed from the official table, in order of time.
    pub turns: Vec<TideTurn>,
    /// The shore is free while the water is lower than this, m above the table's zero.
    pub free_below_m: f64,
    /// The way back, minutes.
    pub walk_minutes: u32,
    /// What is added for safety, minutes.
    pub margin_minutes: u32,
    /// Whether somebody may be out after low water.
    pub past_low_water: bool,
}

/// A high or low water.
#[derive(Debug, Clone, Copy, uniffi::Record)]
pub struct TideTurn {
    /// When.
    pub at: Moment,
    /// m above the table's zero.
    pub height_m: f64,
    /// Which.
    pub high: bool,
}

/// What the days offer.
#[derive(Debug, Clone, uniffi::Record)]
pub struct DaysPlanned {
    /// In order of time.
    pub windows: Vec<WindowPlanned>,
    /// Days without one, and why, in words.
    pub without: Vec<DayWithout>,
    /// What must be seen before the walk, in words; the last says who decides.
    pub cautions: Vec<String>,
}

/// A time to go.
#[derive(Debug, Clone, uniffi::Record)]
pub struct WindowPlanned {
    /// From.
    pub start: Moment,
    /// To; where there is a tide the turn-back time or earlier.
    pub end: Moment,
    /// 1 is the longest.
    pub rank: u32,
    /// From north, eastward, in its middle.
    pub sun_azimuth_deg: f64,
    /// On which side of a print to stand.
    pub stand_deg: f64,
    /// When to turn back, at the latest.
    pub turn_back: Option<Moment>,
    /// When the water takes the shore.
    pub water_comes: Option<Moment>,
    /// Why it is one, in words.
    pub why: String,
}

/// A day without a time to go.
#[derive(Debug, Clone, uniffi::Record)]
pub struct DayWithout {
    /// The local date.
    pub date: String,
    /// Why, in words.
    pub why: String,
}

/// Where the sun stands.
#[derive(Debug, Clone, Copy, uniffi::Record)]
pub struct SunNow {
    /// From north, eastward.
    pub azimuth_deg: f64,
    /// Above the horizon; below it negative.
    pub elevation_deg: f64,
}

/// A place that was given to somebody.
#[derive(Debug, Clone, uniffi::Record)]
pub struct PlaceGiven {
    /// Which season.
    pub season: String,
    /// Its name: open the visit with it.
    pub place: String,
    /// WGS84, degrees.
    pub lat: f64,
    /// WGS84, degrees.
    pub lon: f64,
    /// To whom.
    pub people: Vec<String>,
    /// The first day.
    pub from: String,
    /// The last.
    pub until: String,
    /// Done, due, overdue, later: in words.
    pub state: String,
    /// Whether somebody was there in these days.
    pub done: bool,
    /// Whose land.
    pub landowner: Option<String>,
    /// Whether it may be entered, in words.
    pub land: String,
    /// Whether it may.
    pub may_enter: bool,
    /// The landowner's condition, or what the coordinator wrote.
    pub notes: Vec<String>,
    /// Length of the stretch, m, where one is planned.
    pub stretch_length_m: Option<f64>,
    /// How many spots to look at first are given with it.
    pub spots: u32,
    /// How it is searched, in words.
    pub protocol: Option<String>,
}

#[uniffi::export]
impl Workspace {
    /// The times to go of some days.
    pub fn plan_days(&self, asked: DaysAsked) -> Result<DaysPlanned, ShellError> {
        let asked = asked.read()?;
        let days = plan(&asked).map_err(ShellError::input)?;
        self.planned(&days, &asked)
    }

    /// Where the sun stands at a place and time, through standard air.
    pub fn sun_at(&self, lat: f64, lon: f64, at: Moment) -> Result<SunNow, ShellError> {
        let place = Position::new(lat, lon, None).map_err(ShellError::input)?;
        let at = at.utc()?;
        let delta_t_s = delta_t_s(at).map_err(ShellError::input)?;
        let sun = sun(place, at, 0.0, Air::default(), delta_t_s).map_err(ShellError::input)?;
        Ok(SunNow { azimuth_deg: sun.azimuth_deg, elevation_deg: sun.elevation_deg() })
    }

    /// What must be seen once a visit, in words.
    pub fn field_cautions(&self, tidal: bool) -> Result<Vec<String>, ShellError> {
        self.cautions(Occasion::Field, tidal)
    }

    /// The places that were given to a person (all where none is named), what comes first up; `today` is the local date.
    pub fn places_given(&self, person: Option<String>, today: String) -> Result<Vec<PlaceGiven>, ShellError> {
        let (today, store) = (date(&today)?, self.store());
        let walks = walks(&store.all_visits()?);
        let mut places = Vec::new();
        for season in store.seasons()? {
            let plan = store.season(&season)?;
            let tasks = plan.tasks(&walks, today, person.as_deref());
            places.extend(tasks.into_iter().filter_map(|task| {
                let place = plan.place(&task.given.place)?;
                Some(self.given(&season, place, task))
            }));
        }
        Ok(places)
    }
}

impl Workspace {
    fn cautions(&self, on: Occasion, tidal: bool) -> Result<Vec<String>, ShellError> {
        caution_texts(on, tidal, &self.words).map_err(ShellError::internal)
    }

    fn planned(&self, days: &Plan, asked: &Asked) -> Result<DaysPlanned, ShellError> {
        let moment = |at: DateTime<Utc>| Moment::from(at.with_timezone(&asked.zone).fixed_offset());
        let windows = days.windows.iter().map(|window| WindowPlanned {
            start: moment(window.span.start),
            end: moment(window.span.end),
            rank: u32::try_from(window.rank).unwrap_or(u32::MAX),
            sun_azimuth_deg: window.sun_azimuth_deg,
            stand_deg: window.stand_deg,
            turn_back: window.tide.map(|tide| moment(tide.turn_back)),
            water_comes: window.tide.map(|tide| moment(tide.covered_from)),
            why: window.why(asked.zone, &self.words),
        });
        let without = days.days.iter().filter_map(|day| {
            let highest = self.words.number(day.sun.highest_deg, 1);
            let why = self.words.fill(day.none_because?.key(), &[("highest", &highest)]);
            Some(DayWithout { date: day.sun.date.to_string(), why })
        });
        Ok(DaysPlanned {
            windows: windows.collect(),
            without: without.collect(),
            cautions: self.cautions(Occasion::Plan, asked.shore.is_some())?,
        })
    }

    /// A built-in protocol's name; a team's own as it is called.
    fn protocol_in_words(&self, id: &str) -> String {
        let key = format!("protocol.{id}");
        if self.words.has(&key) { self.words.say(&key).into() } else { id.into() }
    }

    fn given(&self, season: &str, place: &survey::PlacePlanned, task: Task) -> PlaceGiven {
        let [lat, lon] = place.at;
        let condition = place.permission.as_ref().and_then(|permission| permission.note.clone());
        PlaceGiven {
            season: season.into(),
            place: place.name.clone(),
            lat,
            lon,
            people: task.given.people,
            from: task.given.from.to_string(),
            until: task.given.until.to_string(),
            state: self.words.say(task.state.key()).into(),
            done: task.state == survey::State::Done,
            landowner: place.landowner.clone(),
            land: self.words.say(task.may_enter.key()).into(),
            may_enter: task.may_enter == survey::MayEnter::Yes,
            notes: condition.into_iter().chain(task.given.note).collect(),
            stretch_length_m: place.as_stretch().map(|stretch| stretch.length_m()),
            spots: u32::try_from(place.spots.len()).unwrap_or(u32::MAX),
            protocol: place.protocol.as_ref().map(|id| self.protocol_in_words(id)),
        }
    }
}

fn date(text: &str) -> Result<NaiveDate, ShellError> {
    text.parse().map_err(|_| ShellError::input(format!("{text:?} is no date: write it like 2026-10-03")))
}

impl DaysAsked {
    fn read(self) -> Result<Asked, ShellError> {
        let zone: Tz = self
            .time_zone
            .parse()
            .map_err(|_| ShellError::input(format!("{:?} is no time zone such as Europe/London", self.time_zone)))?;
        Ok(Asked {
            place: Position::new(self.lat, self.lon, None).map_err(ShellError::input)?,
            from: date(&self.from)?,
            days: self.days,
            zone,
            low_sun: None,
            shore: self.shore.map(ShoreAsked::read).transpose()?,
        })
    }
}

impl ShoreAsked {
    pub(crate) fn read(self) -> Result<Shore, ShellError> {
        let turn = |turn: TideTurn| {
            let kind = if turn.high { ExtremeKind::High } else { ExtremeKind::Low };
            Ok(Extreme { utc: turn.at.utc()?, height_m: turn.height_m, kind })
        };
        let turns = self.turns.into_iter().map(turn).collect::<Result<Vec<_>, ShellError>>()?;
        let table = TideTable::from_turns(turns, Between::Cosine).map_err(ShellError::input)?;
        Ok(Shore {
            tide: Tide::Table(table),
            free_below_m: self.free_below_m,
            turn_back: TurnBack { walk_minutes: self.walk_minutes.into(), margin_minutes: self.margin_minutes.into() },
            past_low_water: self.past_low_water,
        })
    }
}

#[cfg(test)]
mod tests {
    use rakelight_core::survey::SeasonPlan;

    use super::*;
    use crate::demo::open;

    fn moment(text: &str) -> Moment {
        let at: DateTime<Utc> = text.parse().unwrap();
        Moment { utc_ms: at.timestamp_millis(), offset_minutes: 0 }
    }

    fn shore() -> ShoreAsked {
        let turns = [
            ("2026-10-03T02:10:00Z", 11.8, true),
            ("2026-10-03T08:40:00Z", 1.4, false),
            ("2026-10-03T14:30:00Z", 12.1, true),
        ];
        ShoreAsked {
            turns: turns.map(|(at, height_m, high)| TideTurn { at: moment(at), height_m, high }).to_vec(),
            free_below_m: 4.0,
            walk_minutes: 20,
            margin_minutes: 30,
            past_low_water: false,
        }
    }

    fn asked(shore: Option<ShoreAsked>) -> DaysAsked {
        DaysAsked {
            lat: 51.56,
            lon: -2.665,
            from: "2026-10-03".into(),
            days: 1,
            time_zone: "Europe/London".into(),
            shore,
        }
    }

    #[test]
    fn the_day_ahead_has_its_windows_turn_back_times_and_cautions() {
        let folder = tempfile::tempdir().unwrap();
        let core = open(folder.path());
        let days = core.plan_days(asked(Some(shore()))).unwrap();
        let [window] = &days.windows[..] else { panic!("{days:?}") };
        let turn_back = window.turn_back.unwrap();
        assert!(window.end.utc_ms <= turn_back.utc_ms && turn_back.utc_ms <= moment("2026-10-03T08:40:00Z").utc_ms);
        assert_eq!(window.start.offset_minutes, 60, "British summer time");
        assert!(days.cautions.iter().any(|text| text.contains("falling tide")));
        let inland = core.plan_days(asked(None)).unwrap();
        assert_eq!(inland.windows.len(), 2);
        assert!(inland.cautions.iter().all(|text| !text.contains("falling tide")));
    }

    #[test]
    fn turns_that_cannot_be_and_unknown_zones_are_refused() {
        let folder = tempfile::tempdir().unwrap();
        let core = open(folder.path());
        let mut twice = shore();
        twice.turns[1].high = true;
        let refused = core.plan_days(asked(Some(twice))).unwrap_err().to_string();
        assert!(refused.contains("missing"), "{refused}");
        let nowhere = DaysAsked { time_zone: "Nowhere".into(), ..asked(None) };
        assert!(matches!(core.plan_days(nowhere), Err(ShellError::BadInput { .. })));
    }

    #[test]
    fn the_sun_is_where_nrels_algorithm_has_it() {
        let folder = tempfile::tempdir().unwrap();
        let sun = open(folder.path()).sun_at(51.56, -2.665, moment("2026-01-15T09:00:00Z")).unwrap();
        // pvlib: apparent zenith 84.62787, azimuth 134.13320 degrees.
        assert!((sun.azimuth_deg - 134.1332).abs() < 0.001 && (sun.elevation_deg - 5.37213).abs() < 0.001, "{sun:?}");
    }

    #[test]
    fn the_places_given_to_a_person_come_with_the_exchange_and_are_told_with_the_permission() {
        let folder = tempfile::tempdir().unwrap();
        let core = open(folder.path());
        let plan = SeasonPlan::from_toml(
            r#"[[place]]
            name = "Sallow Bridge"
            at = [53.0, 9.0]
            stretch = [[9.0, 53.0], [9.004, 53.0], [9.004, 53.002]]
            spots = [{ at = [53.0, 9.002], why = ["log"] }]
            protocol = "one_bank_600"
            permission = { granted = true, note = "shut the gate" }
            [[given]]
            place = "Sallow Bridge"
            people = ["Ada"]
            from = 2026-10-01
            until = 2026-10-31"#,
        );
        core.store().write_season("2026", "Cy", &plan.unwrap(), "2026-09-01T00:00:00Z".parse().unwrap()).unwrap();
        let given = core.places_given(Some("Ada".into()), "2026-10-03".into()).unwrap();
        assert_eq!((given.len(), given[0].may_enter, given[0].done), (1, true, false));
        assert_eq!(given[0].notes, ["shut the gate"]);
        // 0.004 and 0.002 degrees at 53° N on WGS84: 268.5 m and 222.6 m.
        assert!((given[0].stretch_length_m.unwrap() - 491.1).abs() < 0.2);
        assert_eq!((given[0].spots, given[0].protocol.as_deref().unwrap().contains("600 m")), (1, true));
        assert!(core.places_given(Some("Bo".into()), "2026-10-03".into()).unwrap().is_empty());
        assert!(core.visits().unwrap().is_empty(), "a season is no visit");
    }
}
