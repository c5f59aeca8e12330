//! Where along the trail the pattern changes: the patterns found are run against each other over all prints, and what none of them
//! explains is looked at for another one, until nothing is left to explain.

use std::ops::Range;

use super::assign;
use super::fit::{Fit, Fitted, Mark, Weighed, Weigher};
use super::line::{Line, Middle};

/// Fewer prints than these don't make a pattern of their own.
const LEAST: usize = 6;
/// The last prints by which a second pattern is looked for, as far as there are twice as many.
const LOOKED_BACK_AT: usize = 16;
/// More patterns aren't looked for in one trail.
const MOST_PATTERNS: usize = 4;

/// A stretch of the trail in one pattern, or in none.
pub(super) struct Section {
    pub marks: Range<usize>,
    pub weighed: Weighed,
}

/// All sections in order; one where the pattern doesn't change.
pub(super) fn sections(marks: &[Mark], weigher: &Weigher) -> Vec<Section> {
    let starts = weigher.starts(marks);
    let ranges = changes(marks, weigher, &starts);
    let whole = Section { marks: 0..marks.len(), weighed: weigher.weigh(marks, starts) };
    if ranges.len() < 2 {
        return vec![whole];
    }
    let in_turn: Vec<Section> = ranges
        .into_iter()
        .map(|range| {
            let of = &marks[range.clone()];
            Section { marks: range, weighed: weigher.weigh(of, weigher.starts(of)) }
        })
        .collect();
    // A change stands if it explains more than it costs.
    let cost = (in_turn.len() - 1) as f64 * weigher.patterns.assumed.change.ln();
    match in_turn.iter().map(|section| section.weighed.log_evidence).sum::<f64>() + cost > whole.weighed.log_evidence {
        true => in_turn,
        false => vec![whole],
    }
}

/// The sections once more, after the line was drawn again: each from what was fitted before, or anew where nothing was.
pub(super) fn again(sections: &[Section], marks: &[Mark], weigher: &Weigher) -> Vec<Section> {
    if sections.iter().any(|section| section.weighed.fitted.is_empty()) {
        return self::sections(marks, weigher);
    }
    let weighed = |section: &Section| Section {
        marks: section.marks.clone(),
        weighed: weigher.weigh_again(&marks[section.marks.clone()], &section.weighed.fitted),
    };
    sections.iter().map(weighed).collect()
}

/// The line through the middles of all cycles found; `None` where there are too few.
pub(super) fn line_through(sections: &[Section], marks: &[Mark], line: &Line) -> Option<Line> {
    let mut middles = Vec::new();
    for section in sections {
        let Some(best) = section.weighed.fitted.first() else { continue };
        let left = marks[section.marks.start].left;
        middles.extend(best.cycles.iter().map(|cycle| Middle {
            at: line.point([cycle.middle[0], left * cycle.middle[1]]),
            weight: cycle.placed.len() as f64,
        }));
    }
    Line::through(&middles)
}

/// How little the prints of a section scatter, cm.
pub(super) fn least_scatter(sections: &[Section]) -> f64 {
    sections.iter().filter_map(|s| s.weighed.fitted.first()).map(|f| f.fit.noise.scatter).fold(f64::MAX, f64::min)
}

/// The stretches between changes.
fn changes(marks: &[Mark], weigher: &Weigher, starts: &[Fitted]) -> Vec<Range<usize>> {
    let anywhere = weigher.anywhere(marks);
    let mut fits: Vec<Fit> = best(starts).into_iter().collect();
    if marks.len() >= 2 * LEAST {
        // The first prints may lie across a change.
        let last = best(&weigher.starts(&marks[marks.len() - LOOKED_BACK_AT.min(marks.len() / 2)..]));
        add(&mut fits, last);
    }
    while !fits.is_empty() {
        let each: Vec<&Fit> = fits.iter().collect();
        let Some(found) = assign::assign_in_turn(marks, &each, &weigher.patterns.assumed, anywhere) else {
            return Vec::new();
        };
        let mut by = vec![None; marks.len()];
        for cycle in &found.cycles {
            cycle.placed.iter().for_each(|p| by[p.mark] = Some(cycle.model));
        }
        found.scattered.iter().for_each(|&mark| by[mark] = Some(usize::MAX));
        let ranges = ranges(&by);
        let unexplained = ranges.iter().filter(|(by, range)| *by == usize::MAX && range.len() >= LEAST);
        let longest = unexplained.max_by_key(|(_, range)| range.len()).map(|(_, range)| range.clone());
        let more =
            longest.filter(|_| fits.len() < MOST_PATTERNS).and_then(|range| best(&weigher.starts(&marks[range])));
        if !add(&mut fits, more) {
            return ranges.into_iter().map(|(_, range)| range).collect();
        }
    }
    Vec::new()
}

/// Adds a pattern if it is a new one: the same again would find the same.
fn add(fits: &mut Vec<Fit>, more: Option<Fit>) -> bool {
    let new = more.filter(|more| fits.iter().all(|known| !known.is_like(more)));
    let added = new.is_some();
    fits.extend(new);
    added
}

fn best(starts: &[Fitted]) -> Option<Fit> {
    starts.iter().max_by(|a, b| a.log_evidence.total_cmp(&b.log_evidence)).map(|best| best.fit.clone())
}

/// Neighbouring marks by the same pattern; what is too short for one goes with what comes before it.
fn ranges(by: &[Option<usize>]) -> Vec<(usize, Range<usize>)> {
    let mut ranges: Vec<(usize, Range<usize>)> = Vec::new();
    for (mark, by) in by.iter().enumerate() {
        match (ranges.last_mut(), by) {
            (Some((_, range)), None) => range.end = mark + 1,
            (Some((last, range)), Some(by)) if last == by => range.end = mark + 1,
            (_, by) => ranges.push((by.unwrap_or(usize::MAX), mark..mark + 1)),
        }
    }
    let mut joined: Vec<(usize, Range<usize>)> = Vec::new();
    for (by, range) in ranges {
        match joined.last_mut() {
            Some((last, before)) if range.len() < LEAST || before.len() < LEAST || *last == by => {
                if range.len() > before.len() {
                    *last = by;
                }
                before.end = range.end;
            }
            _ => joined.push((by, range)),
        }
    }
    joined
}
