//! Facts varied within their own doubt: a small, repeatable sequence of normal deviates.

use super::constants::Band;
use super::published::Status;
use crate::chance::uniform;

/// One drawing of all facts; the still one leaves them as they are held, and makes the distributions that come of them as wide as their
/// doubt demands: a probability that took assumed numbers for certain would promise too much.
pub(super) struct Draw<'a> {
    band: &'a Band,
    seed: Option<u64>,
    state: Option<u64>,
}

impl<'a> Draw<'a> {
    /// The facts as held.
    pub fn still(band: &'a Band) -> Self {
        Self { band, seed: None, state: None }
    }

    /// The `n`th variation, always the same one.
    pub fn nth(band: &'a Band, n: usize) -> Self {
        let seed = Some((n as u64 + 1).wrapping_mul(0xD1B5_4A32_D192_ED03));
        Self { band, seed, state: seed }
    }

    /// Goes on with the `m`th track maker, whose facts vary alike whichever others are followed.
    pub fn turn_to(&mut self, m: usize) {
        self.state = self.seed.map(|seed| seed ^ (m as u64 + 1).wrapping_mul(0xA24B_AED4_963E_E407));
    }

    /// How far the facts vary.
    pub fn band(&self) -> &'a Band {
        self.band
    }

    /// A normal deviate with this standard deviation; 0 where the facts stay as held.
    pub fn normal(&mut self, sd: f64) -> f64 {
        let Some(state) = &mut self.state else { return 0.0 };
        // Box and Muller 1958, one of the pair.
        let (u, v) = (uniform(state), uniform(state));
        sd * (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
    }

    /// A factor around 1.
    pub fn factor(&mut self, sd: f64) -> f64 {
        self.normal(sd).exp()
    }

    /// What of a doubt remains to be allowed for: all of it where the facts stay as held, nothing where they are varied.
    pub fn left(&self, sd: f64) -> f64 {
        if self.state.is_some() { 0.0 } else { sd }
    }

    /// A spread around 1, varied; else what its doubt leaves on average (the mean of `s²` is `exp(2 sd²)` where `ln s` has this sd).
    pub fn spread(&mut self, sd: f64) -> f64 {
        self.factor(sd) * self.left(sd).powi(2).exp()
    }

    /// A middle in doubt by this sd, with the spread around it: varied, or with the spread widened.
    pub fn middle(&mut self, (m, s): (f64, f64), sd: f64) -> (f64, f64) {
        (m + self.normal(sd), s.hypot(self.left(sd)))
    }

    /// What log odds in doubt are multiplied by to give the mean chance (MacKay 1992, Neural Computation 4:720).
    pub fn moderation(&self, sd: f64) -> f64 {
        (1.0 + std::f64::consts::PI / 8.0 * self.left(sd).powi(2)).sqrt().recip()
    }

    /// Log odds in doubt, varied or moderated.
    pub fn log_odds(&mut self, log_odds: f64, sd: f64) -> f64 {
        self.moderation(sd) * (log_odds + self.normal(sd))
    }

    /// The standard deviation of a chance's log odds.
    pub fn chance_sd(&self, status: Status) -> f64 {
        match status {
            Status::Published | Status::CommonPractice => self.band.chance_published,
            Status::Memory | Status::Assumed => self.band.chance_assumed,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::identify::Facts;

    #[test]
    fn the_deviates_are_normal_and_repeatable() {
        let band = &Facts::builtin().unwrap().constants.band;
        let deviates = |n| {
            let mut draw = Draw::nth(band, n);
            (0..20_000).map(|_| draw.normal(1.0)).collect::<Vec<_>>()
        };
        let x = deviates(3);
        let mean = x.iter().sum::<f64>() / x.len() as f64;
        let variance = x.iter().map(|v| v * v).sum::<f64>() / x.len() as f64;
        assert!(mean.abs() < 0.03 && (variance - 1.0).abs() < 0.05, "{mean} {variance}");
        assert_eq!(x, deviates(3));
        assert_ne!(x, deviates(4));
    }
}
