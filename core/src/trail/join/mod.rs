//! Several photographs of one trail in one plane: the card moved along, the photographs joined by the prints that two of them show.
//!
//! Millimetres. A photograph's own plane is the scale's: x right, y down, seen from above. What comes out has y **up**, so that a plan
//! drawn with x to the right and y upwards is the ground seen from above and never its mirror image: of one who walks along +x,
//! the left is +y.
//!
//! All places, card positions and scale errors are fitted at once (least squares, `adjust`); what doesn't agree is looked into (`doubt`).

mod adjust;
mod doubt;
#[cfg(test)]
mod tests;

use std::collections::BTreeMap;

use nalgebra::{DMatrix, DVector};
use serde_json::{Value, json};

use crate::print::{Foot, Side};
use adjust::Problem;

/// A print as one photograph shows it.
#[derive(Debug, Clone, PartialEq)]
pub struct FramePrint {
    /// Its name, the same in all photographs of the trail.
    pub id: String,
    /// Where it lies in the plane of this photograph's scale, mm; x right, y down.
    pub at_mm: [f64; 2],
    /// Fore or hind, if known.
    pub foot: Foot,
    /// Left or right, if known.
    pub side: Side,
}

/// The prints of one photograph.
#[derive(Debug, Clone, PartialEq)]
pub struct Frame {
    /// The photograph's name.
    pub photo: String,
    /// Which lying of the card it shows: photographs that name the same one share their plane and its axes.
    pub card: Option<String>,
    /// At least one.
    pub prints: Vec<FramePrint>,
    /// Of the prints' places (x0, y0, x1, y1, …), 2n × 2n, mm², from all that is this photograph's own; positive definite.
    pub covariance_mm2: DMatrix<f64>,
    /// What it has in common with others, the scale's own length aside.
    pub shared: Vec<Shared>,
    /// Which scale it was measured by: the error of its length is one and the same in all photographs that name the same.
    pub scale: String,
    /// Relative standard uncertainty of that length; above zero.
    pub u_scale: f64,
}

/// A cause that is off by the same in several photographs, such as what a lens bends.
#[derive(Debug, Clone, PartialEq)]
pub struct Shared {
    /// Its name: the same in all of them.
    pub cause: String,
    /// What one standard uncertainty of it does to the prints' places (x0, y0, x1, y1, …), mm.
    pub by_mm: DVector<f64>,
}

/// Print positions in one plane.
#[derive(Debug, Clone, PartialEq)]
pub struct PlacedPrints {
    /// Names, in the order of their first appearance.
    pub ids: Vec<String>,
    /// mm, in the first photograph's frame turned over to x right, **y up** (seen from above; left of +x is +y).
    pub at_mm: Vec<[f64; 2]>,
    /// Which foot, as far as any photograph's marks say.
    pub marks: Vec<(Foot, Side)>,
    /// 2n × 2n, mm², x0, y0, x1, y1, …, relative to the first frame; the scale's own length included.
    pub covariance_mm2: DMatrix<f64>,
    /// How well the frames agree: root of chi² per degree of freedom, about 1; `None` where nothing is measured twice over.
    pub misfit: Option<f64>,
    /// What to know about it.
    pub warnings: Vec<JoinWarning>,
}

/// What the worker should know about a trail from several photographs.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum JoinWarning {
    /// The joint turns.
    #[error(
        "{first} and {other} are joined by prints only {apart_mm:.0} mm apart, so how they lie to each other is known to ±{deg:.1}° (95 %), {aside_mm:.0} mm on a metre: mark another print that both show, as far off as possible"
    )]
    PoorAngle {
        /// Photographs on one side of the joint.
        first: String,
        /// And on the other.
        other: String,
        /// Greatest distance between the prints that join them.
        apart_mm: f64,
        /// Half of the angle's 95 % interval, degrees.
        deg: f64,
        /// What that is at a metre.
        aside_mm: f64,
    },
    /// The marks scatter.
    #[error(
        "the shared prints miss each other by up to {off_mm:.0} mm ({print}), {times:.1} times what marking allows for; all uncertainties were widened by that"
    )]
    Scatter {
        /// The worst one and its photographs.
        print: String,
        /// How far its marks lie apart.
        off_mm: f64,
        /// Root of chi² per degree of freedom.
        times: f64,
    },
}

/// Why photographs of a trail can't be joined; each says what would be enough.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum JoinError {
    /// No photograph.
    #[error("no photograph is given: list at least one with two prints marked in it")]
    NoPhoto,
    /// One print makes no trail.
    #[error(
        "a trail needs at least two prints, and six or more to tell its pattern; {prints} is marked in the photographs"
    )]
    TooFew {
        /// How many there are.
        prints: usize,
    },
    /// Nothing marked.
    #[error("{photo}: no print is marked in it: mark some, or leave the photograph out")]
    Empty {
        /// Which.
        photo: String,
    },
    /// A photograph twice.
    #[error("{photo} is listed twice: put all its prints into one entry")]
    PhotoTwice {
        /// Which.
        photo: String,
    },
    /// An id twice.
    #[error(
        "{photo}: two prints are called {print:?}: give each print its own id, the same in every photograph that shows it"
    )]
    PrintTwice {
        /// Where.
        photo: String,
        /// Which.
        print: String,
    },
    /// A place that isn't a number.
    #[error("{photo}: the place of print {print} isn't a finite number: mark it again or leave it out")]
    NotFinite {
        /// Where.
        photo: String,
        /// Which.
        print: String,
    },
    /// Uncertainties that are none.
    #[error("{photo}: the uncertainty of its places isn't above zero: every print and scale needs one")]
    Uncertainty {
        /// Where.
        photo: String,
    },
    /// Two feet for one print.
    #[error("print {print} is called {one} in {first} and {two} in {other}: correct one, or give two prints two ids")]
    OtherFoot {
        /// Which.
        print: String,
        /// As one photograph has it.
        one: &'static str,
        /// Which one.
        first: String,
        /// As the other has it.
        two: &'static str,
        /// Which one.
        other: String,
    },
    /// Nothing joins them.
    #[error(
        "nothing joins {first} to {other}: mark two prints that both show, under the same ids, or leave the card lying for one more photograph and name the same `card` in both"
    )]
    NothingShared {
        /// Photographs of one group.
        first: String,
        /// And of the other.
        other: String,
    },
    /// A hinge.
    #[error(
        "{first} and {other} share print {print} only, about which they can turn: mark one more print that both show, as far from it as possible, or leave the card lying for one more photograph and name the same `card` in both"
    )]
    OneShared {
        /// Photographs of one group.
        first: String,
        /// And of the other.
        other: String,
        /// The one.
        print: String,
    },
    /// As good as a hinge.
    #[error(
        "{first} and {other} share prints only {apart_mm:.0} mm apart, which tells no direction: mark another print that both show, as far off as possible"
    )]
    TooNear {
        /// Photographs of one group.
        first: String,
        /// And of the other.
        other: String,
        /// Greatest distance between the prints they share.
        apart_mm: f64,
    },
    /// One mark is wrong, the others agree.
    #[error(
        "{prints} isn't the same print in all of {photos} (off by {off_mm:.0} mm, while the others agree): mark it again, or give the two prints two ids"
    )]
    OtherPrint {
        /// Which; more than one where any one of them may be it.
        prints: String,
        /// Where.
        photos: String,
        /// How far its marks lie apart.
        off_mm: f64,
    },
    /// The card didn't lie still.
    #[error(
        "the card {card:?} lies elsewhere in {photo} than in the other photographs that name it (prints are off by {off_mm:.0} mm): if it slid or was moved, give it another `card` there"
    )]
    CardSlid {
        /// The position's name.
        card: String,
        /// The odd one out.
        photo: String,
        /// How far prints lie off.
        off_mm: f64,
    },
    /// Something is wrong, and it can't be told what.
    #[error(
        "the photographs don't agree where the prints lie: {print} is off by {off_mm:.0} mm; which mark is wrong can't be told from so few: check that every shared print is the same one in all photographs and that no card slid, or mark one more print that both show"
    )]
    Disagree {
        /// The worst one and its photographs.
        print: String,
        /// How far its marks lie apart.
        off_mm: f64,
    },
    /// No solution.
    #[error("the photographs can't be brought into one plane: check the marks of the shared prints")]
    NoSolution,
}

/// Brings the prints of all photographs into one plane. Two card positions need two shared prints at least, the further apart the
/// better; photographs that name the same `card` need none.
///
/// Marks that scatter by more than their uncertainty (beyond 99.9 %, chi²) widen all uncertainties and are told; a print that is off by
/// more than a print's own size is an error that names it.
///
/// ```
/// use nalgebra::DMatrix;
/// use rakelight_core::trail::{Frame, FramePrint, join};
/// // Two photographs of three prints each, two of them shared; in the second one the card was turned by a quarter.
/// let frame = |photo: &str, prints: [(&str, [f64; 2]); 3]| Frame {
///     photo: photo.into(),
///     card: None,
///     prints: prints
///         .map(|(id, at_mm)| FramePrint { id: id.into(), at_mm, foot: Default::default(), side: Default::default() })
///         .into(),
///     covariance_mm2: DMatrix::identity(6, 6),
///     shared: vec![],
///     scale: "card".into(),
///     u_scale: 0.001,
/// };
/// let placed = join(&[
///     frame("a.jpg", [("p1", [0.0, 0.0]), ("p2", [300.0, 100.0]), ("p3", [600.0, 0.0])]),
///     frame("b.jpg", [("p2", [100.0, -300.0]), ("p3", [0.0, -600.0]), ("p4", [100.0, -900.0])]),
/// ])?;
/// let [x, y] = placed.at_mm[3];
/// assert!((x - 900.0).abs() < 1e-6 && (y + 100.0).abs() < 1e-6, "y is up: {x} {y}");
/// // The far print is known worse than the near one.
/// assert!(placed.u_distance_mm(0, 3) > placed.u_distance_mm(0, 2));
/// # Ok::<(), rakelight_core::trail::JoinError>(())
/// ```
///
/// # Errors
/// Input that isn't sound, photographs that nothing joins, marks that contradict each other: see [`JoinError`].
pub fn join(frames: &[Frame]) -> Result<PlacedPrints, JoinError> {
    check(frames)?;
    let problem = Problem::of(frames);
    let joined = doubt::settle(&problem)?;
    let state = &joined.solution.state;
    let n = problem.ids.len();
    // Turned over to y up.
    let turned = DVector::from_fn(2 * n, |i, _| if i % 2 == 0 { 1.0 } else { -1.0 });
    let covariance = joined.solution.of_prints(&problem);
    Ok(PlacedPrints {
        at_mm: state.prints.iter().map(|at| [at.x, -at.y]).collect(),
        marks: marks(frames, &problem.ids)?,
        covariance_mm2: covariance.component_mul(&(&turned * turned.transpose())),
        misfit: joined.misfit,
        warnings: joined.warnings,
        ids: problem.ids,
    })
}

impl PlacedPrints {
    /// Standard uncertainty of the distance between two prints (by index), mm; of the spot itself where they lie on the same one.
    ///
    /// # Panics
    /// Where there is no print of that index.
    pub fn u_distance_mm(&self, a: usize, b: usize) -> f64 {
        let apart = [self.at_mm[b][0] - self.at_mm[a][0], self.at_mm[b][1] - self.at_mm[a][1]];
        let length = apart[0].hypot(apart[1]);
        let unit = if length > 0.0 { apart.map(|d| d / length) } else { [1.0, 0.0] };
        let mut slope = DVector::zeros(2 * self.ids.len());
        for k in 0..2 {
            slope[2 * b + k] += unit[k];
            slope[2 * a + k] -= unit[k];
        }
        (slope.transpose() * &self.covariance_mm2 * slope)[0].max(0.0).sqrt()
    }

    /// As it stands in the JSON of `rakelight trail`.
    pub fn to_json(&self) -> Value {
        let u = |i: usize| self.covariance_mm2[(i, i)].sqrt();
        let prints = (0..self.ids.len()).map(|i| {
            let ([x, y], (foot, side)) = (self.at_mm[i], self.marks[i]);
            let (u_x, u_y) = (u(2 * i), u(2 * i + 1));
            json!({"id": self.ids[i], "x_mm": x, "y_mm": y, "u_x_mm": u_x, "u_y_mm": u_y, "foot": foot, "side": side})
        });
        let rows = self.covariance_mm2.row_iter().map(|row| row.iter().copied().collect::<Vec<_>>());
        json!({
            "prints": prints.collect::<Vec<_>>(),
            "covariance_mm2": rows.collect::<Vec<_>>(),
            "misfit": self.misfit,
        })
    }
}

/// Refuses what can't be joined whatever the other photographs show.
fn check(frames: &[Frame]) -> Result<(), JoinError> {
    if frames.is_empty() {
        return Err(JoinError::NoPhoto);
    }
    for (i, frame) in frames.iter().enumerate() {
        let photo = || frame.photo.clone();
        if frames[..i].iter().any(|other| other.photo == frame.photo) {
            return Err(JoinError::PhotoTwice { photo: photo() });
        }
        if frame.prints.is_empty() {
            return Err(JoinError::Empty { photo: photo() });
        }
        for (k, print) in frame.prints.iter().enumerate() {
            if frame.prints[..k].iter().any(|other| other.id == print.id) {
                return Err(JoinError::PrintTwice { photo: photo(), print: print.id.clone() });
            }
            if !print.at_mm.iter().all(|mm| mm.is_finite()) {
                return Err(JoinError::NotFinite { photo: photo(), print: print.id.clone() });
            }
        }
        let covariance = &frame.covariance_mm2;
        let square = covariance.shape() == (2 * frame.prints.len(), 2 * frame.prints.len());
        let sound = square && covariance.iter().all(|c| c.is_finite()) && covariance.clone().cholesky().is_some();
        let mut shared = frame.shared.iter().map(|shared| &shared.by_mm);
        let shared = shared.all(|by| by.len() == covariance.nrows() && by.iter().all(|mm| mm.is_finite()));
        if !(sound && shared && frame.u_scale.is_finite() && frame.u_scale > 0.0) {
            return Err(JoinError::Uncertainty { photo: photo() });
        }
    }
    let prints = Problem::of(frames).ids.len();
    if prints < 2 { Err(JoinError::TooFew { prints }) } else { Ok(()) }
}

/// What any photograph knows of each print's foot.
fn marks(frames: &[Frame], ids: &[String]) -> Result<Vec<(Foot, Side)>, JoinError> {
    let mut known: BTreeMap<&str, (&Frame, (Foot, Side))> = BTreeMap::new();
    for (frame, print) in frames.iter().flat_map(|frame| frame.prints.iter().map(move |print| (frame, print))) {
        let (first, (foot, side)) = known.entry(&print.id).or_insert((frame, (print.foot, print.side)));
        let feet = (foot_name(*foot), foot_name(print.foot));
        let sides = (side_name(*side), side_name(print.side));
        if let Some((one, two)) = [feet, sides].into_iter().find_map(|(one, two)| one.zip(two).filter(|(a, b)| a != b))
        {
            let (print, first, other) = (print.id.clone(), first.photo.clone(), frame.photo.clone());
            return Err(JoinError::OtherFoot { print, one, first, two, other });
        }
        if *foot == Foot::Unknown {
            *foot = print.foot;
        }
        if *side == Side::Unknown {
            *side = print.side;
        }
    }
    Ok(ids.iter().map(|id| known.get(id.as_str()).map(|known| known.1).unwrap_or_default()).collect())
}

fn foot_name(foot: Foot) -> Option<&'static str> {
    match foot {
        Foot::Fore => Some("fore"),
        Foot::Hind => Some("hind"),
        Foot::Unknown => None,
    }
}

fn side_name(side: Side) -> Option<&'static str> {
    match side {
        Side::Left => Some("left"),
        Side::Right => Some("right"),
        Side::Unknown => None,
    }
}
