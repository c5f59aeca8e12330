//! Fits each pattern to the prints, by turns: the best assignment, then the slots, the stride and the scatter that go best with it.
//! What a pattern is worth against the others is its evidence (Laplace's approximation: MacKay 2003, Information Theory, chapter 27).

use std::f64::consts::TAU;

use super::assign::{self, Assignment, Cycle, Doubt};
use super::pattern::{Assumed, Family, PatternName, Patterns, Slot, Template};
use super::runs::Placed;
use super::{PatternProbability, Travel};
use crate::print::{Foot, Side};

/// Turns for a quick look at each start, and at most until a fit stands.
const TURNS: [usize; 2] = [2, 6];
/// Starts are judged on so many prints from the trail's first; the whole trail then decides.
const LOOKED_AT: usize = 24;
/// The stride of a start is judged on so many.
const GLANCED_AT: usize = 16;
/// A start whose evidence lies further (natural logarithm) below the best one's isn't followed: it can't catch up.
const HOPELESS: f64 = 40.0;

/// A print as the fit sees it: sorted along the line, left of it positive if it is known which side is left.
#[derive(Debug, Clone, Copy)]
pub(super) struct Mark {
    /// Index in the input.
    pub index: usize,
    /// Along and across, cm.
    pub at: [f64; 2],
    /// Which way the line runs there, in the input's plane; a unit vector.
    pub ahead: [f64; 2],
    /// 1 where across counts positive to the left of that, -1 where the other way round.
    pub left: f64,
    pub foot: Foot,
    pub side: Side,
}

/// Standard deviations, cm.
#[derive(Debug, Clone, Copy)]
pub(super) struct Noise {
    /// Of a print about its place in the group, either direction.
    pub scatter: f64,
    /// Of one stride to the next.
    pub stride: f64,
    /// Of the middle line from group to group.
    pub drift: f64,
}

/// A pattern fitted to a trail; centimetres.
#[derive(Debug, Clone)]
pub(super) struct Fit {
    pub stride: f64,
    /// Places from the middle of the cycle.
    pub slots: Vec<Slot>,
    pub noise: Noise,
}

impl Fit {
    /// Where the middle of a cycle lies, by the prints that are there.
    pub fn middle(&self, marks: &[Mark], placed: &[Placed]) -> [f64; 2] {
        let n = placed.len() as f64;
        placed.iter().fold([0.0; 2], |[x, y], p| {
            let apart = self.residual(&marks[p.mark], p.slot, [0.0; 2]);
            [x + apart[0] / n, y + apart[1] / n]
        })
    }

    /// How far a print lies from its slot in a cycle with this middle.
    pub fn residual(&self, mark: &Mark, slot: usize, middle: [f64; 2]) -> [f64; 2] {
        [mark.at[0] - middle[0] - self.slots[slot].along, mark.at[1] - middle[1] - self.slots[slot].across]
    }
}

/// A fitted pattern with its assignment and the logarithm of its evidence, prior included.
#[derive(Debug, Clone)]
pub(super) struct Fitted {
    pub template: &'static Template,
    pub fit: Fit,
    pub cycles: Vec<Cycle>,
    /// Of the assignment.
    pub ln_likelihood: f64,
    pub log_evidence: f64,
}

/// The patterns weighed against each other.
pub(super) struct Weighed {
    pub patterns: Vec<PatternProbability>,
    pub no_pattern: f64,
    /// Of the best, or of none.
    pub log_evidence: f64,
    /// All that were followed to their end, the best first; none where the prints rather follow no pattern.
    pub fitted: Vec<Fitted>,
}

/// What fits have in common: the patterns that may be, how well places are known, and how thick the prints lie.
#[derive(Clone, Copy)]
pub(super) struct Weigher {
    pub patterns: &'static Patterns,
    pub u_cm: f64,
    pub travel: Travel,
}

impl Weigher {
    fn assumed(&self) -> &'static Assumed {
        &self.patterns.assumed
    }

    /// Fits all patterns and shares out the probability, from fits to the first prints.
    pub fn weigh(&self, marks: &[Mark], starts: Vec<Fitted>) -> Weighed {
        let best_start = starts.iter().map(|start| start.log_evidence).fold(f64::MIN, f64::max);
        let hopeful = starts.into_iter().filter(|start| start.log_evidence >= best_start - HOPELESS);
        let whole = hopeful.filter_map(|start| self.fit(marks, start.fit, start.template, 1)).collect::<Vec<_>>();
        let best = whole.iter().map(|fitted| fitted.log_evidence).fold(f64::MIN, f64::max);
        let hopeful = whole.into_iter().filter(|fitted| fitted.log_evidence >= best - HOPELESS);
        let followed = hopeful.filter_map(|start| self.fit(marks, start.fit, start.template, TURNS[1]));
        let mut fitted = self.with_other_feet(marks, followed.collect());
        fitted.sort_by(|a, b| b.log_evidence.total_cmp(&a.log_evidence));
        let none = marks.len() as f64 * anywhere(marks, self.u_cm) + self.assumed().no_pattern.ln();
        let top = fitted.first().map_or(none, |best| best.log_evidence.max(none));
        let weight = |log: f64| (log - top).exp();
        let total: f64 = weight(none) + fitted.iter().map(|f| weight(f.log_evidence)).sum::<f64>();
        // Each of the six families and 'none' has its part of what stays unsure.
        let unsure = self.assumed().unsure;
        let held_back = |share: f64| share * (1.0 - unsure) + unsure / 7.0;
        let share = |family: Family| {
            let of_family = fitted.iter().filter(|f| f.template.family == family);
            held_back(of_family.map(|f| weight(f.log_evidence)).sum::<f64>() / total)
        };
        let alternating = share(Family::Alternating);
        let mut shares = vec![
            (PatternName::Walk, alternating * self.patterns.alternating.walk),
            (PatternName::Trot, alternating * self.patterns.alternating.trot),
            (PatternName::PaceWalk, share(Family::PaceWalk)),
            (PatternName::TwoByTwo, share(Family::TwoByTwo)),
            (PatternName::GroupOfThree, share(Family::GroupOfThree)),
            (PatternName::GroupOfFour, share(Family::GroupOfFour)),
            (PatternName::Hop, share(Family::Hop)),
        ];
        shares.sort_by(|a, b| b.1.total_cmp(&a.1));
        fitted.retain(|f| f.log_evidence > none);
        // A pattern may lead by several variants none of which leads alone.
        fitted.sort_by_key(|f| f.template.family != Family::of(shares[0].0));
        let patterns = shares.into_iter().map(|(name, probability)| PatternProbability { name, probability }).collect();
        Weighed { patterns, no_pattern: held_back(weight(none) / total), log_evidence: top, fitted }
    }

    /// Weighs again from what was fitted to the same prints before they moved a little.
    pub fn weigh_again(&self, marks: &[Mark], fitted: &[Fitted]) -> Weighed {
        let looked_at = |f: &&Fitted| labelled(marks) || std::ptr::eq(self.first_alike(f.template), f.template);
        self.weigh(marks, fitted.iter().filter(looked_at).cloned().collect())
    }

    /// The template that stands for all with the same places.
    fn first_alike(&self, template: &Template) -> &'static Template {
        &self.patterns.templates[template.alike]
    }

    /// A quick look at the first prints, for each pattern from several strides.
    pub fn starts(&self, marks: &[Mark]) -> Vec<Fitted> {
        let first = &marks[..marks.len().min(LOOKED_AT)];
        let possible = self
            .patterns
            .templates
            .iter()
            .enumerate()
            .filter(|(i, template)| (template.alike == *i || labelled(marks)) && self.travel.allows(template));
        let mut stride = None;
        let mut starts = Vec::new();
        for (_, template) in possible {
            if !template.begun_elsewhere {
                stride = self.best_stride(&first[..first.len().min(GLANCED_AT)], template);
            }
            let start = stride.map(|stride| start(stride, template, self.assumed(), self.u_cm));
            starts.extend(start.and_then(|start| self.fit(first, start, template, TURNS[0])));
        }
        starts
    }

    /// The stride from which a pattern is tried: it goes best with the very first prints.
    fn best_stride(&self, first: &[Mark], template: &'static Template) -> Option<f64> {
        let worth = |stride: f64| {
            let glance = self.fit(first, start(stride, template, self.assumed(), self.u_cm), template, 0)?;
            Some((glance.log_evidence, stride))
        };
        let each = strides(first, template, self.assumed()).into_iter().filter_map(worth);
        each.max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, stride)| stride)
    }

    /// Where no foot is named, patterns that differ in the feet alone have one fit.
    fn with_other_feet(&self, marks: &[Mark], fitted: Vec<Fitted>) -> Vec<Fitted> {
        if labelled(marks) {
            return fitted;
        }
        let others = |done: Fitted| {
            let like = |template: &&'static Template| std::ptr::eq(self.first_alike(template), done.template);
            let possible = self.patterns.templates.iter().filter(like).filter(|template| self.travel.allows(template));
            possible.map(|template| done.clone().walked_as(template)).collect::<Vec<_>>()
        };
        fitted.into_iter().flat_map(others).collect()
    }

    /// The log density, per square centimetre, of a print that could lie anywhere among these.
    pub fn anywhere(&self, marks: &[Mark]) -> f64 {
        anywhere(marks, self.u_cm)
    }

    fn fit(&self, marks: &[Mark], mut fit: Fit, template: &'static Template, turns: usize) -> Option<Fitted> {
        let (assumed, u_cm) = (self.assumed(), self.u_cm);
        let anywhere = anywhere(marks, u_cm);
        let mut assignment = assign::assign(marks, &fit, assumed, anywhere)?;
        for _ in 0..turns {
            let next = refit(marks, u_cm, &fit, &assignment.cycles, template, assumed);
            let stands = next.is_near(&fit);
            fit = next;
            assignment = assign::assign(marks, &fit, assumed, anywhere)?;
            if stands {
                break;
            }
        }
        let log_evidence =
            assignment.log_likelihood + occam(&fit, &assignment, template, assumed) + template.prior.ln();
        let Assignment { cycles, log_likelihood: ln_likelihood, .. } = assignment;
        Some(Fitted { template, fit, cycles, ln_likelihood, log_evidence })
    }
}

impl Fitted {
    /// The same places by another template's feet.
    fn walked_as(mut self, template: &'static Template) -> Self {
        self.log_evidence += (template.prior / self.template.prior).ln();
        self.fit.slots.iter_mut().zip(&template.slots).for_each(|(slot, other)| slot.foot = other.foot);
        self.template = template;
        self
    }

    /// How sure each print's place is.
    pub fn doubt(&self, marks: &[Mark], weigher: &Weigher) -> Option<Doubt> {
        assign::doubt(marks, &self.fit, weigher.assumed(), weigher.anywhere(marks))
    }
}

impl Fit {
    /// Whether both stand for one pattern at one stride.
    pub fn is_like(&self, other: &Self) -> bool {
        let wide = 3.0 * self.noise.scatter.hypot(other.noise.scatter);
        let near = |a: f64, b: f64| (a - b).abs() < wide;
        self.slots.len() == other.slots.len()
            && near(self.stride, other.stride)
            && self.slots.iter().zip(&other.slots).all(|(a, b)| near(a.along, b.along) && near(a.across, b.across))
    }

    /// Whether another turn would change nothing to speak of.
    fn is_near(&self, other: &Self) -> bool {
        let near = |a: f64, b: f64| (a - b).abs() < 0.02 * self.noise.scatter;
        near(self.stride, other.stride)
            && near(self.noise.scatter, other.noise.scatter)
            && self.slots.iter().zip(&other.slots).all(|(a, b)| near(a.along, b.along) && near(a.across, b.across))
    }
}

/// How far a print lies from where it lay, at most, the shift of all together left out, cm.
pub(super) fn furthest_moved(before: &[Mark], after: &[Mark]) -> f64 {
    let mut apart = vec![[0.0; 2]; before.len()];
    before.iter().for_each(|m| apart[m.index] = m.at);
    after.iter().for_each(|m| apart[m.index] = [m.at[0] - apart[m.index][0], m.at[1] - apart[m.index][1]]);
    let n = apart.len() as f64;
    let shift = apart.iter().fold([0.0; 2], |[x, y], a| [x + a[0] / n, y + a[1] / n]);
    apart.iter().map(|a| (a[0] - shift[0]).hypot(a[1] - shift[1])).fold(0.0, f64::max)
}

fn labelled(marks: &[Mark]) -> bool {
    marks.iter().any(|mark| mark.foot != Foot::Unknown)
}

fn anywhere(marks: &[Mark], u_cm: f64) -> f64 {
    let range = |axis: usize| {
        let (low, high) = marks.iter().fold((f64::MAX, f64::MIN), |(l, h), m| (l.min(m.at[axis]), h.max(m.at[axis])));
        high - low
    };
    let spacing = range(0) / (marks.len() - 1) as f64;
    -(spacing * (range(1) + 4.0 * u_cm)).ln()
}

/// Strides worth starting from: what lies as many prints on as a cycle has, or one fewer where a print is missing,
/// and what the density of the prints says.
fn strides(marks: &[Mark], template: &Template, assumed: &Assumed) -> Vec<f64> {
    let k = template.slots.len();
    let last = marks.len() - 1;
    let length = marks[last].at[0] - marks[0].at[0];
    let median_over = |lag: usize| {
        let mut apart: Vec<f64> =
            (0..marks.len().saturating_sub(lag)).map(|i| marks[i + lag].at[0] - marks[i].at[0]).collect();
        apart.sort_by(f64::total_cmp);
        apart.get(apart.len() / 2).copied()
    };
    let density = length * k as f64 / last as f64;
    // Too few prints for a whole cycle: as if the rest of it were missing.
    let mut strides: Vec<f64> =
        [median_over(k), median_over(k - 1).filter(|_| k > 2), Some(density), Some(0.87 * density)]
            .into_iter()
            .flatten()
            .filter(|s| (assumed.stride_cm[0]..=assumed.stride_cm[1]).contains(s))
            .collect();
    strides.sort_by(f64::total_cmp);
    strides.dedup_by(|a, b| (*a - *b).abs() < 0.01 * *b);
    strides
}

fn start(stride: f64, template: &Template, assumed: &Assumed, u_cm: f64) -> Fit {
    let scaled = |s: &Slot| Slot { along: s.along * stride, across: s.across * stride, foot: s.foot };
    Fit {
        stride,
        slots: template.slots.iter().map(scaled).collect(),
        noise: Noise {
            // Wide at first, so that a template that isn't quite this trail's can take hold.
            scatter: (template.along_spread * stride).hypot(u_cm),
            stride: 2.0 * assumed.stride_variation * stride,
            drift: 2.0 * assumed.drift * stride,
        },
    }
}

/// The slots, the stride and the noise that go best with an assignment.
fn refit(marks: &[Mark], u_cm: f64, old: &Fit, cycles: &[Cycle], template: &Template, assumed: &Assumed) -> Fit {
    let mut fit = old.clone();
    let (steps, strides) = steps(cycles).fold((0.0, 0.0), |(cm, n), step| (cm + step.along, n + step.strides));
    if strides > 0.0 {
        fit.stride = (steps / strides).clamp(assumed.stride_cm[0], assumed.stride_cm[1]);
    }
    fit.slots = slots(marks, &fit, cycles, template);
    fit.noise = noise(marks, u_cm, &fit, cycles, assumed);
    fit
}

/// Each slot where its prints lie in the mean, drawn towards the template by what is known of it beforehand.
fn slots(marks: &[Mark], fit: &Fit, cycles: &[Cycle], template: &Template) -> Vec<Slot> {
    let mut fit = fit.clone();
    for _ in 0..3 {
        let mut sums = vec![([0.0; 2], 0.0); fit.slots.len()];
        for cycle in cycles {
            let middle = fit.middle(marks, &cycle.placed);
            for p in &cycle.placed {
                let at = marks[p.mark].at;
                let (sum, n) = &mut sums[p.slot];
                *sum = [sum[0] + at[0] - middle[0], sum[1] + at[1] - middle[1]];
                *n += 1.0;
            }
        }
        let variance = fit.noise.scatter.powi(2);
        let drawn = |sum: f64, n: f64, expected: f64, spread: f64| {
            let pull = variance / (spread * fit.stride).powi(2);
            (sum + pull * expected * fit.stride) / (n + pull)
        };
        let mut slots: Vec<Slot> = template
            .slots
            .iter()
            .zip(&sums)
            .map(|(t, (sum, n))| Slot {
                along: drawn(sum[0], *n, t.along, template.along_spread),
                across: drawn(sum[1], *n, t.across, template.across_spread),
                foot: t.foot,
            })
            .collect();
        let k = slots.len() as f64;
        let [along, across] = slots.iter().fold([0.0; 2], |[x, y], s| [x + s.along / k, y + s.across / k]);
        slots.iter_mut().for_each(|s| {
            s.along -= along;
            s.across -= across;
        });
        fit.slots = slots;
    }
    fit.slots
}

fn noise(marks: &[Mark], u_cm: f64, fit: &Fit, cycles: &[Cycle], assumed: &Assumed) -> Noise {
    let expected = |share: f64| (share * fit.stride).powi(2);
    let weight = assumed.weight;
    let (mut squares, mut free) = (weight * expected(assumed.scatter), weight);
    for cycle in cycles {
        let middle = fit.middle(marks, &cycle.placed);
        squares +=
            cycle.placed.iter().flat_map(|p| fit.residual(&marks[p.mark], p.slot, middle)).map(|d| d * d).sum::<f64>();
        free += 2.0 * (cycle.placed.len() - 1) as f64;
    }
    let scatter = (squares / free).max(u_cm * u_cm);
    let (mut along, mut across, mut n) =
        (weight * expected(assumed.stride_variation), weight * expected(assumed.drift), weight);
    for step in steps(cycles) {
        let placing = scatter * step.placing;
        let beyond = |apart: f64| ((apart * apart - placing) / step.strides).max(0.0);
        along += beyond(step.along - step.strides * fit.stride);
        across += beyond(step.across);
        n += 1.0;
    }
    Noise { scatter: scatter.sqrt(), stride: (along / n).sqrt(), drift: (across / n).sqrt() }
}

/// From one cycle to the next, cm.
pub(super) struct Step {
    pub along: f64,
    pub across: f64,
    pub strides: f64,
    /// The variance of the step from its prints' scatter, in units of the scatter's own.
    pub placing: f64,
}

/// The steps between the middles of neighbouring cycles.
pub(super) fn steps(cycles: &[Cycle]) -> impl Iterator<Item = Step> {
    cycles.windows(2).map(|pair| Step {
        along: pair[1].middle[0] - pair[0].middle[0],
        across: pair[1].middle[1] - pair[0].middle[1],
        strides: pair[1].strides_on as f64,
        placing: 1.0 / pair[0].placed.len() as f64 + 1.0 / pair[1].placed.len() as f64,
    })
}

/// What fitting the slots and the stride costs: for each the share of what was possible beforehand that the trail leaves.
fn occam(fit: &Fit, assignment: &Assignment, template: &Template, assumed: &Assumed) -> f64 {
    let k = fit.slots.len();
    let mut held = vec![0.0; k];
    assignment.cycles.iter().flat_map(|c| &c.placed).for_each(|p| held[p.slot] += 1.0);
    let place = |fitted: f64, expected: f64, spread: f64, n: f64| {
        let before = (spread * fit.stride).powi(2);
        let after = 1.0 / (1.0 / before + n / fit.noise.scatter.powi(2));
        0.5 * (after / before).ln() - (fitted - expected * fit.stride).powi(2) / (2.0 * before)
    };
    let slots: f64 = fit
        .slots
        .iter()
        .zip(&template.slots)
        .zip(&held)
        .map(|((s, t), &n)| {
            place(s.along, t.along, template.along_spread, n) + place(s.across, t.across, template.across_spread, n)
        })
        .sum();
    let strides: f64 = steps(&assignment.cycles).map(|s| s.strides).sum();
    let [shortest, longest] = assumed.stride_cm;
    // Before: any stride, evenly on a logarithmic scale.
    let stride = match strides > 0.0 {
        true => 0.5 * (TAU * fit.noise.stride.powi(2) / strides).ln() - (fit.stride * (longest / shortest).ln()).ln(),
        false => 0.0,
    };
    // The middle of a cycle takes one place in each direction with it.
    slots * (k - 1) as f64 / k as f64 + stride.min(0.0)
}
