//! Which print belongs to which group, and which foot of the pattern made it: the best of all assignments, by dynamic programming.
//!
//! A group is a run of neighbouring prints, some of which may be foreign; the others take each a slot of the pattern. Prints scatter about
//! their group's middle, the middles about even strides. All prints are explained once, so every pattern is scored over the same data.

use super::fit::{Fit, Mark, Noise};
use super::pattern::{Assumed, Slot};
use crate::print::{Foot, Side};

/// As many of another animal's prints may lie in one run.
const FOREIGN_IN_A_RUN: usize = 3;
/// So many ways to end at a print are kept; the best one has been among the first two on every trail tried.
const KEPT: usize = 8;
/// No cycle has more prints: four feet.
pub(super) const MOST_SLOTS: usize = 4;
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
    /// How many strides on from the cycle before; more than one where whole cycles are missing.
    pub strides_on: usize,
}

/// The best assignment and the logarithm of its likelihood.
#[derive(Debug, Clone)]
pub(super) struct Assignment {
    pub cycles: Vec<Cycle>,
    pub log_likelihood: f64,
}

/// The prints of one cycle, in order along the trail: no pattern has more than [`MOST_SLOTS`].
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
    start: usize,
    members: Members,
    middle: [f64; 2],
    /// Of its prints among themselves, foreign ones included; without missing slots.
    score: f64,
}

/// A run as the end of a chain.
struct Chained {
    run: Run,
    score: f64,
    strides_on: usize,
    /// The place of the one before it in the list of its start.
    before: Option<usize>,
}

struct Assigner<'a> {
    marks: &'a [Mark],
    fit: &'a Fit,
    assumed: &'a Assumed,
    /// Log density of a print that could lie anywhere on the trail.
    anywhere: f64,
}

/// The best assignment of all marks (sorted along the trail) to the fitted slots; `None` where no chain reaches from end to end.
pub(super) fn assign(marks: &[Mark], fit: &Fit, assumed: &Assumed, anywhere: f64) -> Option<Assignment> {
    let assigner = Assigner { marks, fit, assumed, anywhere };
    let mut runs_to: Vec<Vec<Run>> = vec![Vec::new(); marks.len() + 1];
    for start in 0..marks.len() {
        assigner.runs_from(start, &mut runs_to);
    }
    let mut chains: Vec<Vec<Chained>> = vec![Vec::new()];
    for runs in runs_to.into_iter().skip(1) {
        let mut ends: Vec<Chained> = runs.into_iter().filter_map(|run| assigner.chain(run, &chains)).collect();
        ends.sort_by(|a, b| b.score.total_cmp(&a.score));
        ends.truncate(KEPT);
        chains.push(ends);
    }
    assigner.trace(&chains)
}

impl Assigner<'_> {
    /// All runs that begin with a print of the trail at `start`, by their end.
    fn runs_from(&self, start: usize, runs_to: &mut [Vec<Run>]) {
        for slot in 0..self.fit.slots.len() {
            self.grow(start, start + 1, Members::one(Placed { mark: start, slot }), 0, runs_to);
        }
    }

    fn grow(&self, start: usize, end: usize, members: Members, foreign: usize, runs_to: &mut [Vec<Run>]) {
        runs_to[end].push(self.run(start, members, foreign));
        if end == self.marks.len() {
            return;
        }
        for slot in 0..self.fit.slots.len() {
            if members.list().iter().all(|p| p.slot != slot) && self.near(end, slot, members.list()) {
                self.grow(start, end + 1, members.and(Placed { mark: end, slot }), foreign, runs_to);
            }
        }
        if foreign < FOREIGN_IN_A_RUN {
            self.grow(start, end + 1, members, foreign + 1, runs_to);
        }
    }

    fn near(&self, mark: usize, slot: usize, placed: &[Placed]) -> bool {
        let middle = self.fit.middle(self.marks, placed);
        let apart = self.fit.residual(&self.marks[mark], slot, middle);
        let gate = GATE * self.fit.noise.scatter * (1.0 + 1.0 / placed.len() as f64).sqrt();
        apart.iter().all(|d| d.abs() <= gate)
    }

    fn run(&self, start: usize, members: Members, foreign: usize) -> Run {
        let placed = members.list();
        let middle = self.fit.middle(self.marks, placed);
        let n = placed.len() as f64;
        let variance = self.fit.noise.scatter.powi(2);
        let squares: f64 =
            placed.iter().flat_map(|p| self.fit.residual(&self.marks[p.mark], p.slot, middle)).map(|d| d * d).sum();
        // Normal scatter about a middle that is itself unknown, in two directions.
        let scatter = -(n - 1.0) * log_two_pi(variance) - n.ln() - squares / (2.0 * variance);
        let labels: f64 = placed.iter().map(|p| self.label(&self.marks[p.mark], &self.fit.slots[p.slot])).sum();
        let kept = n * (1.0 - self.assumed.missing).ln() + n * (1.0 - self.assumed.foreign).ln();
        // A foreign print's labels are as good as tossed.
        let foreign = foreign as f64 * (self.assumed.foreign.ln() + self.anywhere);
        Run { start, members, middle, score: scatter + labels + kept + foreign }
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

    /// Appends a run to the best chain that ends where it starts.
    fn chain(&self, run: Run, chains: &[Vec<Chained>]) -> Option<Chained> {
        let first_slot = run.members.list().iter().map(|p| p.slot).min().unwrap_or(0);
        let before = chains[run.start]
            .iter()
            .enumerate()
            .map(|(i, chained)| {
                let (score, strides_on) = self.step(&chained.run, &run);
                (chained.score + score, strides_on, Some(i))
            })
            .max_by(|a, b| a.0.total_cmp(&b.0));
        // What lies before the first group is foreign; its missing slots before the first print are no loss.
        let opening = (run.start <= FOREIGN_IN_A_RUN).then(|| {
            let foreign = run.start as f64 * (self.assumed.foreign.ln() + self.anywhere);
            let seen_from = self.fit.slots.len() - first_slot;
            let missing = (seen_from - run.members.n) as f64 * self.assumed.missing.ln();
            (foreign + missing + self.anywhere, 0, None)
        });
        let (score, strides_on, before) = before.into_iter().chain(opening).max_by(|a, b| a.0.total_cmp(&b.0))?;
        Some(Chained { score: score + run.score, run, strides_on, before })
    }

    /// From one cycle to the next: the log density of the step between their middles, and of what is missing.
    fn step(&self, from: &Run, to: &Run) -> (f64, usize) {
        let along = to.middle[0] - from.middle[0];
        let across = to.middle[1] - from.middle[1];
        let strides = (along / self.fit.stride).round().clamp(1.0, 6.0);
        let k = self.fit.slots.len() as f64;
        let missing = (k * strides - to.members.n as f64) * self.assumed.missing.ln();
        let Noise { scatter, stride, drift } = self.fit.noise;
        let placing = scatter * scatter * (1.0 / from.members.n as f64 + 1.0 / to.members.n as f64);
        let score = missing
            + log_normal(along - strides * self.fit.stride, strides * stride * stride + placing)
            + log_normal(across, strides * drift * drift + placing);
        (score, strides as usize)
    }

    /// What the last cycle lacks after its last print is no loss: the trail may end there.
    fn closing(&self, run: &Run) -> f64 {
        let last_slot = run.members.list().iter().map(|p| p.slot).max().unwrap_or(0);
        -((self.fit.slots.len() - 1 - last_slot) as f64) * self.assumed.missing.ln()
    }

    fn trace(&self, chains: &[Vec<Chained>]) -> Option<Assignment> {
        let mut at = chains.last()?.iter().max_by(|a, b| {
            let total = |c: &Chained| c.score + self.closing(&c.run);
            total(a).total_cmp(&total(b))
        })?;
        let log_likelihood = at.score + self.closing(&at.run);
        let mut cycles = Vec::new();
        loop {
            cycles.push(Cycle {
                placed: at.run.members.list().to_vec(),
                middle: at.run.middle,
                strides_on: at.strides_on,
            });
            match at.before {
                Some(before) => at = &chains[at.run.start][before],
                None => break,
            }
        }
        cycles.reverse();
        Some(Assignment { cycles, log_likelihood })
    }
}

fn log_two_pi(variance: f64) -> f64 {
    (std::f64::consts::TAU * variance).ln()
}

fn log_normal(apart: f64, variance: f64) -> f64 {
    -0.5 * (log_two_pi(variance) + apart * apart / variance)
}
