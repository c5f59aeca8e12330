//! Where moon and sun stand on the average, and what the moon's node makes of the tide (Schureman, Special Publication 98).

use chrono::{DateTime, TimeZone, Utc};

/// Mean longitudes, degrees, and the hour angle of the mean sun at Greenwich.
pub struct Longitudes {
    /// Hour angle of the mean sun.
    pub t: f64,
    /// Moon.
    pub s: f64,
    /// Sun.
    pub h: f64,
    /// Lunar perigee.
    pub p: f64,
    /// Moon's ascending node.
    pub n: f64,
    /// Solar perigee.
    pub p1: f64,
}

/// Degrees an hour of T, s, h, p, p1.
pub const SPEEDS_DEG_H: [f64; 5] = [15.0, 0.549_016_53, 0.041_068_64, 0.004_641_83, 0.000_001_96];

impl Longitudes {
    /// SP 98, table 1: degrees, then turns and degrees a Julian century, from Greenwich mean noon of 31 December 1899.
    pub fn at(time: DateTime<Utc>) -> Self {
        const EPOCH_S: f64 = -2_209_032_000.0; // 1899-12-31T12:00:00Z
        let seconds = time.timestamp_millis() as f64 / 1000.0;
        let c = (seconds - EPOCH_S) / (36_525.0 * 86_400.0);
        let at = |start: f64, turns: f64, rate: f64, square: f64| start + (360.0 * turns + rate + square * c) * c;
        Self {
            t: 180.0 + seconds.rem_euclid(86_400.0) / 240.0,
            s: at(270.437_422, 1336.0, 307.892_000, 0.002_525),
            h: at(279.696_678, 100.0, 0.768_925, 0.000_303),
            p: at(334.328_019, 11.0, 109.032_206, -0.010_344),
            n: at(259.182_533, -5.0, -134.142_397, 0.002_106),
            p1: at(281.220_833, 0.0, 1.719_175, 0.000_453),
        }
    }

    /// T, s, h, p, p1 times these numbers, degrees.
    pub fn times(&self, multiples: [i8; 5]) -> f64 {
        dot(multiples, [self.t, self.s, self.h, self.p, self.p1])
    }
}

/// The sum of products.
pub fn dot(multiples: [i8; 5], of: [f64; 5]) -> f64 {
    multiples.iter().zip(of).map(|(&n, value)| f64::from(n) * value).sum()
}

/// Where the moon's path crosses the equator, and how steeply: what node factors are made of. Radians.
pub struct Node {
    /// Obliquity of the moon's path to the equator.
    i: f64,
    /// Right ascension of the crossing.
    nu: f64,
    /// The crossing's longitude in the moon's path.
    xi: f64,
    /// Mean longitude of the lunar perigee from the crossing.
    p: f64,
}

/// How the moon's node changes a constituent: the amplitude's factor, and the angle that is added to its argument, degrees.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NodeFactor {
    /// On the amplitude.
    pub f: f64,
    /// Degrees.
    pub u_deg: f64,
}

/// Which formula of SP 98 gives it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Deserialize)]
#[allow(missing_docs)]
pub enum NodeKind {
    #[serde(rename = "none")]
    None,
    M2,
    K1,
    O1,
    OO1,
    M1,
    J1,
    #[serde(rename = "MM")]
    Mm,
    #[serde(rename = "MF")]
    Mf,
    M3,
    L2,
    K2,
}

impl Node {
    /// SP 98, paragraphs 23 to 25, with the obliquity of the ecliptic and the inclination of the moon's path of 1900.
    pub fn of(at: &Longitudes) -> Self {
        let n = at.n.to_radians();
        let i = (0.913_694_97 - 0.035_692_56 * n.cos()).acos();
        let half = (n / 2.0).sin().atan2((n / 2.0).cos());
        let (sum, difference) = ((1.018_829_2 * half.tan()).atan(), (0.644_117_1 * half.tan()).atan());
        // tan ½(N − ξ + ν) and tan ½(N − ξ − ν).
        let nu = sum - difference;
        let turn = |angle: f64| angle.sin().atan2(angle.cos());
        let xi = turn(n - sum - difference);
        Self { i, nu, xi, p: at.p.to_radians() - xi }
    }

    /// Factor and angle of a kind (the number of its formula in SP 98 beside each).
    pub fn factor(&self, kind: NodeKind) -> NodeFactor {
        let Self { i, nu, xi, p } = *self;
        let half = i / 2.0;
        let m2 = half.cos().powi(4) / 0.915_44; // (78)
        let o1 = i.sin() * half.cos().powi(2) / 0.379_88; // (75)
        let (f, u) = match kind {
            NodeKind::None => (1.0, 0.0),
            NodeKind::M2 => (m2, 2.0 * xi - 2.0 * nu),
            NodeKind::O1 => (o1, 2.0 * xi - nu),
            // (227), (224)
            NodeKind::K1 => {
                let (s, lunar) = ((2.0 * i).sin(), 0.334_7);
                let f = (0.896_5 * s * s + 0.600_1 * s * nu.cos() + 0.100_6).sqrt();
                (f, -(s * nu.sin()).atan2(s * nu.cos() + lunar))
            }
            // (235), (232)
            NodeKind::K2 => {
                let (s, lunar) = (i.sin().powi(2), 0.072_7);
                let f = (19.044_4 * s * s + 2.770_2 * s * (2.0 * nu).cos() + 0.098_1).sqrt();
                (f, -(s * (2.0 * nu).sin()).atan2(s * (2.0 * nu).cos() + lunar))
            }
            NodeKind::J1 => ((2.0 * i).sin() / 0.721_37, -nu), // (76)
            NodeKind::OO1 => (i.sin() * half.sin().powi(2) / 0.016_40, -2.0 * xi - nu), // (77)
            NodeKind::Mm => ((2.0 / 3.0 - i.sin().powi(2)) / 0.502_07, 0.0), // (73)
            NodeKind::Mf => (i.sin().powi(2) / 0.157_80, -2.0 * xi), // (74)
            NodeKind::M3 => (half.cos().powi(6) / 0.875_8, 3.0 * xi - 3.0 * nu), // (149)
            // (206), (207), (202)
            NodeKind::M1 => {
                let q = (0.483 * p.sin()).atan2(p.cos());
                (o1 * (2.310 + 1.435 * (2.0 * p).cos()).sqrt(), xi - nu + q)
            }
            // (215), (213), (214)
            NodeKind::L2 => {
                let t2 = half.tan().powi(2);
                let r = (2.0 * p).sin().atan2(1.0 / (6.0 * t2) - (2.0 * p).cos());
                let one_over_ra = (1.0 - 12.0 * t2 * (2.0 * p).cos() + 36.0 * t2 * t2).sqrt();
                (m2 * one_over_ra, 2.0 * xi - 2.0 * nu - r)
            }
        };
        NodeFactor { f, u_deg: u.to_degrees() }
    }
}

/// New Year at Greenwich.
pub fn new_year(year: i32) -> Option<DateTime<Utc>> {
    Utc.with_ymd_and_hms(year, 1, 1, 0, 0, 0).single()
}
