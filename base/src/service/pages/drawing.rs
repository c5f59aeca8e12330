//! What was measured, drawn over a photograph: an SVG in the pixels of the upright picture, so that it fits every copy.

use std::fmt::Write;

use rakelight_core::print::{BAR_MM, PrintMarks, bar_px, measure_in, measure_text, measured_lines, print_in};
use rakelight_core::survey::PrintMeasured;
use rakelight_core::words::Words;

/// Around the marks so much of their extent is shown too, to each side.
const MARGIN: f64 = 0.5;

/// The upright picture's width and height, px, as they were measured.
pub fn size(measured: &PrintMeasured) -> Option<[u32; 2]> {
    let side = |name| measured.measurement["photo"][name].as_u64().and_then(|side| u32::try_from(side).ok());
    Some([side("width_px")?, side("height_px")?])
}

/// The part of the picture with all marks, four by three: left, top, width, height, px.
pub fn close(measured: &PrintMeasured) -> Option<[u32; 4]> {
    let [width, height] = size(measured)?;
    let marks = marks(measured);
    let points = marks.iter().flat_map(|print| print.points.values());
    let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
    for point in points {
        (0..2).for_each(|i| (low[i], high[i]) = (low[i].min(point[i]), high[i].max(point[i])));
    }
    let half_height = ((high[1] - low[1]) / 2.0).max((high[0] - low[0]) / 2.0 * 0.75) * (1.0 + 2.0 * MARGIN);
    if !half_height.is_finite() || half_height < 1.0 {
        return None;
    }
    let half = [half_height / 0.75, half_height];
    let of = |i: usize, most: u32| {
        let middle = (low[i] + high[i]) / 2.0;
        let from = (middle - half[i]).clamp(0.0, f64::from(most - 1)) as u32;
        let to = (middle + half[i]).clamp(f64::from(from) + 1.0, f64::from(most)) as u32;
        (from, to - from)
    };
    let ((left, width), (top, height)) = (of(0, width), of(1, height));
    Some([left, top, width, height])
}

/// Lines with their measures, and a scale bar, over this part of the picture.
pub fn draw(measured: &PrintMeasured, [left, top, width, height]: [u32; 4], words: &Words) -> String {
    // Two hundredths of the width: a measure is read at arm's length.
    let unit = f64::from(width) / 50.0;
    let mut svg = format!(
        r#"<svg xmlns="http://www.w3.org/2000/svg" viewBox="{left} {top} {width} {height}" class="measures" aria-hidden="true">"#
    );
    for marks in marks(measured) {
        let print = print_in(&measured.measurement, &marks.id);
        for (from, to, name) in measured_lines(&marks) {
            if let Some(length) = measure_in(print, name) {
                line(&mut svg, from, to, &measure_text(length, words), unit);
            }
        }
    }
    let (x, y) = (f64::from(left), f64::from(top + height));
    let px = bar_px(&measured.measurement, [[x, y], [x + f64::from(width) / 8.0, y]]);
    if let Some(px) = px.filter(|px| *px < f64::from(width)) {
        bar(&mut svg, [x + unit, y - unit], px, unit);
    }
    svg.push_str("</svg>");
    svg
}

fn marks(measured: &PrintMeasured) -> Vec<PrintMarks> {
    measured.landmarks.clone().of_photo(&measured.file).prints
}

/// Lamp-coloured with ink on both sides, so that it reads on mud and on snow.
fn line(svg: &mut String, a: [f64; 2], b: [f64; 2], text: &str, unit: f64) {
    let length = (b[0] - a[0]).hypot(b[1] - a[1]).max(1.0);
    let across = [-(b[1] - a[1]) / length * 0.7 * unit, (b[0] - a[0]) / length * 0.7 * unit];
    let mut path = format!("M{:.1} {:.1}L{:.1} {:.1}", a[0], a[1], b[0], b[1]);
    for end in [a, b] {
        let [x, y] = [end[0] - across[0], end[1] - across[1]];
        _ = write!(path, "M{x:.1} {y:.1}L{:.1} {:.1}", end[0] + across[0], end[1] + across[1]);
    }
    let upright = (b[0] - a[0]).abs() < (b[1] - a[1]).abs();
    let (x, y, anchor) = if upright {
        let foot = if a[1] > b[1] { a } else { b };
        (foot[0], foot[1] + 2.0 * unit, "middle")
    } else {
        (a[0].max(b[0]) + 0.8 * unit, a[1].min(b[1]) - 0.6 * unit, "start")
    };
    let (ink, lamp, size, halo) = (0.42 * unit, 0.2 * unit, 1.5 * unit, 0.4 * unit);
    _ = write!(
        svg,
        r##"<path d="{path}" fill="none" stroke="#14222B" stroke-width="{ink:.1}" stroke-linecap="round"/><path d="{path}" fill="none" stroke="#F4B400" stroke-width="{lamp:.1}" stroke-linecap="round"/><text x="{x:.1}" y="{y:.1}" text-anchor="{anchor}" font-size="{size:.1}" font-weight="600" fill="#14222B" stroke="#F7F5EF" stroke-width="{halo:.1}" stroke-linejoin="round" paint-order="stroke">{text}</text>"##
    );
}

fn bar(svg: &mut String, [x, y]: [f64; 2], px: f64, unit: f64) {
    let (half, thick) = (0.5 * unit, 0.1 * unit);
    _ = write!(
        svg,
        r##"<rect x="{:.1}" y="{:.1}" width="{:.1}" height="{:.1}" fill="#F7F5EF" fill-opacity="0.86"/><rect x="{x:.1}" y="{:.1}" width="{px:.1}" height="{half:.1}" fill="#F4B400" stroke="#14222B" stroke-width="{thick:.1}"/><text x="{x:.1}" y="{:.1}" font-size="{:.1}" fill="#14222B">{BAR_MM} mm</text>"##,
        x - half,
        y - 2.9 * unit,
        px + unit,
        2.9 * unit + half,
        y - half,
        y - 0.9 * unit,
        1.4 * unit,
    );
}
