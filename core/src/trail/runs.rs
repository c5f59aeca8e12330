//! Runs of prints that can be one cycle of a pattern, and what each costs: its prints' scatter, its labels, what is missing, the step
//! from the cycle before.

use super::fit::{Fit, Mark, Noise};
use super::pattern::{Assumed, Slot};
use crate::print::{Foot, Side};

/// As many of another animal's prints may lie among those of one cycle.
const FOREIGN_IN_A_CYCLE: usize = 2;
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

/// The prints of one cycle, in order along the trail.
#[derive(Debug, Clone, Copy)]
pub(super) struct Members {
    pub placed: [Placed; MOST_SLOTS],
    pub n: usize,
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

    pub fn list(&self) -> &[Placed] {
        &self.placed[..self.n]
    }
}

/// One way to explain a run of prints as one cycle.
#[derive(Debug, Clone, Copy)]
pub(super) struct Run {
    pub model: usize,
    pub start: usize,
    pub end: usize,
    pub members: Members,
    pub middle: [f64; 2],
    /// Of its prints among themselves, foreign ones between them included; without missing slots.
    pub score: f64,
}

/// The patterns with what every step needs, worked out once.
pub(super) struct Assigner<'a> {
    pub marks: &'a [Mark],
    pub models: Vec<Model<'a>>,
    pub assumed: &'a Assumed,
    /// Log density of a print that could lie anywhere on the trail.
    pub anywhere: f64,
    /// What a foreign print costs, and a missing one.
    pub foreign: f64,
    pub missing: f64,
    /// What a change of pattern costs, where one is possible.
    pub change: Option<f64>,
    /// As much as a step can add to a way's score.
    pub most_gained: f64,
}

pub(super) struct Model<'a> {
    fit: &'a Fit,
    ln_two_pi_scatter: f64,
    /// By the prints of a cycle and of the next, and the strides between: log norm, half the inverse variances along and across.
    steps: [[[[f64; 3]; MOST_STRIDES]; MOST_SLOTS]; MOST_SLOTS],
}

impl<'a> Assigner<'a> {
    pub fn new(marks: &'a [Mark], fits: &[&'a Fit], assumed: &'a Assumed, anywhere: f64, change: Option<f64>) -> Self {
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
    pub fn runs_from(&self, start: usize, runs: &mut Vec<Run>) {
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
    pub fn opening(&self, run: &Run) -> f64 {
        let first_slot = run.members.list().iter().map(|p| p.slot).min().unwrap_or(0);
        let seen_from = self.models[run.model].fit.slots.len() - first_slot;
        (seen_from - run.members.n) as f64 * self.missing + self.anywhere
    }

    /// What the last cycle lacks after its last print is no loss: the pattern may end there.
    pub fn closing(&self, run: &Run) -> f64 {
        let last_slot = run.members.list().iter().map(|p| p.slot).max().unwrap_or(0);
        -((self.models[run.model].fit.slots.len() - 1 - last_slot) as f64) * self.missing
    }

    /// From one cycle to the next: the log density of the step between their middles, and of what is missing.
    pub fn step(&self, from: &Run, to: &Run) -> (f64, usize) {
        let Model { fit, steps, .. } = &self.models[to.model];
        let along = to.middle[0] - from.middle[0];
        let across = to.middle[1] - from.middle[1];
        // Rounded; a cast is faster than a call.
        let strides = ((along / fit.stride + 0.5) as usize).clamp(1, MOST_STRIDES);
        let missing = (fit.slots.len() * strides - to.members.n) as f64 * self.missing;
        let [ln_norm, along_weight, across_weight] = steps[from.members.n - 1][to.members.n - 1][strides - 1];
        let beside = along - strides as f64 * fit.stride;
        (missing - ln_norm - along_weight * beside * beside - across_weight * across * across, strides)
    }
}

impl<'a> Model<'a> {
    fn new(fit: &'a Fit) -> Self {
        let Noise { scatter, stride, drift } = fit.noise;
        let mut steps = [[[[0.0; 3]; MOST_STRIDES]; MOST_SLOTS]; MOST_SLOTS];
        let most = fit.slots.len();
        for (from, by_from) in steps.iter_mut().enumerate().take(most) {
            for (to, by_strides) in by_from.iter_mut().enumerate().take(most) {
                let placing = scatter * scatter * (1.0 / (from + 1) as f64 + 1.0 / (to + 1) as f64);
                for (strides, step) in by_strides.iter_mut().enumerate() {
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
