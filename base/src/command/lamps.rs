//! The lamps of `rakelight measure`: what is said of them, and the relief that their photographs give.

use std::path::PathBuf;

use clap::Args;
use rakelight_core::lamps::{self, Relief, StatedDirection, StatedLamp};
use rakelight_core::photo::Photo;
use rakelight_core::words::Words;

use super::measure::listed;
use crate::failure::{self, Failure};

/// Lamps moved around the print.
#[derive(Args)]
pub struct Arguments {
    /// The lamp of one photograph, once for each in their order, which makes a relief of three or more photographs of one card that lay still:
    /// `AZIMUTH,ELEVATION` (towards the lamp in the picture, degrees clockwise from its right; degrees above the ground) or
    /// `peg:FOOT_X,FOOT_Y,TIP_X,TIP_Y,HEIGHT_MM` (an upright peg on the card and the tip of its shadow, pixels). A further number is the lamp's
    /// distance, mm.
    #[arg(long = "lamp", value_name = "LAMP", allow_hyphen_values = true)]
    pub lamps: Vec<String>,
    /// How well the lamps' directions are typed (standard uncertainty), degrees.
    #[arg(long, value_name = "DEG", default_value_t = 3.0, requires = "lamps", allow_hyphen_values = true)]
    u_lamp_deg: f64,
    /// Write the ground's normals for other programs (PNG of 16 bits: x right, y down, up as red, green, blue; −1 to 1).
    #[arg(long, value_name = "OUT.png", requires = "lamps")]
    normals: Option<PathBuf>,
}

/// The relief of photographs under these lamps; `None` where none are given.
pub fn relief(
    arguments: &Arguments,
    photos: &[(String, Photo)],
    u_click_px: f64,
    check_line_mm: Option<f64>,
) -> Result<Option<Relief>, Failure> {
    if arguments.lamps.is_empty() {
        return Ok(None);
    }
    let stated = arguments.lamps.iter().map(|text| parse(text, arguments.u_lamp_deg, u_click_px));
    let relief =
        lamps::relief(photos, &stated.collect::<Result<Vec<_>, _>>()?, check_line_mm).map_err(Failure::input)?;
    if let Some(out) = &arguments.normals {
        let png = relief.normals_png().map_err(|error| Failure::input(format!("{}: {error}", out.display())))?;
        let png =
            png.ok_or_else(|| Failure::input("--normals needs three or more photographs: two give no normals"))?;
        failure::write(out, png)?;
    }
    Ok(Some(relief))
}

/// The depth of what was found, for people.
pub fn show(relief: &Relief, words: &Words) {
    if let Some(range) = relief.surface.as_ref().and_then(|surface| surface.range_mm) {
        println!("{:<14} {:<24} {:>8.1} mm ±{:.1}", "", words.say("lamps.range"), range.value, range.half_width_95());
    }
}

fn parse(text: &str, u_deg: f64, u_click_px: f64) -> Result<StatedLamp, Failure> {
    let needed = |what: &str| Failure::input(format!("--lamp {text}: {what}"));
    if let Some(peg) = text.strip_prefix("peg:") {
        let (direction, distance_mm) = match *listed(peg).as_slice() {
            [x, y, tip_x, tip_y, height_mm, ref rest @ ..] if rest.len() < 2 => {
                let direction = StatedDirection::Peg { foot_px: [x, y], tip_px: [tip_x, tip_y], height_mm, u_click_px };
                (direction, rest.first().copied())
            }
            _ => {
                return Err(needed(
                    "a peg needs five numbers, `peg:FOOT_X,FOOT_Y,TIP_X,TIP_Y,HEIGHT_MM`, or six with the lamp's distance in mm",
                ));
            }
        };
        return Ok(StatedLamp { direction, distance_mm });
    }
    match *listed(text).as_slice() {
        [azimuth_deg, elevation_deg, ref rest @ ..] if rest.len() < 2 => {
            let direction = StatedDirection::Angles { azimuth_deg, elevation_deg, u_deg };
            Ok(StatedLamp { direction, distance_mm: rest.first().copied() })
        }
        _ => Err(needed(
            "two numbers are needed, `AZIMUTH,ELEVATION` in degrees, or three with the lamp's distance in mm",
        )),
    }
}
