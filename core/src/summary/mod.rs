//! The visit's summary for the landowner: one self-contained HTML file that prints on one A4 page in the usual case and on two at most.
//!
//! Nothing in it shows a place more exactly than the landowner's consent allows; photographs are copies without position. Every piece of advice has its
//! source.

mod advice;
mod figure;
mod map;
pub(crate) mod page;
pub(crate) mod plain;
pub(crate) mod template;

use std::path::PathBuf;

use chrono::NaiveDate;
use minijinja::Error as TemplateError;

use crate::survey::{LeftOut, PlaceGiven, SeasonPlan, Visit};
use crate::words::Words;

/// Why a summary can't be made.
#[derive(Debug, thiserror::Error)]
pub enum SummaryError {
    /// The page can't be filled in.
    #[error("the summary can't be written: {0}")]
    Template(#[from] TemplateError),
    /// The file of cautions or of advice is broken.
    #[error("the cautions can't be read: {0}")]
    Cautions(#[from] toml::de::Error),
}

/// What a summary says besides what the visit's records say.
#[derive(Debug, Clone, Copy, Default)]
pub struct Besides<'a> {
    /// Files of the visit that couldn't be used.
    pub left_out: &'a [LeftOut],
    /// When somebody goes there again.
    pub back: Option<&'a PlaceGiven>,
    /// The coordinator allows exact places, which are shown where the landowner agreed to that on their own land.
    pub exact_places: bool,
}

/// The summary as HTML. `photo_path` says where a photograph of the visit lies, by SHA-256; one that isn't there is left out, and the page says so.
///
/// # Errors
/// The data that is built in can't be read: a mistake in the build.
pub fn html(
    visit: &Visit,
    left_out: &[LeftOut],
    words: &Words,
    photo_path: impl Fn(&str) -> Option<PathBuf>,
) -> Result<String, SummaryError> {
    html_with(visit, &Besides { left_out, ..Besides::default() }, words, photo_path)
}

/// The summary with what isn't in the visit's records.
///
/// # Errors
/// As [`html`].
pub fn html_with(
    visit: &Visit,
    besides: &Besides<'_>,
    words: &Words,
    photo_path: impl Fn(&str) -> Option<PathBuf>,
) -> Result<String, SummaryError> {
    let page = page::Page::of(visit, besides, words, photo_path)?;
    Ok(template::render("summary.html", include_str!("summary.html"), &page, words)?)
}

/// When somebody goes to a visit's place again: of what is planned for it after the visit, and isn't over, what begins first.
pub fn back<'p>(plans: &'p [SeasonPlan], visit: &Visit, today: NaiveDate) -> Option<&'p PlaceGiven> {
    let day = visit.opened.start.date_naive();
    let again = plans.iter().flat_map(|plan| &plan.given).filter(|given| {
        given.is_at(&visit.opened.place_name) && !given.people.is_empty() && given.from > day && given.until >= today
    });
    again.min_by_key(|given| given.from)
}

#[cfg(test)]
mod tests;
