//! Random numbers that are the same in every run.

/// A generator for invented data (splitmix64; Steele, Lea & Flood 2014).
pub struct Chance(u64);

impl Chance {
    /// The same number gives the same course.
    pub fn new(course: u64) -> Self {
        Self(course)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Evenly between two numbers.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// A whole number below `end`, each as likely (but for what 64 bits leave over).
    pub fn below(&mut self, end: u64) -> u64 {
        self.next() % end.max(1)
    }

    /// Normally around zero (Box & Muller 1958).
    pub fn normal(&mut self, sd: f64) -> f64 {
        let (radius, angle) = (1.0 - self.between(0.0, 1.0), self.between(0.0, std::f64::consts::TAU));
        sd * (-2.0 * radius.ln()).sqrt() * angle.cos()
    }
}

/// The value that a share of all values don't exceed.
pub fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted[((sorted.len() - 1) as f64 * share).round() as usize]
}
