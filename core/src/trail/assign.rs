//! Which print belongs to which cycle of a pattern, and which foot of it made it: the best of all assignments, by dynamic programming.
//!
//! A cycle is a run of neighbouring prints that take each a slot of the pattern; another's prints may lie among them. Prints scatter
//! about their cycle's middle, the middles about even strides. A print that belongs to no cycle is foreign and could lie anywhere on
//! the trail. Every print is explained once, so all patterns are scored over the same data. Several patterns may follow each other, with
//! prints in no order between them: each change has its price.

use super::fit::{Fit, Mark};
use super::pattern::Assumed;
use super::runs::{Assigner, Placed, Run};

/// So many ways to end at a print are kept for each pattern: tests/reference/test_trail.py finds the best of all among them.
const KEPT: usize = 8;

/// One cycle of the pattern as found: with gaps it is a group.
#[derive(Debug, Clone)]
pub(super) struct Cycle {
    pub placed: Vec<Placed>,
    /// The middle of the cycle, cm.
    pub middle: [f64; 2],
    /// How many strides on from the cycle before; more than one where whole cycles are missing, none at the beginning of a pattern.
    pub strides_on: usize,
    /// Which of the patterns.
    pub model: usize,
}

/// The best assignment and the logarithm of its likelihood.
#[derive(Debug, Clone)]
pub(super) struct Assignment {
    pub cycles: Vec<Cycle>,
    /// Marks that follow no pattern.
    pub scattered: Vec<usize>,
    pub log_likelihood: f64,
}

/// How sure each print's place is.
#[derive(Debug, Clone)]
pub(super) struct Doubt {
    /// The probability that a mark belongs to the trail.
    pub belongs: Vec<f64>,
    /// The probability of each cycle of the best assignment, as it is.
    pub cycles: Vec<f64>,
}

/// What explains the last print of a way.
#[derive(Debug, Clone, Copy, PartialEq)]
enum By {
    /// No print yet.
    Nothing,
    /// A foreign print.
    Foreign,
    /// In no pattern.
    Scattered,
    /// The last run's.
    Run,
}

/// One way to explain all prints up to one.
#[derive(Debug, Clone, Copy)]
struct Way {
    by: By,
    /// The last cycle of the pattern that is going on.
    run: Option<usize>,
    strides_on: usize,
    score: f64,
    before: usize,
}

/// All ways that were kept, by where they end.
struct Lattice<'a> {
    assigner: Assigner<'a>,
    runs: Vec<Run>,
    ways: Vec<Way>,
    at: Vec<Vec<usize>>,
}

/// The best assignment of all marks (sorted along the trail) to one fitted pattern.
pub(super) fn assign(marks: &[Mark], fit: &Fit, assumed: &Assumed, anywhere: f64) -> Option<Assignment> {
    Lattice::of(Assigner::new(marks, &[fit], assumed, anywhere, None)).best()
}

/// The best assignment to several patterns that follow each other, or to none where no one fits.
pub(super) fn assign_in_turn(marks: &[Mark], fits: &[&Fit], assumed: &Assumed, anywhere: f64) -> Option<Assignment> {
    Lattice::of(Assigner::new(marks, fits, assumed, anywhere, Some(assumed.change.ln()))).best()
}

/// How sure the best assignment is beside all others.
pub(super) fn doubt(marks: &[Mark], fit: &Fit, assumed: &Assumed, anywhere: f64) -> Option<Doubt> {
    Lattice::of(Assigner::new(marks, &[fit], assumed, anywhere, None)).doubt()
}

impl<'a> Lattice<'a> {
    fn of(assigner: Assigner<'a>) -> Self {
        let n = assigner.marks.len();
        let nothing = Way { by: By::Nothing, run: None, strides_on: 0, score: 0.0, before: 0 };
        let mut lattice = Self { assigner, runs: Vec::new(), ways: vec![nothing], at: vec![Vec::new(); n + 1] };
        lattice.at[0].push(0);
        for mark in 0..n {
            lattice.keep_the_best(mark);
            lattice.pass_over(mark);
            lattice.begin_runs(mark);
        }
        lattice.keep_the_best(n);
        lattice
    }

    fn keep_the_best(&mut self, end: usize) {
        let ways = &self.ways;
        let list = &mut self.at[end];
        let kept = KEPT * self.assigner.models.len();
        let best_first = |a: &usize, b: &usize| ways[*b].score.total_cmp(&ways[*a].score);
        if list.len() > kept {
            list.select_nth_unstable_by(kept, best_first);
            list.truncate(kept);
        }
        list.sort_unstable_by(best_first);
    }

    fn push(&mut self, end: usize, way: Way) {
        self.at[end].push(self.ways.len());
        self.ways.push(way);
    }

    /// The print is another animal's, or follows no pattern.
    fn pass_over(&mut self, mark: usize) {
        let a = &self.assigner;
        let (foreign, scattered) = (a.foreign, a.change.map(|change| (change, a.anywhere)));
        for i in 0..self.at[mark].len() {
            let before = self.at[mark][i];
            let way = self.ways[before];
            if way.by != By::Scattered {
                self.push(mark + 1, Way { by: By::Foreign, score: way.score + foreign, before, ..way });
            }
        }
        let Some((change, anywhere)) = scattered else { return };
        let best = self.at[mark]
            .iter()
            .map(|&before| {
                let way = &self.ways[before];
                let left = if way.by == By::Scattered { 0.0 } else { change };
                (self.total(way) + left + anywhere, before)
            })
            .max_by(|a, b| a.0.total_cmp(&b.0));
        if let Some((score, before)) = best {
            self.push(mark + 1, Way { by: By::Scattered, run: None, strides_on: 0, score, before });
        }
    }

    fn begin_runs(&mut self, start: usize) {
        let from = self.runs.len();
        self.assigner.runs_from(start, &mut self.runs);
        for run in from..self.runs.len() {
            let mut best: Option<(f64, usize, usize)> = None;
            for &before in &self.at[start] {
                let so_far = self.ways[before].score;
                // The best come first, and no step gains more than this.
                if best.is_some_and(|(score, ..)| so_far + self.assigner.most_gained < score) {
                    break;
                }
                let (score, strides_on) = self.onwards(&self.ways[before], &self.runs[run]);
                if best.is_none_or(|(least, ..)| so_far + score > least) {
                    best = Some((so_far + score, strides_on, before));
                }
            }
            if let Some((score, strides_on, before)) = best {
                let score = score + self.runs[run].score;
                self.push(self.runs[run].end, Way { by: By::Run, run: Some(run), strides_on, score, before });
            }
        }
    }

    /// From the end of a way to a run: the log likelihood of the step, and its strides.
    fn onwards(&self, way: &Way, to: &Run) -> (f64, usize) {
        let assigner = &self.assigner;
        match way.run.map(|run| &self.runs[run]) {
            Some(run) if run.model == to.model => assigner.step(run, to),
            last => {
                let left = match (last, way.by) {
                    (Some(run), _) => assigner.closing(run) + assigner.change.unwrap_or(f64::NEG_INFINITY),
                    (None, By::Scattered) => assigner.change.unwrap_or(f64::NEG_INFINITY),
                    (None, _) => 0.0,
                };
                (left + assigner.opening(to), 0)
            }
        }
    }

    /// The score of a way if its pattern ends there.
    fn total(&self, way: &Way) -> f64 {
        way.score + way.run.map_or(0.0, |run| self.assigner.closing(&self.runs[run]))
    }

    /// The ways that the best assignment goes, from the last to the first.
    fn path(&self) -> Option<Vec<usize>> {
        let ends = self.at.last()?.iter().filter(|&&way| self.ways[way].by != By::Nothing);
        let last = ends.max_by(|&&a, &&b| self.total(&self.ways[a]).total_cmp(&self.total(&self.ways[b])))?;
        let mut path = vec![*last];
        while self.ways[path[path.len() - 1]].by != By::Nothing {
            path.push(self.ways[path[path.len() - 1]].before);
        }
        Some(path)
    }

    fn best(&self) -> Option<Assignment> {
        let path = self.path()?;
        let log_likelihood = self.total(&self.ways[path[0]]);
        let (mut cycles, mut scattered, mut mark) = (Vec::new(), Vec::new(), 0);
        for way in path.iter().rev().map(|&way| &self.ways[way]) {
            match (way.by, way.run) {
                (By::Run, Some(run)) => {
                    let run = &self.runs[run];
                    cycles.push(Cycle {
                        placed: run.members.list().to_vec(),
                        middle: run.middle,
                        strides_on: way.strides_on,
                        model: run.model,
                    });
                    mark = run.end;
                    continue;
                }
                (By::Scattered, _) => scattered.push(mark),
                _ => {}
            }
            mark += usize::from(way.by != By::Nothing);
        }
        (!cycles.is_empty() || !scattered.is_empty()).then_some(Assignment { cycles, scattered, log_likelihood })
    }

    /// Sums over all ways instead of taking the best (Rabiner 1989, Proc. IEEE 77:257, section III.B, for runs in place of single states).
    fn doubt(&self) -> Option<Doubt> {
        let path = self.path()?;
        let n = self.assigner.marks.len();
        let mut forward = vec![f64::NEG_INFINITY; self.ways.len()];
        forward[0] = 0.0;
        for &way in self.at[1..].iter().flatten() {
            forward[way] = match (self.ways[way].by, self.ways[way].run) {
                (By::Run, Some(run)) => {
                    let run = &self.runs[run];
                    let before = self.at[run.start].iter().filter(|b| forward[**b] > f64::NEG_INFINITY);
                    run.score + ln_sum(before.map(|&b| forward[b] + self.onwards(&self.ways[b], run).0))
                }
                _ => forward[self.ways[way].before] + self.assigner.foreign,
            };
        }
        let mut backward = vec![f64::NEG_INFINITY; self.ways.len()];
        for &way in &self.at[n] {
            backward[way] = self.total(&self.ways[way]) - self.ways[way].score;
        }
        for end in (1..=n).rev() {
            for &way in &self.at[end] {
                let here = backward[way];
                match (self.ways[way].by, self.ways[way].run) {
                    (By::Run, Some(run)) => {
                        let run = &self.runs[run];
                        for &b in &self.at[run.start] {
                            let onwards = self.onwards(&self.ways[b], run).0 + run.score + here;
                            backward[b] = ln_sum([backward[b], onwards].into_iter());
                        }
                    }
                    _ => {
                        let b = self.ways[way].before;
                        backward[b] = ln_sum([backward[b], here + self.assigner.foreign].into_iter());
                    }
                }
            }
        }
        let all = backward[0];
        let share = |way: usize| (forward[way] + backward[way] - all).exp().min(1.0);
        let mut belongs = vec![0.0; n];
        for &way in self.at.iter().flatten() {
            if let (By::Run, Some(run)) = (self.ways[way].by, self.ways[way].run) {
                let share = share(way);
                self.runs[run].members.list().iter().for_each(|p| belongs[p.mark] += share);
            }
        }
        belongs.iter_mut().for_each(|b| *b = b.min(1.0));
        let cycles = path.iter().rev().filter(|&&way| self.ways[way].by == By::Run).map(|&way| share(way)).collect();
        Some(Doubt { belongs, cycles })
    }
}

/// The logarithm of a sum of which the logarithms are known.
fn ln_sum(logs: impl Iterator<Item = f64> + Clone) -> f64 {
    let top = logs.clone().fold(f64::NEG_INFINITY, f64::max);
    match top > f64::NEG_INFINITY {
        true => top + logs.map(|log| (log - top).exp()).sum::<f64>().ln(),
        false => top,
    }
}
