//! Sun and tide of a day, as a plot.

use chrono::{DateTime, TimeDelta, Timelike, Utc};
use plotters::element::Rectangle;
use plotters::style::Color;

use super::light::Sky;
use super::sun::delta_t_s;
use super::{Asked, Plan, PlanError, Shore, Span};
use crate::plot::{
    ALARM, FINE, INK, LAMP, LINE, MARGIN, MUD, PAPER, PlotError, SMALL, Sheet, TEXT, TIDE, WIDTH, centred, left, line,
    right, sheet,
};
use crate::words::Words;

/// Why there is no plot.
#[derive(Debug, thiserror::Error)]
pub enum DrawError {
    /// The sun or the tide can't be worked out.
    #[error(transparent)]
    Plan(#[from] PlanError),
    /// A fault of the program.
    #[error(transparent)]
    Plot(#[from] PlotError),
}

/// Heights of the panels, px.
const SUN: i32 = 300;
const WATER: i32 = 260;
const HEAD: i32 = 52;
/// From one point of a curve to the next.
const STEP: TimeDelta = TimeDelta::minutes(10);
/// What the sun's panel shows, degrees.
const FROM_DEG: f64 = -10.0;

/// One panel: where a time and a value lie on the sheet.
struct Panel {
    day: Span,
    top: i32,
    height: i32,
    low: f64,
    high: f64,
}

impl Panel {
    fn x(&self, at: DateTime<Utc>) -> i32 {
        let (x0, x1) = (f64::from(MARGIN as i32 + 60), f64::from(WIDTH as i32 - MARGIN as i32));
        let share = (at - self.day.start).num_seconds() as f64 / self.day.length().num_seconds() as f64;
        (x0 + share.clamp(0.0, 1.0) * (x1 - x0)).round() as i32
    }

    fn y(&self, value: f64) -> i32 {
        let share = (value.clamp(self.low, self.high) - self.low) / (self.high - self.low);
        self.top + self.height - (share * f64::from(self.height)).round() as i32
    }

    /// Ground between two times and two values.
    fn band(&self, span: &Span, from: f64, to: f64, colour: plotters::style::RGBColor) -> Rectangle<(i32, i32)> {
        Rectangle::new([(self.x(span.start), self.y(to)), (self.x(span.end), self.y(from))], colour.filled())
    }

    fn curve(&self, points: impl Iterator<Item = (DateTime<Utc>, f64)>) -> Vec<(i32, i32)> {
        points.map(|(at, value)| (self.x(at), self.y(value))).collect()
    }

    fn level(&self, sheet: &Sheet, value: f64, text: &str) -> Result<(), PlotError> {
        let (x0, x1) = (self.x(self.day.start), self.x(self.day.end));
        sheet.draw(&line(vec![(x0, self.y(value)), (x1, self.y(value))], MUD, FINE))?;
        Ok(sheet.draw_text(text, &right(SMALL, MUD), (x0 - 12, self.y(value)))?)
    }
}

/// The first day of a plan: the sun's elevation with its windows in the lamp's colour, and below it the tide with the height of the shore, where there is one.
///
/// # Errors
/// The sun or the tide can't be worked out.
pub fn draw_day(plan: &Plan, asked: &Asked, words: &Words) -> Result<String, DrawError> {
    let Some(day) = plan.days.first() else { return Err(PlanError::Days { days: 0 }.into()) };
    let span = Span { start: day.sun.begins, end: day.sun.ends };
    let sky = Sky::over(asked.place, delta_t_s(span.start)?)?;
    let mut sun = Vec::new();
    let mut at = span.start;
    while at <= span.end {
        sun.push((at, sky.sun(at)?.elevation_deg));
        at += STEP;
    }
    let margin = MARGIN as i32;
    let of_sun = Panel {
        day: span,
        top: margin + HEAD,
        height: SUN,
        low: FROM_DEG,
        high: day.sun.highest_deg.max(plan.low_sun.highest_deg) + 5.0,
    };
    let water = Panel { day: span, top: of_sun.top + SUN + HEAD + 76, height: WATER, low: 0.0, high: 1.0 };
    let bottom = if asked.shore.is_some() { water.top + WATER + 66 } else { of_sun.top + SUN };
    let svg = sheet((bottom + 60 + margin) as u32, |sheet| {
        sheet.draw_text(
            &words.fill("plan.drawn.sun", &[("date", &day.sun.date.to_string())]),
            &left(TEXT, INK),
            (margin, margin + HEAD / 3),
        )?;
        let low = plan.low_sun;
        sheet.draw(&of_sun.band(&span, low.lowest_deg, low.highest_deg, PAPER))?;
        for window in plan.windows.iter().filter(|window| window.date == day.sun.date) {
            sheet.draw(&of_sun.band(&window.span, low.lowest_deg, low.highest_deg, LAMP))?;
        }
        for degrees in [0.0, low.lowest_deg, low.highest_deg] {
            of_sun.level(sheet, degrees, &format!("{}°", words.number(degrees, 0)))?;
        }
        let above = sun.iter().copied().filter(|(_, degrees)| *degrees >= FROM_DEG);
        for part in unbroken(above) {
            sheet.draw(&line(of_sun.curve(part.into_iter()), INK, LINE))?;
        }
        hours(sheet, &of_sun, asked)?;
        if let Some(shore) = &asked.shore {
            draw_tide(sheet, &water, shore, plan, asked, words)?;
        }
        Ok(())
    })?;
    Ok(svg)
}

/// Points a step apart belong together; a longer gap breaks the curve.
fn unbroken(points: impl Iterator<Item = (DateTime<Utc>, f64)>) -> Vec<Vec<(DateTime<Utc>, f64)>> {
    let mut parts: Vec<Vec<(DateTime<Utc>, f64)>> = Vec::new();
    for point in points {
        match parts.last_mut() {
            Some(part) if part.last().is_some_and(|last| point.0 - last.0 <= STEP) => part.push(point),
            _ => parts.push(vec![point]),
        }
    }
    parts
}

/// Clock times under a panel.
fn hours(sheet: &Sheet, panel: &Panel, asked: &Asked) -> Result<(), PlotError> {
    let y = panel.top + panel.height;
    sheet.draw(&line(vec![(panel.x(panel.day.start), y), (panel.x(panel.day.end), y)], INK, FINE))?;
    let mut at = panel.day.start;
    while at <= panel.day.end {
        let local = at.with_timezone(&asked.zone);
        if at == panel.day.end || local.hour().is_multiple_of(4) {
            let text = if at == panel.day.end { "24".to_owned() } else { local.format("%H").to_string() };
            sheet.draw_text(&text, &centred(SMALL, MUD), (panel.x(at), y + 24))?;
        }
        at += TimeDelta::hours(1);
    }
    Ok(())
}

/// The water through the day where it is known, the height below which the shore is free, and when to turn back.
fn draw_tide(
    sheet: &Sheet,
    panel: &Panel,
    shore: &Shore,
    plan: &Plan,
    asked: &Asked,
    words: &Words,
) -> Result<(), PlotError> {
    let times =
        std::iter::successors(Some(panel.day.start), |at| Some(*at + STEP)).take_while(|at| *at <= panel.day.end);
    let heights: Vec<(DateTime<Utc>, f64)> = times.filter_map(|at| Some((at, shore.tide.height_m(at).ok()?))).collect();
    let ends = heights.iter().map(|(_, height)| *height).chain([shore.free_below_m, 0.0]);
    let (low, high) = ends.fold((f64::MAX, f64::MIN), |(low, high), height| (low.min(height), high.max(height)));
    let panel = &Panel { day: panel.day, low: low.min(0.0), high: high + 0.3, ..*panel };
    sheet.draw_text(words.say("plan.drawn.tide"), &left(TEXT, INK), (MARGIN as i32, panel.top - HEAD))?;
    let free = plan.days.iter().take(1).flat_map(|day| &day.free_shore);
    for free in free.clone() {
        if let Some(usable) = free.usable().and_then(|usable| usable.and(&panel.day)) {
            sheet.draw(&panel.band(&usable, panel.low, shore.free_below_m, PAPER))?;
        }
    }
    for metres in [0.0, shore.free_below_m, heights.iter().map(|(_, height)| height.floor()).fold(0.0, f64::max)] {
        panel.level(sheet, metres, &words.number(metres, usize::from(metres.fract() != 0.0)))?;
    }
    sheet.draw(&line(panel.curve(heights.iter().copied()), TIDE, LINE))?;
    for free in free.filter(|free| (panel.day.start..=panel.day.end).contains(&free.turn_back)) {
        let x = panel.x(free.turn_back);
        sheet.draw(&line(vec![(x, panel.top), (x, panel.top + panel.height)], ALARM, LINE))?;
        let clock = free.turn_back.with_timezone(&asked.zone).format("%H:%M").to_string();
        sheet.draw_text(&clock, &centred(SMALL, ALARM), (x, panel.top - 14))?;
    }
    let legend = panel.top + panel.height + 66;
    sheet.draw_text(words.say("plan.drawn.free"), &left(SMALL, MUD), (MARGIN as i32, legend))?;
    sheet.draw_text(words.say("plan.drawn.turn_back"), &left(SMALL, ALARM), (MARGIN as i32, legend + 30))?;
    hours(sheet, panel, asked)
}
