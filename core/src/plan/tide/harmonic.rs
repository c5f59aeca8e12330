//! The tide from harmonic constants: h = Z₀ + Σ f A cos(speed · t + (V₀ + u) − g), t in hours from New Year at Greenwich
//! (Schureman, Special Publication 98; f and u of the year's middle, as the US tide tables are made).

use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::sync::{Arc, RwLock};

use chrono::{DateTime, Datelike, TimeDelta, Utc};
use serde::Deserialize;

use super::astronomy::new_year;
use super::constituents::{Constituent, Constituents, Year};
use super::{Extreme, ExtremeKind, Height, TideError};

/// How far a speed that stands in the file may be from the one here, degrees an hour.
const SPEED_TOLERANCE_DEG_H: f64 = 2e-5;
/// Between two turns of the tide there is more than this.
const SAMPLED: TimeDelta = TimeDelta::minutes(15);
/// A place's amplitude isn't larger than this, m: the largest known tide has about 8 m (M2, 5.5 m in the Bay of Fundy; memory).
const LARGEST_AMP_M: f64 = 10.0;

/// A place's harmonic constants.
#[derive(Debug, Clone)]
pub struct HarmonicTide {
    constants: Vec<Constant>,
    z0_m: f64,
    /// The waves of the years that were asked for: node factors take far longer than a height.
    years: Arc<RwLock<BTreeMap<i32, Arc<OfYear>>>>,
}

/// A year's waves, and its New Year.
#[derive(Debug)]
struct OfYear {
    start: DateTime<Utc>,
    waves: Vec<Wave>,
}

#[derive(Debug, Clone)]
struct Constant {
    constituent: Constituent,
    amp_m: f64,
    phase_gmt_deg: f64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Row {
    name: String,
    amp_m: f64,
    phase_gmt_deg: f64,
    speed_deg_h: Option<f64>,
}

/// One constituent in one year: amplitude with its factor, phase at New Year, speed in radians an hour.
#[derive(Debug)]
struct Wave {
    amp_m: f64,
    phase: f64,
    speed: f64,
}

impl HarmonicTide {
    /// Reads constants: columns `name`, `amp_m`, `phase_gmt_deg` (the phase lag g on Greenwich time) and, to be checked, `speed_deg_h`. `z0_m` is the
    /// height of mean sea level above the heights' zero.
    ///
    /// ```
    /// use rakelight_core::plan::HarmonicTide;
    /// let tide = HarmonicTide::from_csv("name,amp_m,phase_gmt_deg\nM2,3.9,200\nS2,1.4,245\n", 6.9)?;
    /// let noon = "2026-10-03T12:00:00Z".parse()?;
    /// assert!((1.6..12.2).contains(&tide.height_m(noon)?));
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    ///
    /// # Errors
    /// Says which line is wrong, and how.
    pub fn from_csv(text: &str, z0_m: f64) -> Result<Self, TideError> {
        let all = Constituents::builtin()?;
        let mut constants: Vec<Constant> = Vec::new();
        for row in crate::rows::rows::<Row>(text)? {
            let (line, row) = row?;
            let constant = row.checked(&all).map_err(|wrong| TideError::Line { line, wrong })?;
            if constants.iter().any(|known| known.constituent.name == constant.constituent.name) {
                let wrong = format!("{} stands there twice", constant.constituent.name);
                return Err(TideError::Line { line, wrong });
            }
            constants.push(constant);
        }
        if constants.is_empty() || !z0_m.is_finite() {
            return Err(TideError::NoConstants);
        }
        Ok(Self { constants, z0_m, years: Arc::default() })
    }

    /// The height at a time, m above the heights' zero.
    ///
    /// # Errors
    /// The calendar doesn't have that year.
    pub fn height_m(&self, at: DateTime<Utc>) -> Result<f64, TideError> {
        let year = self.year(at.year())?;
        Ok(self.z0_m + year.waves.iter().map(|wave| wave.at(hours(at - year.start)).0).sum::<f64>())
    }

    /// Heights from a time to another, both included.
    ///
    /// # Errors
    /// The calendar doesn't have such years.
    pub fn heights(&self, from: DateTime<Utc>, to: DateTime<Utc>, step: TimeDelta) -> Result<Vec<Height>, TideError> {
        let mut heights = Vec::new();
        self.sample(from, to, step, |utc, above_mean_m, _| {
            heights.push(Height { utc, height_m: self.z0_m + above_mean_m });
        })?;
        Ok(heights)
    }

    /// High and low waters between two times: where the height stops rising or falling.
    ///
    /// # Errors
    /// The calendar doesn't have such years.
    pub fn extremes(&self, from: DateTime<Utc>, to: DateTime<Utc>) -> Result<Vec<Extreme>, TideError> {
        let mut slopes: Vec<(DateTime<Utc>, f64)> = Vec::new();
        self.sample(from, to + SAMPLED, SAMPLED, |utc, _, slope| slopes.push((utc, slope)))?;
        let mut extremes = Vec::new();
        for pair in slopes.windows(2) {
            let [(before, slope_before), (after, slope_after)] = [pair[0], pair[1]];
            if (slope_before > 0.0) == (slope_after > 0.0) {
                continue;
            }
            let utc = self.turn(before, after)?;
            let kind = if slope_before > 0.0 { ExtremeKind::High } else { ExtremeKind::Low };
            if (from..=to).contains(&utc) {
                extremes.push(Extreme { utc, height_m: self.height_m(utc)?, kind });
            }
        }
        Ok(extremes)
    }

    /// The second in which the slope changes its sign, between two times of one year.
    fn turn(&self, before: DateTime<Utc>, after: DateTime<Utc>) -> Result<DateTime<Utc>, TideError> {
        let OfYear { start, waves } = &*self.year(before.year())?;
        let slope = |at: f64| waves.iter().map(|wave| wave.at(at).1).sum::<f64>();
        let [before, after] = [before, after].map(|time| hours(time - *start));
        let at = super::root(before, after, 0.000_1, slope);
        Ok(*start + TimeDelta::seconds((at * 3600.0).round() as i64))
    }

    /// Goes through the times with each wave turned on by one step, which is much quicker than a cosine each.
    fn sample(
        &self,
        from: DateTime<Utc>,
        to: DateTime<Utc>,
        step: TimeDelta,
        mut seen: impl FnMut(DateTime<Utc>, f64, f64),
    ) -> Result<(), TideError> {
        if step <= TimeDelta::zero() || from > to {
            return Err(TideError::Span { from, to });
        }
        let mut utc = from;
        while utc <= to {
            let year = utc.year();
            let OfYear { start, waves } = &*self.year(year)?;
            let mut turning: Vec<Turning> = waves.iter().map(|wave| wave.turning(hours(utc - start), step)).collect();
            while utc <= to && utc.year() == year {
                let (height, slope) = turning.iter().fold((0.0, 0.0), |(h, s), t| (h + t.re, s - t.speed * t.im));
                seen(utc, height, slope);
                turning.iter_mut().for_each(Turning::step);
                utc += step;
            }
        }
        Ok(())
    }

    fn year(&self, year: i32) -> Result<Arc<OfYear>, TideError> {
        let known = self.years.read().ok().and_then(|years| years.get(&year).cloned());
        if let Some(known) = known {
            return Ok(known);
        }
        let (Some(of_year), Some(start)) = (Year::of(year), new_year(year)) else {
            return Err(TideError::Year { year });
        };
        let wave = |constant: &Constant| {
            let factor = constant.constituent.in_year(&of_year);
            Wave {
                amp_m: constant.amp_m * factor.f,
                phase: (factor.u_deg - constant.phase_gmt_deg).to_radians(),
                speed: constant.constituent.speed_deg_h().to_radians(),
            }
        };
        let worked_out = Arc::new(OfYear { start, waves: self.constants.iter().map(wave).collect() });
        if let Ok(mut years) = self.years.write() {
            years.insert(year, worked_out.clone());
        }
        Ok(worked_out)
    }
}

impl Row {
    fn checked(self, all: &Constituents) -> Result<Constant, String> {
        let Some(constituent) = all.get(&self.name) else {
            let names: Vec<&str> = all.names().collect();
            return Err(format!("the constituent {:?} isn't known here; there are: {}", self.name, names.join(", ")));
        };
        let ours = constituent.speed_deg_h();
        if !(0.0..=LARGEST_AMP_M).contains(&self.amp_m) {
            return Err(format!("an amplitude of {} m can't be: give metres, from 0 to {LARGEST_AMP_M}", self.amp_m));
        }
        if self.phase_gmt_deg.is_nan() || self.phase_gmt_deg.abs() > 360.0 {
            return Err(format!("a phase of {} can't be: give degrees from -360 to 360", self.phase_gmt_deg));
        }
        let is_ours = |theirs: &f64| (theirs - ours).abs() <= SPEED_TOLERANCE_DEG_H;
        if let Some(theirs) = self.speed_deg_h.filter(|theirs| !is_ours(theirs)) {
            return Err(format!("{} goes {ours:.6} degrees an hour, not {theirs}: is it that constituent?", self.name));
        }
        Ok(Constant { constituent, amp_m: self.amp_m, phase_gmt_deg: self.phase_gmt_deg })
    }
}

impl Wave {
    /// Height and slope (m, m an hour), so many hours after New Year.
    fn at(&self, hours: f64) -> (f64, f64) {
        let (sin, cos) = (self.speed * hours + self.phase).rem_euclid(TAU).sin_cos();
        (self.amp_m * cos, -self.amp_m * self.speed * sin)
    }

    fn turning(&self, start_hours: f64, step: TimeDelta) -> Turning {
        let (sin, cos) = (self.speed * start_hours + self.phase).sin_cos();
        let (step_sin, step_cos) = (self.speed * hours(step)).sin_cos();
        Turning { re: self.amp_m * cos, im: self.amp_m * sin, step_cos, step_sin, speed: self.speed }
    }
}

/// A wave as a hand that turns.
struct Turning {
    re: f64,
    im: f64,
    step_cos: f64,
    step_sin: f64,
    speed: f64,
}

impl Turning {
    fn step(&mut self) {
        (self.re, self.im) =
            (self.re * self.step_cos - self.im * self.step_sin, self.re * self.step_sin + self.im * self.step_cos);
    }
}

fn hours(delta: TimeDelta) -> f64 {
    delta.num_milliseconds() as f64 / 3_600_000.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::parse_time;

    const CONSTANTS: &str = include_str!("../../../../fixtures/reference/tide_noaa_9447130_constituents.csv");
    const HOURLY: &str = include_str!("../../../../fixtures/reference/tide_noaa_9447130_hourly.csv");
    const EXTREMES: &str = include_str!("../../../../fixtures/reference/tide_noaa_9447130_extremes.csv");

    fn seattle() -> HarmonicTide {
        HarmonicTide::from_csv(CONSTANTS, 2.024).unwrap()
    }

    fn rows(file: &str) -> Vec<Vec<&str>> {
        file.lines().filter(|line| !line.starts_with('#')).skip(1).map(|line| line.split(',').collect()).collect()
    }

    fn time(text: &str) -> DateTime<Utc> {
        parse_time(text).unwrap().to_utc()
    }

    #[test]
    fn hourly_heights_are_those_that_noaa_predicts() {
        let rows = rows(HOURLY);
        let (first, last) = (time(rows[0][0]), time(rows[rows.len() - 1][0]));
        let heights = seattle().heights(first, last, TimeDelta::hours(1)).unwrap();
        assert_eq!(heights.len(), rows.len());
        let mut squares = 0.0;
        for (ours, row) in heights.iter().zip(&rows) {
            let theirs: f64 = row[1].parse().unwrap();
            assert_eq!(ours.utc, time(row[0]));
            assert!((ours.height_m - theirs).abs() < 0.002, "{row:?} {ours:?}");
            assert!((ours.height_m - seattle().height_m(ours.utc).unwrap()).abs() < 1e-9, "step by step or at once");
            squares += (ours.height_m - theirs).powi(2);
        }
        assert!((squares / rows.len() as f64).sqrt() < 0.001);
    }

    #[test]
    fn high_and_low_waters_are_those_that_noaa_predicts() {
        let rows = rows(EXTREMES);
        let (first, last) = (time(rows[0][0]), time(rows[rows.len() - 1][0]));
        let extremes = seattle().extremes(first - TimeDelta::hours(1), last + TimeDelta::hours(1)).unwrap();
        assert_eq!(extremes.len(), rows.len());
        for (ours, row) in extremes.iter().zip(&rows) {
            let kind = if row[2] == "H" { ExtremeKind::High } else { ExtremeKind::Low };
            assert_eq!(ours.kind, kind, "{row:?}");
            assert!((ours.height_m - row[1].parse::<f64>().unwrap()).abs() < 0.002, "{row:?} {ours:?}");
            assert!((ours.utc - time(row[0])).num_seconds().abs() <= 60, "{row:?} {ours:?}");
        }
    }

    #[test]
    fn the_curve_of_the_official_turns_is_near_the_true_one_but_not_the_same() {
        use super::super::{Between, TideTable};
        let table = TideTable::from_csv(&EXTREMES.replace("m_mllw", "height_m"), Between::Cosine).unwrap();
        let span = table.span();
        let inside: Vec<Height> = seattle().heights(span.start, span.end, TimeDelta::minutes(10)).unwrap();
        let off = inside.iter().map(|height| (table.height_m(height.utc).unwrap() - height.height_m).abs());
        let most = off.fold(0.0, f64::max);
        assert!((0.1..0.3).contains(&most), "{most}: 0.26 m in another week of this station");
    }

    /// f and u hold for a year each, in printed tables too, so that there is a small one.
    #[test]
    fn the_new_year_makes_no_large_step_in_the_tide() {
        let [before, after] =
            ["2026-12-31T23:59:59Z", "2027-01-01T00:00:01Z"].map(|at| seattle().height_m(time(at)).unwrap());
        assert!((before - after).abs() < 0.1, "{before} {after}");
        let turns = seattle().extremes(time("2026-12-30T00:00Z"), time("2027-01-03T00:00Z")).unwrap();
        assert!(turns.windows(2).all(|pair| pair[0].kind != pair[1].kind), "high and low in turn");
    }

    #[test]
    fn constants_that_cannot_be_are_refused_with_their_line() {
        let refused = |rows: &str| {
            HarmonicTide::from_csv(&format!("name,amp_m,phase_gmt_deg,speed_deg_h\n{rows}"), 0.0)
                .unwrap_err()
                .to_string()
        };
        assert!(refused("M2,1.0,10,28.984104\nX9,1,1,\n").contains("line 3"));
        assert!(refused("M2,1.0,10,30.0\n").contains("28.984104"));
        assert!(refused("M2,106.3,10,\n").contains("amplitude"));
        assert!(refused("M2,1,400,\n").contains("phase"));
        assert!(refused("M2,1,40,\nM2,1,40,\n").contains("twice"));
        assert!(refused("").contains("no constants"));
        assert!(HarmonicTide::from_csv("name,amp_m\nM2,1\n", 0.0).is_err());
    }
}
