//! Points in space from two or more photographs of one card that lay still: everything fitted together, with covariance.
//!
//! Millimetres in the card's frame: x right, y down as the card is drawn, z down into the ground.
//!
//! Bundle adjustment (Triggs, McLauchlan, Hartley & Fitzgibbon 2000; Hartley & Zisserman 2004, ch. 18): the cameras' poses, what their
//! lenses do, how much larger printed black looks, and the points are what makes all marks together most likely. The covariance is
//! the inverse of the normal equations, carried to lengths by the law of propagation (JCGM 100:2008, 5.2.2).

mod adjust;
mod camera;
mod ground;
mod placed;

use std::collections::BTreeMap;

use crate::measured::Measured;
use crate::scale::Tie;

pub use camera::{Lens, Pose};
pub use ground::{CardLay, Ground};
pub use placed::{Apart, Place, Placed};

/// One photograph of the lying card.
#[derive(Debug, Clone)]
pub struct View {
    /// What it is called in errors.
    pub name: String,
    /// The card's corners in it.
    pub ties: Vec<Tie>,
    /// The upright picture's size, px.
    pub size_px: [usize; 2],
    /// The focal length that its EXIF states, px.
    pub focal_px: f64,
    /// Views with the same number were taken with one lens.
    pub lens: usize,
    /// Points marked in it, by name; px.
    pub marks: BTreeMap<String, [f64; 2]>,
}

/// Why nothing can be placed in space; each says what to do.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SpaceError {
    /// No point is marked twice.
    #[error(
        "no point is marked in two of the photographs: mark the same points in each, by the same names (marked are: {marked})"
    )]
    NothingShared {
        /// Names by photograph.
        marked: String,
    },
    /// Seen from one and the same side.
    #[error(
        "the photographs were taken from nearly the same side ({apart_deg:.1}° apart): take another from 20–40° to one side, the card lying still"
    )]
    OneSide {
        /// Median angle between the lines of sight, degrees.
        apart_deg: f64,
    },
    /// The card or the ground moved, or every mark is wrong.
    #[error(
        "{photographs}: the marked points miss each other by {off_px:.0} px, so the card moved between the photographs or other points were marked: check the marks; if they are right, leave this photograph out or take both again with the card lying still"
    )]
    Moved {
        /// Which.
        photographs: String,
        /// Root mean square of what the marks leave over, px.
        off_px: f64,
    },
    /// The card lies elsewhere on the ground.
    #[error(
        "the card was moved between {first} and {second} (by about {shift_mm:.0} mm and {turn_deg:.0}°, as the ground around it shows): take both again with the card lying still, or measure each alone"
    )]
    CardMoved {
        /// One photograph.
        first: String,
        /// The other.
        second: String,
        /// How far its middle.
        shift_mm: f64,
        /// How far it was turned, degrees, to either side.
        turn_deg: f64,
    },
    /// One point doesn't fit while all others do.
    #[error(
        "{point} isn't the same place in all photographs (off by {off_px:.0} px, while the other points agree): mark it again"
    )]
    OtherPlace {
        /// The point.
        point: String,
        /// Root mean square of what it leaves over, px.
        off_px: f64,
    },
    /// No solution.
    #[error(
        "the photographs can't be brought together: check that the marks are on the same points and that the card lay still"
    )]
    NoSolution,
}

/// Lines of sight closer together than this (median over the points) tell nothing about depth, degrees.
pub const LEAST_APART_DEG: f64 = 5.0;
/// Marks that miss each other by more than this many standard uncertainties aren't marks of one lying thing.
const MOST_SIGMAS: f64 = 4.0;
/// Without the culprit the others agree within this.
const FEW_SIGMAS: f64 = 2.5;
/// One of so many points can be told to be the wrong one.
const LEAST_TO_BLAME_ONE: usize = 4;

/// Places every marked point. `u_px` is the standard uncertainty of each coordinate of a mark. A point that is marked once
/// lies at the floor: at the depth (mm below the card) that `floor` states, or in the card's plane.
///
/// ```
/// use std::collections::BTreeMap;
/// use rakelight_core::scale::Tie;
/// use rakelight_core::space::{View, place};
/// // Two cameras 500 mm away, 250 mm apart, look straight down; a point lies 20 mm below the card's corner (0, 0).
/// let view = |x: f64| {
///     let see = |mm: [f64; 3]| [1999.5 + 2900.0 * (mm[0] - x) / (500.0 + mm[2]), 1499.5 + 2900.0 * mm[1] / (500.0 + mm[2])];
///     let corners = [[-80.0, -60.0], [80.0, -60.0], [80.0, 60.0], [-80.0, 60.0], [0.0, 60.0]];
///     View {
///         name: format!("from x = {x}"),
///         ties: corners.map(|mm| Tie { mm, px: see([mm[0], mm[1], 0.0]), u_px: 0.05, outward: [0.0; 2] }).to_vec(),
///         size_px: [4000, 3000],
///         focal_px: 2900.0,
///         lens: 0,
///         marks: BTreeMap::from([("heel".to_owned(), see([0.0, 0.0, 20.0]))]),
///     }
/// };
/// let placed = place(&[view(-125.0), view(125.0)], 0.7, None).expect("25 degrees apart");
/// let heel = placed.place("heel").expect("marked twice");
/// assert!((heel.mm[2] - 20.0).abs() < 0.01 && heel.u_mm[2] < 1.0, "{heel:?}");
/// ```
pub fn place(views: &[View], u_px: f64, floor: Option<Measured>) -> Result<Placed, SpaceError> {
    let points = adjust::seen(views);
    if points.values().all(|seen| *seen < 2) {
        let marked =
            views.iter().map(|v| format!("{}: {}", v.name, v.marks.keys().cloned().collect::<Vec<_>>().join(", ")));
        return Err(SpaceError::NothingShared { marked: marked.collect::<Vec<_>>().join("; ") });
    }
    let placed = adjust::solve(views, u_px, floor).ok_or(SpaceError::NoSolution)?;
    let apart_deg = placed.apart_deg(views);
    if apart_deg < LEAST_APART_DEG {
        return Err(SpaceError::OneSide { apart_deg });
    }
    if placed.sigmas() > MOST_SIGMAS {
        return Err(blame(views, u_px, floor, placed.sigmas() * u_px));
    }
    Ok(placed)
}

/// Who is to blame for marks that don't fit: one point, one photograph, or the two that there are.
fn blame(views: &[View], u_px: f64, floor: Option<Measured>, off_px: f64) -> SpaceError {
    let agree = |rest: &[View]| adjust::solve(rest, u_px, floor).is_some_and(|placed| placed.sigmas() < FEW_SIGMAS);
    let shared =
        adjust::seen(views).into_iter().filter(|(_, seen)| *seen > 1).map(|(name, _)| name).collect::<Vec<_>>();
    if shared.len() >= LEAST_TO_BLAME_ONE {
        let without = |name: &String| {
            let mut rest = views.to_vec();
            rest.iter_mut().for_each(|view| _ = view.marks.remove(name));
            rest
        };
        if let Some(point) = shared.iter().find(|name| agree(&without(name))) {
            return SpaceError::OtherPlace { point: point.clone(), off_px };
        }
    }
    let mut others = (0..views.len()).filter(|_| views.len() > 2).map(|i| {
        let mut rest = views.to_vec();
        (rest.remove(i).name, rest)
    });
    let names = || views.iter().map(|view| view.name.clone()).collect::<Vec<_>>().join(", ");
    let photographs = others.find(|(_, rest)| agree(rest)).map_or_else(names, |(name, _)| name);
    SpaceError::Moved { photographs, off_px }
}

/// Where one camera stood and what its lens does, from the card alone; `None` where there is no solution.
pub fn stand(view: &View) -> Option<(Pose, Lens)> {
    let placed = adjust::solve(std::slice::from_ref(view), 1.0, None)?;
    Some((*placed.poses().first()?, placed.lens(view).0))
}
