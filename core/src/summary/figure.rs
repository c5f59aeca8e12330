//! A photograph with the measure drawn in: the copy carries no position, the drawing lies over it.

use std::fmt::Write;

use base64::Engine;
use image::codecs::jpeg::JpegEncoder;
use image::imageops::{self, FilterType};
use serde::Serialize;
use serde_json::Value;

use super::plain::line;
use crate::photo::{self, PhotoError};
use crate::print::{BAR_MM, PrintMarks, bar_px, measure_in, measure_text, measured_lines, print_in};
use crate::survey::{Finding, PrintMeasured};
use crate::words::Words;

/// A picture for the page.
#[derive(Serialize)]
pub(super) struct Figure {
    /// `data:image/jpeg;base64,…`
    picture: String,
    /// The drawing, an SVG of the picture's size.
    drawing: String,
    width: u32,
    height: u32,
    /// Whose print.
    maker: String,
    /// The measures in words.
    caption: String,
}

/// The copy's width, px: sharp in print at half a page's width.
const WIDTH_PX: f64 = 760.0;
/// Around the landmarks this share of their extent is shown too.
const MARGIN: f64 = 0.45;

/// Draws the first marked print of a measured photograph (the first of several); `None` where it has no two landmarks.
pub(super) fn draw(
    bytes: &[u8],
    measured: &PrintMeasured,
    finding: &Finding,
    words: &Words,
) -> Result<Option<Figure>, PhotoError> {
    let marked = measured.landmarks.clone().of_photo(&measured.file);
    let Some(marks) = marked.prints.iter().find(|print| print.points.len() > 1) else { return Ok(None) };
    let picture = photo::read_colour(bytes)?;
    let window = Window::around(marks, picture.width(), picture.height());
    let part = imageops::crop_imm(&picture, window.left, window.top, window.width, window.height).to_image();
    let (width, height) = (WIDTH_PX as u32, (f64::from(window.height) * window.scale()) as u32);
    let copy = imageops::resize(&part, width, height, FilterType::Triangle);
    let mut jpeg = Vec::new();
    JpegEncoder::new_with_quality(&mut jpeg, 82)
        .encode_image(&copy)
        .map_err(|error| PhotoError::Damaged { format: "JPEG", detail: error.to_string() })?;
    let print = print_in(&measured.measurement, &marks.id);
    let mut drawing =
        format!(r#"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" aria-hidden="true">"#);
    for (from, to, name) in measured_lines(marks) {
        if let Some(length) = measure_in(print, name) {
            measure_line(&mut drawing, window.place(from), window.place(to), &measure_text(length, words));
        }
    }
    if let Some(mm_to_px) = bar_in_figure(&measured.measurement, &window) {
        scale_bar(&mut drawing, f64::from(height), mm_to_px);
    }
    drawing.push_str("</svg>");
    Ok(Some(Figure {
        picture: format!("data:image/jpeg;base64,{}", base64::engine::general_purpose::STANDARD.encode(jpeg)),
        drawing,
        width,
        height,
        maker: line(&finding.name, 40),
        caption: caption(print, words),
    }))
}

/// The part of the photograph that is shown.
struct Window {
    left: u32,
    top: u32,
    width: u32,
    height: u32,
}

impl Window {
    fn around(marks: &PrintMarks, width: u32, height: u32) -> Self {
        let span = |i: usize| {
            let along = marks.points.values().map(move |p| p[i]);
            along.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)))
        };
        let ((x0, x1), (y0, y1)) = (span(0), span(1));
        // Four by three, as wide as the larger extent asks.
        let half_height = ((y1 - y0) / 2.0).max((x1 - x0) / 2.0 * 0.75) * (1.0 + 2.0 * MARGIN);
        let half_width = half_height / 0.75;
        let clamp = |v: f64, most: u32| v.clamp(0.0, f64::from(most)) as u32;
        let (left, right) = (clamp((x0 + x1) / 2.0 - half_width, width), clamp((x0 + x1) / 2.0 + half_width, width));
        let (top, bottom) =
            (clamp((y0 + y1) / 2.0 - half_height, height), clamp((y0 + y1) / 2.0 + half_height, height));
        Self { left, top, width: (right - left).max(1), height: (bottom - top).max(1) }
    }

    fn scale(&self) -> f64 {
        WIDTH_PX / f64::from(self.width)
    }

    /// Where a pixel of the photograph lies in the figure.
    fn place(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        [(x + 0.5 - f64::from(self.left)) * self.scale(), (y + 0.5 - f64::from(self.top)) * self.scale()]
    }

    fn pixel(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        [x / self.scale() + f64::from(self.left) - 0.5, y / self.scale() + f64::from(self.top) - 0.5]
    }
}

/// A lamp-coloured line with ink on both sides, so that it reads on mud and on snow; its measure beside its middle.
fn measure_line(svg: &mut String, a: [f64; 2], b: [f64; 2], text: &str) {
    let length = (b[0] - a[0]).hypot(b[1] - a[1]).max(1.0);
    let across = [-(b[1] - a[1]) / length * 10.0, (b[0] - a[0]) / length * 10.0];
    let mut path = format!("M{:.1} {:.1}L{:.1} {:.1}", a[0], a[1], b[0], b[1]);
    for end in [a, b] {
        let (x, y) = (end[0] - across[0], end[1] - across[1]);
        _ = write!(path, "M{x:.1} {y:.1}L{:.1} {:.1}", end[0] + across[0], end[1] + across[1]);
    }
    let upright = (b[0] - a[0]).abs() < (b[1] - a[1]).abs();
    // A measure along the picture stands beside its foot, one across it above its right end: the two never meet.
    let (x, y, anchor) = if upright {
        let foot = if a[1] > b[1] { a } else { b };
        (foot[0] + 16.0, foot[1] + 44.0, "middle")
    } else {
        let (right, top) = (a[0].max(b[0]), a[1].min(b[1]));
        (right + 12.0, top - 12.0, "start")
    };
    let (x, anchor) = if anchor == "start" && x > WIDTH_PX - 270.0 { (WIDTH_PX - 12.0, "end") } else { (x, anchor) };
    _ = write!(
        svg,
        r##"<path d="{path}" fill="none" stroke="#14222B" stroke-width="7" stroke-linecap="round"/><path d="{path}" fill="none" stroke="#F4B400" stroke-width="3.5" stroke-linecap="round"/><text x="{x:.1}" y="{y:.1}" text-anchor="{anchor}" font-size="38" font-weight="600" fill="#14222B" stroke="#F7F5EF" stroke-width="7" stroke-linejoin="round" paint-order="stroke">{text}</text>"##
    );
}

/// How long the scale bar is in the figure at its lower left.
fn bar_in_figure(measurement: &Value, window: &Window) -> Option<f64> {
    let bottom = f64::from(window.height) * window.scale() - 24.0;
    bar_px(measurement, [[24.0, bottom], [124.0, bottom]].map(|at| window.pixel(at))).map(|px| px * window.scale())
}

fn scale_bar(svg: &mut String, height: f64, px: f64) {
    let (x, y) = (24.0, height - 30.0);
    _ = write!(
        svg,
        r##"<rect x="{}" y="{}" width="{:.1}" height="62" fill="#F7F5EF" opacity="0.86"/><rect x="{x}" y="{y}" width="{px:.1}" height="10" fill="#F4B400" stroke="#14222B" stroke-width="2"/><text x="{x}" y="{}" font-size="32" fill="#14222B">{BAR_MM} mm</text>"##,
        x - 12.0,
        y - 40.0,
        px + 24.0,
        y - 9.0,
    );
}

fn caption(print: &Value, words: &Words) -> String {
    let foot = words.say(match print["foot"].as_str() {
        Some("hind") => "summary.hind_print",
        Some("fore") => "summary.fore_print",
        _ => "summary.print",
    });
    // The two that are drawn in.
    let lengths = ["length_with_heel_mm", "length_without_heel_mm"]
        .into_iter()
        .find_map(|name| Some((name, measure_in(print, name)?)));
    let width = measure_in(print, "width_mm").map(|width| ("width_mm", width));
    let measures = width.into_iter().chain(lengths);
    let measures = measures
        .map(|(name, length)| format!("{} {}", words.say(&format!("measure.{name}")), measure_text(length, words)));
    std::iter::once(foot.to_owned()).chain(measures).collect::<Vec<_>>().join(" · ")
}
