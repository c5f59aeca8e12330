//! The tide between the high and low waters of the official table.

use chrono::{DateTime, TimeDelta, Utc};
use serde::Deserialize;

use super::{Extreme, ExtremeKind, TideError};
use crate::plan::Span;
use crate::time::{parse_time, utc_text};

/// Between two turns of the tide there is less than this, or one is missing: where there is one tide a day, 12.4 h on the average (common practice,
/// no source).
const LONGEST_BETWEEN: TimeDelta = TimeDelta::hours(18);
/// A slip of the unit: no tide is higher (the Bay of Fundy has 16 m; memory).
const HIGHEST_M: f64 = 30.0;

/// How the water goes from one turn to the next.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Between {
    /// Half a cosine.
    #[default]
    Cosine,
    /// The rule of twelfths: 1, 2, 3, 3, 2, 1 twelfths of the range in each sixth of the time.
    Twelfths,
}

/// High and low waters in turn.
#[derive(Debug, Clone)]
pub struct TideTable {
    extremes: Vec<Extreme>,
    between: Between,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Row {
    utc: String,
    height_m: f64,
    #[serde(rename = "type")]
    kind: ExtremeKind,
}

impl TideTable {
    /// Reads high and low waters: columns `utc`, `height_m`, `type` (`H` or `L`), in order of time.
    ///
    /// ```
    /// use rakelight_core::plan::{Between, TideTable};
    /// let file = "utc,height_m,type\n2026-10-03 05:00,4.0,H\n2026-10-03 11:00,0.5,L\n";
    /// let table = TideTable::from_csv(file, Between::Cosine)?;
    /// let half_way = table.height_m("2026-10-03T08:00:00Z".parse()?)?;
    /// assert!((half_way - 2.25).abs() < 1e-9);
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    ///
    /// # Errors
    /// Says which line is wrong, and how: times out of order, two high waters in a row, a low water above its high one, a turn left out.
    pub fn from_csv(text: &str, between: Between) -> Result<Self, TideError> {
        let mut extremes: Vec<Extreme> = Vec::new();
        for row in crate::rows::rows::<Row>(text)? {
            let (line, row) = row?;
            let next = row.read().and_then(|next| match extremes.last() {
                Some(last) => follows(last, &next).map(|()| next),
                None => Ok(next),
            });
            extremes.push(next.map_err(|wrong| TideError::Line { line, wrong })?);
        }
        Self::of(extremes, between)
    }

    /// From high and low waters, in order of time.
    ///
    /// # Errors
    /// As [`TideTable::from_csv`]; the line is the turn's place in the list, from 1.
    pub fn from_turns(turns: Vec<Extreme>, between: Between) -> Result<Self, TideError> {
        for (line, pair) in (2..).zip(turns.windows(2)) {
            follows(&pair[0], &pair[1]).map_err(|wrong| TideError::Line { line, wrong })?;
        }
        Self::of(turns, between)
    }

    fn of(extremes: Vec<Extreme>, between: Between) -> Result<Self, TideError> {
        if extremes.len() < 2 {
            return Err(TideError::TooFew { given: extremes.len() });
        }
        Ok(Self { extremes, between })
    }

    /// From the first turn to the last.
    pub fn span(&self) -> Span {
        Span { start: self.extremes[0].utc, end: self.extremes[self.extremes.len() - 1].utc }
    }

    /// The last high water at or before a time.
    pub fn last_high_water(&self, at: DateTime<Utc>) -> Option<&Extreme> {
        self.extremes.iter().rfind(|extreme| extreme.kind == ExtremeKind::High && extreme.utc <= at)
    }

    /// Those of the table from a time to another.
    pub fn extremes(&self, from: DateTime<Utc>, to: DateTime<Utc>) -> Vec<Extreme> {
        self.extremes.iter().filter(|extreme| (from..=to).contains(&extreme.utc)).copied().collect()
    }

    /// The height at a time, m.
    ///
    /// # Errors
    /// The table doesn't reach so far.
    pub fn height_m(&self, at: DateTime<Utc>) -> Result<f64, TideError> {
        let after = self.extremes.partition_point(|extreme| extreme.utc <= at).min(self.extremes.len() - 1);
        let (one, other) = (self.extremes[after.max(1) - 1], self.extremes[after.max(1)]);
        if !(one.utc..=other.utc).contains(&at) {
            let Span { start: from, end: to } = self.span();
            return Err(TideError::NotInTable { at, from, to });
        }
        let millis = |delta: TimeDelta| delta.num_milliseconds() as f64;
        let share = self.between.share(millis(at - one.utc) / millis(other.utc - one.utc));
        Ok(one.height_m + (other.height_m - one.height_m) * share)
    }
}

impl Between {
    /// The share of the range that is done at a share of the time.
    fn share(self, of_time: f64) -> f64 {
        match self {
            Self::Cosine => (1.0 - (std::f64::consts::PI * of_time).cos()) / 2.0,
            Self::Twelfths => {
                const DONE: [f64; 7] = [0.0, 1.0, 3.0, 6.0, 9.0, 11.0, 12.0];
                let sixth = (6.0 * of_time).clamp(0.0, 5.999_999_999);
                let i = sixth as usize;
                (DONE[i] + (DONE[i + 1] - DONE[i]) * (6.0 * of_time - i as f64)) / 12.0
            }
        }
    }
}

impl Row {
    fn read(self) -> Result<Extreme, String> {
        let Self { utc: text, height_m, kind } = self;
        let utc = parse_time(&text)
            .ok_or_else(|| format!("{text:?} is no time; write 2026-10-03T07:41Z, or with an offset +01:00"))?
            .to_utc();
        if height_m.is_nan() || height_m.abs() > HIGHEST_M {
            return Err(format!("a height of {height_m} m can't be: give metres"));
        }
        Ok(Extreme { utc, height_m, kind })
    }
}

/// Whether a turn of the tide can follow another.
fn follows(last: &Extreme, next: &Extreme) -> Result<(), String> {
    let [before, now] = [last, next].map(|extreme| utc_text(extreme.utc));
    let name = |kind| if kind == ExtremeKind::High { "high" } else { "low" };
    if next.utc <= last.utc {
        return Err(format!("{now} doesn't come after {before}: put the lines in order of time"));
    }
    if next.kind == last.kind {
        let name = name(next.kind);
        return Err(format!("a {name} water at {now} after the {name} water of {before}: the one between is missing"));
    }
    let (high, low) = if next.kind == ExtremeKind::High { (next, last) } else { (last, next) };
    if low.height_m >= high.height_m {
        let [low, high] = [low, high].map(|extreme| extreme.height_m);
        return Err(format!(
            "the low water ({low} m) isn't below the high water beside it ({high} m): is a type wrong?"
        ));
    }
    if next.utc - last.utc > LONGEST_BETWEEN {
        let hours = LONGEST_BETWEEN.num_hours();
        return Err(format!("more than {hours} h lie between {before} and {now}: enter the turns between them"));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(between: Between) -> TideTable {
        TideTable::from_csv("utc,height_m,type\n2026-01-01T00:00Z,2,L\n2026-01-01T06:00Z,14,H\n", between).unwrap()
    }

    fn hourly(table: &TideTable) -> Vec<f64> {
        let start: DateTime<Utc> = "2026-01-01T00:00:00Z".parse().unwrap();
        (0..=6).map(|h| table.height_m(start + TimeDelta::hours(h)).unwrap()).collect()
    }

    fn refused(rows: &str) -> String {
        TideTable::from_csv(&format!("utc,height_m,type\n{rows}"), Between::Cosine).unwrap_err().to_string()
    }

    /// The worked example of the rule of twelfths with low water 2 m and high water 14 m (8 m after three hours).
    #[test]
    fn the_rule_of_twelfths_gives_its_worked_example() {
        for (ours, printed) in hourly(&table(Between::Twelfths)).iter().zip([2.0, 3.0, 5.0, 8.0, 11.0, 13.0, 14.0]) {
            assert!((ours - printed).abs() < 1e-6, "{ours} {printed}");
        }
    }

    #[test]
    fn between_two_turns_the_water_goes_as_half_a_cosine() {
        let expected = [2.0, 2.8038, 5.0, 8.0, 11.0, 13.1962, 14.0];
        for (ours, expected) in hourly(&table(Between::Cosine)).iter().zip(expected) {
            assert!((ours - expected).abs() < 5e-5, "{ours} {expected}");
        }
    }

    #[test]
    fn a_table_that_cannot_be_is_refused_with_its_line() {
        let low_after_low = refused("2026-01-01T00:00Z,2,L\n2026-01-01T12:30Z,1.8,L\n");
        assert!(low_after_low.contains("line 3") && low_after_low.contains("missing"), "{low_after_low}");
        let swapped = refused("2026-01-01T00:00Z,2,H\n2026-01-01T06:10Z,4.8,L\n");
        assert!(swapped.contains("isn't below"), "{swapped}");
        let backwards = refused("2026-01-02T00:00Z,2,L\n2026-01-01T06:10Z,4.8,H\n");
        assert!(backwards.contains("in order of time"), "{backwards}");
        let hole = refused("2026-01-01T00:00Z,2,L\n# a day later\n2026-01-02T06:10Z,4.8,H\n");
        assert!(hole.contains("line 4") && hole.contains("turns between"), "{hole}");
        assert!(refused("2026-13-01T00:00Z,2,L\n").contains("no time"));
        assert!(refused("2026-01-01T00:00Z,2,X\n").contains("line 2"));
        assert!(refused("2026-01-01T00:00Z,2,L\n").contains("two at least"));
        assert!(TideTable::from_csv("utc,height,type\n1,2,H\n", Between::Cosine).is_err());
    }

    #[test]
    fn before_and_after_the_table_nothing_is_known() {
        let table = table(Between::Cosine);
        for at in ["2025-12-31T23:59:59Z", "2026-01-01T06:00:01Z"] {
            let refused = table.height_m(at.parse().unwrap()).unwrap_err().to_string();
            assert!(refused.contains("isn't known") && refused.contains("2026-01-01T06:00:00Z"), "{refused}");
        }
    }
}
