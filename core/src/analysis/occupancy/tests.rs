use proptest::prelude::*;

use super::likelihood::Likelihood;
use super::*;
use crate::chance::uniform;

/// Places with two covariates of the place and one of the visit, as rows x and z with what was found.
type Rows = Vec<([f64; 2], Vec<([f64; 2], bool)>)>;

fn rows() -> impl Strategy<Value = Rows> {
    let visit = ((-2.0..2.0_f64).prop_map(|z| [1.0, z]), any::<bool>());
    let place = ((-2.0..2.0_f64).prop_map(|x| [1.0, x]), prop::collection::vec(visit, 1..5), any::<bool>());
    // Half of the places without any finding.
    let place = place.prop_map(|(x, mut visits, never)| {
        visits.iter_mut().for_each(|(_, found)| *found &= !never);
        (x, visits)
    });
    prop::collection::vec(place, 1..12)
}

fn likelihood(rows: &Rows) -> Likelihood {
    let places = rows.iter().map(|(x, visits)| (&x[..], visits.iter().map(|(z, found)| (&z[..], *found)).collect()));
    Likelihood::of(2, 2, places)
}

/// Straight from the definition.
fn log_likelihood(rows: &Rows, theta: &[f64]) -> f64 {
    let p = |row: &[f64; 2], theta: &[f64]| 1.0 / (1.0 + (-(row[0] * theta[0] + row[1] * theta[1])).exp());
    let place = |(x, visits): &([f64; 2], Vec<([f64; 2], bool)>)| {
        let psi = p(x, &theta[..2]);
        let of_visit = |(z, found): &([f64; 2], bool)| if *found { p(z, &theta[2..]) } else { 1.0 - p(z, &theta[2..]) };
        let never = visits.iter().all(|(_, found)| !found);
        (psi * visits.iter().map(of_visit).product::<f64>() + if never { 1.0 - psi } else { 0.0 }).ln()
    };
    rows.iter().map(place).sum()
}

fn histories(rows: &str) -> Histories {
    Histories::from_csv(&format!("history\n{rows}\n")).unwrap()
}

fn estimate(histories: &Histories, model: &Model) -> Estimate {
    fit(histories, model, 0.95).unwrap().estimate().expect("an estimate").clone()
}

proptest! {
    #[test]
    fn the_likelihood_is_the_product_over_places(rows in rows(), theta in prop::array::uniform4(-3.0..3.0_f64)) {
        let (ours, plain) = (likelihood(&rows).at(&theta).log, log_likelihood(&rows, &theta));
        prop_assert!((ours - plain).abs() < 1e-9 * (1.0 + plain.abs()), "{ours} {plain}");
    }

    #[test]
    fn gradient_and_hessian_are_those_of_the_likelihood(rows in rows(), theta in prop::array::uniform4(-2.0..2.0_f64)) {
        let likelihood = likelihood(&rows);
        let value = likelihood.at(&theta);
        let step = 1e-5;
        for i in 0..4 {
            let moved = |by: f64| {
                let mut theta = theta;
                theta[i] += by;
                likelihood.at(&theta)
            };
            let (up, down) = (moved(step), moved(-step));
            let slope = (up.log - down.log) / (2.0 * step);
            prop_assert!((slope - value.gradient[i]).abs() < 1e-5, "∂{i}: {slope} {}", value.gradient[i]);
            for j in 0..4 {
                let bend = (up.gradient[j] - down.gradient[j]) / (2.0 * step);
                prop_assert!((bend - value.hessian[(i, j)]).abs() < 1e-5, "∂{i}∂{j}: {bend} {}", value.hessian[(i, j)]);
            }
        }
    }

    #[test]
    fn nowhere_is_the_likelihood_higher_than_at_the_estimate(
        places in prop::collection::vec("[01.]{4}", 4..30),
        psi in 0.01..0.99_f64,
        p in 0.01..0.99_f64,
    ) {
        let histories = histories(&places.join("\n"));
        let Ok(Fit { outcome: Outcome::Estimated(estimate), .. }) = fit(&histories, &Model::default(), 0.95) else { return Ok(()) };
        prop_assert!(estimate.converged());
        let there = [(psi / (1.0 - psi)).ln(), (p / (1.0 - p)).ln()];
        prop_assert!(estimate.likelihood.at(&there).log <= estimate.peak.log + 1e-8);
        let [low, high] = estimate.psi_profile().expect("one occupancy");
        let at = estimate.psi(0).value;
        prop_assert!(low <= at + 1e-6 && at <= high + 1e-6, "{low} {at} {high}");
    }

    #[test]
    fn the_order_of_places_and_visits_that_were_not_made_change_nothing(places in prop::collection::vec("[01]{3}", 4..20)) {
        let plain = histories(&places.join("\n"));
        let other: Vec<String> = places.iter().rev().map(|history| format!("{}.{}", &history[..1], &history[1..])).collect();
        let other = histories(&other.join("\n"));
        let of = |histories: &Histories| {
            let fit = fit(histories, &Model::default(), 0.95).unwrap();
            fit.estimate().map(|estimate| (estimate.minus_two_log_likelihood, estimate.psi(0).value))
        };
        match (of(&plain), of(&other)) {
            (Some((a, psi_a)), Some((b, psi_b))) => prop_assert!((a - b).abs() < 1e-7 && (psi_a - psi_b).abs() < 1e-4),
            (None, None) => {}
            differ => prop_assert!(false, "{differ:?}"),
        }
    }
}

#[test]
fn places_that_nobody_visited_count_for_nothing_and_are_said() {
    let with = fit(&histories("0110\n0000\n1000\n0100\n....\n...."), &Model::default(), 0.95).unwrap();
    let without = fit(&histories("0110\n0000\n1000\n0100"), &Model::default(), 0.95).unwrap();
    let deviance = |fit: &Fit| fit.estimate().unwrap().minus_two_log_likelihood;
    assert!((deviance(&with) - deviance(&without)).abs() < 1e-9);
    assert!(with.warnings.contains(&Warning::NotVisited { places: 2 }));
}

#[test]
fn a_covariate_in_another_unit_gives_the_same_fit_and_its_coefficient_in_that_unit() {
    let rows: Vec<(String, f64)> = (0..40)
        .map(|i| (["0110", "0000", "1000", "0101", "0000"][i * 7 % 5].to_owned(), (i * 13 % 11) as f64))
        .collect();
    let table = |unit: f64| {
        let lines: Vec<String> = rows.iter().map(|(history, width)| format!("{history},{}", width * unit)).collect();
        Histories::from_csv(&format!("history,width\n{}\n", lines.join("\n"))).unwrap()
    };
    let model = Model::parse("width", "width").unwrap();
    let [metres, millimetres] = [1.0, 1000.0].map(|unit| estimate(&table(unit), &model));
    assert!((metres.aic - millimetres.aic).abs() < 1e-8);
    for (in_m, in_mm) in metres.coefficients().iter().zip(millimetres.coefficients()).filter(|(c, _)| c.name == "width")
    {
        assert!((in_m.estimate - 1000.0 * in_mm.estimate).abs() < 1e-6 * in_m.estimate.abs());
        assert!((in_m.se.unwrap() - 1000.0 * in_mm.se.unwrap()).abs() < 1e-6);
    }
}

#[test]
fn ninety_five_per_cent_intervals_hold_the_truth_about_so_often() {
    let (mut state, mut held, mut of) = (20_261_126, [0; 2], [0; 2]);
    for _ in 0..400 {
        let (psi, p) = (0.3 + 0.5 * uniform(&mut state), 0.3 + 0.4 * uniform(&mut state));
        let place = |number: i32, state: &mut u64| {
            let occupied = uniform(state) <= psi;
            Place { name: number.to_string(), visits: (0..5).map(|_| Some(occupied && uniform(state) <= p)).collect() }
        };
        let histories = Histories::of_places((0..100).map(|number| place(number, &mut state)).collect());
        let estimate = estimate(&histories, &Model::default());
        for (i, interval) in [estimate.psi(0).interval, estimate.psi_profile()].into_iter().enumerate() {
            if let Some([low, high]) = interval {
                of[i] += 1;
                held[i] += i32::from(low <= psi && psi <= high);
            }
        }
    }
    // 400 trials of 0.95: a standard deviation is 1.1 %.
    for (held, of) in held.into_iter().zip(of) {
        let share = f64::from(held) / f64::from(of);
        assert!((0.915..0.985).contains(&share) && of > 390, "{share} of {of}");
    }
}
