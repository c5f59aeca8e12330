//! Which print belongs to which cycle of a pattern, and which foot of it made it: the best of all assignments, by dynamic programming.
//!
//! A cycle is a run of neighbouring prints that take each a slot of the pattern; another's prints may lie among them. Prints scatter
//! about their cycle's middle, the middles about even strides. A print that belongs to no cycle is foreign and could lie anywhere on
//! the trail. Every print is explained once, so all patterns are scored over the same data. Several patterns may follow each other, with
//! prints in no order between them: each change has its price.

use super::fit::{Fit, Mark, Noise};
use super::pattern::{Assumed, Slot};
use crate::print::{Foot, Side};

/// As many of another animal's prints may lie among those of one cycle.
const FOREIGN_IN_A_CYCLE: usize = 2;
/// So many ways to end at a print are kept for each pattern: tests/reference/test_trail.py finds the best of all among them.
const KEPT: usize = 8;
/// No cycle has more prints: four feet.
pub(super) const MOST_SLOTS: usize = 4;
/// So many strides may pass without a print.
const MOST_STRIDES: usize = 6;
/// A print further from its slot than this many standard deviations isn't considered for it.
const GATE: f64 = 4.5;

/// A print of the trail in its slot.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Placed {
    pub mark: usize,
    pub slot: usize,
}

/// One cycle of the pattern as found: with gaps it is a group.
#[derive(Debug, Clone, Default)]
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

/// The prints of one cycle, in order along the trail.
#[derive(Debug, Clone, Copy)]
struct Members {
    placed: [Placed; MOST_SLOTS],
    n: usize,
}

impl Members {
    fn one(placed: Placed) -> Self {
        Self { placed: [placed; MOST_SLOTS], n: 1 }
    }

    fn and(mut self, placed: Placed) -> Self {
        self.placed[self.n] = placed;
        self.n += 1;
        self
    }

    fn list(&self) -> &[Placed] {
        &self.placed[..self.n]
    }
}

/// One way to explain a run of prints as one cycle.
#[derive(Debug, Clone, Copy)]
struct Run {
    model: usize,
    start: usize,
    end: usize,
    members: Members,
    middle: [f64; 2],
    /// Of its prints among themselves, foreign ones between them included; without missing slots.
    score: f64,
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

/// The patterns with what every step needs, worked out once.
struct Assigner<'a> {
    marks: &'a [Mark],
    models: Vec<Model<'a>>,
    assumed: &'a Assumed,
    /// Log density of a print that could lie anywhere on the trail.
    anywhere: f64,
    /// What a foreign print costs, and a missing one.
    foreign: f64,
    missing: f64,
    /// What a change of pattern costs, where one is possible.
    change: Option<f64>,
    /// As much as a step can add to a way's score.
    most_gained: f64,
}

struct Model<'a> {
    fit: &'a Fit,
    ln_two_pi_scatter: f64,
    /// By the prints of a cycle and of the next, and the strides between: log norm, half the inverse variances along and across.
    steps: [[[[f64; 3]; MOST_STRIDES]; MOST_SLOTS]; MOST_SLOTS],
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
                let left = match way.run {
                    _ if way.by == By::Scattered => 0.0,
                    run => change + run.map_or(0.0, |run| self.assigner.closing(&self.runs[run])),
                };
                (way.score + left + anywhere, before)
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

impl<'a> Assigner<'a> {
    fn new(marks: &'a [Mark], fits: &[&'a Fit], assumed: &'a Assumed, anywhere: f64, change: Option<f64>) -> Self {
        let models: Vec<Model> = fits.iter().map(|fit| Model::new(fit)).collect();
        let steps = models.iter().map(|model| -model.steps[model.fit.slots.len() - 1][model.fit.slots.len() - 1][0][0]);
        // A change also gives back what the last cycle lacks.
        let given_back = if change.is_some() { -(MOST_SLOTS as f64) * assumed.missing.ln() } else { 0.0 };
        let most_gained = steps.fold(anywhere, f64::max) + given_back;
        Self {
            marks,
            models,
            most_gained,
            assumed,
            anywhere,
            foreign: assumed.foreign.ln() + anywhere,
            missing: assumed.missing.ln(),
            change,
        }
    }

    /// All runs that begin with a print of the trail at `start`.
    fn runs_from(&self, start: usize, runs: &mut Vec<Run>) {
        for model in 0..self.models.len() {
            for slot in 0..self.models[model].fit.slots.len() {
                self.grow(model, start, start + 1, Members::one(Placed { mark: start, slot }), 0, runs);
            }
        }
    }

    fn grow(&self, model: usize, start: usize, end: usize, members: Members, foreign: usize, runs: &mut Vec<Run>) {
        let fit = self.models[model].fit;
        let middle = fit.middle(self.marks, members.list());
        runs.push(self.run(model, start, end, members, middle, foreign));
        if members.n == fit.slots.len() {
            return;
        }
        let gate = GATE * fit.noise.scatter * (1.0 + 1.0 / members.n as f64).sqrt();
        let free = |slot: &usize| members.list().iter().all(|p| p.slot != *slot);
        let reach =
            (0..fit.slots.len()).filter(free).map(|s| fit.slots[s].along).fold(f64::MIN, f64::max) + middle[0] + gate;
        for next in end..self.marks.len().min(end + FOREIGN_IN_A_CYCLE - foreign + 1) {
            let mark = &self.marks[next];
            if mark.at[0] > reach {
                return;
            }
            for slot in (0..fit.slots.len()).filter(free) {
                if fit.residual(mark, slot, middle).iter().all(|apart| apart.abs() <= gate) {
                    let members = members.and(Placed { mark: next, slot });
                    self.grow(model, start, next + 1, members, foreign + next - end, runs);
                }
            }
        }
    }

    fn run(&self, model: usize, start: usize, end: usize, members: Members, middle: [f64; 2], foreign: usize) -> Run {
        let Model { fit, ln_two_pi_scatter, .. } = &self.models[model];
        let placed = members.list();
        let n = placed.len() as f64;
        let squares: f64 =
            placed.iter().flat_map(|p| fit.residual(&self.marks[p.mark], p.slot, middle)).map(|d| d * d).sum();
        // Normal scatter about a middle that is itself unknown, in two directions.
        let scatter = -(n - 1.0) * ln_two_pi_scatter + LN[members.n] - squares / (2.0 * fit.noise.scatter.powi(2));
        let labels: f64 = placed.iter().map(|p| self.label(&self.marks[p.mark], &fit.slots[p.slot])).sum();
        let kept = n * self.assumed.ln_kept;
        Run { model, start, end, members, middle, score: scatter + labels + kept + foreign as f64 * self.foreign }
    }

    /// How well the named foot and side go with a slot, against a toss.
    fn label(&self, mark: &Mark, slot: &Slot) -> f64 {
        let agree =
            |same: bool| (2.0 * if same { 1.0 - self.assumed.wrong_label } else { self.assumed.wrong_label }).ln();
        let foot = match (mark.foot, slot.foot) {
            (Foot::Unknown, _) | (_, Foot::Unknown) => 0.0,
            (named, expected) => agree(named == expected),
        };
        let side = match mark.side {
            Side::Unknown => 0.0,
            side => agree((side == Side::Left) == (slot.across > 0.0)),
        };
        foot + side
    }

    /// The first cycle of a pattern could lie anywhere; what it lacks before its first print is no loss.
    fn opening(&self, run: &Run) -> f64 {
        let first_slot = run.members.list().iter().map(|p| p.slot).min().unwrap_or(0);
        let seen_from = self.models[run.model].fit.slots.len() - first_slot;
        (seen_from - run.members.n) as f64 * self.missing + self.anywhere
    }

    /// What the last cycle lacks after its last print is no loss: the pattern may end there.
    fn closing(&self, run: &Run) -> f64 {
        let last_slot = run.members.list().iter().map(|p| p.slot).max().unwrap_or(0);
        -((self.models[run.model].fit.slots.len() - 1 - last_slot) as f64) * self.missing
    }

    /// From one cycle to the next: the log density of the step between their middles, and of what is missing.
    fn step(&self, from: &Run, to: &Run) -> (f64, usize) {
        let Model { fit, steps, .. } = &self.models[to.model];
        let along = to.middle[0] - from.middle[0];
        let across = to.middle[1] - from.middle[1];
        // Rounded; a cast is faster than a call.
        let strides = ((along / fit.stride).clamp(1.0, MOST_STRIDES as f64) + 0.5) as usize as f64;
        let missing = (fit.slots.len() as f64 * strides - to.members.n as f64) * self.missing;
        let [ln_norm, along_weight, across_weight] = steps[from.members.n - 1][to.members.n - 1][strides as usize - 1];
        let beside = along - strides * fit.stride;
        (missing - ln_norm - along_weight * beside * beside - across_weight * across * across, strides as usize)
    }
}

impl<'a> Model<'a> {
    fn new(fit: &'a Fit) -> Self {
        let Noise { scatter, stride, drift } = fit.noise;
        let mut steps = [[[[0.0; 3]; MOST_STRIDES]; MOST_SLOTS]; MOST_SLOTS];
        let most = fit.slots.len();
        for from in 0..most {
            for to in 0..most {
                let placing = scatter * scatter * (1.0 / (from + 1) as f64 + 1.0 / (to + 1) as f64);
                for (strides, step) in steps[from][to].iter_mut().enumerate() {
                    let strides = (strides + 1) as f64;
                    let (along, across) = (strides * stride * stride + placing, strides * drift * drift + placing);
                    *step = [ln_two_pi((along * across).sqrt()), 0.5 / along, 0.5 / across];
                }
            }
        }
        Self { fit, ln_two_pi_scatter: ln_two_pi(scatter * scatter), steps }
    }
}

/// Natural logarithms of small numbers.
const LN: [f64; MOST_SLOTS + 1] =
    [f64::NEG_INFINITY, 0.0, std::f64::consts::LN_2, 1.098_612_288_668_109_8, 2.0 * std::f64::consts::LN_2];

fn ln_two_pi(variance: f64) -> f64 {
    (std::f64::consts::TAU * variance).ln()
}
