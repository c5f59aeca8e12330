//! When the sun stands low enough to rake across the ground: what the sky gives, not what clouds, trees and banks leave of it.
//!
//! Planned with Grena's algorithm (Grena 2012, Solar Energy 86:1323–1337; ±0.01°, the years 2010 to 2110), ten times as fast as the SPA.

use chrono::{DateTime, NaiveDate, SubsecRound, Utc};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};
use solar_positioning::{ElevationTarget, Horizon, Location, RefractionCorrection, SolarEvents, SolarPositions};

use super::sun::{Air, location};
use super::{PlanError, Span};
use crate::place::Position;

/// From how low to how high the sun stands, degrees above the horizon as it is seen.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LowSun {
    /// The lowest that is of use.
    pub lowest_deg: f64,
    /// The highest that still rakes.
    pub highest_deg: f64,
}

/// How to light a print where the sun doesn't.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LampRecipe {
    /// The lamp's lowest elevation above the ground, degrees.
    pub lowest_deg: f64,
    /// Its highest.
    pub highest_deg: f64,
    /// From how many sides, a photograph each.
    pub directions: u32,
    /// Angle between two of them, degrees.
    pub apart_deg: f64,
    /// How well that is known.
    pub status: String,
    /// By whom.
    pub source: String,
}

/// What `light.toml` holds.
#[derive(Debug, Clone, Deserialize)]
pub struct LightData {
    /// What windows are made of where the user says nothing else.
    pub low_sun: LowSun,
    /// Where the sun gives none.
    pub lamp: LampRecipe,
    /// Depths for which the shadow is told.
    pub shadow: ShadowData,
}

/// Depths of prints.
#[derive(Debug, Clone, Deserialize)]
pub struct ShadowData {
    /// mm.
    pub depths_mm: Vec<f64>,
}

impl LightData {
    /// The numbers that are built in.
    ///
    /// # Errors
    /// They can't be read: a mistake in the build.
    pub fn builtin() -> Result<Self, PlanError> {
        Ok(toml::from_str(include_str!("../../data/light.toml"))?)
    }
}

/// How long the shadow is that the rim of a print throws across its floor, mm.
///
/// ```
/// use rakelight_core::plan::shadow_mm;
/// // Geometry: a rim of 3 mm, light at 5, 10 and 20 degrees.
/// let shadows = [5.0, 10.0, 20.0].map(|elevation_deg| shadow_mm(3.0, elevation_deg).round());
/// assert_eq!(shadows, [34.0, 17.0, 8.0]);
/// ```
pub fn shadow_mm(depth_mm: f64, elevation_deg: f64) -> f64 {
    depth_mm / elevation_deg.to_radians().tan()
}

/// The sun on one local day.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SunOfDay {
    /// The local date.
    pub date: NaiveDate,
    /// Its first moment.
    #[serde(skip)]
    pub begins: DateTime<Utc>,
    /// The next one's.
    #[serde(skip)]
    pub ends: DateTime<Utc>,
    /// When it rises (upper rim, standard refraction), as often as it does.
    #[serde(serialize_with = "crate::time::all_as_utc")]
    pub rises: Vec<DateTime<Utc>>,
    /// When it passes the meridian.
    #[serde(serialize_with = "crate::time::all_as_utc")]
    pub transits: Vec<DateTime<Utc>>,
    /// When it sets.
    #[serde(serialize_with = "crate::time::all_as_utc")]
    pub sets: Vec<DateTime<Utc>>,
    /// How high it comes, degrees above the horizon; below it negative.
    pub highest_deg: f64,
    /// Whether it never sets or never rises that day.
    pub polar: Option<Polar>,
}

/// The sun as it is seen.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SunSeen {
    /// From north, eastward.
    pub azimuth_deg: f64,
    /// Above the horizon.
    pub elevation_deg: f64,
}

/// A day without sunrise and sunset.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Polar {
    /// The sun doesn't set.
    Day,
    /// It doesn't rise.
    Night,
}

/// A place under the sky.
pub(super) struct Sky {
    location: Location,
    delta_t_s: f64,
    seen_through: RefractionCorrection,
}

impl Sky {
    pub fn over(place: Position, delta_t_s: f64) -> Result<Self, PlanError> {
        let air = Air::default();
        let seen_through = RefractionCorrection::new(air.pressure_hpa, air.temperature_c)?;
        Ok(Self { location: location(place), delta_t_s, seen_through })
    }

    /// The sun on a local day, whatever daylight saving does to it.
    pub fn day(&self, date: NaiveDate, zone: Tz) -> Result<SunOfDay, PlanError> {
        let events =
            SolarEvents::grena3().for_date(date, &zone, self.location, self.delta_t_s, Horizon::SunriseSunset)?;
        let polar = match () {
            () if events.always_above() => Some(Polar::Day),
            () if events.always_below() => Some(Polar::Night),
            () => None,
        };
        let utc = |times: &[DateTime<Tz>]| times.iter().map(|time| time.to_utc().trunc_subsecs(0)).collect::<Vec<_>>();
        let (begins, ends, transits) = (events.start.to_utc(), events.end.to_utc(), utc(&events.transits));
        let mut highest_deg = f64::MIN;
        for at in transits.iter().chain([&begins, &ends]) {
            highest_deg = highest_deg.max(self.elevation_deg(*at)?);
        }
        Ok(SunOfDay {
            date,
            begins,
            ends,
            rises: utc(&events.rises),
            transits,
            sets: utc(&events.sets),
            highest_deg,
            polar,
        })
    }

    /// The sun as it is seen.
    pub fn sun(&self, at: DateTime<Utc>) -> Result<SunSeen, PlanError> {
        let sun = SolarPositions::grena3().at(&at, self.location, 0.0, self.delta_t_s, Some(self.seen_through))?;
        Ok(SunSeen { azimuth_deg: sun.azimuth(), elevation_deg: sun.elevation_angle() })
    }

    fn elevation_deg(&self, at: DateTime<Utc>) -> Result<f64, PlanError> {
        Ok(self.sun(at)?.elevation_deg)
    }

    /// When the sun stands between the limits.
    pub fn low_sun(&self, within: Span, limits: LowSun) -> Result<Vec<Span>, PlanError> {
        let mut cuts = vec![within.start];
        for angle in [limits.lowest_deg, limits.highest_deg] {
            let target = ElevationTarget { angle, height: 0.0, refraction: Some(self.seen_through) };
            for up in [true, false] {
                self.crossings(within, target, up, &mut cuts)?;
            }
        }
        cuts.push(within.end);
        cuts.sort_unstable();
        let mut low: Vec<Span> = Vec::new();
        for cut in cuts.windows(2) {
            let between = Span { start: cut[0], end: cut[1] };
            let middle = between.start + between.length() / 2;
            if !(limits.lowest_deg..=limits.highest_deg).contains(&self.elevation_deg(middle)?) {
                continue;
            }
            match low.last_mut() {
                Some(last) if last.end == between.start => last.end = between.end,
                _ => low.push(between),
            }
        }
        Ok(low)
    }

    /// All times at which the sun passes a height.
    fn crossings(
        &self,
        within: Span,
        target: ElevationTarget,
        up: bool,
        into: &mut Vec<DateTime<Utc>>,
    ) -> Result<(), PlanError> {
        let positions = SolarPositions::grena3();
        let mut from = within.start;
        while from < within.end {
            let to = within.end.min(from + chrono::TimeDelta::days(1));
            let next = if up {
                positions.next_elevation_rise(&from, &to, self.location, self.delta_t_s, target)?
            } else {
                positions.next_elevation_set(&from, &to, self.location, self.delta_t_s, target)?
            };
            into.extend(next.map(|at| at.trunc_subsecs(0)));
            from = next.unwrap_or(to);
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sky(lat: f64, lon: f64) -> Sky {
        Sky::over(Position::new(lat, lon, None).unwrap(), 69.2).unwrap()
    }

    fn date(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    #[test]
    fn the_sun_rises_culminates_and_sets_when_a_reference_library_has_it() {
        let file = include_str!("../../../fixtures/reference/sun_pvlib.csv");
        for line in file.lines().filter(|line| !line.starts_with('#')).skip(1) {
            let row: Vec<&str> = line.split(',').collect();
            let day = date(&row[3][..10]);
            let sun = sky(row[1].parse().unwrap(), row[2].parse().unwrap()).day(day, Tz::UTC).unwrap();
            for (ours, theirs) in [(&sun.rises, row[7]), (&sun.transits, row[8]), (&sun.sets, row[9])] {
                let theirs = day.and_time(theirs.parse().unwrap()).and_utc();
                assert_eq!(ours.len(), 1, "{line}");
                assert!((ours[0] - theirs).num_seconds().abs() <= 60, "{line}: {ours:?}");
            }
        }
    }

    #[test]
    fn north_of_the_polar_circle_there_is_a_day_without_night_and_a_night_without_day() {
        let tromsoe = sky(69.65, 18.96);
        let midsummer = tromsoe.day(date("2026-06-21"), Tz::Europe__Oslo).unwrap();
        assert_eq!((midsummer.polar, midsummer.rises.len()), (Some(Polar::Day), 0));
        let midwinter = tromsoe.day(date("2026-12-21"), Tz::Europe__Oslo).unwrap();
        assert_eq!(midwinter.polar, Some(Polar::Night));
        assert!(midwinter.highest_deg < 0.0 && midwinter.highest_deg > -4.0, "{midwinter:?}");
    }

    #[test]
    fn a_day_of_23_hours_and_one_of_25_hours_are_whole_days() {
        let severn = sky(51.56, -2.665);
        let hours = |day: &str| {
            let sun = severn.day(date(day), Tz::Europe__London).unwrap();
            (sun.ends - sun.begins).num_hours()
        };
        assert_eq!([hours("2026-03-29"), hours("2026-10-25"), hours("2026-06-01")], [23, 25, 24]);
    }

    #[test]
    fn within_a_window_of_low_sun_it_is_low_and_outside_it_is_not() {
        let limits = LightData::builtin().unwrap().low_sun;
        for (lat, lon) in [(51.56, -2.665), (37.0, -8.9), (69.65, 18.96), (78.2, 15.6), (-43.5, 172.7)] {
            let sky = sky(lat, lon);
            let within =
                Span { start: "2026-01-01T00:00:00Z".parse().unwrap(), end: "2027-01-01T00:00:00Z".parse().unwrap() };
            let low = sky.low_sun(within, limits).unwrap();
            let mut at = within.start;
            while at < within.end {
                let elevation = sky.elevation_deg(at).unwrap();
                let inside = low.iter().any(|span| (span.start..=span.end).contains(&at));
                let is_low = (limits.lowest_deg..=limits.highest_deg).contains(&elevation);
                let at_a_limit =
                    [limits.lowest_deg, limits.highest_deg].iter().any(|limit| (elevation - limit).abs() < 0.01);
                assert!(inside == is_low || at_a_limit, "{lat} {at} {elevation}");
                at += chrono::TimeDelta::minutes(37);
            }
        }
    }
}
