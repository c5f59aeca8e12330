//! From evidence and facts to the likelihood of every track maker. The formulas stand in the module page of `identify`.

use super::draw::Draw;
use super::evidence::{Evidence, PrintEvidence};
use super::facts::Facts;
use super::features::{CLEARNESS, Shown, of_feature, shown, shown_by_none};
use super::maker::Maker;
use super::named::{Arrangement, Feature, Foot};
use super::signs::{add_droppings, add_feeding, add_trail};
use super::sizes::{Cell, DIMENSIONS, Ground, Reading, readings, readings_of_none};

/// What kinds of observation there are; also the bit by which one is left out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Width,
    LengthWithoutHeel,
    LengthWithHeel,
    Toes,
    Claws,
    Webbing,
    HeelPad,
    Arrangement,
    Pattern,
    Stride,
    Straddle,
    DragMark,
    Contents,
    Form,
    DroppingWidth,
    DroppingLength,
    Smell,
    ProminentSpot,
    Vegetation,
    Feeding,
}

/// Every kind with its key in the evidence.
pub(super) const KINDS: [(Kind, &str); 20] = [
    (Kind::Width, "width_mm"),
    (Kind::LengthWithoutHeel, "length_without_heel_mm"),
    (Kind::LengthWithHeel, "length_with_heel_mm"),
    (Kind::Toes, "toes_seen"),
    (Kind::Claws, "claws"),
    (Kind::Webbing, "webbing"),
    (Kind::HeelPad, "heel_pad"),
    (Kind::Arrangement, "arrangement"),
    (Kind::Pattern, "pattern"),
    (Kind::Stride, "stride_mm"),
    (Kind::Straddle, "straddle_mm"),
    (Kind::DragMark, "drag_mark"),
    (Kind::Contents, "contents"),
    (Kind::Form, "form"),
    (Kind::DroppingWidth, "dropping_width_mm"),
    (Kind::DroppingLength, "dropping_length_mm"),
    (Kind::Smell, "smell"),
    (Kind::ProminentSpot, "prominent_spot"),
    (Kind::Vegetation, "vegetation"),
    (Kind::Feeding, "feeding_remains"),
];

/// Log likelihoods by kind, of what doesn't depend on the animal's size or the trail's clearness.
pub(super) type LnByKind = [f64; KINDS.len()];

/// Which kinds are left out, one bit each.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Without(u32);

impl Without {
    /// All but this kind.
    pub fn kind(kind: Kind) -> Self {
        Self(1 << kind as u32)
    }

    fn has(self, kind: Kind) -> bool {
        self.0 & (1 << kind as u32) != 0
    }
}

/// One track maker, ready for these observations.
#[derive(Default)]
pub(super) struct Ready {
    pub prior: f64,
    readings: Vec<Reading>,
    /// By clearness of the trail and foot.
    pub shown: [[Shown; 2]; 3],
    signs: LnByKind,
    /// What a print's length with heel costs for going beyond the hind foot, by print.
    beyond_hind_foot: Vec<f64>,
}

/// All track makers, 'none of these' last, ready for one set of observations.
pub(super) struct Model<'a> {
    pub makers: Vec<Ready>,
    prints: Vec<Print<'a>>,
}

/// One print on the log scale.
struct Print<'a> {
    said: &'a PrintEvidence,
    /// Four toes registered, and the inner one isn't known to be among them.
    lacks_one_toe: bool,
    /// How likely fore and hind are beforehand.
    feet: [f64; 2],
    sizes: [Option<LnSize>; DIMENSIONS],
}

/// A size on the log scale.
#[derive(Debug, Clone, Copy)]
struct LnSize {
    /// Of the millimetres.
    ln: f64,
    /// The variance of reading it, and one over it.
    v: f64,
    precision: f64,
}

impl LnSize {
    fn new(ln: f64, v: f64) -> Self {
        Self { ln, v, precision: 1.0 / v }
    }

    /// Its weighted mean with another reading of the same size.
    fn merged(self, other: Self) -> Self {
        let precision = self.precision + other.precision;
        Self::new((self.ln * self.precision + other.ln * other.precision) / precision, 1.0 / precision)
    }

    /// As compared with a middle that may be off by so much.
    fn in_doubt(self, off: f64) -> Self {
        if off == 0.0 { self } else { Self::new(self.ln, self.v + off * off) }
    }
}

impl<'a> Model<'a> {
    /// Facts, as held or varied, against this evidence. Track makers that aren't followed are left without likelihood.
    pub fn new(evidence: &'a Evidence, facts: &Facts, draw: &mut Draw, follows: impl Fn(usize) -> bool) -> Self {
        let constants = &facts.constants;
        let substrate = facts.substrate_or_average(evidence.substrate.as_deref());
        let ground = Ground::new(evidence.substrate.as_deref(), substrate, draw);
        let mut prints: Vec<Print> = evidence.prints.iter().map(|p| Print::new(p, ground.u_print)).collect();
        merge(&mut prints);
        let signs = |maker: Option<&Maker>, draw: &mut Draw| {
            let mut ln = LnByKind::default();
            if let Some(trail) = &evidence.trail {
                add_trail(&mut ln, trail, maker, constants, draw);
            }
            add_droppings(&mut ln, &evidence.droppings, maker, constants, draw);
            add_feeding(&mut ln, &evidence.feeding_remains, maker, constants, draw);
            ln
        };
        let none = &constants.none_of_these;
        let none_prior = none.prior * draw.factor(draw.band().none_prior);
        let none_prior = none_prior / (1.0 - none.prior + none_prior);
        let waterside =
            waterside_weight(evidence, facts, constants.prior.waterside * draw.factor(draw.band().waterside));
        let weight = |maker: &Maker| facts.in_region(&maker.id) * if maker.waterside { waterside } else { 1.0 };
        let total: f64 = facts.makers().iter().map(weight).sum();
        let mut makers: Vec<Ready> = Vec::with_capacity(facts.makers().len() + 1);
        for (m, maker) in facts.makers().iter().enumerate() {
            let prior = (1.0 - none_prior) * weight(maker) / total;
            if !follows(m) {
                makers.push(Ready { prior, ..Ready::default() });
                continue;
            }
            draw.turn_to(m);
            let fore = shown(&maker.fore, substrate, constants, draw);
            let hind = shown(&maker.hind, substrate, constants, draw);
            let limit = maker.hind_foot.as_ref().filter(|h| h.bounds_the_sole && !ground.snow).map(|h| h.max_mm);
            makers.push(Ready {
                prior,
                readings: normalised(readings(maker, constants, &ground, draw)),
                shown: [[fore[0], hind[0]], [fore[1], hind[1]], [fore[2], hind[2]]],
                signs: signs(Some(maker), draw),
                beyond_hind_foot: prints.iter().map(|p| p.ln_beyond(limit, facts)).collect(),
            });
        }
        makers.push(Ready {
            prior: none_prior,
            readings: normalised(readings_of_none(constants)),
            shown: shown_by_none(none).map(|s| [s; 2]),
            signs: signs(None, draw),
            beyond_hind_foot: vec![0.0; prints.len()],
        });
        Self { makers, prints }
    }

    /// The log likelihood of every maker, with some kinds of observation left out.
    pub fn ln_likelihoods(&self, without: Without) -> Vec<f64> {
        let mut prints = vec![Weighed::default(); self.prints.len()];
        self.makers.iter().map(|maker| self.ln_likelihood(maker, without, &mut prints)).collect()
    }

    fn ln_likelihood(&self, maker: &Ready, without: Without, weighed: &mut [Weighed]) -> f64 {
        for (weighed, print) in weighed.iter_mut().zip(&self.prints) {
            for (features, shown) in weighed.features.iter_mut().zip(&maker.shown) {
                *features = [0, 1].map(|foot| {
                    if print.feet[foot] == 0.0 { 0.0 } else { print.feet[foot] * print.features(&shown[foot], without) }
                });
            }
        }
        let signs: f64 = KINDS.iter().filter(|(k, _)| !without.has(*k)).map(|(k, _)| maker.signs[*k as usize]).sum();
        let sizes = maker
            .readings
            .iter()
            .map(|reading| reading.weight.ln() + self.ln_of_trail(reading, maker, without, weighed));
        signs + ln_sum(sizes)
    }

    /// One animal's prints by one reading of its sizes: its two size deviates are integrated out, by three adaptive nodes
    /// each (Liu and Pierce 1994, Biometrika 81:624), which is exact where every foot is known.
    fn ln_of_trail(&self, reading: &Reading, maker: &Ready, without: Without, weighed: &mut [Weighed]) -> f64 {
        let prior = Precision::of_correlation(reading.correlation);
        let mut posterior = prior;
        let mut pull = [0.0; 2];
        let mut all_known = true;
        for (i, (print, weighed)) in self.prints.iter().zip(&mut *weighed).enumerate() {
            let beyond = if without.has(Kind::LengthWithHeel) { 0.0 } else { maker.beyond_hind_foot[i] };
            weighed.sizes = [Quadratic::from(0.0), Quadratic::from(beyond)];
            let only = print.feet.iter().position(|p| *p == 1.0);
            all_known &= only.is_some();
            let features = weighed.features[1];
            let hind = features[1] / (features[0] + features[1]).max(f64::MIN_POSITIVE);
            for (d, size) in print.sizes(without) {
                let axis = d.min(1);
                let cell = |foot| print.cell(reading, foot, d);
                let (cell, precision) = match only {
                    Some(foot) => {
                        let size = size.in_doubt(cell(foot).off);
                        weighed.sizes[foot].add(size, cell(foot), axis);
                        (cell(foot), size.precision)
                    }
                    None => {
                        for (foot, sizes) in weighed.sizes.iter_mut().enumerate() {
                            sizes.add(size.in_doubt(cell(foot).off), cell(foot), axis);
                        }
                        let (cell, extra) = between([cell(0), cell(1)], hind);
                        (cell, 1.0 / (size.v + cell.off.powi(2) + extra))
                    }
                };
                posterior.add(axis, cell.s * cell.s * precision);
                pull[axis] += cell.s * (size.ln - cell.m) * precision;
            }
            weighed.sizes = weighed.sizes.map(Quadratic::whole);
        }
        let (middle, spread) = posterior.solve(pull);
        let nodes: &[(f64, f64)] = if all_known { &ONE_NODE } else { &THREE_NODES };
        let at_nodes = nodes.iter().flat_map(|a| nodes.iter().map(move |b| (a, b))).map(|(a, b)| {
            let root2 = std::f64::consts::SQRT_2;
            let x = middle[0] + root2 * spread[0][0] * a.0;
            let y = middle[1] + root2 * (spread[1][0] * a.0 + spread[1][1] * b.0);
            let weight = a.1 * b.1 * (a.0 * a.0 + b.0 * b.0).exp();
            weight.ln() + prior.ln_density(x, y) + ln_given(weighed, [x, y])
        });
        (2.0 * spread[0][0] * spread[1][1]).ln() + ln_sum(at_nodes)
    }
}

/// One print as one maker and one reading of its sizes see it.
#[derive(Debug, Clone, Default)]
struct Weighed {
    /// What shows, by clearness of the trail and foot; 0 for a foot that it isn't.
    features: [[f64; 2]; 3],
    /// The sizes, by foot.
    sizes: [Quadratic; 2],
}

/// The log likelihood of a print's sizes, by the animal's two deviates.
#[derive(Debug, Clone, Copy, Default)]
struct Quadratic {
    at_zero: f64,
    /// The product of the variances, each times 2π; one logarithm of it all is taken at the end.
    variances: f64,
    slope: [f64; 2],
    curve: [f64; 2],
}

impl Quadratic {
    fn from(at_zero: f64) -> Self {
        Self { at_zero, variances: 1.0, ..Self::default() }
    }

    /// One size, which is read `cell.m + cell.s × deviate`.
    fn add(&mut self, size: LnSize, cell: Cell, axis: usize) {
        let off = size.ln - cell.m;
        self.at_zero -= 0.5 * off * off * size.precision;
        self.variances *= std::f64::consts::TAU * size.v;
        self.slope[axis] += off * cell.s * size.precision;
        self.curve[axis] += 0.5 * cell.s * cell.s * size.precision;
    }

    /// With the tops of all densities.
    fn whole(self) -> Self {
        Self { at_zero: self.at_zero - 0.5 * self.variances.ln(), ..self }
    }

    fn at(&self, [x, y]: [f64; 2]) -> f64 {
        self.at_zero + x * (self.slope[0] - self.curve[0] * x) + y * (self.slope[1] - self.curve[1] * y)
    }
}

/// All prints given the animal's size: each is fore or hind, and all are as clear as the trail is.
fn ln_given(prints: &[Weighed], deviates: [f64; 2]) -> f64 {
    let mut ln = 0.0;
    let mut by_clearness = CLEARNESS.map(|(_, weight)| weight);
    for print in prints {
        let [fore, hind] = [0, 1].map(|foot| print.sizes[foot].at(deviates));
        // The likelier foot counts in full; a foot that it isn't shows nothing, so that its size doesn't matter.
        let (top, relative) = match print.features[1] {
            [_, 0.0] => (fore, [1.0, 0.0]),
            [0.0, _] => (hind, [0.0, 1.0]),
            _ if fore > hind => (fore, [1.0, (hind - fore).exp()]),
            _ => (hind, [(fore - hind).exp(), 1.0]),
        };
        for (product, features) in by_clearness.iter_mut().zip(&print.features) {
            *product *= features[0] * relative[0] + features[1] * relative[1];
        }
        ln += top;
        // Long trails would run below what a double can hold.
        let largest = by_clearness.iter().fold(0.0_f64, |a, b| a.max(*b));
        if largest < 1e-100 && largest > 0.0 {
            by_clearness = by_clearness.map(|p| p / largest);
            ln += largest.ln();
        }
    }
    ln + by_clearness.iter().sum::<f64>().ln()
}

impl<'a> Print<'a> {
    fn new(said: &'a PrintEvidence, u_print: f64) -> Self {
        let feet = match said.foot {
            Foot::Fore => [1.0, 0.0],
            Foot::Hind => [0.0, 1.0],
            Foot::Unknown => [0.5, 0.5],
        };
        let sizes = said.sizes().map(|(_, value, u)| {
            let (value, u) = (value?, u?);
            Some(LnSize::new(value.ln(), (u / value).powi(2) + u_print * u_print))
        });
        let inner = said.which_toes.as_ref().is_some_and(|which| which.contains(&1));
        Self { said, lacks_one_toe: said.toes() == Some(4) && !inner, feet, sizes }
    }

    /// Whether the same is expected of both in this dimension.
    fn is_sized_like(&self, other: &Self, d: usize) -> bool {
        let four = |print: &Self| (print.feet[0], d) == (1.0, 0) && print.lacks_one_toe;
        self.feet == other.feet && self.feet[0] * self.feet[1] == 0.0 && four(self) == four(other)
    }

    fn sizes(&self, without: Without) -> impl Iterator<Item = (usize, LnSize)> {
        let kinds = [Kind::Width, Kind::LengthWithoutHeel, Kind::LengthWithHeel];
        std::iter::zip(0.., std::iter::zip(kinds, self.sizes))
            .filter(move |(_, (kind, _))| !without.has(*kind))
            .filter_map(|(d, (_, size))| Some((d, size?)))
    }

    /// Four toes of a fore print are measured without the inner one, where a source says how wide that is.
    fn cell(&self, reading: &Reading, foot: usize, d: usize) -> Cell {
        match reading.four_toes {
            Some(cell) if (foot, d) == (0, 0) && self.lacks_one_toe => cell,
            _ => reading.cells[foot][d],
        }
    }

    fn features(&self, shown: &Shown, without: Without) -> f64 {
        let said = self.said;
        let mut p = 1.0;
        if !without.has(Kind::Toes) {
            p *= shown.of_toes(said);
        }
        if said.arrangement != Arrangement::NotLooked && !without.has(Kind::Arrangement) {
            p *= shown.arrangement[said.arrangement as usize];
        }
        for (kind, feature, chance) in [
            (Kind::Claws, said.claws, shown.claws),
            (Kind::Webbing, said.webbing, shown.webbing),
            (Kind::HeelPad, said.heel_pad, shown.heel_pad),
        ] {
            if feature != Feature::NotLooked && !without.has(kind) {
                p *= of_feature(feature, chance);
            }
        }
        p
    }

    /// No hind print with heel is much longer than the hind foot: a soft step (logistic) beyond the margin.
    fn ln_beyond(&self, hind_foot_mm: Option<f64>, facts: &Facts) -> f64 {
        let rule = &facts.constants.range;
        match (hind_foot_mm, self.said.length_with_heel_mm) {
            (Some(limit), Some(length)) => {
                -((length.ln() - (limit * rule.hind_foot_margin).ln()) / rule.hind_foot_sd).exp().ln_1p()
            }
            _ => 0.0,
        }
    }
}

/// Prints known to be of one foot say of a size what one print with their weighted mean says, so that what a middle is off is off for all of
/// them alike. What they differ by among themselves is the same for every maker and drops out.
fn merge(prints: &mut [Print]) {
    for i in 1..prints.len() {
        let (before, later) = prints.split_at_mut(i);
        for d in 0..DIMENSIONS {
            let Some(size) = later[0].sizes[d] else { continue };
            let mut alike = before.iter_mut().filter(|p| p.is_sized_like(&later[0], d));
            if let Some(first) = alike.find_map(|p| p.sizes[d].as_mut()) {
                *first = first.merged(size);
                later[0].sizes[d] = None;
            }
        }
    }
}

/// Fore and hind together: the first two moments of the mixture.
fn between([fore, hind]: [Cell; 2], p_hind: f64) -> (Cell, f64) {
    let m = fore.m + p_hind * (hind.m - fore.m);
    let extra = p_hind * (1.0 - p_hind) * (hind.m - fore.m).powi(2);
    (Cell { m, s: fore.s + p_hind * (hind.s - fore.s), off: fore.off + p_hind * (hind.off - fore.off) }, extra)
}

const ONE_NODE: [(f64, f64); 1] = [(0.0, 1.772_453_850_905_516)];
const THREE_NODES: [(f64, f64); 3] = [
    (-1.224_744_871_391_589, 0.295_408_975_150_919_3),
    (0.0, 1.181_635_900_603_677_4),
    (1.224_744_871_391_589, 0.295_408_975_150_919_3),
];

/// A symmetric 2 × 2 precision matrix.
#[derive(Debug, Clone, Copy)]
struct Precision {
    a: f64,
    b: f64,
    off: f64,
}

impl Precision {
    fn of_correlation(rho: f64) -> Self {
        let d = 1.0 - rho * rho;
        Self { a: 1.0 / d, b: 1.0 / d, off: -rho / d }
    }

    fn add(&mut self, axis: usize, precision: f64) {
        *if axis == 0 { &mut self.a } else { &mut self.b } += precision;
    }

    fn determinant(&self) -> f64 {
        self.a * self.b - self.off * self.off
    }

    /// The mean, and the lower root of the covariance.
    fn solve(&self, pull: [f64; 2]) -> ([f64; 2], [[f64; 2]; 2]) {
        let d = self.determinant();
        let mean = [(self.b * pull[0] - self.off * pull[1]) / d, (self.a * pull[1] - self.off * pull[0]) / d];
        let l00 = (self.b / d).sqrt();
        let l10 = -self.off / d / l00;
        (mean, [[l00, 0.0], [l10, (self.a / d - l10 * l10).max(0.0).sqrt()]])
    }

    /// Of the normal with mean zero.
    fn ln_density(&self, x: f64, y: f64) -> f64 {
        0.5 * (self.determinant().ln() - (self.a * x * x + 2.0 * self.off * x * y + self.b * y * y))
            - std::f64::consts::TAU.ln()
    }
}

/// How much likelier a maker that lives along water is, by what was said of the place.
fn waterside_weight(evidence: &Evidence, facts: &Facts, weight: f64) -> f64 {
    match evidence.setting.as_ref().and_then(|setting| setting.is_by_water(facts)) {
        Some(true) => weight,
        Some(false) => 1.0 / weight,
        None => 1.0,
    }
}

fn normalised(mut readings: Vec<Reading>) -> Vec<Reading> {
    let sum: f64 = readings.iter().map(|r| r.weight).sum();
    readings.iter_mut().for_each(|r| r.weight /= sum);
    readings
}

/// The logarithm of a sum of exponentials.
pub(super) fn ln_sum(ln: impl Iterator<Item = f64>) -> f64 {
    let (mut top, mut sum) = (f64::NEG_INFINITY, 0.0);
    for ln in ln {
        if ln > top {
            sum = sum * (top - ln).exp() + 1.0;
            top = ln;
        } else if ln > f64::NEG_INFINITY {
            sum += (ln - top).exp();
        }
    }
    if sum > 0.0 { top + sum.ln() } else { f64::NEG_INFINITY }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The integral over both deviates by plain summation on a fine grid.
    fn by_grid(reading: &Reading, prints: &[Weighed]) -> f64 {
        let prior = Precision::of_correlation(reading.correlation);
        let steps = || (-100..=100).map(|i| f64::from(i) * 0.05);
        ln_sum(
            steps()
                .flat_map(|x| steps().map(move |y| (x, y)))
                .map(|(x, y)| prior.ln_density(x, y) + ln_given(prints, [x, y])),
        ) + (0.05_f64 * 0.05).ln()
    }

    #[test]
    fn the_nodes_agree_with_summation_on_a_fine_grid() {
        let print = |foot, width: f64, length: f64| PrintEvidence {
            foot,
            width_mm: Some(width),
            u_width_mm: Some(2.0),
            length_without_heel_mm: Some(length),
            u_length_without_heel_mm: Some(2.0),
            ..PrintEvidence::default()
        };
        let facts = Facts::builtin().unwrap();
        for (foot, tolerance) in [(Foot::Hind, 1e-3), (Foot::Unknown, 0.15)] {
            let prints = vec![print(foot, 58.0, 57.0), print(foot, 62.0, 55.0), print(foot, 60.0, 63.0)];
            let evidence = Evidence { prints, ..Evidence::default() };
            let model = Model::new(&evidence, facts, &mut Draw::still(&facts.constants.band), |_| true);
            let feet = if foot == Foot::Hind { [0.0, 1.0] } else { [0.5, 0.5] };
            for id in ["lutra_lutra", "meles_meles", "canis_familiaris", "castor_fiber"] {
                let maker = &model.makers[facts.makers().iter().position(|m| m.id == id).unwrap()];
                for reading in &maker.readings {
                    let mut prints = vec![Weighed { features: [feet; 3], ..Weighed::default() }; 3];
                    let nodes = model.ln_of_trail(reading, maker, Without::default(), &mut prints);
                    let grid = by_grid(reading, &prints);
                    assert!((nodes - grid).abs() < tolerance, "{id} {foot:?}: {nodes} {grid}");
                }
            }
        }
    }
}
