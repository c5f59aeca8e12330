//! How much of a stretch was searched, from the worker's track: the track laid on the stretch as a hidden Markov model (Newson & Krumm 2009), so that noise
//! and a river that comes back near itself don't mislead.

use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};

use crate::place::{LocalPlane, Position};

/// A fix: time, latitude, longitude (WGS84, degrees).
pub type TimedPlace = (DateTime<Utc>, f64, f64);

/// What a track says of a stretch.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Searched {
    /// Length of the stretch, m.
    pub length_m: f64,
    /// How much of it somebody walked along, m; each part once.
    pub covered_m: f64,
    /// Its standard uncertainty, m: the fixes' noise at the ends of what was walked.
    pub u_covered_m: f64,
    /// The share of the stretch.
    pub share: f64,
    /// From where to where it was walked, m along the stretch.
    pub covered: Vec<[f64; 2]>,
    /// From where to where not.
    pub gaps: Vec<[f64; 2]>,
    /// Where the track ran left of the line, looking along it, m.
    pub left_m: f64,
    /// Where it ran right of it.
    pub right_m: f64,
    /// Time on the stretch, minutes.
    pub minutes: f64,
    /// What was set right or left out in the track.
    pub repairs: Repairs,
}

/// What was set right or left out in a track.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct Repairs {
    /// Fixes whose time went back: put in order.
    pub out_of_order: usize,
    /// Fixes of a second that had one already: the first stands.
    pub same_time: usize,
    /// Jumps of the receiver: left out.
    pub jumps: usize,
    /// Steps faster than anybody searches: what lies between isn't counted as searched.
    pub too_fast: usize,
    /// Times when the track said nothing for long: what lies between isn't counted either.
    pub silent: usize,
}

/// Why a stretch can't be held against a track.
#[derive(Debug, thiserror::Error)]
pub enum SearchedError {
    /// No line.
    #[error("the stretch {name:?} has no length: give two different points at least")]
    NoLine {
        /// Which.
        name: String,
    },
    /// The data that is built in.
    #[error("the effort's data can't be read: {0}")]
    BuiltIn(#[from] toml::de::Error),
}

#[derive(Debug, Deserialize)]
struct Data {
    matching: Matching,
    walking: Walking,
    sides: Sides,
}

#[derive(Debug, Deserialize)]
struct Matching {
    noise_m: f64,
    reach_m: f64,
    detour_m: f64,
}

#[derive(Debug, Deserialize)]
struct Walking {
    fastest_m_per_s: f64,
    jump_m_per_s: f64,
    silent_s: i64,
}

#[derive(Debug, Deserialize)]
struct Sides {
    beside_m: f64,
    over_s: i64,
}

/// A fix in the plane, m.
#[derive(Debug, Clone, Copy)]
struct Fix {
    time: DateTime<Utc>,
    at: [f64; 2],
}

/// A place on the stretch that a fix may stand for.
#[derive(Debug, Clone, Copy)]
struct OnLine {
    along_m: f64,
    /// Left of the line positive.
    offset_m: f64,
}

/// What a track says of a stretch (WGS84 longitude and latitude, degrees). The fixes may come in any order.
///
/// ```
/// use rakelight_core::survey::searched;
/// let start: chrono::DateTime<chrono::Utc> = "2026-10-03T07:00:00Z".parse()?;
/// // 300 m of 600 m, a step of 10 m every 10 s.
/// let track: Vec<_> = (0..31).map(|i| (start + chrono::TimeDelta::seconds(10 * i), 53.0, 9.0 + 0.000149 * i as f64)).collect();
/// let searched = searched("bank", &[[9.0, 53.0], [9.00894, 53.0]], &track)?;
/// assert!((searched.share - 0.5).abs() < 0.01 && searched.gaps.len() == 1);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// The stretch has no length.
pub fn searched(name: &str, stretch: &[[f64; 2]], track: &[TimedPlace]) -> Result<Searched, SearchedError> {
    let data: Data = toml::from_str(include_str!("../../data/effort.toml"))?;
    let (plane, line) = Line::of(stretch).ok_or_else(|| SearchedError::NoLine { name: name.to_owned() })?;
    let mut repairs = Repairs::default();
    let fixes = in_order(track, &plane, &data.walking, &mut repairs);
    let matched = matched(&fixes, &line, &data.matching);
    let walked = steps(&fixes, &matched, &data.walking, &mut repairs);

    let sides = sides(&fixes, &matched, &data.sides);
    let covered = union(walked.iter().map(|step| step.span()).collect());
    let on_side = |side: Side| {
        let of_side = walked.iter().filter(|step| sides[step.from] == side && sides[step.to] == side);
        length(&union(of_side.map(|step| step.span()).collect()))
    };
    let seconds: i64 = walked.iter().map(|step| (fixes[step.to].time - fixes[step.from].time).num_seconds()).sum();
    let covered_m = length(&covered);
    let inner_ends = covered.iter().flatten().filter(|end| **end > 0.0 && **end < line.length()).count();
    Ok(Searched {
        length_m: line.length(),
        covered_m,
        u_covered_m: data.matching.noise_m * (inner_ends.max(1) as f64).sqrt(),
        share: covered_m / line.length(),
        gaps: gaps(&covered, line.length()),
        covered,
        left_m: on_side(Side::Left),
        right_m: on_side(Side::Right),
        minutes: seconds as f64 / 60.0,
        repairs,
    })
}

/// Where a place lies beside a stretch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OnStretch {
    /// How far along the stretch its nearest point lies, m from the start.
    pub along_m: f64,
    /// How far away that is, m.
    pub away_m: f64,
}

/// Where a place (WGS84 latitude, longitude, degrees) lies beside a stretch; `None` where the stretch has no length.
pub fn along(stretch: &[[f64; 2]], [lat, lon]: [f64; 2]) -> Option<OnStretch> {
    let (plane, line) = Line::of(stretch)?;
    let here = plane.metres(lat, lon);
    let pieces = (1..line.points.len()).map(|i| line.on_piece(i, here));
    let nearest = pieces.min_by(|a, b| a.offset_m.abs().total_cmp(&b.offset_m.abs()))?;
    Some(OnStretch { along_m: nearest.along_m, away_m: nearest.offset_m.abs() })
}

/// In order of time and without jumps, each repair counted.
fn in_order(track: &[TimedPlace], plane: &LocalPlane, walking: &Walking, repairs: &mut Repairs) -> Vec<Fix> {
    repairs.out_of_order = track.windows(2).filter(|pair| pair[1].0 < pair[0].0).count();
    let mut fixes: Vec<Fix> =
        track.iter().map(|(time, lat, lon)| Fix { time: *time, at: plane.metres(*lat, *lon) }).collect();
    fixes.sort_by_key(|fix| fix.time);
    // Pieces of a track share the fix in which they join: nothing to be set right.
    fixes.dedup_by(|a, b| (a.time, a.at) == (b.time, b.at));
    let before = fixes.len();
    fixes.dedup_by_key(|fix| fix.time);
    repairs.same_time = before - fixes.len();
    let mut kept: Vec<Fix> = Vec::with_capacity(fixes.len());
    for (i, fix) in fixes.iter().enumerate() {
        // A jump is far from what came before and from what comes after, while these two are near each other.
        let jumps = |other: &Fix| speed(other, fix) > walking.jump_m_per_s;
        let is_jump = match (kept.last(), fixes.get(i + 1)) {
            (Some(last), Some(next)) => jumps(last) && jumps(next) && speed(last, next) <= walking.jump_m_per_s,
            _ => false,
        };
        if is_jump {
            repairs.jumps += 1;
        } else {
            kept.push(*fix);
        }
    }
    kept
}

fn speed(a: &Fix, b: &Fix) -> f64 {
    let seconds = (b.time - a.time).num_milliseconds().abs() as f64 / 1000.0;
    distance(a.at, b.at) / seconds
}

fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

/// For each fix the place on the stretch that the whole track makes likeliest; `None` for those off it.
fn matched(fixes: &[Fix], line: &Line, matching: &Matching) -> Vec<Option<OnLine>> {
    /// The best way to a candidate: its cost, and which candidate of the fix before it came from.
    type Way = (f64, Option<usize>);
    let candidates: Vec<Vec<OnLine>> = fixes.iter().map(|fix| line.near(fix.at, matching.reach_m)).collect();
    let mut ways: Vec<Vec<Way>> = Vec::with_capacity(fixes.len());
    for (i, here) in candidates.iter().enumerate() {
        let before = if i == 0 { &[][..] } else { &candidates[i - 1][..] };
        let way = |on: &OnLine| {
            let off = (on.offset_m / matching.noise_m).powi(2) / 2.0;
            let from = before.iter().enumerate().map(|(k, last)| {
                let detour = ((on.along_m - last.along_m).abs() - distance(fixes[i - 1].at, fixes[i].at)).abs();
                (ways[i - 1][k].0 + detour / matching.detour_m, Some(k))
            });
            let best = from.min_by(|a, b| a.0.total_cmp(&b.0)).unwrap_or((0.0, None));
            (best.0 + off, best.1)
        };
        let here: Vec<Way> = here.iter().map(way).collect();
        ways.push(here);
    }
    // Back from the end of each piece that lies on the stretch.
    let mut chosen: Vec<Option<OnLine>> = vec![None; fixes.len()];
    let mut next: Option<usize> = None;
    for i in (0..fixes.len()).rev() {
        let cheapest = || (0..ways[i].len()).min_by(|a, b| ways[i][*a].0.total_cmp(&ways[i][*b].0));
        let here = next.or_else(cheapest);
        chosen[i] = here.map(|k| candidates[i][k]);
        next = here.and_then(|k| ways[i][k].1);
    }
    chosen
}

/// A step along the stretch from one fix to the next.
struct Step {
    from: usize,
    to: usize,
    along_m: [f64; 2],
}

impl Step {
    fn span(&self) -> [f64; 2] {
        let [a, b] = self.along_m;
        [a.min(b), a.max(b)]
    }
}

/// The steps that count as searched: both fixes on the stretch, not too long silent, not too fast.
fn steps(fixes: &[Fix], matched: &[Option<OnLine>], walking: &Walking, repairs: &mut Repairs) -> Vec<Step> {
    let mut steps = Vec::new();
    for i in 1..fixes.len() {
        let (Some(a), Some(b)) = (matched[i - 1], matched[i]) else { continue };
        let time = fixes[i].time - fixes[i - 1].time;
        let metres = (b.along_m - a.along_m).abs().max(distance(fixes[i - 1].at, fixes[i].at));
        let seconds = time.num_milliseconds() as f64 / 1000.0;
        // Noise alone makes a fast step of two fixes a second apart.
        let too_fast = metres > walking.fastest_m_per_s * seconds.max(10.0);
        let silent = time > TimeDelta::seconds(walking.silent_s);
        repairs.too_fast += usize::from(too_fast);
        repairs.silent += usize::from(silent && !too_fast);
        if !too_fast && !silent {
            steps.push(Step { from: i - 1, to: i, along_m: [a.along_m, b.along_m] });
        }
    }
    steps
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Side {
    Left,
    Right,
    Neither,
}

/// On which side of the line each fix lies, by the mean of those around it.
fn sides(fixes: &[Fix], matched: &[Option<OnLine>], sides: &Sides) -> Vec<Side> {
    let half = TimeDelta::seconds(sides.over_s) / 2;
    let mut first = 0;
    let side = |i: usize| {
        while fixes[first].time < fixes[i].time - half {
            first += 1;
        }
        let around = (first..fixes.len()).take_while(|k| fixes[*k].time <= fixes[i].time + half);
        let offsets: Vec<f64> = around.filter_map(|k| Some(matched[k]?.offset_m)).collect();
        let mean = offsets.iter().sum::<f64>() / offsets.len().max(1) as f64;
        match () {
            () if mean >= sides.beside_m => Side::Left,
            () if mean <= -sides.beside_m => Side::Right,
            () => Side::Neither,
        }
    };
    (0..fixes.len()).map(side).collect()
}

/// A line in the plane.
pub(super) struct Line {
    points: Vec<[f64; 2]>,
    /// How far along each point lies, m.
    along_m: Vec<f64>,
}

impl Line {
    /// A stretch (longitude, latitude) in a plane that touches the earth in its middle.
    fn of(stretch: &[[f64; 2]]) -> Option<(LocalPlane, Self)> {
        let [lon, lat] = *stretch.get(stretch.len() / 2)?;
        let plane = LocalPlane::at(&Position { lat, lon, radius_68_m: None });
        Some((plane, Self::in_plane(stretch, &plane)?))
    }

    pub fn in_plane(stretch: &[[f64; 2]], plane: &LocalPlane) -> Option<Self> {
        Self::new(stretch.iter().map(|[lon, lat]| plane.metres(*lat, *lon)).collect())
    }

    pub fn points(&self) -> &[[f64; 2]] {
        &self.points
    }

    /// The part from here to there, m along it.
    pub fn between(&self, [from, to]: [f64; 2]) -> Vec<[f64; 2]> {
        let inner =
            self.points.iter().zip(&self.along_m).filter(|(_, along)| (from..to).contains(*along) && **along > from);
        std::iter::once(self.at(from)).chain(inner.map(|(point, _)| *point)).chain([self.at(to)]).collect()
    }

    fn at(&self, along_m: f64) -> [f64; 2] {
        let i = self.along_m.partition_point(|along| *along < along_m).clamp(1, self.points.len() - 1);
        let (a, b) = (self.points[i - 1], self.points[i]);
        let share = ((along_m - self.along_m[i - 1]) / (self.along_m[i] - self.along_m[i - 1])).clamp(0.0, 1.0);
        [0, 1].map(|k| a[k] + (b[k] - a[k]) * share)
    }

    /// `None` without two different points.
    fn new(mut points: Vec<[f64; 2]>) -> Option<Self> {
        points.dedup();
        let mut along_m = vec![0.0];
        for pair in points.windows(2) {
            along_m.push(along_m[along_m.len() - 1] + distance(pair[0], pair[1]));
        }
        (points.len() > 1).then_some(Self { points, along_m })
    }

    fn length(&self) -> f64 {
        self.along_m[self.along_m.len() - 1]
    }

    /// The places of the line that lie nearest to a point, on each part of it that comes within reach.
    fn near(&self, point: [f64; 2], reach_m: f64) -> Vec<OnLine> {
        let nearest: Vec<OnLine> = (1..self.points.len()).map(|i| self.on_piece(i, point)).collect();
        let off = |i: usize| nearest.get(i).map_or(f64::MAX, |on| on.offset_m.abs());
        let is_nearest_around =
            |i: &usize| off(*i) <= reach_m && off(i.wrapping_sub(1)) > off(*i) && off(i + 1) >= off(*i);
        (0..nearest.len()).filter(is_nearest_around).map(|i| nearest[i]).collect()
    }

    fn on_piece(&self, i: usize, point: [f64; 2]) -> OnLine {
        let (a, b) = (self.points[i - 1], self.points[i]);
        let (way, to) = ([b[0] - a[0], b[1] - a[1]], [point[0] - a[0], point[1] - a[1]]);
        let length = way[0].hypot(way[1]);
        let along = ((way[0] * to[0] + way[1] * to[1]) / length).clamp(0.0, length);
        let foot = [a[0] + way[0] * along / length, a[1] + way[1] * along / length];
        let left = way[0] * to[1] - way[1] * to[0] >= 0.0;
        let off = distance(point, foot);
        OnLine { along_m: self.along_m[i - 1] + along, offset_m: if left { off } else { -off } }
    }
}

fn union(mut spans: Vec<[f64; 2]>) -> Vec<[f64; 2]> {
    spans.sort_by(|a, b| a[0].total_cmp(&b[0]));
    let mut union: Vec<[f64; 2]> = Vec::new();
    for span in spans {
        match union.last_mut() {
            Some(last) if span[0] <= last[1] => last[1] = last[1].max(span[1]),
            _ => union.push(span),
        }
    }
    union.retain(|[from, to]| to > from);
    union
}

fn length(spans: &[[f64; 2]]) -> f64 {
    // Not a sum: that of nothing is −0.
    spans.iter().fold(0.0, |sum, [from, to]| sum + (to - from))
}

fn gaps(covered: &[[f64; 2]], length_m: f64) -> Vec<[f64; 2]> {
    let starts = std::iter::once(0.0).chain(covered.iter().map(|span| span[1]));
    let ends = covered.iter().map(|span| span[0]).chain(std::iter::once(length_m));
    starts.zip(ends).filter(|(from, to)| to > from).map(|(from, to)| [from, to]).collect()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const LAT: f64 = 53.0;
    const LON: f64 = 9.0;

    fn degrees([x, y]: [f64; 2]) -> [f64; 2] {
        let [east, _] = LocalPlane::at(&Position { lat: LAT, lon: LON, radius_68_m: None }).metres(LAT, LON + 0.001);
        let [_, north] = LocalPlane::at(&Position { lat: LAT, lon: LON, radius_68_m: None }).metres(LAT + 0.001, LON);
        [LON + 0.001 * x / east, LAT + 0.001 * y / north]
    }

    fn at(seconds: i64, place: [f64; 2]) -> TimedPlace {
        let start: DateTime<Utc> = "2026-10-03T07:00:00Z".parse().unwrap();
        let [lon, lat] = degrees(place);
        (start + TimeDelta::seconds(seconds), lat, lon)
    }

    fn stretch(points: &[[f64; 2]]) -> Vec<[f64; 2]> {
        points.iter().map(|point| degrees(*point)).collect()
    }

    #[test]
    fn walking_to_and_fro_counts_once() {
        let there = (0..=30).map(|i| at(10 * i, [10.0 * i as f64, 2.0]));
        let back = (0..=30).map(|i| at(310 + 10 * i, [300.0 - 10.0 * i as f64, -2.0]));
        let track: Vec<TimedPlace> = there.chain(back).collect();
        let found = searched("bank", &stretch(&[[0.0, 0.0], [600.0, 0.0]]), &track).unwrap();
        assert!((found.covered_m - 300.0).abs() < 0.5, "{found:?}");
        assert!((found.minutes - 10.2).abs() < 0.1 && found.gaps.len() == 1);
    }

    #[test]
    fn both_banks_are_told_apart_where_the_river_is_wide_enough() {
        let there = (0..=60).map(|i| at(10 * i, [10.0 * i as f64, 9.0]));
        let back = (0..=30).map(|i| at(700 + 10 * i, [600.0 - 10.0 * i as f64, -9.0]));
        let track: Vec<TimedPlace> = there.chain(back).collect();
        let found = searched("river", &stretch(&[[0.0, 0.0], [600.0, 0.0]]), &track).unwrap();
        assert!((found.left_m - 600.0).abs() < 45.0 && (found.right_m - 300.0).abs() < 45.0, "{found:?}");
    }

    #[test]
    fn a_river_that_comes_back_near_itself_does_not_lend_its_other_limb() {
        // A hairpin of two limbs 16 m apart; only the first was walked, with noise towards the second.
        let river = stretch(&[[0.0, 0.0], [300.0, 0.0], [300.0, 16.0], [0.0, 16.0]]);
        let track: Vec<TimedPlace> =
            (0..=28).map(|i| at(10 * i, [10.0 * i as f64, if i % 3 == 0 { 8.5 } else { 3.0 }])).collect();
        let found = searched("bend", &river, &track).unwrap();
        assert!((found.covered_m - 280.0).abs() < 1.0, "{found:?}");
    }

    #[test]
    fn a_jump_of_the_receiver_is_left_out_and_said() {
        let mut track: Vec<TimedPlace> = (0..=30).map(|i| at(10 * i, [10.0 * i as f64, 0.0])).collect();
        track.insert(15, at(145, [590.0, 0.0]));
        let found = searched("bank", &stretch(&[[0.0, 0.0], [600.0, 0.0]]), &track).unwrap();
        assert_eq!(found.repairs.jumps, 1);
        assert!((found.covered_m - 300.0).abs() < 0.5, "{found:?}");
    }

    #[test]
    fn what_was_driven_or_passed_in_silence_is_not_searched() {
        // 200 m walked, 200 m in 20 s, 100 m walked, ten minutes of silence, the last 100 m walked.
        let mut track: Vec<TimedPlace> = (0..=20).map(|i| at(10 * i, [10.0 * i as f64, 0.0])).collect();
        track.extend((0..=10).map(|i| at(220 + 10 * i, [400.0 + 10.0 * i as f64, 0.0])));
        track.extend((0..=10).map(|i| at(920 + 10 * i, [600.0 + 10.0 * i as f64, 0.0])));
        let found = searched("bank", &stretch(&[[0.0, 0.0], [800.0, 0.0]]), &track).unwrap();
        assert!((found.covered_m - 400.0).abs() < 0.5, "{found:?}");
        assert_eq!((found.repairs.too_fast, found.repairs.silent, found.gaps.len()), (1, 1, 3));
    }

    #[test]
    fn a_fix_that_two_pieces_share_is_no_repair() {
        let mut track: Vec<TimedPlace> = (0..=30).map(|i| at(10 * i, [10.0 * i as f64, 0.0])).collect();
        track.insert(15, track[15]);
        let found = searched("bank", &stretch(&[[0.0, 0.0], [600.0, 0.0]]), &track).unwrap();
        assert_eq!((found.repairs, found.covered.len()), (Repairs::default(), 1));
    }

    #[test]
    fn a_place_beside_a_bent_stretch_is_so_far_along_it_and_so_far_away() {
        let bent = stretch(&[[0.0, 0.0], [300.0, 0.0], [300.0, 200.0]]);
        let [lon, lat] = degrees([290.0, 120.0]);
        let there = along(&bent, [lat, lon]).unwrap();
        assert!((there.along_m - 420.0).abs() < 0.05 && (there.away_m - 10.0).abs() < 0.05, "{there:?}");
        assert_eq!(along(&bent[..1], [lat, lon]), None);
        assert_eq!(along(&[], [lat, lon]), None);
    }

    #[test]
    fn off_the_stretch_nothing_is_searched_and_a_stretch_of_one_point_is_none() {
        let track: Vec<TimedPlace> = (0..=20).map(|i| at(10 * i, [10.0 * i as f64, 60.0])).collect();
        let found = searched("bank", &stretch(&[[0.0, 0.0], [600.0, 0.0]]), &track).unwrap();
        assert_eq!((found.covered_m, found.gaps), (0.0, vec![[0.0, found.length_m]]));
        assert!(searched("bank", &stretch(&[[0.0, 0.0]]), &track).is_err());
        assert!(searched("bank", &[], &track).unwrap_err().to_string().contains("bank"));
    }

    proptest! {
        #[test]
        fn the_order_in_which_the_fixes_come_does_not_matter(seed in 0u64..10_000, turn in 0usize..40) {
            let noise = |i: u64| (((i * 7919 + seed * 104_729) % 101) as f64 - 50.0) / 10.0;
            let track: Vec<TimedPlace> = (0..40).map(|i| at(10 * i as i64, [12.0 * i as f64 + noise(i), noise(i + 77)])).collect();
            let line = stretch(&[[0.0, 0.0], [200.0, 30.0], [600.0, 0.0]]);
            let mut turned = track.clone();
            turned.rotate_left(turn);
            let (one, other) = (searched("a", &line, &track).unwrap(), searched("a", &line, &turned).unwrap());
            prop_assert_eq!(&one.covered, &other.covered);
            prop_assert!(one.covered_m <= one.length_m && (one.covered_m + length(&one.gaps) - one.length_m).abs() < 1e-6);
        }
    }
}
