//! `rakelight plan sun`: where the sun stands.

use chrono::{DateTime, Utc};
use clap::Args;
use rakelight_core::plan::{Air, delta_t_s, sun};
use rakelight_core::time::utc_text;
use rakelight_core::words::Words;
use serde_json::json;

use super::Place;
use crate::command::print_json;
use crate::failure::Failure;

/// Where and when.
#[derive(Args)]
pub struct Arguments {
    #[command(flatten)]
    place: Place,
    /// When, RFC 3339; without an offset it is UTC.
    #[arg(long, value_name = "TIME", value_parser = super::time)]
    at: DateTime<Utc>,
    /// Air pressure at the place, hPa.
    #[arg(long, value_name = "HPA", default_value_t = Air::default().pressure_hpa, allow_hyphen_values = true)]
    pressure_hpa: f64,
    /// Air temperature, °C.
    #[arg(long, value_name = "C", default_value_t = Air::default().temperature_c, allow_hyphen_values = true)]
    temperature_c: f64,
    /// Height above the sea, m.
    #[arg(long, value_name = "M", default_value_t = 0.0, allow_hyphen_values = true)]
    elevation_m: f64,
    /// Terrestrial time minus UT1, s; as it is reckoned for the date where it isn't given.
    #[arg(long, value_name = "S", allow_hyphen_values = true)]
    delta_t_s: Option<f64>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    let Arguments { at, elevation_m, .. } = *arguments;
    let air = Air { pressure_hpa: arguments.pressure_hpa, temperature_c: arguments.temperature_c };
    let delta_t_s = arguments.delta_t_s.map_or_else(|| delta_t_s(at), Ok).map_err(Failure::input)?;
    let sun = sun(arguments.place.position()?, at, elevation_m, air, delta_t_s).map_err(Failure::input)?;
    if arguments.json {
        print_json(&json!({
            "utc": utc_text(at), "azimuth_deg": sun.azimuth_deg, "zenith_deg": sun.zenith_deg, "apparent_zenith_deg": sun.apparent_zenith_deg,
            "pressure_hpa": air.pressure_hpa, "temperature_c": air.temperature_c, "elevation_m": elevation_m, "delta_t_s": delta_t_s,
        }));
        return Ok(());
    }
    let (azimuth, elevation) = (words.number(sun.azimuth_deg, 2), words.number(sun.elevation_deg(), 2));
    println!("{}", words.fill("plan.sun", &[("azimuth", &azimuth), ("elevation", &elevation)]));
    println!("{}", words.say("plan.angles_only"));
    Ok(())
}
