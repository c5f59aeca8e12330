//! The schematic map: the stretch as a line without coordinates, the signs as counts along it. No track, no tiles.

use std::fmt::Write;

use super::plain::{escape, line};
use crate::survey::{Consent, Finding, Grade, SignKind, SignNoted, StretchWalked, Visit};
use crate::words::Words;

const WIDTH: f64 = 460.0;
const LEFT: f64 = 150.0;
const RIGHT: f64 = 450.0;
const ROW: f64 = 25.0;
/// A sign farther from a stretch than this isn't counted along it, m.
const BESIDE_M: f64 = 150.0;
/// Track makers that a stretch has room for, and stretches that the page has.
const MOST: usize = 4;
const MOST_STRETCHES: usize = 2;

/// How exactly places are shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Shown {
    /// How many signs lie in each of so many parts.
    Parts(usize),
    /// Each sign where it lies along the stretch; resting places aren't shown.
    Exactly,
}

impl Shown {
    /// What the landowner agreed to; exact places only where the coordinator says so too.
    pub fn of(visit: &Visit, coordinator_allows: bool) -> Option<Self> {
        match visit.consent() {
            Consent::None => None,
            Consent::SummaryOnly => Some(Self::Parts(3)),
            Consent::ExactOnOwnLand if coordinator_allows => Some(Self::Exactly),
            Consent::ExactOnOwnLand => Some(Self::Parts(6)),
        }
    }
}

/// A drawing for each stretch, of the first ones; `None` where there is none.
pub(super) fn draw(visit: &Visit, shown: Shown, findings: &[Finding], words: &Words) -> Option<String> {
    let stretches = visit.stretches.iter().take(MOST_STRETCHES);
    let maps: String = stretches.map(|stretch| strip(visit, stretch, shown, findings, words)).collect();
    (!maps.is_empty()).then_some(maps)
}

/// One row a track maker, along the stretch how many signs there are in each part of it, or where they are.
fn strip(visit: &Visit, stretch: &StretchWalked, shown: Shown, findings: &[Finding], words: &Words) -> String {
    let rows: Vec<(String, Vec<f64>)> = findings
        .iter()
        .filter(|finding| finding.grade != Grade::None)
        .map(|finding| (line(&finding.name, 19), places(visit, stretch, shown, finding)))
        .filter(|(_, places)| !places.is_empty())
        .take(MOST)
        .collect();
    let height = 68.0 + ROW * rows.len() as f64;
    let name = line(&stretch.name, 50);
    let mut svg = format!(
        r#"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" role="img" aria-label="{}">"#,
        escape(&words.fill("summary.map_label", &[("stretch", &name)]))
    );
    text(&mut svg, [0.0, 15.0], "start", r##"font-weight="700" fill="#14222B""##, &name);
    // The water, a calm line; the bank's parts are marked below it.
    let waves: String = (0..20).map(|i| format!("q7.5 {} 15 0", if i % 2 == 0 { -7 } else { 7 })).collect();
    _ = write!(svg, r##"<path d="M{LEFT} 32{waves}" fill="none" stroke="#0B5563" stroke-width="3"/>"##);
    for (share, _) in marks(shown, stretch) {
        let x = LEFT + (RIGHT - LEFT) * share;
        _ = write!(
            svg,
            r##"<path d="M{x:.1} 42V{}" stroke="#55453A" stroke-width="1" stroke-dasharray="2 4"/>"##,
            height - 22.0
        );
    }
    for (row, (name, places)) in rows.iter().enumerate() {
        let y = 56.0 + ROW * row as f64;
        text(&mut svg, [0.0, y + 5.0], "start", r##"fill="#14222B""##, name);
        match shown {
            Shown::Parts(parts) => counts(&mut svg, y, &counted(places, parts)),
            Shown::Exactly => places.iter().for_each(|share| dot(&mut svg, LEFT + (RIGHT - LEFT) * share, y, 6.0)),
        }
    }
    let y = height - 6.0;
    let ends = [(LEFT, "start", words.say("summary.map_start")), (RIGHT, "end", words.say("summary.map_end"))];
    match shown {
        Shown::Parts(_) => {
            ends.into_iter().for_each(|(x, anchor, end)| text(&mut svg, [x, y], anchor, r##"fill="#55453A""##, end));
        }
        Shown::Exactly => marks(shown, stretch).into_iter().for_each(|(share, label)| {
            text(&mut svg, [LEFT + (RIGHT - LEFT) * share, y], "middle", r##"fill="#55453A""##, &label);
        }),
    }
    svg + "</svg>"
}

/// Where a dotted line stands, and what stands below it.
fn marks(shown: Shown, stretch: &StretchWalked) -> Vec<(f64, String)> {
    match shown {
        Shown::Parts(parts) => (0..=parts).map(|i| (i as f64 / parts as f64, String::new())).collect(),
        Shown::Exactly => {
            let length_m = stretch.length_m();
            let step_m = [20.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0];
            let step_m = step_m.into_iter().find(|step| length_m / step <= 6.0).unwrap_or(length_m / 4.0);
            let steps = if step_m > 0.0 { (length_m / step_m) as usize } else { 0 };
            (0..=steps).map(|i| step_m * i as f64).map(|m| (m / length_m.max(1.0), format!("{m:.0} m"))).collect()
        }
    }
}

/// How far along the stretch its signs lie, 0 to 1.
fn places(visit: &Visit, stretch: &StretchWalked, shown: Shown, finding: &Finding) -> Vec<f64> {
    let may_be_shown = |sign: &&SignNoted| {
        finding.signs.contains(&sign.id) && !(shown == Shown::Exactly && sign.sign == SignKind::RestingPlace)
    };
    let along = visit.signs.iter().filter(may_be_shown).filter_map(|sign| stretch.locate(sign.place?));
    along.filter(|(_, away_m)| *away_m <= BESIDE_M).map(|(share, _)| share).collect()
}

fn counted(places: &[f64], parts: usize) -> Vec<usize> {
    let mut counts = vec![0; parts];
    for share in places {
        counts[((share * parts as f64) as usize).min(parts - 1)] += 1;
    }
    counts
}

fn counts(svg: &mut String, y: f64, counts: &[usize]) {
    let step = (RIGHT - LEFT) / counts.len() as f64;
    for (part, n) in counts.iter().enumerate().filter(|(_, n)| **n > 0) {
        let x = LEFT + step * (part as f64 + 0.5);
        let width = 12.0 + 10.0 * n.to_string().len() as f64;
        _ = write!(
            svg,
            r##"<rect x="{:.1}" y="{}" width="{width:.1}" height="24" rx="11" fill="#EAE6DA" stroke="#14222B" stroke-width="2"/>"##,
            x - width / 2.0,
            y - 12.0
        );
        text(svg, [x, y + 5.5], "middle", r##"font-weight="700" fill="#14222B""##, &n.to_string());
    }
}

fn dot(svg: &mut String, x: f64, y: f64, r: f64) {
    _ = write!(svg, r##"<circle cx="{x:.1}" cy="{y}" r="{r}" fill="#EAE6DA" stroke="#14222B" stroke-width="2"/>"##);
}

fn text(svg: &mut String, [x, y]: [f64; 2], anchor: &str, paint: &str, text: &str) {
    _ = write!(
        svg,
        r#"<text x="{x:.1}" y="{y}" font-size="15" text-anchor="{anchor}" {paint}>{}</text>"#,
        escape(text)
    );
}
