//! A trail seen from above, as SVG: ink on foam, lamp for what was measured, one scale bar. Readable in black and white.

use std::fmt::Write;

use super::{PatternName, TrailPrints, TrailReading};
use crate::measured::Measured;
use crate::print::Foot;
use crate::words::Words;

const FOAM: &str = "#F7F5EF";
const INK: &str = "#14222B";
const LAMP: &str = "#F4B400";
const MUD: &str = "#55453A";
/// Picture width in px, and what stays free on each side.
const WIDTH: f64 = 960.0;
const MARGIN: f64 = 48.0;

/// The plan view of a trail. Group members are joined by a line; foreign prints are crossed; the lamp-coloured lines are
/// one stride and the straddle.
pub fn draw(trail: &TrailPrints, reading: &TrailReading, words: &Words) -> String {
    let plan = Plan::of(trail);
    let mut svg = plan.open(words);
    for group in &reading.groups {
        plan.group(&mut svg, trail, group);
    }
    for (index, print) in trail.prints.iter().enumerate() {
        plan.print(&mut svg, [print.along_cm, print.offset_cm], print.foot, reading.foreign.contains(&index));
    }
    plan.measures(&mut svg, trail, reading, words);
    plan.scale_bar(&mut svg);
    svg.push_str("</svg>\n");
    svg
}

struct Plan {
    px_per_cm: f64,
    low: [f64; 2],
    height: f64,
    /// Where the lowest print's centre lies.
    floor: f64,
}

impl Plan {
    fn of(trail: &TrailPrints) -> Self {
        let ends = |place: fn(&super::TrailPrint) -> f64| {
            trail.prints.iter().map(place).fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(v), h.max(v)))
        };
        let (left, right) = ends(|p| p.along_cm);
        let (low, high) = ends(|p| p.offset_cm);
        let px_per_cm = (WIDTH - 2.0 * MARGIN) / (right - left).max(high - low).max(1.0);
        let floor = MARGIN + 40.0 + (high - low) * px_per_cm;
        Self { px_per_cm, low: [left, low], height: floor + 176.0, floor }
    }

    fn at(&self, [along, across]: [f64; 2]) -> [f64; 2] {
        [MARGIN + (along - self.low[0]) * self.px_per_cm, self.floor - (across - self.low[1]) * self.px_per_cm]
    }

    fn open(&self, words: &Words) -> String {
        let title = words.say("trail.drawing");
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH:.0} {h:.0}\" role=\"img\" aria-label=\"{title}\" \
             font-family=\"system-ui, sans-serif\" font-size=\"18\" fill=\"{INK}\" stroke-linecap=\"round\">\n\
             <title>{title}</title>\n<rect width=\"{WIDTH:.0}\" height=\"{h:.0}\" fill=\"{FOAM}\"/>\n",
            h = self.height,
        )
    }

    fn group(&self, svg: &mut String, trail: &TrailPrints, group: &[usize]) {
        let points: Vec<String> = group
            .iter()
            .map(|&i| self.at([trail.prints[i].along_cm, trail.prints[i].offset_cm]))
            .map(|[x, y]| format!("{x:.1},{y:.1}"))
            .collect();
        _ = writeln!(
            svg,
            "<polyline points=\"{}\" fill=\"none\" stroke=\"{MUD}\" stroke-width=\"1.5\"/>",
            points.join(" ")
        );
    }

    /// Fore prints are open, all others filled; foreign ones are crossed.
    fn print(&self, svg: &mut String, at: [f64; 2], foot: Foot, foreign: bool) {
        let [x, y] = self.at(at);
        let fill = match foot {
            _ if foreign => "none",
            Foot::Fore => FOAM,
            Foot::Hind | Foot::Unknown => INK,
        };
        let dash = if foreign { " stroke-dasharray=\"2 3\"" } else { "" };
        _ = writeln!(
            svg,
            "<ellipse cx=\"{x:.1}\" cy=\"{y:.1}\" rx=\"7\" ry=\"5.5\" fill=\"{fill}\" stroke=\"{INK}\" stroke-width=\"2\"{dash}/>"
        );
        if foreign {
            let cross = |dy: f64| format!("M{:.1} {:.1}L{:.1} {:.1}", x - 10.0, y - dy, x + 10.0, y + dy);
            _ = writeln!(svg, "<path d=\"{}{}\" stroke=\"{INK}\" stroke-width=\"2\"/>", cross(8.0), cross(-8.0));
        }
    }

    /// One stride drawn in below the prints, and the measures in words.
    fn measures(&self, svg: &mut String, trail: &TrailPrints, reading: &TrailReading, words: &Words) {
        let floor = self.floor + 40.0;
        let first = trail
            .prints
            .iter()
            .enumerate()
            .filter(|(i, _)| !reading.foreign.contains(i))
            .map(|(_, p)| p.along_cm)
            .fold(f64::MAX, f64::min);
        if let Some(stride) = reading.stride_mm() {
            let from = self.at([first, 0.0])[0];
            let to = from + stride.value / 10.0 * self.px_per_cm;
            self.lamp_line(svg, [from, floor], [to, floor]);
            let label = words.fill("trail.stride", &[("measure", &measure(stride, words))]);
            let x = from.min(WIDTH - MARGIN - 9.0 * label.chars().count() as f64).max(MARGIN);
            _ = writeln!(svg, "<text x=\"{x:.1}\" y=\"{:.1}\">{label}</text>", floor + 28.0);
        }
        let pattern = reading.patterns.first().filter(|p| p.probability > reading.no_pattern);
        let mut line: Vec<String> = vec![words.say(pattern.map_or("trail.no_pattern", |p| key(p.name))).to_owned()];
        let rest = [
            ("trail.group_length", reading.group_length_mm()),
            ("trail.gap", reading.gap_mm()),
            ("trail.straddle", reading.straddle_mm()),
        ];
        line.extend(rest.into_iter().filter_map(|(key, m)| Some(words.fill(key, &[("measure", &measure(m?, words))]))));
        _ = writeln!(svg, "<text x=\"{MARGIN:.1}\" y=\"{:.1}\">{}</text>", floor + 60.0, line.join(" · "));
    }

    fn lamp_line(&self, svg: &mut String, [x1, y1]: [f64; 2], [x2, y2]: [f64; 2]) {
        for (colour, width) in [(INK, 8.0), (LAMP, 5.0)] {
            _ = writeln!(
                svg,
                "<path d=\"M{x1:.1} {y1:.1}L{x2:.1} {y2:.1}\" stroke=\"{colour}\" stroke-width=\"{width}\"/>"
            );
        }
    }

    /// A round length of at most a third of the trail.
    fn scale_bar(&self, svg: &mut String) {
        let room_cm = (WIDTH - 2.0 * MARGIN) / 3.0 / self.px_per_cm;
        let tens = 10f64.powf(room_cm.log10().floor());
        let cm = [5.0, 2.0, 1.0].into_iter().map(|m| m * tens).find(|cm| *cm <= room_cm).unwrap_or(tens);
        let (x, y) = (MARGIN, self.height - 28.0);
        let end = x + cm * self.px_per_cm;
        _ = writeln!(
            svg,
            "<path d=\"M{x:.1} {a:.1}V{y:.1}H{end:.1}V{a:.1}\" fill=\"none\" stroke=\"{INK}\" stroke-width=\"2\"/>\n\
             <text x=\"{tx:.1}\" y=\"{y:.1}\">{cm} cm</text>",
            a = y - 8.0,
            tx = end + 10.0,
        );
    }
}

/// Walk and trot are one to the eye; the drawing doesn't decide between them.
fn key(name: PatternName) -> &'static str {
    match name {
        PatternName::Walk | PatternName::Trot => "trail.walk_or_trot",
        name => name.key(),
    }
}

fn measure(measured: Measured, words: &Words) -> String {
    format!("{} mm ±{}", words.number(measured.value, 0), words.number(measured.half_width_95().ceil(), 0))
}
