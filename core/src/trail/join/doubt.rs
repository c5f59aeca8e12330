//! Whether the photographs agree, and who is to blame where they don't: a print mistaken for another, a card that slid.

use super::adjust::{Joint, Problem, Solution};
use super::{JoinError, JoinWarning};

/// Marks that miss each other by more than this aren't marks of one print, mm (assumed: between how well the same point of a
/// soft print is found again, some millimetres, and the width of the smallest print that is taken for another).
const MISTAKEN_MM: f64 = 10.0;
/// Normal quantiles: beyond 99.9 % chi² isn't chance; within 99 % the others agree.
const NO_CHANCE: f64 = 3.090;
const AGREE: f64 = 2.326;
/// A joint that is known worse than this (standard uncertainty) is warned about, degrees: 17 mm on a metre.
const POOR_DEG: f64 = 1.0;

/// The solution that stands, and what is to be said of it.
pub(super) struct Settled {
    pub solution: Solution,
    pub misfit: Option<f64>,
    pub warnings: Vec<JoinWarning>,
}

/// The sights of something that contradict each other.
struct Culprit {
    chi2: f64,
    off_mm: f64,
    index: usize,
}

/// Solves, and doubts the solution.
pub(super) fn settle(problem: &Problem) -> Result<Settled, JoinError> {
    let (start, joints) = problem.start()?;
    let first = problem.solve(start.clone(), 1.0);
    let misfit =
        first.as_ref().filter(|found| found.freedom > 0).map(|found| (found.chi2 / found.freedom as f64).sqrt());
    let (solution, mut warnings) = match first {
        Some(found) if found.agrees(NO_CHANCE) => (found, vec![]),
        found => {
            let worst = found.as_ref().and_then(|found| worst(problem, found));
            if worst.as_ref().is_none_or(|worst| worst.off_mm > MISTAKEN_MM) {
                return Err(blame(problem, worst));
            }
            let (Some(worst), Some(times)) = (worst, misfit) else { return Err(JoinError::NoSolution) };
            let warning = JoinWarning::Scatter { print: sighted(problem, worst.index), off_mm: worst.off_mm, times };
            (problem.solve(start, times).ok_or(JoinError::NoSolution)?, vec![warning])
        }
    };
    warnings.extend(joints.iter().filter_map(|joint| poor(problem, &solution, joint)));
    Ok(Settled { solution, misfit, warnings })
}

impl Solution {
    /// Whether chi² is below this normal quantile's (Wilson & Hilferty 1931: the cube root of chi² over its degrees of freedom is
    /// nearly normal, with mean 1 − 2/(9ν) and variance 2/(9ν)).
    fn agrees(&self, quantile: f64) -> bool {
        if self.freedom == 0 {
            return true;
        }
        let share = 2.0 / (9.0 * self.freedom as f64);
        self.chi2 <= self.freedom as f64 * (1.0 - share + quantile * share.sqrt()).powi(3)
    }
}

/// The print whose sights lie furthest apart in the solution.
fn worst(problem: &Problem, found: &Solution) -> Option<Culprit> {
    let off = (0..problem.ids.len()).map(|index| Culprit {
        chi2: found.chi2,
        off_mm: apart_mm(problem, found, index),
        index,
    });
    off.max_by(|a, b| a.off_mm.total_cmp(&b.off_mm))
}

/// How far the places lie apart that the photographs give a print, mm.
fn apart_mm(problem: &Problem, found: &Solution, print: usize) -> f64 {
    let places: Vec<_> = problem
        .sights(print)
        .map(|(i, row)| found.state.poses[problem.photos[i].position].place(problem.photos[i].at(row)))
        .collect();
    places.iter().flat_map(|a| places.iter().map(move |b| (a - b).norm())).fold(0.0, f64::max)
}

/// A print and where it was seen.
fn sighted(problem: &Problem, print: usize) -> String {
    format!("{} in {}", problem.ids[print], photos_of(problem, print))
}

fn photos_of(problem: &Problem, print: usize) -> String {
    problem.sights(print).map(|(i, _)| problem.photos[i].name.as_str()).collect::<Vec<_>>().join(", ")
}

/// Who is to blame: what the others agree without, and are still measured twice over so that they can.
fn blame(problem: &Problem, worst: Option<Culprit>) -> JoinError {
    let shared = (0..problem.ids.len()).filter(|print| problem.sights(*print).count() > 1);
    let prints = shared.filter_map(|index| {
        let (found, apart) = agree(problem.with_apart(index))?;
        // The first sight kept the print's index, the others came last.
        let new = (problem.ids.len()..apart.ids.len()).chain([index]);
        let places: Vec<_> = new.map(|print| found.state.prints[print]).collect();
        let off_mm = places.iter().flat_map(|a| places.iter().map(move |b| (a - b).norm())).fold(0.0, f64::max);
        Some(Culprit { chi2: found.chi2, off_mm, index })
    });
    let prints: Vec<Culprit> = prints.collect();
    let cards = (0..problem.photos.len()).filter_map(|index| {
        let position = problem.photos[index].position;
        if problem.photos.iter().filter(|photo| photo.position == position).count() < 2 {
            return None;
        }
        let (found, _) = agree(problem.with_moved(index))?;
        let moved = found.state.poses.last()?;
        let offs = (0..problem.photos[index].prints.len()).map(|row| {
            let at = problem.photos[index].at(row);
            (moved.place(at) - found.state.poses[position].place(at)).norm()
        });
        Some(Culprit { chi2: found.chi2, off_mm: offs.fold(0.0, f64::max), index })
    });
    let best = |list: Vec<Culprit>| list.into_iter().min_by(|a, b| a.chi2.total_cmp(&b.chi2));
    let card = best(cards.collect());
    let only_print = |prints: Vec<Culprit>| {
        let names = prints.iter().map(|print| problem.ids[print.index].as_str()).collect::<Vec<_>>().join(" or ");
        best(prints).map(|print| JoinError::OtherPrint {
            prints: names,
            photos: photos_of(problem, print.index),
            off_mm: print.off_mm,
        })
    };
    // A print alone is the simpler explanation.
    if let Some(error) = only_print(prints) {
        return error;
    }
    if let Some(Culprit { off_mm, index, .. }) = card {
        let photo = &problem.photos[index];
        let card = problem.labels[photo.position].clone().unwrap_or_default();
        return JoinError::CardSlid { card, photo: photo.name.clone(), off_mm };
    }
    worst.map_or(JoinError::NoSolution, |worst| JoinError::Disagree {
        print: sighted(problem, worst.index),
        off_mm: worst.off_mm,
    })
}

/// The solution of a problem whose parts are joined, measured twice over and at one.
fn agree(problem: Problem) -> Option<(Solution, Problem)> {
    let (start, _) = problem.start().ok()?;
    let found = problem.solve(start, 1.0)?;
    (found.freedom > 0 && found.agrees(AGREE)).then_some((found, problem))
}

/// A joint that turns more than it should.
fn poor(problem: &Problem, found: &Solution, joint: &Joint) -> Option<JoinWarning> {
    let u = found.u_angle(problem, joint.positions);
    (u.to_degrees() > POOR_DEG).then(|| JoinWarning::PoorAngle {
        first: joint.photos[0].clone(),
        other: joint.photos[1].clone(),
        apart_mm: joint.apart_mm,
        deg: 1.960 * u.to_degrees(),
        aside_mm: 1000.0 * 1.960 * u,
    })
}
