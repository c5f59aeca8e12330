//! A visit's beginning, conditions and end; what it found, and its summary.

use std::path::Path;

use rakelight_core::place::Category;
use rakelight_core::summary::{self, Besides};
use rakelight_core::survey::{self, Closed, Conditions, Opened, Protocol, Record, Visit};

use crate::{Consent, Grade, Moment, ShellError, Workspace};

/// What is known when a visit begins.
#[derive(Debug, Clone, uniffi::Record)]
pub struct VisitHead {
    /// What it is for.
    pub purpose: String,
    /// The track makers that are looked for, as in the species facts.
    pub targets: Vec<String>,
    /// A protocol's id (see [`Workspace::choices`]), or in words.
    #[uniffi(default = None)]
    pub protocol: Option<String>,
    /// How many seasons of sign surveys the most experienced has behind them.
    #[uniffi(default = None)]
    pub experience_seasons: Option<i32>,
    /// When it begins.
    pub start: Moment,
    /// Who is there, the one who writes first.
    pub people: Vec<String>,
    /// The place's name.
    pub place_name: String,
    /// Whose land it is.
    pub landowner: Option<String>,
    /// What the landowner agreed to.
    pub consent: Consent,
    /// What every reader should know.
    pub notice: Option<String>,
}

/// What the day is like, as far as it was noted.
#[derive(Debug, Clone, Default, uniffi::Record)]
pub struct Weather {
    /// Whole days since it last rained.
    #[uniffi(default = None)]
    pub days_without_rain: Option<i32>,
    /// `low`, `normal`, `high` or `flood`.
    #[uniffi(default = None)]
    pub water_level: Option<String>,
    /// The share of the ground that can hold prints, 0 to 1.
    #[uniffi(default = None)]
    pub holds_prints_share: Option<f64>,
    /// `falling`, `low`, `rising` or `high`.
    #[uniffi(default = None)]
    pub tide: Option<String>,
    /// The last high water.
    #[uniffi(default = None)]
    pub last_high_water: Option<Moment>,
    /// In the observer's words.
    #[uniffi(default = None)]
    pub light: Option<String>,
    /// Anything else.
    #[uniffi(default = None)]
    pub note: Option<String>,
}

/// A visit in a list.
#[derive(Debug, Clone, PartialEq, uniffi::Record)]
pub struct VisitLine {
    /// Its id.
    pub id: String,
    /// The place's name.
    pub place: String,
    /// When it began.
    pub start: Moment,
    /// Who was there.
    pub people: Vec<String>,
    /// When it ended.
    pub end: Option<Moment>,
    /// How many signs.
    pub signs: i32,
}

/// What a visit found of one track maker.
#[derive(Debug, Clone, uniffi::Record)]
pub struct Finding {
    /// By name as in the species facts.
    pub maker: String,
    /// In the workspace's language.
    pub name: String,
    /// The best of its signs.
    pub grade: Grade,
    /// The rule that gave the grade, in words.
    pub rule: Option<String>,
    /// Whether that survives when the facts are varied.
    pub firm: bool,
    /// The signs.
    pub signs: Vec<String>,
    /// Of a target of which nothing was found: what that means and what lowers it, in words.
    pub absence: Vec<String>,
}

#[uniffi::export]
impl Workspace {
    /// Opens a visit and returns its id; the same head gives the same visit.
    pub fn open_visit(&self, head: VisitHead, now: Moment) -> Result<String, ShellError> {
        let protocols = Protocol::builtin().map_err(ShellError::internal)?;
        let rules = protocols.into_iter().find(|rules| Some(&rules.id) == head.protocol.as_ref());
        let experience = head.experience_seasons.map(u32::try_from).transpose().map_err(ShellError::input)?;
        let visit = Visit::open(Opened {
            purpose: head.purpose,
            targets: head.targets,
            protocol: head.protocol,
            start: head.start.local()?,
            people: head.people,
            place_name: head.place_name,
            landowner: head.landowner,
            consent: head.consent,
            sensitivity_category: Category::STRICTEST,
            protocol_rules: rules.map(Box::new),
            detection: Default::default(),
            experience_seasons: experience,
            notice: head.notice,
            conditions: Conditions::default(),
        });
        self.write(&visit, visit.records(), now.utc()?)?;
        Ok(visit.id)
    }

    /// Says what the day is like.
    pub fn set_weather(&self, visit: String, weather: Weather, now: Moment) -> Result<(), ShellError> {
        let visit = self.visit(&visit)?;
        let share = weather.holds_prints_share;
        if share.is_some_and(|share| !(0.0..=1.0).contains(&share)) {
            return Err(ShellError::input("the share of the ground that holds prints lies between 0 and 1"));
        }
        let conditions = Conditions {
            days_without_rain: weather.days_without_rain.map(u32::try_from).transpose().map_err(ShellError::input)?,
            water_level: weather.water_level,
            holds_prints_share: share,
            tide: weather.tide,
            last_high_water: weather.last_high_water.map(Moment::local).transpose()?,
            light: weather.light,
            note: weather.note,
        };
        let opened = Opened { conditions, ..visit.opened.clone() };
        self.write(&visit, vec![Record::VisitOpened(opened)], now.utc()?)
    }

    /// What was said of the day.
    pub fn weather(&self, visit: String) -> Result<Weather, ShellError> {
        let said = self.visit(&visit)?.opened.conditions;
        Ok(Weather {
            days_without_rain: said.days_without_rain.and_then(|days| i32::try_from(days).ok()),
            water_level: said.water_level,
            holds_prints_share: said.holds_prints_share,
            tide: said.tide,
            last_high_water: said.last_high_water.map(Moment::from),
            light: said.light,
            note: said.note,
        })
    }

    /// Closes a visit.
    pub fn close_visit(&self, visit: String, end: Moment, now: Moment) -> Result<(), ShellError> {
        let visit = self.visit(&visit)?;
        let end = end.local()?;
        if end < visit.opened.start {
            return Err(ShellError::input("the visit ends before it began"));
        }
        self.write(&visit, vec![Record::VisitClosed(Closed { end })], now.utc()?)
    }

    /// A visit's line.
    pub fn visit_line(&self, visit: String) -> Result<VisitLine, ShellError> {
        Ok(VisitLine::from(self.visit(&visit)?))
    }

    /// The visits that were written to last, so many.
    pub fn latest_visits(&self, count: i32) -> Result<Vec<VisitLine>, ShellError> {
        let store = self.store();
        let count = usize::try_from(count).map_err(ShellError::input)?;
        let latest = store.latest_visits(count, None)?;
        let visits = latest.into_iter().filter_map(|line| store.visit(&line.visit).transpose());
        visits.map(|visit| Ok(VisitLine::from(visit?))).collect()
    }

    /// What a visit found, by track maker.
    pub fn findings(&self, visit: String) -> Result<Vec<Finding>, ShellError> {
        let visit = self.visit(&visit)?;
        let finding = |finding: survey::Finding| Finding {
            absence: survey::absence_texts(&finding, &self.words),
            maker: finding.maker,
            name: finding.name,
            grade: finding.grade,
            rule: finding.rule,
            firm: finding.firm,
            signs: finding.signs,
        };
        Ok(survey::findings(&visit, &self.words).into_iter().map(finding).collect())
    }

    /// Writes the landowner's page, one self-contained HTML file, to `path`.
    pub fn make_summary(&self, visit: String, path: String) -> Result<(), ShellError> {
        let visit = self.visit(&visit)?;
        let plans = self.store().all_seasons()?;
        let back = summary::back(&plans, &visit, visit.opened.start.date_naive());
        let besides = Besides { back, ..Besides::default() };
        let page = summary::html_with(&visit, &besides, &self.words, |sha256| self.photo_file(sha256).ok());
        let page = page.map_err(ShellError::internal)?;
        std::fs::write(Path::new(&path), page).map_err(|e| ShellError::Storage { detail: format!("{path}: {e}") })
    }
}

impl From<Visit> for VisitLine {
    fn from(visit: Visit) -> Self {
        Self {
            end: visit.closed.map(|closed| closed.end.into()),
            signs: visit.signs.len() as i32,
            id: visit.id,
            place: visit.opened.place_name,
            start: visit.opened.start.into(),
            people: visit.opened.people,
        }
    }
}
