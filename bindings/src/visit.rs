//! A visit's beginning and end, and its summary.

use std::path::Path;

use rakelight_core::place::Category;
use rakelight_core::summary;
use rakelight_core::survey::{self, Closed, Conditions, Opened, Record, Visit};

use crate::maker::Finding;
use crate::{Consent, Moment, ShellError, Workspace};

/// What is known when a visit begins.
#[derive(Debug, Clone, uniffi::Record)]
pub struct VisitHead {
    /// What it is for.
    pub purpose: String,
    /// The track makers that are looked for, as in the species facts.
    pub targets: Vec<String>,
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

#[uniffi::export]
impl Workspace {
    /// Opens a visit and returns its id; the same head gives the same visit.
    pub fn open_visit(&self, head: VisitHead, now: Moment) -> Result<String, ShellError> {
        let visit = Visit::open(Opened {
            purpose: head.purpose,
            targets: head.targets,
            protocol: None,
            start: head.start.local()?,
            people: head.people,
            place_name: head.place_name,
            landowner: head.landowner,
            consent: head.consent,
            sensitivity_category: Category::STRICTEST,
            protocol_rules: None,
            detection: Default::default(),
            experience_seasons: None,
            notice: head.notice,
            conditions: Conditions::default(),
        });
        self.write(&visit, visit.records(), now.utc()?)?;
        Ok(visit.id)
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

    /// What a visit found, by track maker.
    pub fn findings(&self, visit: String) -> Result<Vec<Finding>, ShellError> {
        let visit = self.visit(&visit)?;
        Ok(survey::findings(&visit, &self.words).into_iter().map(Finding::from).collect())
    }

    /// Writes the landowner's page, one self-contained HTML file, to `path`.
    pub fn make_summary(&self, visit: String, path: String) -> Result<(), ShellError> {
        let visit = self.visit(&visit)?;
        let page = summary::html(&visit, &[], &self.words, |sha256| self.photo_file(sha256).ok());
        let page = page.map_err(ShellError::internal)?;
        std::fs::write(Path::new(&path), page).map_err(|e| ShellError::Storage { detail: format!("{path}: {e}") })
    }
}
