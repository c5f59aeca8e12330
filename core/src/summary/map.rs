//! The schematic map: the stretch as a line without coordinates, the signs as counts along it. No track, no tiles.

use std::fmt::Write;

use crate::survey::{Consent, Finding, Grade, StretchWalked, Visit};
use crate::words::Words;

const WIDTH: f64 = 720.0;
const LEFT: f64 = 190.0;
const RIGHT: f64 = 700.0;
const ROW: f64 = 34.0;
/// A sign farther from a stretch than this isn't counted along it, m.
const BESIDE_M: f64 = 150.0;

/// A drawing for each stretch on which something was found; `None` where the consent allows none.
pub(super) fn draw(visit: &Visit, findings: &[Finding], words: &Words) -> Option<String> {
    let parts = match visit.consent() {
        Consent::None => return None,
        Consent::SummaryOnly => 3,
        Consent::ExactOnOwnLand => 6,
    };
    let maps: String = visit.stretches.iter().map(|stretch| strip(visit, stretch, parts, findings, words)).collect();
    (!maps.is_empty()).then_some(maps)
}

/// One row a track maker, one column a part of the stretch, the number of signs in each.
fn strip(visit: &Visit, stretch: &StretchWalked, parts: usize, findings: &[Finding], words: &Words) -> String {
    let rows: Vec<(&str, Vec<usize>)> = findings
        .iter()
        .filter(|finding| finding.grade != Grade::None)
        .map(|finding| (finding.name.as_str(), counts(visit, stretch, parts, finding)))
        .filter(|(_, counts)| counts.iter().any(|&n| n > 0))
        .collect();
    let height = 74.0 + ROW * rows.len() as f64;
    let mut svg = format!(
        r#"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" role="img" aria-label="{}">"#,
        escape(&words.fill("summary.map_label", &[("stretch", &stretch.name)]))
    );
    let step = (RIGHT - LEFT) / parts as f64;
    // The water, a calm line; the bank's parts are marked below it.
    let waves: String = (0..17).map(|i| format!("q 7.5 {} 15 0 ", if i % 2 == 0 { -7 } else { 7 })).collect();
    let waves = waves.repeat(2);
    _ = write!(svg, r##"<path d="M{LEFT} 24 {waves}" fill="none" stroke="#0B5563" stroke-width="3"/>"##);
    _ = write!(
        svg,
        r##"<text x="0" y="29" font-size="16" font-weight="600" fill="#14222B">{}</text>"##,
        escape(&stretch.name)
    );
    for i in 0..=parts {
        let x = LEFT + step * i as f64;
        let bottom = height - 26.0;
        _ = write!(svg, r##"<path d="M{x} 40V{bottom}" stroke="#55453A" stroke-width="1" stroke-dasharray="2 4"/>"##);
    }
    for (row, (name, counts)) in rows.iter().enumerate() {
        let y = 62.0 + ROW * row as f64;
        _ = write!(svg, r##"<text x="0" y="{}" font-size="16" fill="#14222B">{}</text>"##, y + 5.0, escape(name));
        for (part, &n) in counts.iter().enumerate().filter(|(_, n)| **n > 0) {
            let x = LEFT + step * (part as f64 + 0.5);
            _ = write!(
                svg,
                r##"<circle cx="{x}" cy="{y}" r="14" fill="#EAE6DA" stroke="#14222B" stroke-width="2"/><text x="{x}" y="{}" font-size="16" font-weight="600" text-anchor="middle" fill="#14222B">{n}</text>"##,
                y + 5.5
            );
        }
    }
    let y = height - 8.0;
    let exact = visit.consent() == Consent::ExactOnOwnLand;
    let end = if exact { format!("{:.0} m", stretch.length_m()) } else { words.say("summary.map_end").into() };
    _ = write!(
        svg,
        r##"<text x="{LEFT}" y="{y}" font-size="14" fill="#55453A">{}</text><text x="{RIGHT}" y="{y}" font-size="14" text-anchor="end" fill="#55453A">{}</text></svg>"##,
        escape(words.say("summary.map_start")),
        escape(&end)
    );
    svg
}

fn counts(visit: &Visit, stretch: &StretchWalked, parts: usize, finding: &Finding) -> Vec<usize> {
    let mut counts = vec![0; parts];
    let signs = visit.signs.iter().filter(|sign| finding.signs.contains(&sign.id));
    for (share, away_m) in signs.filter_map(|sign| stretch.locate(sign.place?)) {
        if away_m <= BESIDE_M {
            counts[((share * parts as f64) as usize).min(parts - 1)] += 1;
        }
    }
    counts
}

fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}
