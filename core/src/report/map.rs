//! Where the places lie, on the grid that positions are rounded to. No tiles, nothing finer than the rounding.

use std::collections::BTreeMap;
use std::fmt::Write;

use super::places;
use crate::place::Category;
use crate::summary::plain::escape;
use crate::survey::{Visit, name_key};
use crate::words::Words;

const WIDTH: f64 = 720.0;
const MARGIN: f64 = 60.0;
/// Drawn no higher than this.
const MOST_HIGH: f64 = 320.0;

/// A dot for each rounded position, with the number of places that are rounded to it; `None` where no position is known.
pub(super) fn draw(visits: &[&Visit], words: &Words) -> Option<String> {
    let mut by_place: BTreeMap<String, Vec<&Visit>> = BTreeMap::new();
    for visit in visits {
        by_place.entry(name_key(&visit.opened.place_name)).or_default().push(visit);
    }
    // All on one grid, that of the strictest.
    let category = places::category(visits);
    let mut dots: BTreeMap<(i64, i64), usize> = BTreeMap::new();
    for here in by_place.values() {
        let Some(at) = places::position(here) else { continue };
        let step = |degrees: f64| (degrees / category.grid_deg()).round() as i64;
        *dots.entry((step(at.lat), step(at.lon))).or_default() += 1;
    }
    let span = |values: &[i64]| Some((*values.iter().min()? - 1, *values.iter().max()? + 1));
    let (south, north) = span(&dots.keys().map(|key| key.0).collect::<Vec<_>>())?;
    let (west, east) = span(&dots.keys().map(|key| key.1).collect::<Vec<_>>())?;
    Some(drawn(&dots, [south, north, west, east], category, words))
}

fn drawn(
    dots: &BTreeMap<(i64, i64), usize>,
    [south, north, west, east]: [i64; 4],
    category: Category,
    words: &Words,
) -> String {
    let grid = category.grid_deg();
    // A degree of longitude is shorter than one of latitude by the cosine of the latitude.
    let narrow = ((south + north) as f64 / 2.0 * grid).to_radians().cos().max(0.1);
    let (wide, high) = ((east - west) as f64 * narrow, (north - south) as f64);
    let unit = ((WIDTH - 2.0 * MARGIN) / wide).min((MOST_HIGH - 2.0 * MARGIN) / high);
    let x = |lon: i64| MARGIN + (lon - west) as f64 * narrow * unit;
    let y = |lat: i64| MARGIN + (north - lat) as f64 * unit;
    let (right, bottom) = (x(east), y(south));
    let mut svg = format!(
        r#"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {:.0}" role="img" aria-label="{}">"#,
        bottom + MARGIN,
        escape(words.say("report.map_label"))
    );
    let degrees = |n: i64| format!("{}°", words.number(n as f64 * grid, category.decimals()));
    let every = |from: i64, to: i64| (from..=to).step_by(((to - from) / 8 + 1).unsigned_abs() as usize);
    for lon in every(west, east) {
        _ = write!(
            svg,
            r##"<path d="M{x:.1} {MARGIN}V{bottom:.1}" stroke="#C9C3B2"/><text x="{x:.1}" y="{:.1}" font-size="14" text-anchor="middle" fill="#55453A">{}</text>"##,
            bottom + 20.0,
            degrees(lon),
            x = x(lon)
        );
    }
    for lat in every(south, north) {
        _ = write!(
            svg,
            r##"<path d="M{MARGIN} {y:.1}H{right:.1}" stroke="#C9C3B2"/><text x="{:.1}" y="{:.1}" font-size="14" text-anchor="end" fill="#55453A">{}</text>"##,
            MARGIN - 8.0,
            y(lat) + 5.0,
            degrees(lat),
            y = y(lat)
        );
    }
    for ((lat, lon), n) in dots {
        _ = write!(
            svg,
            r##"<circle cx="{:.1}" cy="{:.1}" r="15" fill="#EAE6DA" stroke="#14222B" stroke-width="2"/><text x="{:.1}" y="{:.1}" font-size="15" font-weight="700" text-anchor="middle" fill="#14222B">{n}</text>"##,
            x(*lon),
            y(*lat),
            x(*lon),
            y(*lat) + 5.5
        );
    }
    _ = write!(
        svg,
        r##"<path d="M{MARGIN} {0:.1}V{1:.1}M{2:.1} {3:.1}L{MARGIN} {1:.1}L{4:.1} {3:.1}" fill="none" stroke="#14222B" stroke-width="2"/><text x="{5:.1}" y="24" font-size="14" fill="#14222B">{6}</text></svg>"##,
        42.0,
        14.0,
        MARGIN - 6.0,
        23.0,
        MARGIN + 6.0,
        MARGIN + 12.0,
        escape(words.say("report.north"))
    );
    svg
}
