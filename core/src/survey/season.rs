//! Who goes where: places that were planned, given to people and dates, and what of it is done.

use chrono::{DateTime, FixedOffset, NaiveDate};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::assemble::Held;
use super::record::{Person, Record, StretchWalked};
use super::visit::Visit;
use crate::place::Position;
use crate::words::Words;

/// A place that is to be visited.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlacePlanned {
    /// Its name: a visit that is opened with it is a visit there.
    pub name: String,
    /// WGS84 latitude and longitude, degrees: where the search begins.
    pub at: [f64; 2],
    /// The stretch, WGS84 longitude and latitude; empty where it is found on the spot.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub stretch: Vec<[f64; 2]>,
    /// Spots to look at first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub spots: Vec<SpotPlanned>,
    /// How it is searched.
    #[serde(default)]
    pub protocol: Option<String>,
    /// The square of the grid that it stands for.
    #[serde(default)]
    pub cell: Option<String>,
    /// The number of the draw that it came from.
    #[serde(default)]
    pub draw: Option<u64>,
    /// Whose land it is.
    #[serde(default)]
    pub landowner: Option<Person>,
    /// What the landowner said; missing where nobody has asked yet.
    #[serde(default)]
    pub permission: Option<Permission>,
}

/// A spot to look at first, as `rakelight plan spots --toml` writes it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SpotPlanned {
    /// WGS84 latitude and longitude, degrees.
    pub at: [f64; 2],
    /// What it is called.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Why it is worth a look: kinds of `marking_spots.toml`, such as `bridge`, or the coordinator's words.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub why: Vec<String>,
}

impl PlacePlanned {
    /// Its stretch as somebody would walk it, under the place's name; `None` where it is found on the spot.
    pub fn as_stretch(&self) -> Option<StretchWalked> {
        let is_line = self.stretch.windows(2).any(|pair| pair[0] != pair[1]);
        is_line.then(|| StretchWalked {
            name: self.name.clone(),
            bank: None,
            line: self.stretch.clone(),
            searched_m: None,
        })
    }
}

impl SpotPlanned {
    /// Why it is worth a look, in words.
    pub fn why(&self, words: &Words) -> String {
        let reason = |why: &String| {
            let key = format!("plan.spot.{why}");
            if words.has(&key) { words.say(&key).to_owned() } else { why.clone() }
        };
        self.why.iter().map(reason).collect::<Vec<_>>().join(", ")
    }
}

/// Whether the land may be entered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Permission {
    /// Yes or no.
    pub granted: bool,
    /// When it was said.
    #[serde(default, deserialize_with = "super::visit_file::optional_date")]
    pub on: Option<NaiveDate>,
    /// The last day it holds for.
    #[serde(default, deserialize_with = "super::visit_file::optional_date")]
    pub until: Option<NaiveDate>,
    /// Under which condition: gates, dogs, whom to tell.
    #[serde(default)]
    pub note: Option<String>,
}

/// A place given to people.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlaceGiven {
    /// Its name.
    pub place: String,
    /// To whom; nobody any more where it was taken back.
    pub people: Vec<Person>,
    /// From this day.
    #[serde(deserialize_with = "super::visit_file::date")]
    pub from: NaiveDate,
    /// To this day.
    #[serde(deserialize_with = "super::visit_file::date")]
    pub until: NaiveDate,
    /// What else to know.
    #[serde(default)]
    pub note: Option<String>,
}

/// A season's plan, as its newest records have it.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SeasonPlan {
    /// The places.
    #[serde(default, rename = "place", skip_serializing_if = "Vec::is_empty")]
    pub places: Vec<PlacePlanned>,
    /// Who has which.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub given: Vec<PlaceGiven>,
}

/// Why a plan can't be handed out.
#[derive(Debug, thiserror::Error)]
pub enum SeasonError {
    /// Not the table it should be.
    #[error("the plan can't be read: {0}")]
    Unreadable(#[from] toml::de::Error),
    /// Two places of one name.
    #[error("two places are called {name:?}: a visit is known by its place's name, so give each its own")]
    Twice {
        /// Which.
        name: String,
    },
    /// A place that isn't one.
    #[error("the place {name:?}: {wrong}")]
    Place {
        /// Which.
        name: String,
        /// What is wrong.
        wrong: String,
    },
    /// Given, but not planned, or to nobody, or for no day.
    #[error("{place:?} given from {from} to {until}: {wrong}")]
    Given {
        /// The place.
        place: String,
        /// From.
        from: NaiveDate,
        /// To.
        until: NaiveDate,
        /// What is wrong.
        wrong: String,
    },
}

/// What may be done at a place on a day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum MayEnter {
    /// The landowner said yes.
    Yes,
    /// The landowner said no: it isn't entered.
    No,
    /// It held for earlier days only: ask again.
    RunOut,
    /// Nobody has asked yet.
    NotAsked,
}

/// How far it is with a place that was given.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum State {
    /// Somebody was there in these days.
    Done,
    /// Its days have come.
    Due,
    /// They are over and nobody was there.
    Overdue,
    /// They are still to come.
    Later,
}

/// A place that was given, and what became of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Task {
    /// The place, to whom and when.
    #[serde(flatten)]
    pub given: PlaceGiven,
    /// How far it is.
    pub state: State,
    /// Whether the land may be entered today, or on its first day where that is still to come.
    pub may_enter: MayEnter,
    /// Those who were there in these days.
    pub walks: Vec<Walk>,
}

/// One visit to a place: people who were there together are one, however many phones they had.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Walk {
    /// The place's name.
    pub place: String,
    /// When the first began.
    pub start: DateTime<FixedOffset>,
    /// When the last ended, as far as that is known.
    pub end: DateTime<FixedOffset>,
    /// Who was there.
    pub people: Vec<Person>,
    /// The visits' ids.
    pub visits: Vec<String>,
}

impl SeasonPlan {
    /// Reads a plan (TOML): `[[place]]` and `[[given]]`.
    ///
    /// # Errors
    /// Says which place is wrong, and how.
    pub fn from_toml(text: &str) -> Result<Self, SeasonError> {
        let plan: Self = toml::from_str(text)?;
        for (i, place) in plan.places.iter().enumerate() {
            let wrong = |wrong: String| SeasonError::Place { name: place.name.clone(), wrong };
            Position::new(place.at[0], place.at[1], None).map_err(|error| wrong(error.to_string()))?;
            for (number, spot) in (1..).zip(&place.spots) {
                Position::new(spot.at[0], spot.at[1], None)
                    .map_err(|error| wrong(format!("its {number}. spot: {error}")))?;
            }
            if plan.places[..i].iter().any(|other| same_name(&other.name, &place.name)) {
                return Err(SeasonError::Twice { name: place.name.clone() });
            }
            if place.name.trim().is_empty() {
                return Err(wrong("it has no name".into()));
            }
        }
        for given in &plan.given {
            let PlaceGiven { place, from, until, .. } = given.clone();
            let wrong = match () {
                () if !plan.places.iter().any(|planned| same_name(&planned.name, &place)) => {
                    "no place of that name is planned"
                }
                () if given.people.iter().all(|person| person.trim().is_empty()) => "it is given to nobody",
                () if until < from => "the last day comes before the first",
                () => continue,
            };
            return Err(SeasonError::Given { place, from, until, wrong: wrong.into() });
        }
        Ok(plan)
    }

    /// From its records, oldest first; corrected, without what was withdrawn.
    pub fn assemble(records: impl IntoIterator<Item = Record>) -> Self {
        let mut plan = Self::default();
        for record in Held::all(records) {
            match record {
                Record::PlacePlanned(place) => plan.places.push(place),
                Record::PlaceGiven(given) if !given.people.is_empty() => plan.given.push(given),
                _ => {}
            }
        }
        plan
    }

    /// Its records.
    pub fn records(&self) -> Vec<Record> {
        let places = self.places.iter().cloned().map(Record::PlacePlanned);
        places.chain(self.given.iter().cloned().map(Record::PlaceGiven)).collect()
    }

    /// What an earlier plan gave and this one doesn't: the same, given to nobody.
    pub fn taken_back(&self, earlier: &Self) -> Vec<PlaceGiven> {
        let is_gone =
            |old: &&PlaceGiven| !self.given.iter().any(|new| old.from == new.from && same_name(&old.place, &new.place));
        earlier.given.iter().filter(is_gone).map(|old| PlaceGiven { people: vec![], ..old.clone() }).collect()
    }

    /// The place of a name.
    pub fn place(&self, name: &str) -> Option<&PlacePlanned> {
        self.places.iter().find(|place| same_name(&place.name, name))
    }

    /// How far it is with each place that was given, on a day; those of one person, or all.
    pub fn tasks(&self, walks: &[Walk], today: NaiveDate, person: Option<&str>) -> Vec<Task> {
        let is_theirs = |given: &&PlaceGiven| person.is_none_or(|name| given.people.iter().any(|p| same_name(p, name)));
        let mut tasks: Vec<Task> =
            self.given.iter().filter(is_theirs).map(|given| self.task(given, walks, today)).collect();
        tasks.sort_by(|a, b| (a.given.until, &a.given.place).cmp(&(b.given.until, &b.given.place)));
        tasks
    }

    fn task(&self, given: &PlaceGiven, walks: &[Walk], today: NaiveDate) -> Task {
        let in_time = |walk: &&Walk| {
            same_name(&walk.place, &given.place) && (given.from..=given.until).contains(&walk.start.date_naive())
        };
        let walks: Vec<Walk> = walks.iter().filter(in_time).cloned().collect();
        let state = match () {
            () if !walks.is_empty() => State::Done,
            () if today < given.from => State::Later,
            () if today > given.until => State::Overdue,
            () => State::Due,
        };
        let permission = self.place(&given.place).and_then(|place| place.permission.as_ref());
        let may_enter = permission.map_or(MayEnter::NotAsked, |permission| permission.on_day(today.max(given.from)));
        Task { given: given.clone(), state, may_enter, walks }
    }
}

impl State {
    /// The text's key.
    pub fn key(self) -> &'static str {
        match self {
            Self::Done => "plan.state.done",
            Self::Due => "plan.state.due",
            Self::Overdue => "plan.state.overdue",
            Self::Later => "plan.state.later",
        }
    }
}

impl MayEnter {
    /// The text's key.
    pub fn key(self) -> &'static str {
        match self {
            Self::Yes => "plan.land.yes",
            Self::No => "plan.land.no",
            Self::RunOut => "plan.land.run_out",
            Self::NotAsked => "plan.land.not_asked",
        }
    }
}

impl PlaceGiven {
    /// Whether it is the place of this name.
    pub fn is_at(&self, place_name: &str) -> bool {
        same_name(&self.place, place_name)
    }
}

impl Permission {
    fn on_day(&self, day: NaiveDate) -> MayEnter {
        match () {
            () if !self.granted => MayEnter::No,
            () if self.until.is_some_and(|until| until < day) => MayEnter::RunOut,
            () => MayEnter::Yes,
        }
    }
}

/// A place's name as a subject, which can't be erased and so mustn't name anybody, as the name of a farm may.
pub(crate) fn subject_of(name: &str) -> String {
    hex::encode(&Sha256::digest(name_key(name))[..8])
}

/// Whether two names, of people or places, are one: whatever their capitals and blanks.
///
/// ```
/// use rakelight_core::survey::same_name;
/// assert!(same_name("Ada  Marsh ", "ada marsh") && !same_name("Ada Marsh", "Ada March"));
/// ```
pub fn same_name(a: &str, b: &str) -> bool {
    name_key(a) == name_key(b)
}

/// What is the same of names that are one.
pub fn name_key(name: &str) -> String {
    name.split_whitespace().map(str::to_lowercase).collect::<Vec<_>>().join(" ")
}

/// The visits as walks, in order of time: those to one place whose times overlap are one.
pub fn walks<'a>(visits: impl IntoIterator<Item = &'a Visit>) -> Vec<Walk> {
    let mut single: Vec<Walk> = visits.into_iter().map(Walk::of).collect();
    single.sort_by(|a, b| (a.start, &a.visits).cmp(&(b.start, &b.visits)));
    let mut walks: Vec<Walk> = Vec::new();
    for one in single {
        match walks.iter_mut().rfind(|walk| same_name(&walk.place, &one.place) && one.start <= walk.end) {
            Some(walk) => walk.join(one),
            None => walks.push(one),
        }
    }
    walks
}

impl Walk {
    fn of(visit: &Visit) -> Self {
        Self {
            place: visit.opened.place_name.clone(),
            start: visit.opened.start,
            end: visit.last_seen(),
            people: visit.opened.people.clone(),
            visits: vec![visit.id.clone()],
        }
    }

    fn join(&mut self, other: Self) {
        self.end = self.end.max(other.end);
        self.visits.extend(other.visits);
        for person in other.people {
            if !self.people.contains(&person) {
                self.people.push(person);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::survey::record::{Closed, Opened};
    use crate::time::parse_time;

    fn visit(place: &str, start: &str, end: &str, people: &[&str]) -> Visit {
        let mut visit = Visit::open(Opened::invented(place, parse_time(start).unwrap(), people));
        visit.closed = Some(Closed { end: parse_time(end).unwrap() });
        visit
    }

    const PLAN: &str = r#"
        [[place]]
        name = "Sallow Bridge"
        at = [53.0, 9.0]
        spots = [{ at = [53.001, 9.0], name = "the old ash", why = ["log", "raised_ground", "asked for by the owner"] }, { at = [53.002, 9.0] }]
        protocol = "one_bank_600"
        landowner = "M. Invented"
        permission = { granted = true, until = 2026-11-30 }
        [[place]]
        name = "Quillmark Shore"
        at = [53.1, 9.0]
        [[given]]
        place = "Sallow Bridge"
        people = ["Ada", "Bo"]
        from = 2026-10-01
        until = 2026-10-31
        [[given]]
        place = "Quillmark Shore"
        people = ["Bo"]
        from = 2026-11-01
        until = 2026-12-15
    "#;

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    #[test]
    fn two_people_on_one_visit_are_one_visit() {
        let ada = visit("Sallow Bridge", "2026-10-03T07:00Z", "2026-10-03T09:00Z", &["Ada"]);
        let bo = visit("sallow bridge ", "2026-10-03T07:20Z", "2026-10-03T09:30Z", &["Bo"]);
        let later = visit("Sallow Bridge", "2026-10-03T15:00Z", "2026-10-03T16:00Z", &["Bo"]);
        let elsewhere = visit("Quillmark Shore", "2026-10-03T07:30Z", "2026-10-03T08:00Z", &["Cy"]);
        let walks = walks([&later, &bo, &elsewhere, &ada]);
        let people: Vec<&[String]> = walks.iter().map(|walk| walk.people.as_slice()).collect();
        assert_eq!(people, [&["Ada".to_owned(), "Bo".into()][..], &["Cy".into()], &["Bo".into()]]);
        assert_eq!(walks[0].visits.len(), 2);
    }

    #[test]
    fn a_place_is_due_in_its_days_done_once_somebody_was_there_and_overdue_after_them() {
        let plan = SeasonPlan::from_toml(PLAN).unwrap();
        let states = |walks: &[Walk], today: &str| {
            plan.tasks(walks, day(today), None).iter().map(|task| task.state).collect::<Vec<_>>()
        };
        assert_eq!(states(&[], "2026-10-10"), [State::Due, State::Later]);
        assert_eq!(states(&[], "2026-11-01"), [State::Overdue, State::Due]);
        let there = walks([&visit("Sallow Bridge", "2026-10-03T07:00Z", "2026-10-03T09:00Z", &["Cy"])]);
        assert_eq!(states(&there, "2026-11-01"), [State::Done, State::Due], "whoever went");
        assert_eq!(plan.tasks(&[], day("2026-10-10"), Some("ada")).len(), 1);
    }

    #[test]
    fn land_is_entered_only_with_a_permission_that_still_holds() {
        let mut plan = SeasonPlan::from_toml(PLAN).unwrap();
        let may = |plan: &SeasonPlan, today: &str| plan.tasks(&[], day(today), None)[0].may_enter;
        assert_eq!(may(&plan, "2026-10-10"), MayEnter::Yes);
        assert_eq!(may(&plan, "2026-12-01"), MayEnter::RunOut);
        assert_eq!(plan.tasks(&[], day("2026-10-10"), None)[1].may_enter, MayEnter::NotAsked);
        plan.places[0].permission.as_mut().unwrap().granted = false;
        assert_eq!(may(&plan, "2026-10-10"), MayEnter::No);
    }

    #[test]
    fn a_plan_that_cannot_be_handed_out_says_why() {
        let refused = |from: &str, to: &str| SeasonPlan::from_toml(&PLAN.replace(from, to)).unwrap_err().to_string();
        assert!(refused("name = \"Quillmark Shore\"", "name = \"sallow bridge\"").contains("two places"));
        assert!(refused("place = \"Quillmark Shore\"", "place = \"Nowhere\"").contains("no place of that name"));
        assert!(refused("until = 2026-10-31", "until = 2026-09-30").contains("before the first"));
        assert!(refused("[\"Bo\"]", "[]").contains("nobody"));
        assert!(refused("at = [53.002,", "at = [253.002,").contains("2. spot: latitude"));
        assert!(refused("[53.1, 9.0]", "[153.1, 9.0]").contains("latitude"));
        assert!(refused("landowner", "landlord").contains("landlord"));
    }

    #[test]
    fn a_spot_says_why_in_the_readers_language_and_in_the_coordinators_words() {
        let place = &SeasonPlan::from_toml(PLAN).unwrap().places[0];
        let why = place.spots[0].why(&Words::load("en").unwrap());
        assert_eq!(why, "log over the water, raised ground, asked for by the owner");
        assert_eq!(place.spots[1].why(&Words::load("de").unwrap()), "");
    }

    #[test]
    fn a_plan_is_what_its_newest_records_say() {
        let plan = SeasonPlan::from_toml(PLAN).unwrap();
        assert_eq!(SeasonPlan::assemble(plan.records()), plan);
        let moved = PlaceGiven { people: vec!["Cy".into()], ..plan.given[0].clone() };
        let newer = SeasonPlan::assemble(plan.records().into_iter().chain([Record::PlaceGiven(moved.clone())]));
        assert_eq!(newer.given[0], moved);
        assert_eq!(newer.given.len(), 2);
        let shorter = SeasonPlan { given: vec![], ..plan.clone() };
        let taken_back = shorter.taken_back(&plan).into_iter().map(Record::PlaceGiven);
        assert!(SeasonPlan::assemble(plan.records().into_iter().chain(taken_back)).given.is_empty());
    }
}
