//! The answer as one JSON document.

use serde_json::{Value, json};

use super::estimate::{Estimate, Probability};
use super::fit_test::FitTest;
use super::histories::Histories;
use super::{Fit, Outcome};
use crate::words::Words;

/// What `rakelight analyse occupancy --json` prints: `psi` and `p` are numbers, or lists by row or visit where they vary (by row, of lists by visit,
/// where both matter).
pub fn document(histories: &Histories, fit: &Fit, fit_test: Option<&FitTest>, words: &Words) -> Value {
    let visited = histories.places_visited();
    let naive = (visited > 0).then(|| histories.found_at() as f64 / visited as f64);
    let mut document = json!({
        "places": histories.places().len(),
        "places_visited": visited,
        "visits": histories.visits(),
        "visits_made": histories.visits_made(),
        "detections": histories.detections(),
        "found_at": histories.found_at(),
        "naive": naive,
        "psi": null, "se_psi": null, "p": null, "se_p": null,
        "coefficients": [],
        "minus_two_log_likelihood": null,
        "aic": null,
    });
    match &fit.outcome {
        Outcome::AlwaysFound => {
            (document["psi"], document["p"]) = (json!(1.0), json!(1.0));
            (document["minus_two_log_likelihood"], document["aic"]) = (json!(0.0), json!(4.0));
        }
        Outcome::Estimated(estimate) => of_estimate(&mut document, histories, estimate, words),
        Outcome::NothingVisited | Outcome::NeverFound | Outcome::VisitedOnce => {}
    }
    document["fit_test"] = json!(fit_test);
    document["warnings"] = fit.warnings.iter().map(|warning| warning.say(words)).collect();
    document
}

fn of_estimate(document: &mut Value, histories: &Histories, estimate: &Estimate, words: &Words) {
    let places = histories.places();
    let psi: Vec<Probability> = if estimate.psi_by_place() {
        (0..places.len()).map(|place| estimate.psi(place)).collect()
    } else {
        vec![estimate.psi(0)]
    };
    let (by_place, by_visit) = estimate.p_by();
    let p: Vec<Vec<Probability>> = (0..if by_place { places.len() } else { 1 })
        .map(|place| (0..if by_visit { histories.visits() } else { 1 }).map(|visit| estimate.p(place, visit)).collect())
        .collect();
    let of_psi = |pick: fn(&Probability) -> Value| {
        let mut values: Vec<Value> = psi.iter().map(pick).collect();
        if estimate.psi_by_place() { json!(values) } else { values.remove(0) }
    };
    let of_p = |pick: fn(&Probability) -> Value| {
        let row = |row: &Vec<Probability>| {
            let mut values: Vec<Value> = row.iter().map(pick).collect();
            if by_visit { json!(values) } else { values.remove(0) }
        };
        let mut rows: Vec<Value> = p.iter().map(row).collect();
        if by_place { json!(rows) } else { rows.remove(0) }
    };
    document["psi"] = of_psi(|p| json!(p.value));
    document["se_psi"] = of_psi(|p| json!(p.se));
    document["p"] = of_p(|p| json!(p.value));
    document["se_p"] = of_p(|p| json!(p.se));
    document["level"] = json!(estimate.level());
    document["psi_interval"] = of_psi(|p| json!(p.interval));
    document["p_interval"] = of_p(|p| json!(p.interval));
    document["psi_profile_interval"] = json!(estimate.psi_profile());
    document["p_profile_interval"] = match estimate.p_profile() {
        Some(profiles) if !by_visit => json!(profiles.first()),
        profiles => json!(profiles),
    };
    let coefficients = estimate.coefficients().into_iter().zip(estimate.profiles()).map(|(c, profile)| {
        json!({
            "parameter": c.parameter, "name": c.name, "estimate": c.estimate, "se": c.se, "interval": c.interval,
            "profile_interval": profile,
        })
    });
    document["coefficients"] = coefficients.collect();
    document["minus_two_log_likelihood"] = json!(estimate.minus_two_log_likelihood);
    document["aic"] = json!(estimate.aic);
    let not_found = places
        .iter()
        .enumerate()
        .map(|(i, place)| (place.detections() == 0).then(|| estimate.occupied_if_not_found(i, &place.visits)));
    document["occupied_if_not_found"] = not_found.collect::<Vec<_>>().into();
    document["assumptions"] = json!(words.say("analyse.occupancy.assumptions"));
}
