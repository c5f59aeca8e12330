//! The visit's summary for the landowner: one self-contained HTML file, printable, readable in two minutes.
//!
//! Nothing in it shows a place more exactly than the landowner's consent allows; photographs are copies without position.

mod figure;
mod map;

use std::path::PathBuf;

use minijinja::value::{Kwargs, Serde};
use minijinja::{AutoEscape, Environment, Error as TemplateError, ErrorKind, Value};
use serde::Serialize;

use crate::measured::Measured;
use crate::photo::PhotoError;
use crate::place::Position;
use crate::survey::{self, Advice, Caution, Consent, Effort, Finding, Grade, LeftOut, Occasion, Opened, Visit};
use crate::words::Words;

/// Why a summary can't be made.
#[derive(Debug, thiserror::Error)]
pub enum SummaryError {
    /// A photograph of the visit can't be shown.
    #[error("the photograph {file} can't be shown: {detail}")]
    Photo {
        /// Its name in the folder.
        file: String,
        /// Why.
        detail: String,
    },
    /// The page can't be filled in.
    #[error("the summary can't be written: {0}")]
    Template(#[from] TemplateError),
    /// The cautions' file is broken.
    #[error("the cautions can't be read: {0}")]
    Cautions(#[from] toml::de::Error),
}

impl SummaryError {
    fn photo(file: &str, error: &PhotoError) -> Self {
        Self::Photo { file: file.into(), detail: error.to_string() }
    }
}

/// What the template fills in.
#[derive(Serialize)]
struct Page<'a> {
    lang: &'a str,
    visit: &'a Opened,
    date: String,
    found: Vec<&'a Finding>,
    /// Of each target of which nothing was found: what that means, sentence by sentence.
    not_found: Vec<Vec<String>>,
    /// The protocol, in words where it is a known one.
    method: Option<&'a str>,
    effort: &'a Effort,
    map: Option<String>,
    figures: Vec<figure::Figure>,
    passed_on: Option<String>,
    not_looked_at: Vec<String>,
    cautions: Vec<Caution>,
    advice: Vec<Advice>,
    version: &'a str,
}

/// Photographs shown at most; the two pages have room for so many.
const MOST_FIGURES: usize = 4;

/// The summary as HTML. `photo_path` says where a photograph of the visit lies, by SHA-256.
pub fn html(
    visit: &Visit,
    left_out: &[LeftOut],
    words: &Words,
    photo_path: impl Fn(&str) -> Option<PathBuf>,
) -> Result<String, SummaryError> {
    let findings = survey::findings(visit, words);
    let effort = survey::effort(visit);
    let figures = figures(visit, &findings, words, photo_path)?;
    let (found, not_found): (Vec<_>, Vec<_>) = findings.iter().partition(|finding| finding.grade != Grade::None);
    let not_found = not_found.into_iter().map(|finding| survey::absence_texts(finding, words)).collect();
    let method = visit.opened.protocol.as_ref().map(|protocol| {
        let key = format!("protocol.{protocol}");
        if words.has(&key) { words.say(&key).to_owned() } else { protocol.clone() }
    });
    let page = Page {
        lang: words.language(),
        visit: &visit.opened,
        date: date(visit, words),
        found,
        not_found,
        method: method.as_deref(),
        effort: &effort,
        map: map::draw(visit, &findings, words),
        figures,
        passed_on: passed_on(visit, words),
        not_looked_at: not_looked_at(visit, &effort, left_out, words),
        cautions: survey::cautions(Occasion::Summary, true)?,
        advice: survey::advice()?,
        version: env!("CARGO_PKG_VERSION"),
    };
    Ok(environment(words)?.get_template("summary.html")?.render(Serde(&page))?)
}

fn environment(words: &Words) -> Result<Environment<'_>, TemplateError> {
    let mut environment = Environment::new();
    environment.set_auto_escape_callback(|_| AutoEscape::Html);
    environment.add_template("summary.html", include_str!("summary.html"))?;
    let table = words.clone();
    environment.add_function("say", move |key: String, values: Kwargs| -> Result<String, TemplateError> {
        if !table.has(&key) {
            return Err(TemplateError::new(ErrorKind::UndefinedError, format!("no text for {key}")));
        }
        let names: Vec<String> = values.args().map(str::to_owned).collect();
        let filled: Vec<(String, String)> = names
            .iter()
            .map(|name| Ok((name.clone(), values.get::<Value>(name)?.to_string())))
            .collect::<Result<_, TemplateError>>()?;
        let pairs: Vec<(&str, &str)> = filled.iter().map(|(name, value)| (name.as_str(), value.as_str())).collect();
        Ok(table.fill(&key, &pairs))
    });
    let table = words.clone();
    environment.add_function("count", move |key: String, n: usize| table.count(&key, n));
    let table = words.clone();
    environment.add_filter("number", move |value: f64, decimals: usize| table.number(value, decimals));
    Ok(environment)
}

fn date(visit: &Visit, words: &Words) -> String {
    let start = visit.opened.start;
    let month = words.say(&format!("month.{}", start.format("%m"))).to_owned();
    let (day, year) = (start.format("%-d").to_string(), start.format("%Y").to_string());
    words.fill("summary.date", &[("day", &day), ("month", &month), ("year", &year)])
}

/// One photograph for each finding, the surest first.
fn figures(
    visit: &Visit,
    findings: &[Finding],
    words: &Words,
    photo_path: impl Fn(&str) -> Option<PathBuf>,
) -> Result<Vec<figure::Figure>, SummaryError> {
    let mut figures = Vec::new();
    for finding in findings {
        let files = finding.signs.iter().filter_map(|id| visit.signs.iter().find(|sign| sign.id == *id));
        let measured = files
            .flat_map(|sign| &sign.photos)
            .find_map(|file| visit.measured.iter().find(|m| m.file == *file && !m.landmarks.prints.is_empty()));
        let Some(measured) = measured else { continue };
        let Some(path) = photo_path(&measured.sha256) else { continue };
        let bytes = std::fs::read(&path)
            .map_err(|error| SummaryError::Photo { file: measured.file.clone(), detail: error.to_string() })?;
        let figure = figure::draw(&bytes, measured, finding, words);
        figures.extend(figure.map_err(|error| SummaryError::photo(&measured.file, &error))?);
        if figures.len() == MOST_FIGURES {
            break;
        }
    }
    Ok(figures)
}

/// How a record's place would read outside the house.
fn passed_on(visit: &Visit, words: &Words) -> Option<String> {
    let [lat, lon] = visit.signs.iter().find_map(|sign| sign.place)?;
    let exact = Position::new(lat, lon, None).ok()?;
    let category = visit.opened.sensitivity_category;
    let public = category.generalise(&exact);
    let degrees = |value: f64| words.number(value, category.decimals());
    Some(words.fill(
        "summary.passed_on",
        &[
            ("lat", &degrees(public.lat)),
            ("lon", &degrees(public.lon)),
            ("km", &words.number(public.uncertainty_m / 1000.0, 1)),
        ],
    ))
}

fn not_looked_at(visit: &Visit, effort: &Effort, left_out: &[LeftOut], words: &Words) -> Vec<String> {
    let mut list = Vec::new();
    for stretch in &effort.stretches {
        if let Some(bank) = stretch.bank.filter(|bank| *bank != survey::Bank::Both) {
            let other = if bank == survey::Bank::Left { "summary.not_right_bank" } else { "summary.not_left_bank" };
            list.push(words.fill(other, &[("stretch", &stretch.name)]));
        }
        if let Some(rest) = stretch.searched_m.map(|searched| stretch.length_m - searched).filter(|rest| *rest > 20.0) {
            list.push(words.fill("summary.not_searched", &[("stretch", &stretch.name), ("m", &words.number(rest, 0))]));
        }
    }
    let unnamed = visit.identified.iter().filter(|identified| identified.result.grade == Grade::None).count();
    if unnamed > 0 {
        list.push(words.count("summary.not_named", unnamed));
    }
    let unidentified = visit.signs.iter().filter(|sign| visit.identification(&sign.id).is_none()).count();
    if unidentified > 0 {
        list.push(words.count("summary.not_identified", unidentified));
    }
    if !left_out.is_empty() {
        list.push(words.count("summary.left_out", left_out.len()));
    }
    if visit.consent() == Consent::None {
        list.push(words.say("summary.no_consent").into());
    }
    list.push(words.say("summary.one_visit").into());
    list
}

/// A measure with its 95 % half width, as the look asks: `60.1 mm ±1.8`.
fn measure_text(mm: Measured, words: &Words) -> String {
    format!("{} mm ±{}", words.number(mm.value, 1), words.number(mm.half_width_95(), 1))
}
