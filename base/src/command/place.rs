//! `rakelight place`: a position in grids, and as it leaves the house.

use clap::Args;
use rakelight_core::place::{Category, Epsg3035, NationalGrid, Position, Utm};
use rakelight_core::words::Words;
use serde_json::{Map, Value, json};

use super::print_json;
use crate::failure::Failure;

/// A position.
#[derive(Args)]
pub struct Arguments {
    /// Latitude, WGS84, degrees, north positive.
    #[arg(long, value_name = "DEG", allow_hyphen_values = true)]
    lat: f64,
    /// Longitude, WGS84, degrees, east positive.
    #[arg(long, value_name = "DEG", allow_hyphen_values = true)]
    lon: f64,
    /// The radius that holds the true place with 68 %, as a phone says it, m.
    #[arg(long, value_name = "M", allow_hyphen_values = true)]
    radius_m: Option<f64>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    if let Some(radius) = arguments.radius_m.filter(|radius| !(*radius > 0.0 && radius.is_finite())) {
        return Err(Failure::input(format!("--radius-m {radius} can't be: give a radius in metres above 0")));
    }
    let place = Position::new(arguments.lat, arguments.lon, arguments.radius_m).map_err(Failure::input)?;
    let (utm, europe) = (Utm::of(&place).ok(), Epsg3035::in_europe(&place));
    let national = NationalGrid::all_of(&place).map_err(|error| Failure::Machine(error.to_string()))?;
    let categories = (1..=4).filter_map(|number| Category::try_from(number).ok());
    let generalised: Vec<_> = categories.map(|category| (category, category.generalise(&place))).collect();
    let cell = |km| europe.map(|europe| europe.cell(km));
    if arguments.json {
        let by_category: Map<String, Value> =
            generalised.iter().map(|(category, public)| (u8::from(*category).to_string(), json!(public))).collect();
        print_json(&json!({
            "lat": place.lat,
            "lon": place.lon,
            "radius_68_m": place.radius_68_m,
            "utm": utm,
            "mgrs": utm.map(|utm| utm.mgrs()),
            "epsg3035": europe,
            "cell_1km": cell(1),
            "cell_10km": cell(10),
            "cell_100km": cell(100),
            "national": national,
            "generalised": by_category,
        }));
        return Ok(());
    }
    let metres = |value: f64| words.number(value, 1);
    if let Some(utm) = utm {
        println!("UTM {}{} {} {}", utm.zone, utm.hemisphere, metres(utm.easting_m), metres(utm.northing_m));
        println!("MGRS {}", utm.mgrs());
    }
    if let Some(europe) = europe {
        println!("EPSG:3035 {} {}", metres(europe.easting_m), metres(europe.northing_m));
        println!("{}", [1, 10, 100].map(|km| europe.cell(km)).join(" "));
    }
    for grid in &national {
        let (east, north) = (metres(grid.easting_m), metres(grid.northing_m));
        let square = grid.square_100m.as_ref().map(|square| format!(" {square}")).unwrap_or_default();
        println!("EPSG:{} {} {east} {north} (±{} m){square}", grid.epsg, grid.name, words.number(grid.accuracy_m, 0));
    }
    for (category, public) in &generalised {
        let degrees = |value: f64| words.number(value, category.decimals());
        let values = [
            ("category", &*u8::from(*category).to_string()),
            ("lat", &degrees(public.lat)),
            ("lon", &degrees(public.lon)),
            ("m", &words.number(public.uncertainty_m, 0)),
        ];
        println!("{}", words.fill("export.place", &values));
    }
    Ok(())
}
