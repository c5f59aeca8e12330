//! Whether 95 % intervals of occupancy and detection hold the truth: on simulated designs of many kinds (places, visits, gaps, occupancy,
//! detection), by the normal approximation and by the profile; and the interval of a difference between two seasons. `cargo bench … -- DESIGNS SEED`.

use rakelight_checks::chance::Chance;
use rakelight_core::analysis::change::{Season, change};
use rakelight_core::analysis::occupancy::{Histories, Model, Place, fit};

/// How often an interval held, of how often there was one.
#[derive(Default)]
struct Held {
    held: usize,
    of: usize,
}

impl Held {
    fn take(&mut self, truth: f64, interval: Option<[f64; 2]>) {
        if let Some([low, high]) = interval {
            self.of += 1;
            self.held += usize::from(low <= truth && truth <= high);
        }
    }

    fn say(&self, what: &str) {
        println!("{what:<44} {:6.2} % of {}", 100.0 * self.held as f64 / self.of.max(1) as f64, self.of);
    }
}

fn histories(chance: &mut Chance, places: u64, visits: u64, psi: f64, p: f64) -> Histories {
    let place = |number| {
        let occupied = chance.between(0.0, 1.0) < psi;
        let mut visit = || (chance.between(0.0, 1.0) > 0.1).then(|| occupied && chance.between(0.0, 1.0) < p);
        Place { name: format!("{number}"), visits: (0..visits).map(|_| visit()).collect() }
    };
    Histories::of_places((0..places).map(place).collect())
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let numbers: Vec<u64> = std::env::args().skip(1).filter_map(|argument| argument.parse().ok()).collect();
    let (designs, seed) = (numbers.first().copied().unwrap_or(2000), numbers.get(1).copied().unwrap_or(81_000));
    println!(
        "{designs} designs, seed {seed}: 30 to 200 places, 3 to 8 visits of which a tenth wasn't made, occupancy 0.2 to 0.9, detection 0.15 to 0.8"
    );
    let mut chance = Chance::new(seed);
    let [mut psi_normal, mut psi_profile, mut p_normal, mut p_profile, mut differences] =
        [(); 5].map(|()| Held::default());
    let [mut psi_high, mut psi_low] = [(); 2].map(|()| Held::default());
    let mut untold = 0;
    for _ in 0..designs {
        let (places, visits) = (30 + chance.below(171), 3 + chance.below(6));
        let (psi, p) = (chance.between(0.2, 0.9), chance.between(0.15, 0.8));
        let first = histories(&mut chance, places, visits, psi, p);
        let fitted = fit(&first, &Model::default(), 0.95)?;
        let Some(estimate) = fitted.estimate() else {
            untold += 1;
            continue;
        };
        psi_normal.take(psi, estimate.psi(0).interval);
        psi_profile.take(psi, estimate.psi_profile());
        p_normal.take(p, estimate.p(0, 0).interval);
        p_profile.take(p, estimate.p_profile().and_then(|profiles| profiles.first().copied()));
        if p < 0.3 { &mut psi_low } else { &mut psi_high }.take(psi, estimate.psi(0).interval);
        let later = chance.between(0.2, 0.9);
        let second = histories(&mut chance, places, visits, later, p);
        let season = |histories: &Histories| Season { name: String::new(), histories: histories.clone(), months: None };
        let step = change(vec![season(&first), season(&second)])?.steps.remove(0);
        differences.take(later - psi, step.difference.map(|difference| difference.interval));
    }
    psi_normal.say("occupancy, normal on the logit scale");
    psi_high.say("  where detection is 0.3 or more");
    psi_low.say("  where detection is below 0.3");
    psi_profile.say("occupancy, profile of the likelihood");
    p_normal.say("detection, normal on the logit scale");
    p_profile.say("detection, profile of the likelihood");
    differences.say("difference of occupancy between two seasons");
    println!("nothing could be estimated: {untold}");
    Ok(())
}
