//! Occupancy and detection with their intervals, as a plot.

use plotters::prelude::{Circle, Rectangle};

use super::change::{Change, Fitted};
use super::occupancy::{Estimate, Fit, Histories, Model, Outcome, Probability};
use crate::plot::{
    FINE, FOAM, INK, LAMP, LINE, MARGIN, MUD, PAPER, PlotError, SMALL, TEXT, WIDTH, centred, left, line, right, sheet,
    stroke,
};
use crate::survey::Detection;
use crate::words::Words;
use plotters::style::Color;

/// One line of the plot.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// What it is of.
    pub label: String,
    /// The most likely value; nothing is drawn where it isn't known.
    pub value: Option<f64>,
    /// Its interval.
    pub interval: Option<[f64; 2]>,
    /// The share of places where it was found, for occupancy.
    pub naive: Option<f64>,
}

/// Rows under a heading, on one axis from 0 to 1.
#[derive(Debug, Clone, PartialEq)]
pub struct Group {
    /// What is shown.
    pub heading: String,
    /// Of what.
    pub rows: Vec<Row>,
}

/// Why there is no plot.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs, reason = "the messages say it")]
pub enum DrawError {
    #[error(
        "a plot shows at most {MOST_ROWS} groups of places, and occupancy differs between {groups}: use covariates of few values (such as 0 and 1)"
    )]
    TooMany { groups: usize },
    #[error(transparent)]
    Plot(#[from] PlotError),
}

const MOST_ROWS: usize = 16;

/// Occupancy of each group of places that the model tells apart, with the profile's interval where it is one for all, and detection where it doesn't differ between places.
///
/// # Errors
/// The model tells too many groups of places apart.
pub fn of_occupancy(histories: &Histories, fit: &Fit, model: &Model, words: &Words) -> Result<Vec<Group>, DrawError> {
    let mut kinds: Vec<(String, Vec<usize>)> = Vec::new();
    for place in (0..histories.places().len()).filter(|place| histories.places()[*place].visits_made() > 0) {
        let values: Vec<String> = model
            .psi
            .iter()
            .map(|name| format!("{name} {}", histories.text(name, place).unwrap_or_default()))
            .collect();
        let label = if values.is_empty() { words.say("analyse.drawn.all").to_owned() } else { values.join(", ") };
        match kinds.iter_mut().find(|(known, _)| *known == label) {
            Some((_, places)) => places.push(place),
            None => kinds.push((label, vec![place])),
        }
    }
    if kinds.len() > MOST_ROWS {
        return Err(DrawError::TooMany { groups: kinds.len() });
    }
    let estimate = fit.estimate();
    // The profile's interval where there is one: it is better than Wald's, and is what is said in words.
    let known = |of: Option<Probability>, profile: Option<[f64; 2]>| match (&fit.outcome, of) {
        (Outcome::AlwaysFound, _) => (Some(1.0), None),
        (_, of) => (of.map(|of| of.value), profile.or(of.and_then(|of| of.interval))),
    };
    let psi_profile = estimate.and_then(Estimate::psi_profile);
    let p_profiles = estimate.and_then(Estimate::p_profile).unwrap_or_default();
    let occupancy = kinds.into_iter().map(|(label, places)| {
        let (value, interval) = known(estimate.map(|estimate| estimate.psi(places[0])), psi_profile);
        let found = places.iter().filter(|place| histories.places()[**place].detections() > 0).count();
        Row { label, value, interval, naive: Some(found as f64 / places.len() as f64) }
    });
    let mut groups = vec![Group { heading: words.say("analyse.drawn.occupancy").into(), rows: occupancy.collect() }];
    let (by_place, by_visit) = estimate.map_or((false, false), Estimate::p_by);
    let visits = if by_visit { histories.visits() } else { 1 };
    if !by_place && visits <= MOST_ROWS {
        let row = |visit: usize| {
            let (value, interval) =
                known(estimate.map(|estimate| estimate.p(0, visit)), p_profiles.get(visit).copied());
            let n = (visit + 1).to_string();
            let all = || words.say("analyse.drawn.every_visit").to_owned();
            let label = if by_visit { words.fill("analyse.occupancy.visit", &[("n", &n)]) } else { all() };
            Row { label, value, interval, naive: None }
        };
        groups
            .push(Group { heading: words.say("analyse.drawn.detection").into(), rows: (0..visits).map(row).collect() });
    }
    Ok(groups)
}

/// Occupancy season by season.
pub fn of_change(change: &Change, words: &Words) -> Vec<Group> {
    let row = |Fitted { season, fit }: &Fitted| {
        let visited = season.histories.places_visited();
        let always = matches!(fit.outcome, Outcome::AlwaysFound).then_some(1.0);
        Row {
            label: season.name.clone(),
            value: fit.estimate().map(|estimate| estimate.psi(0).value).or(always),
            interval: fit.estimate().and_then(Estimate::psi_profile),
            naive: (visited > 0).then(|| season.histories.found_at() as f64 / visited as f64),
        }
    };
    vec![Group { heading: words.say("analyse.drawn.occupancy").into(), rows: change.seasons.iter().map(row).collect() }]
}

const ROW: i32 = 72;
const HEAD: i32 = 56;
const DOT: i32 = 9;
const FOOT: i32 = 132;

/// The plot, as SVG: a filled dot is the estimate, the line its interval, an open square the naive share. `level` is the intervals'.
///
/// ```
/// use rakelight_core::{analysis::draw::{Group, Row, plot}, words::Words};
/// let row = Row { label: "2026".into(), value: Some(0.59), interval: Some([0.35, 0.8]), naive: Some(0.46) };
/// let svg = plot(&[Group { heading: "Occupancy".into(), rows: vec![row] }], 0.95, &Words::load("en")?)?;
/// assert!(svg.contains("0.59 (0.35–0.80)"));
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// The plot can't be drawn: a fault of the program.
pub fn plot(groups: &[Group], level: f64, words: &Words) -> Result<String, PlotError> {
    let margin = MARGIN as i32;
    let high: i32 = groups.iter().map(|group| HEAD + ROW * group.rows.len() as i32).sum();
    let (x0, x1) = (f64::from(margin + DOT), f64::from(WIDTH as i32 - margin - DOT));
    let at = |share: f64| (x0 + share * (x1 - x0)).round() as i32;
    sheet((high + FOOT + 2 * margin) as u32, |sheet| {
        let bottom = margin + high;
        for fifth in 0..=5 {
            let share = f64::from(fifth) / 5.0;
            sheet.draw_text(&words.number(share, 1), &centred(SMALL, MUD), (at(share), bottom + 22))?;
        }
        sheet.draw(&line(vec![(at(0.0), bottom), (at(1.0), bottom)], INK, FINE))?;
        let mut y = margin;
        for group in groups {
            sheet.draw_text(&group.heading, &left(TEXT, INK), (margin, y + HEAD / 2))?;
            y += HEAD;
            for row in &group.rows {
                sheet.draw_text(&lettered(row, words), &left(SMALL, MUD), (margin, y + 14))?;
                let middle = y + 46;
                for fifth in 0..=5 {
                    let x = at(f64::from(fifth) / 5.0);
                    sheet.draw(&line(vec![(x, middle - 16), (x, middle + 16)], PAPER, LINE))?;
                }
                if let Some([low, high]) = row.interval {
                    sheet.draw(&line(vec![(at(low), middle), (at(high), middle)], INK, LINE))?;
                    for end in [low, high] {
                        sheet.draw(&line(vec![(at(end), middle - DOT), (at(end), middle + DOT)], INK, LINE))?;
                    }
                }
                if let Some(naive) = row.naive {
                    square(sheet, (at(naive), middle))?;
                }
                if let Some(value) = row.value {
                    dot(sheet, (at(value), middle))?;
                }
                y += ROW;
            }
        }
        let percent = words.number(100.0 * level, if (100.0 * level).fract().abs() > 0.05 { 1 } else { 0 });
        dot(sheet, (margin + DOT, bottom + 66))?;
        let estimate = words.fill("analyse.drawn.estimate", &[("percent", &percent)]);
        sheet.draw_text(&estimate, &left(SMALL, INK), (margin + 36, bottom + 66))?;
        if groups.iter().flat_map(|group| &group.rows).any(|row| row.naive.is_some()) {
            square(sheet, (margin + DOT, bottom + 104))?;
            sheet.draw_text(words.say("analyse.drawn.naive"), &left(SMALL, INK), (margin + 36, bottom + 104))?;
        }
        Ok(())
    })
}

/// How likely at least one of so many visits finds what is there, 1 − (1 − p)ⁿ, with the interval where p has an uncertainty; the line is at 1 − `alpha`.
///
/// # Errors
/// The plot can't be drawn: a fault of the program.
pub fn effort(detection: &Detection, alpha: f64, words: &Words) -> Result<String, PlotError> {
    const HIGH: i32 = 420;
    let margin = MARGIN as i32;
    let most = detection.visits_until(alpha).unwrap_or(1).max(6) + 1;
    let (x0, x1, y0, y1) = (margin + 60, WIDTH as i32 - margin - DOT, margin + HEAD + HIGH, margin + HEAD);
    let x = |visits: u32| x0 + (f64::from(visits) / f64::from(most) * f64::from(x1 - x0)).round() as i32;
    let y = |share: f64| y0 - (share * f64::from(y0 - y1)).round() as i32;
    let source_lines = wrapped(detection.source()).count() as i32;
    sheet((y0 + 130 + 28 * source_lines) as u32, |sheet| {
        sheet.draw_text(words.say("analyse.drawn.effort"), &left(TEXT, INK), (margin, margin + HEAD / 3))?;
        for fifth in 0..=5 {
            let share = f64::from(fifth) / 5.0;
            sheet.draw(&line(vec![(x0, y(share)), (x1, y(share))], PAPER, LINE))?;
            sheet.draw_text(&words.number(share, 1), &right(SMALL, MUD), (x0 - 14, y(share)))?;
        }
        let step = most.div_ceil(12);
        for visits in (0..=most).step_by(step as usize) {
            sheet.draw_text(&visits.to_string(), &centred(SMALL, MUD), (x(visits), y0 + 24))?;
        }
        sheet.draw(&line(vec![(x0, y0), (x1, y0)], INK, FINE))?;
        sheet.draw(&line(vec![(x0, y(1.0 - alpha)), (x1, y(1.0 - alpha))], MUD, FINE))?;
        for visits in 1..=most {
            let missed = detection.missed(visits);
            if let Some([low, high]) = missed.interval_95 {
                sheet.draw(&line(vec![(x(visits), y(1.0 - low)), (x(visits), y(1.0 - high))], INK, LINE))?;
            }
            dot(sheet, (x(visits), y(1.0 - missed.chance)))?;
        }
        sheet.draw_text(words.say("analyse.drawn.visits"), &centred(SMALL, INK), ((x0 + x1) / 2, y0 + 62))?;
        let percent = format!("{} %", words.number(100.0 * (1.0 - alpha), 0));
        sheet.draw_text(&percent, &left(SMALL, MUD), (x0 + 8, y(1.0 - alpha) + 20))?;
        let of = words.fill("analyse.drawn.detection_of", &[("p", &words.number(detection.p(), 3))]);
        for (i, text) in [of.as_str()].into_iter().chain(wrapped(detection.source())).enumerate() {
            sheet.draw_text(text, &left(SMALL, MUD), (margin, y0 + 104 + 28 * i as i32))?;
        }
        Ok(())
    })
}

/// A text in lines that fit the sheet.
fn wrapped(text: &str) -> impl Iterator<Item = &str> {
    const LETTERS: usize = 52;
    let mut rest = text;
    std::iter::from_fn(move || {
        if rest.is_empty() {
            return None;
        }
        let fits = rest.char_indices().nth(LETTERS).map_or(rest.len(), |(end, _)| end);
        let end = if fits == rest.len() { fits } else { rest[..fits].rfind(' ').unwrap_or(fits) };
        let (line, more) = rest.split_at(end);
        rest = more.trim_start();
        Some(line)
    })
}

fn lettered(row: &Row, words: &Words) -> String {
    let number = |value: f64| words.number(value, 2);
    match (row.value, row.interval) {
        (Some(value), Some([low, high])) => {
            format!("{}: {} ({}–{})", row.label, number(value), number(low), number(high))
        }
        (Some(value), None) => format!("{}: {}, {}", row.label, number(value), words.say("analyse.drawn.no_interval")),
        (None, _) => format!("{}: {}", row.label, words.say("analyse.drawn.not_told")),
    }
}

/// Lamp with ink around it.
fn dot(sheet: &crate::plot::Sheet, at: (i32, i32)) -> Result<(), PlotError> {
    sheet.draw(&Circle::new(at, DOT, LAMP.filled()))?;
    Ok(sheet.draw(&Circle::new(at, DOT, stroke(INK, LINE)))?)
}

fn square(sheet: &crate::plot::Sheet, (x, y): (i32, i32)) -> Result<(), PlotError> {
    let corners = [(x - DOT + 2, y - DOT + 2), (x + DOT - 2, y + DOT - 2)];
    sheet.draw(&Rectangle::new(corners, FOAM.filled()))?;
    Ok(sheet.draw(&Rectangle::new(corners, stroke(INK, FINE)))?)
}
