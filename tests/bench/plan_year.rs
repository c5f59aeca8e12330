//! Times a year of windows for one place in this process: `plan-year ROUNDS CONSTANTS.csv` prints milliseconds a round, without and with a tide. Called by `plan`.

use std::error::Error;
use std::time::Instant;

use rakelight_core::place::Position;
use rakelight_core::plan::{Asked, HarmonicTide, Shore, Tide, TurnBack, Tz, plan};

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [rounds, constants] = &arguments[..] else { return Err("plan-year ROUNDS CONSTANTS.csv".into()) };
    let tide = Tide::Harmonic(HarmonicTide::from_csv(&std::fs::read_to_string(constants)?, 2.024)?);
    let shore = Shore { tide, free_below_m: 1.0, turn_back: TurnBack::builtin()?, past_low_water: false };
    for _ in 0..rounds.parse()? {
        let mut times = Vec::new();
        for shore in [None, Some(shore.clone())] {
            let place = Position::new(51.56, -2.665, None)?;
            let from = "2026-01-01".parse()?;
            let asked = Asked { place, from, days: 365, zone: Tz::Europe__London, low_sun: None, shore };
            let start = Instant::now();
            let windows = plan(&asked)?.windows.len();
            times.push(format!("{:.3} {windows}", 1000.0 * start.elapsed().as_secs_f64()));
        }
        println!("{}", times.join(" "));
    }
    Ok(())
}
