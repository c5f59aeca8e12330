//! A known sheet by four taps: snapped to its edges, and accepted only if what the edges enclose is that rectangle.

use nalgebra::Matrix3;

use super::known::Sheet;
use super::lens::Lens;
use super::light;
use super::plane::{Plane, Tie, through_four};
use super::quad::{self, Quad, Step};
use crate::photo::Luma;

/// Why a sheet or coin gives no scale; each says what to do.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum KnownError {
    /// No such thing.
    #[error("there is no scale called {what:?}; there are {known}")]
    Unknown {
        /// What was asked for.
        what: String,
        /// Names.
        known: String,
    },
    /// The table of known sizes is broken.
    #[error("the table of known sizes can't be read: {detail}")]
    Data {
        /// What and where.
        detail: String,
    },
    /// Taps that are no quadrilateral.
    #[error(
        "the four taps don't go round a sheet: tap its corners one after the other, clockwise, each inside the picture"
    )]
    NotAround,
    /// No edges.
    #[error(
        "no edge was found along side {side} of the {sheet} (between taps {side} and {next}): tap the corners again, where the straight sides would meet, on a sheet that stands out from the ground and lies uncovered"
    )]
    NoEdge {
        /// Which sheet.
        sheet: String,
        /// 1–4: from this tap to the next.
        side: usize,
        /// The next tap.
        next: usize,
    },
    /// Edges, but not of this sheet.
    #[error(
        "what the taps enclose isn't a flat {sheet} of {width_mm} × {height_mm} mm (its sides are off by {off_percent:.1} %): check which sheet it is, that it lies flat and that the picture isn't cropped, and tap the corners again where the straight sides would meet"
    )]
    NotTheSheet {
        /// Which sheet.
        sheet: String,
        /// mm.
        width_mm: f64,
        /// mm.
        height_mm: f64,
        /// How far from that rectangle, per cent.
        off_percent: f64,
    },
    /// Not a coin's outline.
    #[error(
        "an ellipse with half axes of {long_px:.0} and {short_px:.0} px is no coin seen from above: tap its outline again, or photograph from straight above"
    )]
    NotACoin {
        /// px.
        long_px: f64,
        /// px.
        short_px: f64,
    },
}

/// A sheet in a picture.
#[derive(Debug, Clone)]
pub struct SheetFound {
    /// The plane that it lies in.
    pub plane: Plane,
    /// Its corners where the straight sides meet, px.
    pub corners_px: [[f64; 2]; 4],
}

/// Taps may be off by this share of the sheet's shortest side, and by this many pixels at least and at most.
const REACH: (f64, f64, f64) = (0.06, 20.0, 60.0);
/// How far the edge may be from where a look at whole pixels puts it, px; and then how far blur reaches.
const FINE_PX: [f64; 2] = [5.0, 3.5];
/// The rectangle's sides may be off in length and angle by this much: before the edges are found finely, and after.
const MOST_OFF: (f64, f64) = (0.035, 0.015);
/// Edges that are tried for each side: a stripe on a card may look more like an edge than its edge does.
const EDGES: usize = 4;
/// Focal lengths that a phone or camera may have, mm by the 35 mm equivalent.
const FOCAL_35_MM: (f64, f64) = (20.0, 120.0);

/// Finds the sheet near four taps, clockwise from any corner. Where `focal_px` is unknown any usual focal length will do.
pub fn find_sheet(
    luma: &Luma,
    sheet: &Sheet,
    taps: [[f64; 2]; 4],
    focal_px: Option<f64>,
) -> Result<SheetFound, KnownError> {
    let taps = clockwise(luma, taps).ok_or(KnownError::NotAround)?;
    let shortest = (0..4).map(|i| quad::distance(taps[i], taps[(i + 1) % 4])).fold(f64::INFINITY, f64::min);
    let reach = (REACH.0 * shortest).clamp(REACH.1, REACH.2);
    let mut sides: [Vec<Edge>; 4] = Default::default();
    for (i, side) in sides.iter_mut().enumerate() {
        *side = edges(luma, taps[i], taps[(i + 1) % 4], reach);
        if side.is_empty() {
            return Err(KnownError::NoEdge { sheet: sheet.id.clone(), side: i + 1, next: (i + 1) % 4 + 1 });
        }
    }
    let shape = Shape {
        sheet,
        focals: focals(luma, focal_px),
        centre: [luma.width, luma.height].map(|n| (n as f64 - 1.0) / 2.0),
    };
    let mut choices = combinations(&sides);
    choices.sort_by(|a, b| b.1.total_cmp(&a.1));
    let mut least_off = f64::INFINITY;
    for (corners, _) in choices {
        let off = shape.off(&corners).0;
        least_off = least_off.min(off);
        if off > MOST_OFF.0 {
            continue;
        }
        let Some(Quad { corners, u_px }) = fine(luma, corners) else { continue };
        let (off, across) = shape.off(&corners);
        if off <= MOST_OFF.1 {
            let ties: Vec<Tie> = (0..4)
                .map(|i| Tie { mm: shape.corners_mm(across)[i], px: corners[i], u_px, outward: [0.0; 2] })
                .collect();
            let plane = Plane::fit(&ties, Lens::of_picture(luma.width, luma.height)).ok_or(KnownError::NotAround)?;
            return Ok(SheetFound { plane, corners_px: corners });
        }
        least_off = least_off.min(off);
    }
    Err(KnownError::NotTheSheet {
        sheet: sheet.id.clone(),
        width_mm: sheet.width_mm,
        height_mm: sheet.height_mm,
        off_percent: least_off * 100.0,
    })
}

/// Corners at whole pixels, moved onto the edges.
fn fine(luma: &Luma, corners: [[f64; 2]; 4]) -> Option<Quad> {
    let [first, then] = FINE_PX;
    let near = quad::onto_edges(luma, corners, |_| first, Step::Any)?;
    quad::onto_edges(luma, near.corners, |_| then, Step::Any)
}

/// The taps clockwise, if they go round something inside the picture.
fn clockwise(luma: &Luma, mut taps: [[f64; 2]; 4]) -> Option<[[f64; 2]; 4]> {
    let inside = |[x, y]: [f64; 2]| (0.0..luma.width as f64).contains(&x) && (0.0..luma.height as f64).contains(&y);
    let turns =
        |taps: &[[f64; 2]; 4]| (0..4).all(|i| super::blobs::cross(taps[i], taps[(i + 1) % 4], taps[(i + 2) % 4]) > 0.0);
    if !turns(&taps) {
        taps.reverse();
    }
    (taps.iter().all(|tap| inside(*tap)) && turns(&taps)).then_some(taps)
}

fn focals(luma: &Luma, focal_px: Option<f64>) -> Vec<f64> {
    let diagonal = (luma.width as f64).hypot(luma.height as f64);
    let (least, most) = FOCAL_35_MM;
    let usual = (0..40).map(|i| least * (most / least).powf(f64::from(i) / 39.0) / 43.27 * diagonal);
    focal_px.map_or_else(|| usual.collect(), |f| vec![f])
}

/// The rectangle that is looked for, at the focal lengths that may be.
struct Shape<'a> {
    sheet: &'a Sheet,
    focals: Vec<f64>,
    centre: [f64; 2],
}

impl Shape<'_> {
    /// With the longer side from the first corner to the second, or `across` from the second to the third.
    fn corners_mm(&self, across: bool) -> [[f64; 2]; 4] {
        let (w, h) = (self.sheet.width_mm, self.sheet.height_mm);
        let (w, h) = if across { (h, w) } else { (w, h) };
        [[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]]
    }

    /// How far from the rectangle four corners are: the sides' lengths (relative) or their angle (radians), whichever is more
    /// off; and which way the longer side runs. The columns of K⁻¹H are the sides' directions (Zhang 2000, section 2.3).
    fn off(&self, corners: &[[f64; 2]; 4]) -> (f64, bool) {
        let off = |across: bool, f: f64| {
            let h = through_four(&self.corners_mm(across), corners)?;
            let [cx, cy] = self.centre;
            let m = Matrix3::new(1.0 / f, 0.0, -cx / f, 0.0, 1.0 / f, -cy / f, 0.0, 0.0, 1.0) * h;
            let (right, down) = (m.column(0), m.column(1));
            let lengths = (right.norm() / down.norm()).ln().abs();
            let angle = (right.dot(&down) / right.norm() / down.norm()).abs();
            Some((lengths.max(angle), across)).filter(|off| off.0.is_finite())
        };
        let all = self.focals.iter().flat_map(|&f| [off(false, f), off(true, f)]).flatten();
        all.min_by(|a, b| a.0.total_cmp(&b.0)).unwrap_or((f64::INFINITY, false))
    }
}

/// A line that may be the sheet's edge: two points on it, px, and how clear it is.
#[derive(Debug, Clone, Copy)]
struct Edge {
    from: [f64; 2],
    to: [f64; 2],
    clear: f64,
}

/// The clearest straight edges near the line from a to b, clearest first. Every line whose ends lie up to `reach` beside a and b
/// is looked along (Hough 1962), at whole pixels.
fn edges(luma: &Luma, a: [f64; 2], b: [f64; 2], reach: f64) -> Vec<Edge> {
    const PROFILES: usize = 48;
    const HALF_WIDTH: i32 = 3;
    const MOST: f64 = 0.2;
    const LEAST: f64 = 0.02;
    let length = quad::distance(a, b);
    let along = [(b[0] - a[0]) / length, (b[1] - a[1]) / length];
    let outward = [along[1], -along[0]];
    let reach_px = reach.round() as i32;
    let share = |i: usize| 0.1 + 0.8 * (i as f64 + 0.5) / PROFILES as f64;
    // How steep light changes across each profile, relative to how light it is; a strong step counts no more than a clear one.
    let steep: Vec<Vec<f64>> = (0..PROFILES)
        .map(|i| {
            let foot = [a[0] + share(i) * length * along[0], a[1] + share(i) * length * along[1]];
            let light = |s: i32| {
                let s = f64::from(s);
                light::at(luma, foot[0] + s * outward[0], foot[1] + s * outward[1])
            };
            let at = |s: i32| {
                let (mut inside, mut outside) = (0.0, 0.0);
                for step in 1..=HALF_WIDTH {
                    inside += light(s - step)?;
                    outside += light(s + step)?;
                }
                Some(((outside - inside) / (outside + inside + 0.05)).abs().min(MOST))
            };
            (-reach_px..=reach_px).map(|s| at(s).unwrap_or(0.0)).collect()
        })
        .collect();
    let mut found: Vec<(i32, i32, f64)> = Vec::new();
    let mut all = Vec::new();
    for at_a in -reach_px..=reach_px {
        for at_b in -reach_px..=reach_px {
            let place = |i: usize| (f64::from(at_a) + f64::from(at_b - at_a) * share(i)).round() as i32 + reach_px;
            let sum: f64 = (0..PROFILES).map(|i| steep[i][place(i) as usize]).sum();
            let far = f64::from(at_a * at_a + at_b * at_b) / (2.0 * reach * reach);
            all.push((at_a, at_b, sum / PROFILES as f64 * (-far).exp()));
        }
    }
    all.sort_by(|x, y| y.2.total_cmp(&x.2));
    for line in all.into_iter().filter(|line| line.2 > LEAST) {
        let apart = |other: &(i32, i32, f64)| (line.0 - other.0).abs().max((line.1 - other.1).abs()) > HALF_WIDTH;
        if found.len() < EDGES && found.iter().all(apart) {
            found.push(line);
        }
    }
    let beside = |p: [f64; 2], s: i32| [p[0] + f64::from(s) * outward[0], p[1] + f64::from(s) * outward[1]];
    found.into_iter().map(|(at_a, at_b, clear)| Edge { from: beside(a, at_a), to: beside(b, at_b), clear }).collect()
}

/// Every choice of one edge a side, as corners, with how clear its edges are together.
fn combinations(sides: &[Vec<Edge>; 4]) -> Vec<([[f64; 2]; 4], f64)> {
    let mut choices: Vec<Vec<Edge>> = vec![vec![]];
    for side in sides {
        choices =
            choices.iter().flat_map(|so_far| side.iter().map(|edge| [so_far.as_slice(), &[*edge]].concat())).collect();
    }
    let corners = |edges: &Vec<Edge>| {
        let mut corners = [[0.0; 2]; 4];
        for (i, corner) in corners.iter_mut().enumerate() {
            let before = edges[(i + 3) % 4];
            *corner = quad::meet(before.from, before.to, edges[i].from, edges[i].to)?;
        }
        Some((corners, edges.iter().map(|edge| edge.clear).sum()))
    };
    choices.iter().filter_map(corners).collect()
}
