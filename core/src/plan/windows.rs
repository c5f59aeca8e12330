//! Windows in which low light and a free shore meet.

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use serde::Serialize;

use super::light::{LampRecipe, LightData, LowSun, Polar, Sky, SunOfDay, SunSeen};
use super::shore::{FreeShore, Shore};
use super::sun::delta_t_s;
use super::tide::Tide;
use super::{PlanError, Span};
use crate::place::Position;
use crate::time::utc_text;
use crate::words::Words;

/// Where and when a walk is planned.
#[derive(Debug, Clone)]
pub struct Asked {
    /// The place.
    pub place: Position,
    /// The first local date.
    pub from: NaiveDate,
    /// How many days.
    pub days: u32,
    /// Whose dates and clock times are meant.
    pub zone: Tz,
    /// How low the sun shall stand; as built in where the user says nothing.
    pub low_sun: Option<LowSun>,
    /// The shore, where there is a tide.
    pub shore: Option<Shore>,
}

/// What the days offer.
#[derive(Debug, Clone, Serialize)]
pub struct Plan {
    /// The limits that were held.
    pub low_sun: LowSun,
    /// In order of time.
    pub windows: Vec<Window>,
    /// Day by day.
    pub days: Vec<DayOfPlan>,
    /// What to do without the sun.
    pub lamp: LampRecipe,
}

/// A time to go: the sun low, the shore free.
#[derive(Debug, Clone, Serialize)]
pub struct Window {
    /// The local date on which it begins.
    pub date: NaiveDate,
    /// When.
    #[serde(flatten)]
    pub span: Span,
    /// How long.
    pub minutes: i64,
    /// 1 is the longest of all these windows.
    pub rank: usize,
    /// From north, eastward, in the window's middle.
    pub sun_azimuth_deg: f64,
    /// Above the horizon, in the window's middle.
    pub sun_elevation_deg: f64,
    /// At its start.
    pub sun_at_start: SunSeen,
    /// At its end.
    pub sun_at_end: SunSeen,
    /// On which side of a print to stand, so that the light comes towards the eye across it: opposite the sun, from north, eastward.
    pub stand_deg: f64,
    /// How long a print's shadow is at the start, middle and end, mm, for each depth.
    pub shadows: Vec<Shadow>,
    /// The tide, where there is one.
    pub tide: Option<FreeShore>,
}

/// The shadow across a print of some depth.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Shadow {
    /// The print's depth.
    pub depth_mm: f64,
    /// The shortest in the window.
    pub shortest_mm: f64,
    /// The longest.
    pub longest_mm: f64,
}

/// One local day.
#[derive(Debug, Clone, Serialize)]
pub struct DayOfPlan {
    /// Rise, transit, set.
    #[serde(flatten)]
    pub sun: SunOfDay,
    /// When the sun stands low.
    pub low_sun: Vec<Span>,
    /// When the shore lies free.
    pub free_shore: Vec<FreeShore>,
    /// What is known of the tide; `null` where there is none.
    pub tide_known: Option<TideKnown>,
    /// Why it has no window.
    pub none_because: Option<NoWindow>,
}

/// How much of a day the tide is known for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum TideKnown {
    /// All of it.
    Whole,
    /// The table begins or ends in it; a low water without the high waters to both sides gives no window.
    Partly,
}

/// Why a day has no window.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum NoWindow {
    /// The sun doesn't rise.
    PolarNight,
    /// It doesn't come up to the lower limit.
    TooLow,
    /// It never comes down to the upper limit.
    TooHigh,
    /// The shore isn't free, or too short for the way back.
    NeverFree,
    /// It is free when the sun doesn't stand low.
    DoNotMeet,
}

const MOST_DAYS: u32 = 3700;

/// The windows of some days.
///
/// ```
/// use rakelight_core::place::Position;
/// use rakelight_core::plan::{Asked, plan};
/// let asked = Asked {
///     place: Position::new(51.56, -2.665, None)?,
///     from: "2026-10-03".parse()?,
///     days: 1,
///     zone: chrono_tz::Tz::Europe__London,
///     low_sun: None,
///     shore: None,
/// };
/// let plan = plan(&asked)?;
/// assert_eq!(plan.windows.len(), 2, "one in the morning, one in the evening");
/// assert!(plan.windows[0].sun_azimuth_deg < 180.0 && plan.windows[1].sun_azimuth_deg > 180.0);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// What can't be, and a day of which the tide isn't known at all.
pub fn plan(asked: &Asked) -> Result<Plan, PlanError> {
    let data = LightData::builtin()?;
    let limits = asked.low_sun.unwrap_or(data.low_sun);
    let LowSun { lowest_deg, highest_deg } = limits;
    if !(0.0 <= lowest_deg && lowest_deg < highest_deg && highest_deg <= 90.0) {
        return Err(PlanError::Limits { lowest_deg, highest_deg });
    }
    if !(1..=MOST_DAYS).contains(&asked.days) {
        return Err(PlanError::Days { days: asked.days });
    }
    let delta_t_s = delta_t_s(asked.from.and_time(chrono::NaiveTime::MIN).and_utc())?;
    let sky = Sky::over(asked.place, delta_t_s)?;
    let dates = asked.from.iter_days().take(asked.days as usize);
    let suns = dates.map(|date| sky.day(date, asked.zone)).collect::<Result<Vec<_>, PlanError>>()?;
    let (Some(first), Some(last)) = (suns.first(), suns.last()) else {
        return Err(PlanError::Days { days: asked.days });
    };
    let within = Span { start: first.begins, end: last.ends };
    let known = known(asked.shore.as_ref().map(|shore| &shore.tide), &suns)?;
    let free = asked.shore.as_ref().map(|shore| shore.free(within)).transpose()?;
    let low = sky.low_sun(within, limits)?;

    let mut windows = Vec::new();
    for (span, tide) in meet(&low, free.as_deref()) {
        let date = span.start.with_timezone(&asked.zone).date_naive();
        windows.push(Window::new(date, span, tide, &data.shadow.depths_mm, |at| sky.sun(at))?);
    }
    rank(&mut windows);
    let days = suns.into_iter().zip(known).map(|(sun, tide_known)| {
        let day = Span { start: sun.begins, end: sun.ends };
        let low_sun: Vec<Span> = low.iter().filter(|span| day.and(span).is_some()).copied().collect();
        let is_of_day = |free: &&FreeShore| day.and(&Span { start: free.free_from, end: free.covered_from }).is_some();
        let free_shore: Vec<FreeShore> = free.iter().flatten().filter(is_of_day).copied().collect();
        let has_window = windows.iter().any(|window| window.date == sun.date);
        let none_because = (!has_window).then(|| NoWindow::of(&sun, &low_sun, &free_shore, limits, free.is_some()));
        DayOfPlan { sun, low_sun, free_shore, tide_known, none_because }
    });
    let days = days.collect();
    Ok(Plan { low_sun: limits, windows, days, lamp: data.lamp })
}

/// How much of each day the tide is known for; a day of which nothing is known is refused.
fn known(tide: Option<&Tide>, suns: &[SunOfDay]) -> Result<Vec<Option<TideKnown>>, PlanError> {
    let table = match tide {
        None => return Ok(vec![None; suns.len()]),
        Some(Tide::Harmonic(_)) => return Ok(vec![Some(TideKnown::Whole); suns.len()]),
        Some(Tide::Table(table)) => table.span(),
    };
    let missing: Vec<&SunOfDay> =
        suns.iter().filter(|day| table.and(&Span { start: day.begins, end: day.ends }).is_none()).collect();
    if let [first, rest @ ..] = &missing[..] {
        let days = match rest.last() {
            None => first.date.to_string(),
            Some(last) => format!("{} to {} ({} days)", first.date, last.date, missing.len()),
        };
        return Err(PlanError::NoTide { missing: days, from: utc_text(table.start), to: utc_text(table.end) });
    }
    let whole = |day: &SunOfDay| table.start <= day.begins && day.ends <= table.end;
    Ok(suns.iter().map(|day| Some(if whole(day) { TideKnown::Whole } else { TideKnown::Partly })).collect())
}

/// Where low sun and free shore meet; the low sun alone where there is no tide.
fn meet(low: &[Span], free: Option<&[FreeShore]>) -> Vec<(Span, Option<FreeShore>)> {
    let Some(free) = free else { return low.iter().map(|span| (*span, None)).collect() };
    let usable: Vec<(Span, FreeShore)> = free.iter().filter_map(|free| Some((free.usable()?, *free))).collect();
    let meets = |low: &Span| {
        let low = *low;
        let first = usable.partition_point(move |(usable, _)| usable.end <= low.start);
        usable[first..]
            .iter()
            .map_while(move |(usable, free)| Some((low.and(usable)?, Some(*free))))
            .collect::<Vec<_>>()
    };
    low.iter().flat_map(meets).collect()
}

/// The longest is the first; of two of one length the earlier.
fn rank(windows: &mut [Window]) {
    let mut order: Vec<usize> = (0..windows.len()).collect();
    order.sort_by_key(|&i| std::cmp::Reverse(windows[i].span.length()));
    for (rank, i) in (1..).zip(order) {
        windows[i].rank = rank;
    }
}

impl Window {
    fn new(
        date: NaiveDate,
        span: Span,
        tide: Option<FreeShore>,
        depths_mm: &[f64],
        seen: impl Fn(DateTime<Utc>) -> Result<SunSeen, PlanError>,
    ) -> Result<Self, PlanError> {
        let [start, middle, end] = [seen(span.start)?, seen(span.start + span.length() / 2)?, seen(span.end)?];
        let elevations = [start, middle, end].map(|sun| sun.elevation_deg);
        let shadow = |&depth_mm: &f64| {
            let lengths = elevations.map(|elevation_deg| super::shadow_mm(depth_mm, elevation_deg));
            let [shortest_mm, longest_mm] =
                [lengths.into_iter().fold(f64::MAX, f64::min), lengths.into_iter().fold(0.0, f64::max)];
            Shadow { depth_mm, shortest_mm, longest_mm }
        };
        Ok(Self {
            date,
            span,
            minutes: span.length().num_minutes(),
            rank: 0,
            sun_azimuth_deg: middle.azimuth_deg,
            sun_elevation_deg: middle.elevation_deg,
            sun_at_start: start,
            sun_at_end: end,
            stand_deg: (middle.azimuth_deg + 180.0).rem_euclid(360.0),
            shadows: depths_mm.iter().map(shadow).collect(),
            tide,
        })
    }

    /// How low and how high the sun stands in it, degrees.
    pub fn elevations_deg(&self) -> [f64; 2] {
        let all = [self.sun_at_start.elevation_deg, self.sun_elevation_deg, self.sun_at_end.elevation_deg];
        [all.into_iter().fold(f64::MAX, f64::min), all.into_iter().fold(f64::MIN, f64::max)]
    }

    /// Why it is one, in words; clock times of this zone.
    pub fn why(&self, zone: Tz, words: &Words) -> String {
        let degrees = |value: f64| words.number(value, 0);
        let [low, high] = self.elevations_deg();
        let compass = |deg: f64| words.say(compass_key(deg)).to_owned();
        let mut why = words.fill(
            "plan.why_sun",
            &[
                ("low", &degrees(low)),
                ("high", &degrees(high)),
                ("from", &compass(self.sun_azimuth_deg)),
                ("stand", &compass(self.stand_deg)),
            ],
        );
        if let Some(tide) = &self.tide {
            let clock = |at: DateTime<Utc>| at.with_timezone(&zone).format("%H:%M").to_string();
            let slots = [
                ("free", clock(tide.free_from)),
                ("low_water", clock(tide.low_water.utc)),
                ("height", words.number(tide.low_water.height_m, 1)),
                ("turn_back", clock(tide.turn_back)),
                ("covered", clock(tide.covered_from)),
            ];
            why.push(' ');
            why += &words.fill("plan.why_tide", &slots.each_ref().map(|(name, value)| (*name, value.as_str())));
        }
        why
    }
}

/// The text of a direction: one of eight.
pub fn compass_key(deg: f64) -> &'static str {
    const KEYS: [&str; 8] = [
        "plan.compass.n",
        "plan.compass.ne",
        "plan.compass.e",
        "plan.compass.se",
        "plan.compass.s",
        "plan.compass.sw",
        "plan.compass.w",
        "plan.compass.nw",
    ];
    KEYS[((deg.rem_euclid(360.0) / 45.0).round() as usize) % 8]
}

impl NoWindow {
    fn of(sun: &SunOfDay, low_sun: &[Span], free: &[FreeShore], limits: LowSun, tidal: bool) -> Self {
        match () {
            () if sun.polar == Some(Polar::Night) => Self::PolarNight,
            () if sun.highest_deg < limits.lowest_deg => Self::TooLow,
            () if low_sun.is_empty() => Self::TooHigh,
            () if tidal && free.iter().all(|free| free.usable().is_none()) => Self::NeverFree,
            () => Self::DoNotMeet,
        }
    }

    /// The text's key.
    pub fn key(self) -> &'static str {
        match self {
            Self::PolarNight => "plan.none.polar_night",
            Self::TooLow => "plan.none.too_low",
            Self::TooHigh => "plan.none.too_high",
            Self::NeverFree => "plan.none.never_free",
            Self::DoNotMeet => "plan.none.do_not_meet",
        }
    }
}
