//! The scale card on paper, at true size: PDF, SVG or PNG from one list of shapes.

use std::fmt::Write;

use pdf_writer::{Content, Name, Pdf, Rect, Ref, Str};

use super::card::{self, Layout, STANDARD};
use super::light::encode;
use crate::words::Words;

/// A sheet of paper.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Paper {
    /// ISO 216: 210 × 297 mm.
    A4,
    /// ANSI: 8.5 × 11 in.
    Letter,
}

impl Paper {
    fn size_mm(self) -> [f64; 2] {
        match self {
            Self::A4 => [210.0, 297.0],
            Self::Letter => [215.9, 279.4],
        }
    }
}

/// Why a drawing can't be written.
#[derive(Debug, thiserror::Error)]
pub enum DrawError {
    /// A PNG needs a sensible resolution.
    #[error("{dpi} dots an inch can't be drawn: choose from 50 to 1200 (300 is usual for printers)")]
    Resolution {
        /// What was asked for.
        dpi: u32,
    },
    /// The encoder refused.
    #[error("the PNG can't be written: {0}")]
    Png(#[from] png::EncodingError),
}

/// Millimetres from the sheet's top left corner, x right, y down; `grey` is a reflectance (0–1).
enum Shape {
    Area { points: Vec<[f64; 2]>, grey: f64 },
    Line { points: Vec<[f64; 2]>, width: f64 },
    Text { at: [f64; 2], height: f64, text: String },
}

/// The sheet with the card on it as a PDF.
pub fn pdf(layout: &Layout, paper: Paper, words: &Words) -> Vec<u8> {
    let pt = |mm: f64| (mm * 72.0 / 25.4) as f32;
    let [width, height] = paper.size_mm();
    let mut content = Content::new();
    for shape in sheet(layout, paper, words) {
        match shape {
            Shape::Area { points, grey } => {
                content.set_fill_gray(encode(grey) as f32);
                for (i, [x, y]) in points.into_iter().enumerate() {
                    let (x, y) = (pt(x), pt(height - y));
                    _ = if i == 0 { content.move_to(x, y) } else { content.line_to(x, y) };
                }
                content.close_path().fill_nonzero();
            }
            Shape::Line { points, width } => {
                content.set_stroke_gray(0.0).set_line_width(pt(width));
                for (i, [x, y]) in points.into_iter().enumerate() {
                    let (x, y) = (pt(x), pt(height - y));
                    _ = if i == 0 { content.move_to(x, y) } else { content.line_to(x, y) };
                }
                content.stroke();
            }
            Shape::Text { at: [x, y], height: size, text } => {
                content.set_fill_gray(0.0).begin_text().set_font(Name(b"F"), pt(size)).next_line(pt(x), pt(height - y));
                show(&mut content, &text);
                content.end_text();
            }
        }
    }
    let [catalog, pages, page, font, stream] = [1, 2, 3, 4, 5].map(Ref::new);
    let mut pdf = Pdf::new();
    // Asks the print dialogue for true size (ISO 32000-1, table 150).
    pdf.catalog(catalog).pages(pages).viewer_preferences().insert(Name(b"PrintScaling")).primitive(Name(b"None"));
    pdf.pages(pages).kids([page]).count(1);
    pdf.page(page)
        .media_box(Rect::new(0.0, 0.0, pt(width), pt(height)))
        .parent(pages)
        .contents(stream)
        .resources()
        .fonts()
        .pair(Name(b"F"), font);
    let names = BEYOND_LATIN_1.map(|(_, name)| Name(name.as_bytes()));
    pdf.type1_font(font)
        .base_font(Name(b"Helvetica"))
        .encoding_custom()
        .base_encoding(Name(b"WinAnsiEncoding"))
        .differences()
        .consecutive(BEYOND_FROM, names);
    pdf.stream(stream, &content.finish());
    pdf.finish()
}

/// The sheet with the card on it as an SVG, sized in millimetres.
pub fn svg(layout: &Layout, paper: Paper, words: &Words) -> String {
    let [width, height] = paper.size_mm();
    let mut svg = format!(
        r#"<svg xmlns="http://www.w3.org/2000/svg" width="{width}mm" height="{height}mm" viewBox="0 0 {width} {height}">"#
    );
    svg.push_str(r##"<rect width="100%" height="100%" fill="#fff"/>"##);
    let list = |points: &[[f64; 2]]| points.iter().map(|[x, y]| format!("{x:.3},{y:.3}")).collect::<Vec<_>>().join(" ");
    for shape in sheet(layout, paper, words) {
        // Writing to a String can't fail.
        _ = match shape {
            Shape::Area { points, grey } => {
                let level = (encode(grey) * 255.0).round() as u8;
                write!(svg, r#"<polygon points="{}" fill="rgb({level},{level},{level})"/>"#, list(&points))
            }
            Shape::Line { points, width } => {
                write!(
                    svg,
                    r##"<polyline points="{}" fill="none" stroke="#000" stroke-width="{width}"/>"##,
                    list(&points)
                )
            }
            Shape::Text { at: [x, y], height, text } => {
                let text = text.replace('&', "&amp;").replace('<', "&lt;");
                write!(
                    svg,
                    r#"<text x="{x:.3}" y="{y:.3}" font-family="Helvetica, Arial, sans-serif" font-size="{height}">{text}</text>"#
                )
            }
        };
    }
    svg.push_str("</svg>\n");
    svg
}

/// The sheet with the card on it as a grey PNG that states its resolution; without the instructions beside the card.
pub fn png(layout: &Layout, paper: Paper, dpi: u32, words: &Words) -> Result<Vec<u8>, DrawError> {
    if !(50..=1200).contains(&dpi) {
        return Err(DrawError::Resolution { dpi });
    }
    let scale = f64::from(dpi) / 25.4;
    let [width, height] = paper.size_mm().map(|mm| (mm * scale).round() as u32);
    let mut canvas = tiny_skia::Pixmap::new(width, height).ok_or(DrawError::Resolution { dpi })?;
    canvas.fill(tiny_skia::Color::WHITE);
    let outline = |points: &[[f64; 2]]| {
        let mut path = tiny_skia::PathBuilder::new();
        for (i, [x, y]) in points.iter().map(|p| p.map(|mm| (mm * scale) as f32)).enumerate() {
            if i == 0 { path.move_to(x, y) } else { path.line_to(x, y) }
        }
        path
    };
    let mut paint = tiny_skia::Paint::default();
    let here = tiny_skia::Transform::identity();
    for shape in sheet(layout, paper, words) {
        match shape {
            Shape::Area { points, grey } => {
                let level = (encode(grey) * 255.0).round() as u8;
                paint.set_color_rgba8(level, level, level, 255);
                let mut path = outline(&points);
                path.close();
                if let Some(path) = path.finish() {
                    canvas.fill_path(&path, &paint, tiny_skia::FillRule::Winding, here, None);
                }
            }
            Shape::Line { points, width } => {
                paint.set_color_rgba8(0, 0, 0, 255);
                let stroke = tiny_skia::Stroke { width: (width * scale) as f32, ..Default::default() };
                if let Some(path) = outline(&points).finish() {
                    canvas.stroke_path(&path, &paint, &stroke, here, None);
                }
            }
            Shape::Text { .. } => {}
        }
    }
    let grey: Vec<u8> = canvas.pixels().iter().map(|p| p.red()).collect();
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, width, height);
    encoder.set_color(png::ColorType::Grayscale);
    let per_metre = (f64::from(dpi) / 0.0254).round() as u32;
    encoder.set_pixel_dims(Some(png::PixelDimensions { xppu: per_metre, yppu: per_metre, unit: png::Unit::Meter }));
    encoder.write_header()?.write_image_data(&grey)?;
    Ok(bytes)
}

/// Where lettering stands on a card, mm; all of it leaves the space around the markers empty.
struct Face {
    /// Length of the rulers along the inner edges, up and to the right from the inner corner, and which of their marks are numbered.
    ruler_mm: [u32; 2],
    numbers_up: &'static [u32],
    numbers_right: &'static [u32],
    /// The check line's place across and its upper end.
    check_line: [f64; 2],
    check_text: [f64; 2],
    /// The first grey patch and its side; the others follow below.
    patches: [f64; 2],
    patch_mm: f64,
    /// The name, the card's, and its number.
    name: [f64; 2],
    title: &'static str,
    /// What to do with the sheet.
    instructions: [f64; 2],
}

static STANDARD_FACE: Face = Face {
    ruler_mm: [150, 110],
    numbers_up: &[10, 20, 30, 40, 90, 100, 110, 120],
    numbers_right: &[0, 10, 20, 60, 70, 80],
    check_line: [1.6, 40.0],
    check_text: [4.6, 136.0],
    patches: [9.0, 37.0],
    patch_mm: 12.0,
    name: [91.5, 178.0],
    title: "CARD",
    instructions: [46.0, 14.0],
};

static SMALL_FACE: Face = Face {
    ruler_mm: [85, 55],
    numbers_up: &[10, 20, 30, 40, 50, 60],
    numbers_right: &[0, 10, 20, 30],
    check_line: [1.4, 10.0],
    check_text: [4.6, 87.0],
    patches: [7.0, 30.0],
    patch_mm: 9.0,
    name: [26.0, 106.0],
    title: "SMALL CARD",
    instructions: [0.0, 136.0],
};

/// Everything on the sheet, in the order of painting.
fn sheet(layout: &Layout, paper: Paper, words: &Words) -> Vec<Shape> {
    let face = if *layout == STANDARD { &STANDARD_FACE } else { &SMALL_FACE };
    let [width, _] = paper.size_mm();
    let (left, top) = ((width - STANDARD.size_mm[0]) / 2.0, 30.0);
    let mut shapes = on_card(layout, face);
    shapes.extend(instructions(face, words));
    for shape in &mut shapes {
        match shape {
            Shape::Area { points, .. } | Shape::Line { points, .. } => {
                points.iter_mut().for_each(|p| *p = [p[0] + left, p[1] + top])
            }
            Shape::Text { at, .. } => *at = [at[0] + left, at[1] + top],
        }
    }
    shapes
}

/// The card itself, mm from its own corner.
fn on_card(layout: &Layout, face: &Face) -> Vec<Shape> {
    let card = layout.card();
    let mut shapes = vec![Shape::Area { points: card.outline_mm, grey: card.ground_grey }];
    for marker in &card.markers {
        shapes.extend(on_marker(marker, layout.marker_side_mm / 8.0));
    }
    shapes.extend(rulers(layout, face));
    let ([x, from], [text_x, text_y]) = (face.check_line, face.check_text);
    let to = from + card::CHECK_LINE_MM;
    shapes.push(Shape::Line { points: vec![[x, from], [x, to]], width: 0.2 });
    for end in [from, to] {
        shapes.push(Shape::Line { points: vec![[x - 1.2, end], [x + 1.2, end]], width: 0.2 });
    }
    shapes.extend(strokes("CHECK", [text_x, text_y], 2.4));
    shapes.extend(strokes("100 MM", [text_x, text_y + 4.0], 2.4));
    for (i, grey) in [0.09, 0.25, 0.75].into_iter().enumerate() {
        let [x, y] = face.patches;
        shapes.push(area(x, y + (face.patch_mm + 2.0) * i as f64, face.patch_mm, face.patch_mm, grey));
    }
    let [x, y] = face.name;
    shapes.extend(strokes("RAKELIGHT", [x, y], 3.6));
    shapes.extend(strokes(&format!("{} {}", face.title, layout.version), [x, y + 5.4], 2.8));
    shapes.extend(strokes("NO", [x, y + 12.4], 2.8));
    shapes.push(Shape::Line { points: vec![[x + 5.5, y + 12.6], [x + 25.5, y + 12.6]], width: 0.15 });
    shapes
}

fn on_marker(marker: &card::Marker, cell: f64) -> Vec<Shape> {
    const WHITE: f64 = 1.0;
    let [left, top] = marker.corners_mm[0];
    let mut shapes = vec![Shape::Area { points: marker.corners_mm.to_vec(), grey: 0.0 }];
    // White cells beside and below each other are one shape, so that no seam shows between them.
    let cell_of = |along: bool, line, place| if along { (line, place) } else { (place, line) };
    for (along, line) in (0..8).flat_map(|line| [(true, line), (false, line)]) {
        let is_white = |&place: &usize| {
            let (row, column) = cell_of(along, line, place);
            card::cell_is_white(marker.id, row, column)
        };
        let mut place = 0;
        while place < 8 {
            let run = (place..8).take_while(is_white).count();
            if run > 0 {
                let (row, column) = cell_of(along, line, place);
                let (wide, high) = if along { (run, 1) } else { (1, run) };
                let [x, y] = [left + column as f64 * cell, top + row as f64 * cell];
                shapes.push(area(x, y, wide as f64 * cell, high as f64 * cell, WHITE));
            }
            place += run.max(1);
        }
    }
    shapes
}

/// Along both inner edges; numbers stand only where no marker needs the space around it left empty.
fn rulers(layout: &Layout, face: &Face) -> Vec<Shape> {
    let [inner_x, inner_y] = layout.inner_corner_mm();
    let [up, right] = face.ruler_mm;
    let mut shapes = Vec::new();
    for mm in 0..=up.max(right) {
        let length = [2.0, 3.0, 4.0][usize::from(mm % 5 == 0) + usize::from(mm % 10 == 0)];
        let width = if mm % 10 == 0 { 0.3 } else { 0.15 };
        let at = f64::from(mm);
        if mm <= up {
            shapes.push(Shape::Line { points: vec![[inner_x, inner_y - at], [inner_x - length, inner_y - at]], width });
        }
        if mm <= right {
            shapes.push(Shape::Line { points: vec![[inner_x + at, inner_y], [inner_x + at, inner_y + length]], width });
        }
    }
    for mm in face.numbers_up {
        let x = inner_x - 10.6 - if *mm > 99 { 2.0 } else { 0.0 };
        shapes.extend(strokes(&mm.to_string(), [x, inner_y - f64::from(*mm) - 1.2], 2.4));
    }
    for mm in face.numbers_right {
        let x = inner_x + f64::from(*mm) - if *mm == 0 { 0.4 } else { 1.6 };
        shapes.extend(strokes(&mm.to_string(), [x, inner_y + 7.4], 2.4));
    }
    shapes
}

/// What to do with the sheet, beside the card, where it is cut away.
fn instructions(face: &Face, words: &Words) -> Vec<Shape> {
    const SIZE: f64 = 4.2;
    const CHARACTERS_A_LINE: usize = 52;
    let [left, mut y] = face.instructions;
    let mut shapes =
        vec![Shape::Text { at: [left, y], height: 7.0, text: format!("Rakelight · {}", words.say("card.title")) }];
    y += 12.0;
    for key in ["print_true_size", "check", "if_not", "cut", "use"] {
        for line in wrapped(words.say(&format!("card.{key}")), CHARACTERS_A_LINE) {
            shapes.push(Shape::Text { at: [left, y], height: SIZE, text: line });
            y += SIZE * 1.4;
        }
        y += SIZE * 0.8;
    }
    shapes
}

fn area(x: f64, y: f64, width: f64, height: f64, grey: f64) -> Shape {
    Shape::Area { points: vec![[x, y], [x + width, y], [x + width, y + height], [x, y + height]], grey }
}

fn wrapped(text: &str, characters: usize) -> Vec<String> {
    let mut lines: Vec<String> = vec![String::new()];
    for word in text.split_whitespace() {
        let last = lines.len() - 1;
        if !lines[last].is_empty() && lines[last].chars().count() + 1 + word.chars().count() > characters {
            lines.push(word.into());
        } else {
            let line = &mut lines[last];
            line.push_str(if line.is_empty() { "" } else { " " });
            line.push_str(word);
        }
    }
    lines
}

/// The first code of `BEYOND_LATIN_1`; Latin-1 prints nothing from there on.
const BEYOND_FROM: u8 = 128;

/// What our languages write beyond Latin-1, each with its glyph's name: of the Latin set that every viewer has (ISO 32000-1, annex D.2).
const BEYOND_LATIN_1: [(char, &str); 10] = [
    ('’', "quoteright"),
    ('„', "quotedblbase"),
    ('”', "quotedblright"),
    ('–', "endash"),
    ('Œ', "OE"),
    ('œ', "oe"),
    ('Ł', "Lslash"),
    ('ł', "lslash"),
    ('˛', "ogonek"),
    ('˙', "dotaccent"),
];

/// Polish letters that the set lacks and some viewers leave blank: the letter and the mark it is made of, and the letter's width in
/// thousandths of the size (Adobe's metrics of Helvetica, Core 14 AFM).
const COMPOSED: [(char, [char; 2], f32); 7] = [
    ('ą', ['a', '˛'], 556.0),
    ('ć', ['c', '´'], 500.0),
    ('ę', ['e', '˛'], 556.0),
    ('ń', ['n', '´'], 556.0),
    ('ś', ['s', '´'], 500.0),
    ('ź', ['z', '´'], 500.0),
    ('ż', ['z', '˙'], 500.0),
];

/// The width of each of those marks, from the same metrics.
const MARK: f32 = 333.0;

/// Shows a text letter by letter; a mark stands over the middle of its letter, an ogonek below its right end.
fn show(content: &mut Content, text: &str) {
    let mut positioned = content.show_positioned();
    let mut items = positioned.items();
    let shown = |letter| [code(letter).unwrap_or(b'?')];
    for letter in text.chars() {
        let Some((_, [base, mark], width)) = COMPOSED.iter().find(|(composed, ..)| *composed == letter) else {
            items.show(Str(&shown(letter)));
            continue;
        };
        let back = if *mark == '˛' { MARK } else { (width + MARK) / 2.0 };
        items.show(Str(&shown(*base))).adjust(back).show(Str(&shown(*mark))).adjust(MARK - back);
    }
}

/// A letter in Latin-1 and what of our languages goes beyond it, as the PDF's font is told.
fn code(letter: char) -> Option<u8> {
    let beyond = (BEYOND_FROM..).zip(BEYOND_LATIN_1).find(|(_, (known, _))| *known == letter);
    beyond.map(|(code, _)| code).or(u8::try_from(u32::from(letter)).ok())
}

/// Letters as pen strokes, so that the card needs no font: `at` is the baseline's left end, `height` that of a capital.
fn strokes(text: &str, at: [f64; 2], height: f64) -> Vec<Shape> {
    let unit = height / 6.0;
    let lines = text.chars().enumerate().flat_map(|(i, letter)| {
        let x = at[0] + i as f64 * 5.0 * unit;
        glyph(letter).split(' ').filter(|stroke| !stroke.is_empty()).map(move |stroke| {
            let digits: Vec<f64> = stroke.chars().filter_map(|c| c.to_digit(10)).map(f64::from).collect();
            digits.chunks_exact(2).map(|p| [x + p[0] * unit, at[1] - p[1] * unit]).collect()
        })
    });
    lines.map(|points| Shape::Line { points, width: height / 10.0 }).collect()
}

/// Strokes of a letter as points on a grid of 4 × 6, x from the left and y from the baseline.
fn glyph(letter: char) -> &'static str {
    match letter {
        '0' | 'O' => "103041453616050110",
        '1' => "042620 1030",
        '2' => "05163645440040",
        '3' => "05163645443313 334241301001",
        '4' => "30360242",
        '5' => "460603334241301001",
        '6' => "133342413010010213 0205163645",
        '7' => "064620",
        '8' => "130405163645443313 1302011030414233",
        '9' => "331304051636454433 4541301001",
        'A' => "002640 1232",
        'C' => "4536160501103041",
        'D' => "00062644422000",
        'E' => "46060040 0333",
        'G' => "45361605011030414323",
        'H' => "0006 4046 0343",
        'I' => "2026",
        'K' => "0006 4602 1340",
        'L' => "060040",
        'M' => "0006234640",
        'N' => "00064046",
        'R' => "00063645443303 3340",
        'S' => "453616050413334241301001",
        'T' => "0646 2026",
        _ => "",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::photo::Luma;
    use crate::scale::card::LAYOUTS;
    use crate::scale::find_card;
    use crate::words::LANGUAGES;

    #[test]
    fn the_png_shows_each_card_at_true_size_and_the_finder_finds_it() {
        let words = Words::load("en").unwrap();
        for layout in LAYOUTS {
            let bytes = png(layout, Paper::A4, 150, &words).unwrap();
            let picture = image::load_from_memory(&bytes).unwrap().into_luma8();
            let (width, height) = (picture.width() as usize, picture.height() as usize);
            let found = find_card(&Luma { width, height, pixels: picture.into_raw() }).unwrap();
            assert_eq!(found.layout, layout);
            assert_eq!(found.ids, layout.markers.iter().map(|marker| marker.0).collect::<Vec<_>>());
            // 150 dots an inch are 5.9055 dots a millimetre.
            assert!((found.plane.px_per_mm([400.0, 500.0]) - 150.0 / 25.4).abs() < 0.004, "{}", layout.name);
        }
    }

    #[test]
    fn a_sheet_fits_on_its_paper() {
        for words in LANGUAGES.map(|language| Words::load(language).unwrap()) {
            for (layout, paper) in LAYOUTS.into_iter().flat_map(|l| [(l, Paper::A4), (l, Paper::Letter)]) {
                let [width, height] = paper.size_mm();
                for shape in sheet(layout, paper, &words) {
                    let points = match shape {
                        Shape::Area { points, .. } | Shape::Line { points, .. } => points,
                        Shape::Text { at, .. } => vec![at],
                    };
                    let fits = |[x, y]: &[f64; 2]| (5.0..width - 5.0).contains(x) && (5.0..height - 5.0).contains(y);
                    assert!(points.iter().all(fits), "{}", words.language());
                }
            }
        }
    }

    #[test]
    fn every_letter_of_every_language_can_be_written_in_the_pdf() {
        for words in LANGUAGES.map(|language| Words::load(language).unwrap()) {
            for text in words.keys().filter(|key| key.starts_with("card.")).map(|key| words.say(key)) {
                let written = |letter| code(letter).is_some() || COMPOSED.iter().any(|(known, ..)| *known == letter);
                assert!(text.chars().all(written), "{}: {text}", words.language());
            }
        }
        assert!(COMPOSED.iter().all(|(_, parts, _)| parts.iter().all(|part| code(*part).is_some())));
        let mut content = Content::new();
        show(&mut content, "łąć");
        let written = String::from_utf8(content.finish().into_vec()).unwrap().to_lowercase().replace(' ', "");
        assert_eq!(written, "[<87>(a)333<88>0(c)416.5<b4>-83.5]tj");
    }

    #[test]
    fn an_absurd_resolution_is_refused() {
        let words = Words::load("en").unwrap();
        assert!(matches!(png(&STANDARD, Paper::A4, 5, &words), Err(DrawError::Resolution { dpi: 5 })));
    }
}
