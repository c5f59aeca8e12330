//! Where the prints of a trail lie, however they were measured: places in one plane and how well they are known.

use nalgebra::DMatrix;

use super::fit::Mark;
use super::line::Line;
use super::{PlacedPrints, TrailPrints, Travel};
use crate::print::{Foot, Side};

const MM_PER_CM: f64 = 10.0;

/// Places of prints in one plane, x right and y to the left of x, centimetres.
pub(super) struct Spots {
    pub at_cm: Vec<[f64; 2]>,
    pub marks: Vec<(Foot, Side)>,
    /// Standard uncertainty of a coordinate beside its neighbours'.
    pub u_cm: f64,
    /// Of all coordinates, x0, y0, x1, y1 …, where they hang together.
    pub covariance_cm2: Option<DMatrix<f64>>,
    /// Whether x is a tape's distance.
    pub on_tape: bool,
    /// Whether the plane is seen from above, so that left is left; along a tape either side may count positive.
    pub from_above: bool,
    pub travel: Travel,
    pub drag_mark: Option<bool>,
    pub azimuth_deg: Option<f64>,
}

impl Spots {
    /// Along a tape: its own axes.
    pub fn along_tape(trail: &TrailPrints) -> Self {
        Self {
            at_cm: trail.prints.iter().map(|p| [p.along_cm, p.offset_cm]).collect(),
            marks: trail.prints.iter().map(|p| (p.foot, p.side)).collect(),
            u_cm: trail.u_position_cm,
            covariance_cm2: None,
            on_tape: true,
            // North is of no use in a mirror.
            from_above: trail.azimuth_deg.is_some(),
            travel: trail.travel,
            drag_mark: trail.drag_mark,
            azimuth_deg: trail.azimuth_deg,
        }
    }

    /// By photographs: the first one's plane, y up.
    pub fn placed(placed: &PlacedPrints, travel: Travel, drag_mark: Option<bool>) -> Self {
        Self {
            at_cm: placed.at_mm.iter().map(|at| at.map(|mm| mm / MM_PER_CM)).collect(),
            marks: placed.marks.clone(),
            u_cm: placed.u_beside_neighbours_mm() / MM_PER_CM,
            covariance_cm2: Some(&placed.covariance_mm2 / MM_PER_CM.powi(2)),
            on_tape: false,
            from_above: true,
            travel,
            drag_mark,
            azimuth_deg: None,
        }
    }

    /// A first guess at the way the animal went, in its direction if that is known, and how far along it each print lies.
    pub fn first_line(&self) -> (Line, Vec<f64>) {
        // A tape's prints are listed in any order; it runs the way its numbers grow.
        let mut order: Vec<usize> = (0..self.at_cm.len()).collect();
        if self.on_tape {
            order.sort_by(|&a, &b| self.at_cm[a][0].total_cmp(&self.at_cm[b][0]));
        }
        if self.travel == Travel::Backwards {
            order.reverse();
        }
        let (line, near) = Line::guess(&order.iter().map(|&i| self.at_cm[i]).collect::<Vec<_>>(), self.on_tape);
        let mut in_order = vec![0.0; near.len()];
        order.iter().zip(near).for_each(|(&i, along)| in_order[i] = along);
        (line, in_order)
    }

    /// The prints along a line, each looked for near where it lies, roughly; sorted.
    pub fn marks(&self, line: &Line, near_cm: &[f64]) -> Vec<Mark> {
        let place = |index: usize| {
            let on = line.place(self.at_cm[index], Some(near_cm[index]));
            let (foot, side) = self.marks[index];
            Mark { index, at: [on.along, on.across], ahead: on.ahead, left: 1.0, foot, side }
        };
        let mut marks: Vec<Mark> = (0..self.at_cm.len()).map(place).collect();
        if !self.from_above && lies_mirrored(&marks) {
            for mark in &mut marks {
                mark.left = -1.0;
                mark.at[1] = -mark.at[1];
            }
        }
        marks.sort_by(|a, b| a.at[0].total_cmp(&b.at[0]).then(a.at[1].total_cmp(&b.at[1])));
        marks
    }

    /// The prints along a new line that was drawn through what was found along an old one.
    pub fn marks_again(&self, line: &Line, marks: &[Mark], old: &Line) -> Vec<Mark> {
        let begins = old.place(line.points()[0], None).along;
        let mut near_cm = vec![0.0; marks.len()];
        marks.iter().for_each(|mark| near_cm[mark.index] = mark.at[0] - begins);
        self.marks(line, &near_cm)
    }

    /// Whether anyone named a side.
    pub fn sides_named(&self) -> bool {
        self.marks.iter().any(|(_, side)| *side != Side::Unknown)
    }

    /// The standard uncertainty of a sum of coordinates, each times a factor: of the prints' own errors, and of those they have in common.
    pub fn u_of(&self, terms: &[(usize, [f64; 2])]) -> (f64, f64) {
        let mut sums = vec![[0.0; 2]; self.at_cm.len()];
        for &(print, [x, y]) in terms {
            sums[print][0] += x;
            sums[print][1] += y;
        }
        let own = self.u_cm * sums.iter().flatten().map(|s| s * s).sum::<f64>().sqrt();
        let Some(covariance) = &self.covariance_cm2 else { return (own, 0.0) };
        let used: Vec<usize> = (0..2 * sums.len()).filter(|&i| sums[i / 2][i % 2] != 0.0).collect();
        let part = |i: usize, j: usize| sums[i / 2][i % 2] * sums[j / 2][j % 2] * covariance[(i, j)];
        let all: f64 = used.iter().map(|&i| used.iter().map(|&j| part(i, j)).sum::<f64>()).sum();
        (own, (all - own * own).max(0.0).sqrt())
    }
}

/// Whether prints that are named left lie right of the others.
fn lies_mirrored(marks: &[Mark]) -> bool {
    let mean = marks.iter().map(|m| m.at[1]).sum::<f64>() / marks.len() as f64;
    let leftward = |m: &Mark| match m.side {
        Side::Left => m.at[1] - mean,
        Side::Right => mean - m.at[1],
        Side::Unknown => 0.0,
    };
    marks.iter().map(leftward).sum::<f64>() < 0.0
}
