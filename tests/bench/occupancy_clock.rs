//! The time of an occupancy fit, for checks from outside: `occupancy-clock FILE.csv PSI P [SIMULATIONS]` prints milliseconds, of the fit or of its
//! test on so many simulations, and −ln L.

use std::time::Instant;

use rakelight_core::analysis::occupancy::{Histories, Model, fit, fit_test};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [file, psi, p, rest @ ..] = arguments.as_slice() else { return Err("FILE.csv PSI P [SIMULATIONS]".into()) };
    let histories = Histories::from_csv(&std::fs::read_to_string(file)?)?;
    let model = Model::parse(psi, p)?;
    let start = Instant::now();
    let fitted = fit(&histories, &model, 0.95)?;
    let mut ms = 1e3 * start.elapsed().as_secs_f64();
    let estimate = fitted.estimate().ok_or("nothing can be estimated")?;
    if let Some(simulations) = rest.first() {
        let start = Instant::now();
        fit_test(&histories, estimate, simulations.parse()?, 1);
        ms = 1e3 * start.elapsed().as_secs_f64();
    }
    println!("{ms} {}", estimate.minus_two_log_likelihood / 2.0);
    Ok(())
}
