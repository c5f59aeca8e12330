//! `rakelight analyse occupancy`.

use std::path::PathBuf;

use clap::Args;
use rakelight_core::analysis::draw;
use rakelight_core::analysis::occupancy::{
    self, Coefficient, Estimate, Fit, FitTest, Histories, Model, Outcome, Parameter,
};
use rakelight_core::analysis::of_store::{self, Gathered, PassedOver};
use rakelight_core::words::Words;
use serde_json::json;

use super::{FromStore, nothing_given, say_passed_over, with_interval};
use crate::command::{beside, print_json, print_table};
use crate::failure::{Failure, read_text};

/// Histories and a model.
#[derive(Args)]
pub struct Arguments {
    /// CSV with the column `history` (1 found, 0 not found, . no visit), perhaps `place` and covariates; or `-`.
    #[arg(conflicts_with = "store")]
    file: Option<PathBuf>,
    #[command(flatten)]
    from_store: FromStore,
    /// What occupancy depends on: columns, with commas between them.
    #[arg(long, value_name = "NAME,…", default_value = "")]
    psi: String,
    /// What detection depends on: columns (`rain`, or `rain_1` … one a visit), `visit` (each its own) or `trend`.
    #[arg(long, value_name = "NAME,…|visit|trend", default_value = "")]
    p: String,
    /// The level of the intervals.
    #[arg(long, default_value_t = 0.95)]
    level: f64,
    /// Test the fit on so many simulations.
    #[arg(long, value_name = "N", requires = "seed", value_parser = clap::value_parser!(u32).range(1..=100_000))]
    bootstrap: Option<u32>,
    /// What the simulations' course of chance begins with.
    #[arg(long, value_name = "NUMBER", requires = "bootstrap")]
    seed: Option<u64>,
    /// Write a plot: FILE.svg or FILE.png.
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    if !(arguments.level > 0.0 && arguments.level < 1.0) {
        return Err(Failure::input(format!("--level {} isn't between 0 and 1: 0.95 is usual", arguments.level)));
    }
    let model = Model::parse(&arguments.psi, &arguments.p).map_err(Failure::input)?;
    let (histories, passed_over) = read(arguments, words)?;
    let fit = occupancy::fit(&histories, &model, arguments.level).map_err(|e| in_file(arguments, &e))?;
    let fit_test = fit
        .estimate()
        .zip(arguments.bootstrap.zip(arguments.seed))
        .map(|(estimate, (n, seed))| occupancy::fit_test(&histories, estimate, n as usize, seed));
    if let Some(path) = &arguments.plot {
        let groups = draw::of_occupancy(&histories, &fit, &model, words).map_err(Failure::input)?;
        let svg = draw::plot(&groups, arguments.level, words).map_err(|e| Failure::Machine(e.to_string()))?;
        beside::draw(path, &svg, words)?;
    }
    if arguments.json {
        let mut document = occupancy::document(&histories, &fit, fit_test.as_ref(), words);
        if let Some(passed_over) = passed_over {
            document["passed_over"] = json!(passed_over);
            let history = |place: &occupancy::Place| json!({ "place": place.name, "history": place.history() });
            document["histories"] = histories.places().iter().map(history).collect();
        }
        print_json(&document);
        return Ok(());
    }
    say(&histories, &fit, fit_test.as_ref(), words);
    say_passed_over(&passed_over.unwrap_or_default(), words);
    Ok(())
}

fn read(arguments: &Arguments, words: &Words) -> Result<(Histories, Option<Vec<PassedOver>>), Failure> {
    if let Some(of_store) = arguments.from_store.read(words)? {
        let gathered = of_store::histories(&of_store.visits, &of_store.maker, &of_store.span, words);
        let Gathered { histories, passed_over, .. } = gathered;
        return Ok((histories, Some(passed_over)));
    }
    let file = arguments.file.as_ref().ok_or_else(|| nothing_given("a file of histories"))?;
    Ok((Histories::from_csv(&read_text(file)?).map_err(|e| in_file(arguments, &e))?, None))
}

fn in_file(arguments: &Arguments, error: &dyn std::fmt::Display) -> Failure {
    match &arguments.file {
        Some(file) => Failure::input(format!("{}: {error}", file.display())),
        None => Failure::input(error),
    }
}

fn say(histories: &Histories, fit: &Fit, fit_test: Option<&FitTest>, words: &Words) {
    let visited = histories.places_visited();
    let number = |value: f64, decimals: usize| words.number(value, decimals);
    let naive = number(histories.found_at() as f64 / visited.max(1) as f64, 3);
    let counts = [
        ("found", histories.found_at().to_string()),
        ("visited", visited.to_string()),
        ("naive", naive),
        ("made", histories.visits_made().to_string()),
        ("detections", histories.detections().to_string()),
    ];
    let counts: Vec<(&str, &str)> = counts.iter().map(|(name, value)| (*name, value.as_str())).collect();
    println!("{}", words.fill("analyse.occupancy.places", &counts));
    match &fit.outcome {
        Outcome::AlwaysFound => {
            println!("{:<28} {}", words.say("analyse.occupancy.psi"), number(1.0, 3));
            println!("{:<28} {}", words.say("analyse.occupancy.p"), number(1.0, 3));
        }
        Outcome::Estimated(estimate) => say_estimate(histories, estimate, words),
        _ => {}
    }
    if let Some(test) = fit_test {
        let values = [
            ("c_hat", number(test.c_hat, 2)),
            ("p", number(test.p_value, 3)),
            ("n", test.simulations.to_string()),
            ("seed", test.seed.to_string()),
        ];
        let values: Vec<(&str, &str)> = values.iter().map(|(name, value)| (*name, value.as_str())).collect();
        println!("{}", words.fill("analyse.occupancy.fit_test", &values));
        if test.left_out > 0 {
            println!("{}", words.fill("analyse.occupancy.fit_test_left_out", &[("n", &test.left_out.to_string())]));
        }
    }
    for warning in &fit.warnings {
        println!("· {}", warning.say(words));
    }
    println!("{}", words.say("analyse.occupancy.assumptions"));
}

fn say_estimate(histories: &Histories, estimate: &Estimate, words: &Words) {
    let number = |value: f64, decimals: usize| words.number(value, decimals);
    let profile = |profile: Option<[f64; 2]>| {
        profile.map_or_else(String::new, |[low, high]| {
            let ends = [("low", &*number(low, 3)), ("high", &*number(high, 3))];
            format!("  {}", words.fill("analyse.occupancy.by_profile", &ends))
        })
    };
    let varying = |values: &mut dyn Iterator<Item = f64>| {
        let (low, high) = values.fold((f64::MAX, f64::MIN), |(low, high), v| (low.min(v), high.max(v)));
        words.fill("analyse.occupancy.varies", &[("low", &number(low, 3)), ("high", &number(high, 3))])
    };
    let places = histories.places();
    let visited: Vec<usize> = (0..places.len()).filter(|place| places[*place].visits_made() > 0).collect();
    let psi = if estimate.psi_by_place() {
        varying(&mut visited.iter().map(|place| estimate.psi(*place).value))
    } else {
        let psi = estimate.psi(0);
        with_interval(psi.value, psi.interval, words) + &profile(estimate.psi_profile())
    };
    println!("{:<28} {psi}", words.say("analyse.occupancy.psi"));
    let heading = words.say("analyse.occupancy.p");
    let profiles = estimate.p_profile();
    match estimate.p_by() {
        (true, _) => {
            let visits = || 0..histories.visits();
            let made = visited.iter().flat_map(|place| {
                visits().filter(|visit| places[*place].visits[*visit].is_some()).map(|v| (*place, v))
            });
            println!("{heading:<28} {}", varying(&mut made.map(|(place, visit)| estimate.p(place, visit).value)));
        }
        (false, false) => {
            let p = estimate.p(0, 0);
            let by_profile = profile(profiles.and_then(|profiles| profiles.first().copied()));
            println!("{heading:<28} {}{by_profile}", with_interval(p.value, p.interval, words));
        }
        (false, true) => {
            println!("{heading}");
            for visit in 0..histories.visits() {
                let p = estimate.p(0, visit);
                let by_profile = profile(profiles.as_ref().and_then(|profiles| profiles.get(visit).copied()));
                let label = words.fill("analyse.occupancy.visit", &[("n", &(visit + 1).to_string())]);
                println!("  {label:<26} {}{by_profile}", with_interval(p.value, p.interval, words));
            }
        }
    }
    let not_found: Vec<f64> = visited
        .iter()
        .filter(|place| places[**place].detections() == 0)
        .map(|place| estimate.occupied_if_not_found(*place, &places[*place].visits))
        .collect();
    if let Some([low, high]) = ends(&not_found).map(|ends| ends.map(|end| number(end, 3))) {
        let key = if low == high { "analyse.occupancy.not_found_one" } else { "analyse.occupancy.not_found" };
        println!("{}", words.fill(key, &[("low", &low), ("high", &high)]));
    }
    say_coefficients(&estimate.coefficients(), words);
    let values = [("deviance", &*number(estimate.minus_two_log_likelihood, 4)), ("aic", &*number(estimate.aic, 4))];
    println!("{}", words.fill("analyse.occupancy.fit", &values));
    let percent = number(100.0 * estimate.level(), 0);
    println!("{}", words.fill("analyse.occupancy.level", &[("percent", &percent)]));
}

fn ends(values: &[f64]) -> Option<[f64; 2]> {
    Some([values.iter().copied().reduce(f64::min)?, values.iter().copied().reduce(f64::max)?])
}

fn say_coefficients(coefficients: &[Coefficient], words: &Words) {
    let number = |value: f64| words.number(value, 4);
    let row = |c: &Coefficient| {
        let parameter = match c.parameter {
            Parameter::Psi => words.say("analyse.psi"),
            Parameter::P => words.say("analyse.p"),
        };
        let range = c.interval.map(|[low, high]| format!("{} – {}", number(low), number(high)));
        [
            parameter.into(),
            c.name.clone(),
            number(c.estimate),
            c.se.map(number).unwrap_or_default(),
            range.unwrap_or_default(),
        ]
    };
    let heads = ["parameter", "name", "estimate", "se", "range"];
    println!("{}", words.say("analyse.occupancy.coefficients"));
    let rows: Vec<[String; 5]> = coefficients.iter().map(row).collect();
    print_table(&heads.map(|key| words.say(&format!("analyse.occupancy.{key}")).to_owned()), &rows);
}
