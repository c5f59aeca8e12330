//! `rakelight measure`: prints and distances in a photograph.

use std::path::{Path, PathBuf};

use clap::Args;
use rakelight_core::measured::Measured;
use rakelight_core::photo::Photo;
use rakelight_core::print::{self, Floor, Landmarks, Measurement, PadEdge, Request, ScaleKind};
use rakelight_core::scale::card::U_CHECK_LINE_MM;
use rakelight_core::scale::{Coin, Ellipse, Sheet};
use rakelight_core::words::Words;

use super::print_json;
use crate::failure::{self, Failure};

/// What and by which scale.
#[derive(Args)]
pub struct Arguments {
    /// The photograph (JPEG or PNG), or several of one card that lay still, from different sides.
    #[arg(required = true)]
    photos: Vec<PathBuf>,
    /// What gives the scale: `card`; `id1:`, `a4:` or `a5:` with the sheet's corners `X1,Y1,…,X4,Y4` (clockwise from any);
    /// `coin:KIND,CX,CY,A,B,DEG` (a euro coin's outline: middle, half axes, direction of the first one);
    /// `ruler:X1,Y1,X2,Y2,MM` (two pixels and the millimetres between them).
    #[arg(long, default_value = "card", allow_hyphen_values = true)]
    scale: String,
    /// What the card's check line of 100 mm measures with a good ruler, where it was printed at another size, mm.
    #[arg(long, value_name = "MM", allow_hyphen_values = true)]
    check_line_mm: Option<f64>,
    /// Standard uncertainty of that, mm.
    #[arg(long, value_name = "MM", requires = "check_line_mm", default_value_t = U_CHECK_LINE_MM, allow_hyphen_values = true)]
    u_check_line_mm: f64,
    /// By how much the camera was off straight down, degrees, as the phone's level shows it: what a ruler's measures allow for.
    #[arg(long, value_name = "DEG", allow_hyphen_values = true)]
    camera_tilt_deg: Option<f64>,
    /// A distance that is wanted, from pixel to pixel: `X1,Y1,X2,Y2`.
    #[arg(long, allow_hyphen_values = true)]
    between: Vec<String>,
    /// A file of marked points (JSON), or `-`.
    #[arg(long)]
    landmarks: Option<PathBuf>,
    /// How well points are marked (standard uncertainty), px.
    #[arg(long, default_value_t = 2.0, allow_hyphen_values = true)]
    u_click_px: f64,
    /// Depth of the print's floor below the scale, mm.
    #[arg(long, requires = "u_depth_mm", conflicts_with = "floor_up_to_mm", allow_hyphen_values = true)]
    depth_mm: Option<f64>,
    /// Standard uncertainty of that depth, mm.
    #[arg(long, requires = "depth_mm", allow_hyphen_values = true)]
    u_depth_mm: Option<f64>,
    /// The floor lies anywhere from the scale down to this, mm.
    #[arg(long, allow_hyphen_values = true)]
    floor_up_to_mm: Option<f64>,
    /// Direction towards the light in the picture, degrees clockwise from its right; tells pits from bumps.
    #[arg(long, value_name = "DEG", allow_hyphen_values = true)]
    light_from: Option<f64>,
    /// A rough touch on a pad, up to 5 mm off its middle: `X,Y`. Its edge is looked for (repeatable).
    #[arg(long, value_name = "X,Y", allow_hyphen_values = true)]
    snap: Vec<String>,
    /// Write a view of the ground around the print that makes faint pads visible (PNG).
    #[arg(long, value_name = "OUT.png")]
    relief: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    let mut photos = arguments.photos.iter().map(|path| read(path)).collect::<Result<Vec<_>, _>>()?;
    let landmarks = match &arguments.landmarks {
        Some(landmarks) => Landmarks::from_json(&failure::read_text(landmarks)?).map_err(Failure::input)?,
        None => Landmarks::default(),
    };
    let mut request = Request {
        scale: parse_scale(&arguments.scale)?,
        check_line: arguments.check_line_mm.map(|value| Measured { value, u: arguments.u_check_line_mm }),
        camera_tilt_deg: arguments.camera_tilt_deg,
        between: arguments.between.iter().map(|text| parse_between(text)).collect::<Result<_, _>>()?,
        landmarks,
        u_click_px: arguments.u_click_px,
        floor: match (arguments.depth_mm, arguments.u_depth_mm, arguments.floor_up_to_mm) {
            (Some(depth_mm), Some(u_depth_mm), _) => Floor::At { depth_mm, u_depth_mm },
            (_, _, Some(depth_mm)) => Floor::UpTo { depth_mm },
            _ => Floor::InPlane,
        },
        look_at_ground: true,
        light_from_deg: arguments.light_from,
    };
    let measurement = match photos.as_slice() {
        [(file, photo)] => {
            request.landmarks = request.landmarks.of_photo(file);
            let path = arguments.photos[0].display();
            print::measure(photo, &request).map_err(|error| Failure::input(format!("{path}: {error}")))?
        }
        several => print::measure_together(several, &request).map_err(Failure::input)?,
    };
    let (_, photo) = photos.swap_remove(0);
    let touches = arguments.snap.iter().map(|text| parse_touch(text, &photo)).collect::<Result<Vec<_>, _>>()?;
    let snapped: Vec<_> = touches.iter().map(|touch| measurement.snap(&photo, *touch)).collect();
    if let Some(out) = &arguments.relief {
        let picture =
            measurement.relief_png(&photo).map_err(|error| Failure::input(format!("{}: {error}", out.display())))?;
        failure::write(out, picture)?;
    }
    if arguments.json {
        let mut document = measurement.to_json(&photo, words);
        if !snapped.is_empty() {
            document["snapped"] = snapped.iter().map(|edge| edge.map(PadEdge::to_json)).collect();
        }
        print_json(&document);
    } else {
        show(&measurement, words);
        arguments.snap.iter().zip(&snapped).for_each(|(touch, edge)| show_edge(touch, edge.as_ref(), words));
    }
    Ok(())
}

/// A photograph with its base name.
fn read(path: &Path) -> Result<(String, Photo), Failure> {
    let file = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let photo =
        Photo::read(&failure::read(path)?).map_err(|error| Failure::input(format!("{}: {error}", path.display())))?;
    Ok((file, photo))
}

fn parse_scale(text: &str) -> Result<ScaleKind, Failure> {
    let wrong = |why: &str| Failure::input(format!("--scale {text}: {why}"));
    let (kind, rest) = text.split_once(':').unwrap_or((text, ""));
    match kind {
        "card" if rest.is_empty() => Ok(ScaleKind::Card),
        "ruler" => {
            let [x1, y1, x2, y2, length_mm] =
                numbers(rest).ok_or_else(|| wrong("a ruler needs five numbers, `ruler:X1,Y1,X2,Y2,MM`"))?;
            Ok(ScaleKind::Ruler { from_px: [x1, y1], to_px: [x2, y2], length_mm })
        }
        "coin" => {
            let needed =
                || wrong("a coin needs its name and five numbers, `coin:1eur,CX,CY,A,B,DEG` (half axes in pixels)");
            let (name, rest) = rest.split_once(',').ok_or_else(needed)?;
            let [x, y, a, b, deg] = numbers(rest).ok_or_else(needed)?;
            let coin = Coin::named(name).map_err(Failure::input)?;
            Ok(ScaleKind::Coin { coin, ellipse: Ellipse { centre_px: [x, y], half_axes_px: [a, b], deg } })
        }
        "id1" | "a4" | "a5" => {
            let [x1, y1, x2, y2, x3, y3, x4, y4] =
                numbers(rest).ok_or_else(|| wrong("a sheet needs its four corners, `X1,Y1,X2,Y2,X3,Y3,X4,Y4`"))?;
            let sheet = Sheet::named(kind).map_err(Failure::input)?;
            Ok(ScaleKind::Sheet { sheet, taps: [[x1, y1], [x2, y2], [x3, y3], [x4, y4]] })
        }
        _ => Err(wrong(
            "known are `card`, `id1:`, `a4:` or `a5:` with four corners, `coin:KIND,CX,CY,A,B,DEG`, `ruler:X1,Y1,X2,Y2,MM`",
        )),
    }
}

fn parse_between(text: &str) -> Result<[[f64; 2]; 2], Failure> {
    let [x1, y1, x2, y2] = numbers(text)
        .ok_or_else(|| Failure::input(format!("--between {text}: four numbers are needed, `X1,Y1,X2,Y2`")))?;
    Ok([[x1, y1], [x2, y2]])
}

fn parse_touch(text: &str, photo: &Photo) -> Result<[f64; 2], Failure> {
    let touch: [f64; 2] =
        numbers(text).ok_or_else(|| Failure::input(format!("--snap {text}: two numbers are needed, `X,Y`")))?;
    let (width, height) = (photo.luma.width, photo.luma.height);
    let inside = (0.0..width as f64).contains(&touch[0]) && (0.0..height as f64).contains(&touch[1]);
    let outside = || Failure::input(format!("--snap {text}: it lies outside the picture of {width} × {height} pixels"));
    if inside { Ok(touch) } else { Err(outside()) }
}

/// Exactly `N` finite numbers with commas between them.
fn numbers<const N: usize>(text: &str) -> Option<[f64; N]> {
    let numbers: Option<Vec<f64>> =
        text.split(',').map(|n| n.trim().parse().ok().filter(|n: &f64| n.is_finite())).collect();
    numbers?.try_into().ok()
}

/// A snapped edge: length and width of the pad, and how well its edge is known.
fn show_edge(touch: &str, edge: Option<&PadEdge>, words: &Words) {
    let Some(edge) = edge else {
        return println!("{touch:<14} {}", words.say("measure.no_pad"));
    };
    let [a, b] = edge.half_axes_mm.map(|half| words.number(2.0 * half, 1));
    let u = words.number(edge.u_edge_mm, 1);
    println!("{touch:<14} {}", words.fill("measure.pad", &[("length", &a), ("width", &b), ("u", &u)]));
}

/// The measures as a table: value and 95 % half width.
fn show(measurement: &Measurement, words: &Words) {
    let line = |name: &str, what: &str, length: rakelight_core::measured::Measured| {
        println!("{name:<14} {what:<24} {:>8.1} mm ±{:.1}", length.value, length.half_width_95());
    };
    for distance in &measurement.distances {
        let name = distance.names.as_ref().map_or_else(String::new, |[from, to]| format!("{from}–{to}"));
        line(&name, words.say("measure.distance"), distance.length.mm);
    }
    for print in &measurement.prints {
        for (name, dimension) in print.dimensions() {
            if let Some(dimension) = dimension {
                line(&print.id, words.say(&format!("measure.{name}")), dimension.mm);
            }
        }
        if let Some(depth) = print.depth {
            line(&print.id, words.say("measure.depth_mm"), depth);
        }
    }
    println!("{}", words.say("measure.half_width"));
    for warning in &measurement.warnings {
        eprintln!("rakelight: {}", warning.say(words));
    }
}
