//! A trail seen from above, as SVG: ink on foam, lamp for what was measured, one scale bar. Readable in black and white and in low sun,
//! on a phone held upright: a long trail is laid in rows, and each measure stands below in large figures with the letter of its line.

use std::fmt::Write;

use super::{Member, PatternName, TrailReading};
use crate::measured::Measured;
use crate::print::{Foot, Side};
use crate::words::Words;

const FOAM: &str = "#F7F5EF";
const INK: &str = "#14222B";
const LAMP: &str = "#F4B400";
const MUD: &str = "#55453A";
/// Picture width, and what stays free on each side; all in px of a picture as wide as a phone's screen.
const WIDTH: f64 = 720.0;
const MARGIN: f64 = 36.0;
/// Left of the prints, for the straddle.
const INSET: f64 = 64.0;
const TEXT: f64 = 26.0;
const SMALL: f64 = 22.0;
const LARGE: f64 = 38.0;
/// A character's width over its height, on average and rather too wide.
const ASPECT: f64 = 0.58;
/// How far apart neighbouring prints should be drawn, and in how many rows at most.
const APART: f64 = 30.0;
const MOST_ROWS: f64 = 6.0;

/// The plan view of a trail, laid straight along the way the animal went; a trail that bends is also shown as it lay, small. Group members
/// are joined by a line; foreign prints are crossed; the lamp-coloured lines are one stride, its group and gap, and the straddle. Where the
/// pattern changes, one section stands below the other.
///
/// ```
/// use rakelight_core::{trail::{TrailPrints, draw, read}, words::Words};
/// let trail: TrailPrints = serde_json::from_str(include_str!("../../../fixtures/trails/fox_walk.json"))?;
/// let svg = draw(&read(&trail)?, &Words::load("en")?);
/// assert!(svg.contains("direction not known") && svg.contains("632 mm"));
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn draw(reading: &TrailReading, words: &Words) -> String {
    let begins_cm = reading.prints.iter().map(|p| p.along_cm).fold(f64::MAX, f64::min);
    let mut page = Page { svg: String::new(), y: MARGIN, begins_cm };
    if bends(&reading.line_cm) {
        page.overview(reading);
    }
    match reading.sections.as_slice() {
        [] => page.section(reading, words),
        sections => sections.iter().for_each(|section| page.section(section, words)),
    }
    page.measures_explained(words);
    page.close(words)
}

/// Whether a line strays from the straight one between its ends by more than a twentieth of their distance.
fn bends(line: &[[f64; 2]]) -> bool {
    let (Some(a), Some(b)) = (line.first(), line.last()) else { return false };
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    let length = dx.hypot(dy).max(1e-9);
    line.iter().any(|p| ((p[0] - a[0]) * dy - (p[1] - a[1]) * dx).abs() / length > length / 20.0)
}

/// Which way a line goes from end to end, radians from the x axis to the y axis.
fn heading(line: &[[f64; 2]]) -> f64 {
    line.first().zip(line.last()).map_or(0.0, |(a, b)| (b[1] - a[1]).atan2(b[0] - a[0]))
}

/// Where prints lie in the picture: rows one below the other, all at one scale; none breaks within a group.
struct Plan {
    px_per_cm: f64,
    /// Where each row begins along the trail, cm.
    starts: Vec<f64>,
    high: f64,
    /// How tall the prints of a row lie apart, px.
    tall: f64,
    /// Half a print's length in the picture.
    radius: f64,
    /// What stays free above and below them: more where letters stand there.
    free: f64,
}

impl Plan {
    fn of(reading: &TrailReading) -> Self {
        let ends = |place: fn(&Member) -> f64| {
            reading.prints.iter().map(place).fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(v), h.max(v)))
        };
        let ((left, right), (low, high)) = (ends(|p| p.along_cm), ends(|p| p.across_cm));
        let room = WIDTH - 2.0 * MARGIN - INSET;
        let (span, across) = ((right - left).max(1.0), high - low);
        let apart_cm = apart(&reading.prints);
        let stride_cm = reading.stride_mm().map_or(span, |stride| stride.value / 10.0);
        let wanted = (APART / apart_cm * span / room).ceil();
        let rows = wanted.min((span / (1.3 * stride_cm)).floor()).clamp(1.0, MOST_ROWS);
        let row_cm = span / rows;
        let px_per_cm = (room / row_cm).min(220.0 / across.max(1.0));
        let radius = (0.4 * apart_cm * px_per_cm).clamp(5.0, 12.0);
        let free = if reading.prints.iter().any(|print| print.side != Side::Unknown) { 54.0 } else { 34.0 };
        Self { px_per_cm, starts: starts(reading, row_cm), high, tall: across * px_per_cm, radius, free }
    }

    fn row_of(&self, print: &Member) -> usize {
        self.starts.partition_point(|start| *start <= print.along_cm).saturating_sub(1)
    }

    /// Across the picture, for a place in a row.
    fn x(&self, along_cm: f64, row: usize) -> f64 {
        MARGIN + INSET + (along_cm - self.starts[row]) * self.px_per_cm
    }

    /// Below the row's uppermost print.
    fn y(&self, across_cm: f64) -> f64 {
        (self.high - across_cm) * self.px_per_cm
    }
}

/// Where each row begins, cm: with the first print or group that isn't wholly within the row before.
fn starts(reading: &TrailReading, row_cm: f64) -> Vec<f64> {
    let along = |i: &usize| member(reading, *i).along_cm;
    let single =
        reading.prints.iter().map(|p| p.print).filter(|i| !reading.groups.iter().flatten().any(|other| other == i));
    let wholes = reading.groups.iter().cloned().chain(single.map(|i| vec![i]));
    let mut wholes: Vec<(f64, f64)> = wholes
        .map(|whole| whole.iter().map(along).fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(v), h.max(v))))
        .collect();
    wholes.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut starts: Vec<f64> = Vec::new();
    for (from, to) in wholes {
        if starts.last().is_none_or(|start| to - start > row_cm + 1e-6) {
            starts.push(from);
        }
    }
    starts
}

/// How near neighbouring prints lie, cm: a fifth of them lie nearer.
fn apart(prints: &[Member]) -> f64 {
    let mut order: Vec<&Member> = prints.iter().collect();
    order.sort_by(|a, b| a.along_cm.total_cmp(&b.along_cm));
    let mut distances: Vec<f64> = order
        .windows(2)
        .map(|pair| (pair[1].along_cm - pair[0].along_cm).hypot(pair[1].across_cm - pair[0].across_cm))
        .collect();
    distances.sort_by(f64::total_cmp);
    distances.get(distances.len() / 5).copied().unwrap_or(1.0).max(0.1)
}

/// The picture as far as it is drawn, from the top.
struct Page {
    svg: String,
    y: f64,
    /// Where the trail's first print lies along its line.
    begins_cm: f64,
}

impl Page {
    fn add(&mut self, element: std::fmt::Arguments) {
        _ = self.svg.write_fmt(element); // to a String this can't fail
        self.svg.push('\n');
    }

    fn text(&mut self, [x, y]: [f64; 2], size: f64, text: &str) {
        self.add(format_args!(r#"<text x="{x:.1}" y="{y:.1}" font-size="{size}">{text}</text>"#));
    }

    fn line(&mut self, path: &str, colour: &str, width: f64) {
        self.add(format_args!(r#"<path d="{path}" fill="none" stroke="{colour}" stroke-width="{width}"/>"#));
    }

    fn section(&mut self, reading: &TrailReading, words: &Words) {
        self.title(reading, words);
        self.direction(reading.goes_along(), words);
        let plan = Plan::of(reading);
        for row in 0..plan.starts.len() {
            self.row(&plan, row, reading, words);
            if row == 0 {
                self.dimensions(&plan, reading);
            }
        }
        self.legend(reading, words);
        self.scale_bar(plan.px_per_cm, words);
        self.measures(reading, words);
        self.y += 24.0;
    }

    /// A bending trail as it lay, north to the right of it.
    fn overview(&mut self, reading: &TrailReading) {
        let ends = |axis: usize| {
            reading.line_cm.iter().map(|p| p[axis]).fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(v), h.max(v)))
        };
        let ((left, right), (low, high)) = (ends(0), ends(1));
        let room = WIDTH - 2.0 * MARGIN - 110.0;
        let scale = (room / (right - left).max(1.0)).min(300.0 / (high - low).max(1.0));
        let at = |[x, y]: [f64; 2]| [MARGIN + 12.0 + (x - left) * scale, self.y + 12.0 + (high - y) * scale];
        let points: Vec<String> =
            reading.line_cm.iter().map(|&p| at(p)).map(|[x, y]| format!("{x:.1},{y:.1}")).collect();
        let dots: Vec<[f64; 2]> =
            reading.prints.iter().filter(|p| !reading.foreign.contains(&p.print)).map(|p| at(p.at_cm)).collect();
        let bottom = self.y + 24.0 + (high - low) * scale;
        self.add(format_args!(
            r#"<polyline points="{}" fill="none" stroke="{LAMP}" stroke-width="10"/>"#,
            points.join(" ")
        ));
        for [x, y] in dots {
            self.add(format_args!(r#"<circle cx="{x:.1}" cy="{y:.1}" r="3"/>"#));
        }
        if let Some(azimuth_deg) = reading.azimuth_deg {
            self.north(azimuth_deg);
        }
        self.y = bottom.max(MARGIN + 96.0);
    }

    /// The pattern and how probable it is; north to the right of it.
    fn title(&mut self, reading: &TrailReading, words: &Words) {
        let north = reading.azimuth_deg.filter(|_| self.y == MARGIN);
        if let Some(azimuth_deg) = north {
            self.north(azimuth_deg - heading(&reading.line_cm).to_degrees());
        }
        let (name, share) = title(reading);
        let room = WIDTH - 2.0 * MARGIN - if north.is_some() { 96.0 } else { 0.0 };
        for line in wrapped(&format!("{} {}\u{a0}%", words.say(name), words.number(100.0 * share, 0)), room, 34.0) {
            self.y += 36.0;
            let y = self.y;
            self.add(format_args!(r#"<text x="{MARGIN}" y="{y:.1}" font-size="34" font-weight="bold">{line}</text>"#));
        }
        self.y += 18.0;
    }

    fn north(&mut self, azimuth_deg: f64) {
        let ([x, y], reach) = ([WIDTH - MARGIN - 42.0, MARGIN + 42.0], 40.0);
        let (sin, cos) = azimuth_deg.to_radians().sin_cos();
        // The tape runs to the right; north lies that many degrees to its left.
        let at = |along: f64, aside: f64| [x + along * cos + aside * sin, y - along * sin + aside * cos];
        let [[tx, ty], [ax, ay], [bx, by], [ex, ey]] = [at(16.0, 0.0), at(-4.0, 11.0), at(-4.0, -11.0), at(-24.0, 0.0)];
        self.line(&format!("M{ex:.1} {ey:.1}L{tx:.1} {ty:.1}"), INK, 3.0);
        self.add(format_args!(r#"<path d="M{tx:.1} {ty:.1}L{ax:.1} {ay:.1}L{bx:.1} {by:.1}Z"/>"#));
        let [nx, ny] = at(reach - 8.0, 0.0);
        self.add(format_args!(
            r#"<text x="{nx:.1}" y="{:.1}" font-size="{SMALL}" font-weight="bold" text-anchor="middle">N</text>"#,
            ny + 8.0
        ));
    }

    /// An arrow, or a line without a head.
    fn direction(&mut self, along_tape: Option<bool>, words: &Words) {
        self.y += 24.0;
        let (from, to, y) = (MARGIN, MARGIN + 84.0, self.y - 8.0);
        let dash = if along_tape.is_some() { "" } else { r#" stroke-dasharray="4 9""# };
        self.add(format_args!(r#"<path d="M{from} {y:.1}H{to}" stroke="{INK}" stroke-width="4"{dash}/>"#));
        if let Some(along_tape) = along_tape {
            let (tip, back) = if along_tape { (to + 4.0, -18.0) } else { (from - 4.0, 18.0) };
            self.line(&format!("M{:.1} {:.1}L{tip:.1} {y:.1}L{0:.1} {:.1}", tip + back, y - 13.0, y + 13.0), INK, 4.0);
        }
        let key = if along_tape.is_some() { "trail.drawn.direction" } else { "trail.drawn.no_direction" };
        self.text([to + 22.0, self.y], TEXT, words.say(key));
        self.y += 14.0;
    }

    /// The prints of one row, those of a group joined.
    fn row(&mut self, plan: &Plan, row: usize, reading: &TrailReading, words: &Words) {
        if plan.starts.len() > 1 {
            self.y += SMALL + 6.0;
            let cm = (plan.starts[row] - self.begins_cm).round() + 0.0; // no minus before a nought
            let y = self.y;
            let label = words.fill("trail.drawn.from", &[("length", &length(cm, words))]);
            self.add(format_args!(r#"<text x="{MARGIN}" y="{y:.1}" font-size="{SMALL}" fill="{MUD}">{label}</text>"#));
        }
        self.y += plan.free;
        let top = self.y;
        let at = |i: usize| [plan.x(member(reading, i).along_cm, row), top + plan.y(member(reading, i).across_cm)];
        let in_row = |i: &usize| plan.row_of(member(reading, *i)) == row;
        for group in &reading.groups {
            let points: Vec<String> =
                group.iter().copied().filter(in_row).map(at).map(|[x, y]| format!("{x:.1},{y:.1}")).collect();
            let points = points.join(" ");
            self.add(format_args!(r#"<polyline points="{points}" fill="none" stroke="{MUD}" stroke-width="2.5"/>"#));
        }
        let middle = top + plan.tall / 2.0;
        for i in reading.prints.iter().map(|p| p.print).filter(in_row) {
            let ([x, y], print) = (at(i), member(reading, i));
            let foreign = reading.foreign.contains(&i);
            let (rx, ry) = (plan.radius, 0.8 * plan.radius);
            let shape = format!(r#"<ellipse cx="{x:.1}" cy="{y:.1}" rx="{rx:.1}" ry="{ry:.1}""#);
            self.mark(&shape, [x, y], ry, print.foot, foreign);
            if let Some(letter) = letter(print.side).filter(|_| !foreign) {
                let y = if y <= middle { y - ry - 7.0 } else { y + ry + 22.0 };
                self.add(format_args!(
                    r#"<text x="{x:.1}" y="{y:.1}" font-size="{SMALL}" text-anchor="middle">{}</text>"#,
                    words.say(letter)
                ));
            }
        }
        self.y = top + plan.tall + plan.free;
    }

    /// Fore prints are open, hind ones filled, others have a dot; foreign ones are crossed. `shape` is the outline's open tag.
    fn mark(&mut self, shape: &str, [x, y]: [f64; 2], radius: f64, foot: Foot, foreign: bool) {
        let fill = if foot == Foot::Hind && !foreign { INK } else { FOAM };
        let dash = if foreign { r#" stroke-dasharray="2 4""# } else { "" };
        self.add(format_args!(r#"{shape} fill="{fill}" stroke="{INK}" stroke-width="2.5"{dash}/>"#));
        if foreign {
            let arm = radius + 5.0;
            let [l, r, t, b] = [x - arm, x + arm, y - arm, y + arm];
            self.line(&format!("M{l:.1} {t:.1}L{r:.1} {b:.1}M{l:.1} {b:.1}L{r:.1} {t:.1}"), INK, 2.5);
        } else if foot == Foot::Unknown {
            self.add(format_args!(r#"<circle cx="{x:.1}" cy="{y:.1}" r="{:.1}"/>"#, (0.4 * radius).max(2.0)));
        }
    }

    /// One stride below the first row, its group and gap below that, the straddle beside it.
    fn dimensions(&mut self, plan: &Plan, reading: &TrailReading) {
        let belongs = |i: &usize| !reading.foreign.contains(i);
        let first_group =
            reading.groups.first().cloned().unwrap_or_else(|| reading.prints.iter().map(|p| p.print).collect());
        let alongs = first_group.into_iter().filter(belongs).map(|i| member(reading, i).along_cm);
        let from = plan.x(alongs.fold(f64::MAX, f64::min), 0);
        let px = |measured: Measured| measured.value / 10.0 * plan.px_per_cm;
        let row_bottom = self.y;
        let across = |page: &mut Self, letter: char, from: f64, length: f64| {
            let y = page.y + 8.0;
            page.lamp([from, y], [from + length, y]);
            let below = if length < 70.0 { 26.0 } else { 0.0 };
            page.badge(letter, [from + length / 2.0, y + below]);
        };
        let fits = |length: f64| from + length <= WIDTH - 12.0;
        if let Some(stride) = reading.stride_mm().map(px).filter(|length| fits(*length)) {
            across(self, 'a', from, stride);
            self.y += 40.0;
            if let Some((group, gap)) = reading.group_length_mm().zip(reading.gap_mm()).map(|(l, g)| (px(l), px(g))) {
                across(self, 'b', from, group);
                across(self, 'c', from + group, gap);
                self.y += 52.0;
            }
        }
        if let Some(straddle) = reading.straddle_mm().map(px) {
            let first_row = reading.prints.iter().filter(|p| belongs(&p.print) && plan.row_of(p) == 0);
            let offsets: Vec<f64> = first_row.map(|p| p.across_cm).collect();
            let (low, high) = offsets.iter().fold((f64::MAX, f64::MIN), |(l, h), &v| (l.min(v), h.max(v)));
            let middle = row_bottom - plan.free - plan.tall + plan.y((low + high) / 2.0);
            let x = MARGIN + INSET / 2.0;
            self.lamp([x, middle - straddle / 2.0], [x, middle + straddle / 2.0]);
            self.badge('d', [MARGIN + 4.0, middle]);
        }
        self.y += 8.0;
    }

    fn lamp(&mut self, [x1, y1]: [f64; 2], [x2, y2]: [f64; 2]) {
        let (dx, dy) = if x1 == x2 { (8.0, 0.0) } else { (0.0, 8.0) };
        let ends = format!(
            "M{:.1} {:.1}L{:.1} {:.1}M{:.1} {:.1}L{:.1} {:.1}",
            x1 - dx,
            y1 - dy,
            x1 + dx,
            y1 + dy,
            x2 - dx,
            y2 - dy,
            x2 + dx,
            y2 + dy
        );
        self.line(&ends, INK, 2.5);
        for (colour, width) in [(INK, 9.0), (LAMP, 5.0)] {
            self.line(&format!("M{x1:.1} {y1:.1}L{x2:.1} {y2:.1}"), colour, width);
        }
    }

    /// The letter by which a line is found among the measures.
    fn badge(&mut self, letter: char, [x, y]: [f64; 2]) {
        self.add(format_args!(
            r#"<circle cx="{x:.1}" cy="{y:.1}" r="15" fill="{LAMP}" stroke="{INK}" stroke-width="2"/>"#
        ));
        self.add(format_args!(
            r#"<text x="{x:.1}" y="{:.1}" font-size="{SMALL}" font-weight="bold" text-anchor="middle">{letter}</text>"#,
            y + 7.0
        ));
    }

    /// What the marks mean that are in the picture.
    fn legend(&mut self, reading: &TrailReading, words: &Words) {
        let belonging: Vec<&Member> = reading.prints.iter().filter(|p| !reading.foreign.contains(&p.print)).collect();
        let feet = [
            (Foot::Fore, "trail.drawn.fore"),
            (Foot::Hind, "trail.drawn.hind"),
            (Foot::Unknown, "trail.drawn.foot_unknown"),
        ];
        let mut marks: Vec<(Foot, bool, &str)> = feet
            .into_iter()
            .filter(|(foot, _)| belonging.iter().any(|print| print.foot == *foot))
            .map(|(foot, key)| (foot, false, key))
            .collect();
        if !reading.foreign.is_empty() {
            marks.push((Foot::Unknown, true, "trail.drawn.foreign"));
        }
        let mut x = MARGIN;
        self.y += TEXT + 8.0;
        for (foot, foreign, key) in marks {
            let text = words.say(key);
            let wide = 36.0 + ASPECT * TEXT * text.chars().count() as f64;
            if x > MARGIN && x + wide > WIDTH - MARGIN {
                (x, self.y) = (MARGIN, self.y + TEXT + 12.0);
            }
            let centre = [x + 12.0, self.y - 9.0];
            let shape = format!(r#"<circle cx="{:.1}" cy="{:.1}" r="9""#, centre[0], centre[1]);
            self.mark(&shape, centre, 9.0, foot, foreign);
            self.text([x + 32.0, self.y], TEXT, text);
            x += wide + 24.0;
        }
        if belonging.iter().any(|print| print.side != Side::Unknown) {
            self.y += TEXT + 12.0;
            self.text([MARGIN, self.y], TEXT, words.say("trail.drawn.sides"));
        }
        self.y += 14.0;
    }

    /// A round length of at most a third of the picture.
    fn scale_bar(&mut self, px_per_cm: f64, words: &Words) {
        let room_cm = (WIDTH - 2.0 * MARGIN) / 3.0 / px_per_cm;
        let tens = 10f64.powf(room_cm.log10().floor());
        let cm = [5.0, 2.0, 1.0].into_iter().map(|m| m * tens).find(|cm| *cm <= room_cm).unwrap_or(tens);
        self.y += TEXT + 8.0;
        let (y, wide) = (self.y, cm * px_per_cm);
        self.add(format_args!(
            r#"<rect x="{MARGIN}" y="{:.1}" width="{wide:.1}" height="12" fill="{LAMP}" stroke="{INK}" stroke-width="2.5"/>"#,
            y - 14.0
        ));
        self.text([MARGIN + wide + 14.0, y], TEXT, &length(cm, words));
        self.y += 18.0;
    }

    /// Numbers first, the letter of its line before each.
    fn measures(&mut self, reading: &TrailReading, words: &Words) {
        let measures = [
            ('a', "trail.drawn.stride", reading.stride_mm()),
            ('b', "trail.drawn.group_length", reading.group_length_mm()),
            ('c', "trail.drawn.gap", reading.gap_mm()),
            ('d', "trail.drawn.straddle", reading.straddle_mm()),
        ];
        let mut any = false;
        for (letter, key, mm) in measures.into_iter().filter_map(|(letter, key, mm)| Some((letter, key, mm?))) {
            any = true;
            self.y += LARGE + 10.0;
            let y = self.y;
            self.badge(letter, [MARGIN + 15.0, y - 13.0]);
            let (value, pm) = (words.number(mm.value, 0), words.number(mm.half_width_95().ceil(), 0));
            self.add(format_args!(
                r#"<text x="{:.1}" y="{y:.1}" font-size="{TEXT}"><tspan font-size="{LARGE}" font-weight="bold">{value} mm</tspan> ±{pm}  {}</text>"#,
                MARGIN + 44.0,
                words.say(key)
            ));
        }
        if any {
            self.y += 12.0;
        }
    }

    fn measures_explained(&mut self, words: &Words) {
        if self.svg.contains(" mm</tspan>") {
            for line in wrapped(words.say("measure.half_width"), WIDTH - 2.0 * MARGIN, SMALL) {
                self.y += SMALL + 6.0;
                let y = self.y;
                self.add(format_args!(
                    r#"<text x="{MARGIN}" y="{y:.1}" font-size="{SMALL}" fill="{MUD}">{line}</text>"#
                ));
            }
        }
    }

    fn close(self, words: &Words) -> String {
        let (title, height) = (words.say("trail.drawing"), self.y + MARGIN);
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH:.0} {height:.0}\" role=\"img\" aria-label=\"{title}\" \
             font-family=\"system-ui, sans-serif\" fill=\"{INK}\" stroke-linecap=\"round\" stroke-linejoin=\"round\">\n\
             <title>{title}</title>\n<rect width=\"{WIDTH:.0}\" height=\"{height:.0}\" fill=\"{FOAM}\"/>\n{}</svg>\n",
            self.svg
        )
    }
}

/// The key of the likeliest answer and its probability. Walk and trot are one to the eye; the drawing doesn't decide between them.
fn title(reading: &TrailReading) -> (&'static str, f64) {
    let alternates = |name| matches!(name, PatternName::Walk | PatternName::Trot);
    match reading.patterns.first().filter(|p| p.probability > reading.no_pattern) {
        Some(first) if alternates(first.name) => {
            let both = reading.patterns.iter().filter(|p| alternates(p.name)).map(|p| p.probability).sum();
            ("trail.walk_or_trot", both)
        }
        Some(first) => (first.name.key(), first.probability),
        None => ("trail.no_pattern", reading.no_pattern),
    }
}

fn letter(side: Side) -> Option<&'static str> {
    match side {
        Side::Left => Some("trail.drawn.left"),
        Side::Right => Some("trail.drawn.right"),
        Side::Unknown => None,
    }
}

/// A length along the trail, metres from one metre on.
fn length(cm: f64, words: &Words) -> String {
    let whole = |value: f64| usize::from((value - value.round()).abs() > 1e-6);
    if cm.abs() < 100.0 {
        format!("{} cm", words.number(cm, whole(cm)))
    } else {
        format!("{} m", words.number(cm / 100.0, 2 * whole(cm / 100.0)))
    }
}

/// Lines of at most so many px.
fn wrapped(text: &str, room: f64, size: f64) -> Vec<String> {
    let most = (room / (ASPECT * size)) as usize;
    let mut lines: Vec<String> = Vec::new();
    for word in text.split(' ') {
        match lines.last_mut().filter(|line| line.chars().count() + 1 + word.chars().count() <= most) {
            Some(line) => {
                line.push(' ');
                line.push_str(word);
            }
            None => lines.push(word.to_owned()),
        }
    }
    lines
}

/// A print by its number.
fn member(reading: &TrailReading, print: usize) -> &Member {
    &reading.prints[reading.prints.partition_point(|p| p.print < print)]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trail::{TrailPrint, TrailPrints, Travel, read};
    use crate::words::LANGUAGES;

    fn fixture(name: &str) -> TrailPrints {
        let text = std::fs::read_to_string(format!("../fixtures/trails/{name}.json")).unwrap();
        serde_json::from_str(&text).unwrap()
    }

    fn drawn(trail: &TrailPrints) -> String {
        draw(&read(trail).unwrap(), &Words::load("en").unwrap())
    }

    #[test]
    fn north_is_where_the_tape_says_and_left_out_where_it_does_not() {
        // A tape to the east: north is up, its letter above the arrow's middle and straight over it.
        let north = |azimuth_deg| {
            let svg = drawn(&TrailPrints { azimuth_deg, ..fixture("fox_walk") });
            let line = svg.lines().find(|line| line.ends_with(">N</text>")).map(str::to_owned)?;
            let number = |key: &str| line.split(key).nth(1).unwrap().split('"').next().unwrap().parse::<f64>().unwrap();
            Some([number(" x=\"") - (WIDTH - MARGIN - 42.0), number(" y=\"") - 8.0 - (MARGIN + 42.0)])
        };
        let [x, y] = north(Some(90.0)).unwrap();
        assert!(x.abs() < 0.1 && y < -20.0, "up: {x} {y}");
        let [x, y] = north(Some(0.0)).unwrap();
        assert!(x > 20.0 && y.abs() < 0.1, "to the right, as the tape: {x} {y}");
        assert!(north(None).is_none());
    }

    #[test]
    fn the_way_the_animal_went_is_said_or_said_to_be_unknown() {
        let trail = fixture("fox_walk");
        let arrow = |travel| drawn(&TrailPrints { travel, ..trail.clone() });
        assert!(arrow(Travel::Unknown).contains("direction not known"));
        assert!(arrow(Travel::Forwards).contains("direction of travel"));
        assert_ne!(arrow(Travel::Forwards), arrow(Travel::Backwards));
    }

    #[test]
    fn a_long_trail_is_laid_in_rows_so_that_its_prints_stay_apart() {
        let mut trail = fixture("otter_bound");
        let one = trail.prints.clone();
        for lap in 1..5 {
            trail.prints.extend(one.iter().map(|p| TrailPrint { along_cm: p.along_cm + 358.0 * f64::from(lap), ..*p }));
        }
        let svg = drawn(&trail);
        assert!(svg.matches("along the trail").count() > 2, "{svg}");
        assert_eq!(svg.matches("<ellipse").count(), trail.prints.len());
    }

    proptest::proptest! {
        #![proptest_config(proptest::prelude::ProptestConfig::with_cases(20))]

        #[test]
        fn wherever_the_prints_lie_all_of_them_are_in_the_picture(
            places in proptest::collection::vec((-900.0..900.0f64, -80.0..80.0f64), 2..16),
        ) {
            let print = |(along_cm, offset_cm)| TrailPrint { along_cm, offset_cm, ..fixture("fox_walk").prints[0] };
            let trail = TrailPrints { prints: places.into_iter().map(print).collect(), u_position_cm: 1.0, ..TrailPrints::default() };
            if read(&trail).is_ok() {
                let svg = drawn(&trail);
                let xs: Vec<f64> = svg.split("<ellipse cx=\"").skip(1).map(|s| s.split('"').next().unwrap().parse().unwrap()).collect();
                proptest::prop_assert_eq!(xs.len(), trail.prints.len());
                proptest::prop_assert!(xs.iter().all(|x| (0.0..=WIDTH).contains(x)), "{:?}", xs);
            }
        }
    }

    #[test]
    fn each_measure_has_its_letter_at_its_line_and_at_its_number() {
        let svg = drawn(&fixture("otter_bound"));
        for letter in ['a', 'b', 'c', 'd'] {
            assert_eq!(svg.matches(&format!(">{letter}</text>")).count(), 2, "{letter}");
        }
    }

    /// With a folder in RAKELIGHT_DRAWINGS it also writes them there, to be looked at.
    #[test]
    fn every_fixture_becomes_a_picture() {
        let files = std::fs::read_dir("../fixtures/trails").unwrap().flatten().map(|file| file.path());
        let mut names: Vec<String> = files
            .filter(|path| path.extension().is_some_and(|e| e == "json"))
            .map(|path| path.file_stem().unwrap().to_str().unwrap().to_owned())
            .collect();
        names.sort();
        let font = crate::raster::system_font();
        for (i, name) in names.iter().enumerate() {
            let language = LANGUAGES[i % LANGUAGES.len()];
            let trail = TrailPrints { azimuth_deg: [None, Some(35.0)][i % 2], ..fixture(name) };
            let svg = draw(&read(&trail).unwrap(), &Words::load(language).unwrap());
            let png = crate::raster::png(&svg, 720, font.as_deref()).unwrap();
            if let Ok(folder) = std::env::var("RAKELIGHT_DRAWINGS") {
                std::fs::write(format!("{folder}/{name}.png"), png).unwrap();
            }
        }
    }
}
