//! A print's width and lengths with the budget of their uncertainty (JCGM 100:2008, 5.1.2).

use nalgebra::DVector;
use serde::{Deserialize, Serialize};

use super::landmarks::{Foot, LandmarkError, PrintMarks, Side};
use crate::measured::{Measured, combine};
use crate::scale::{Plane, Points, Stance};

/// Where the print's floor lies below the plane of the scale.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Floor {
    /// Not known: measured as if it lay in the plane, and said so.
    #[default]
    InPlane,
    /// A depth that someone measured.
    At {
        /// mm below the plane.
        depth_mm: f64,
        /// Its standard uncertainty, mm.
        u_depth_mm: f64,
    },
    /// Somewhere between the plane and this depth, all alike likely.
    UpTo {
        /// mm below the plane.
        depth_mm: f64,
    },
}

impl Floor {
    /// Its depth below the plane, mm; `None` where it is not known. A rectangle's standard uncertainty is its half width / √3.
    pub(super) fn depth_mm(self) -> Option<Measured> {
        match self {
            Self::InPlane => None,
            Self::At { depth_mm, u_depth_mm } => Measured::new(depth_mm, u_depth_mm),
            Self::UpTo { depth_mm } => Measured::new(depth_mm / 2.0, depth_mm / 2.0 / 3.0_f64.sqrt()),
        }
    }
}

/// What a dimension's uncertainty is made of, each a standard uncertainty in mm.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Parts {
    /// Marking its two ends.
    pub click: f64,
    /// The fit of the plane.
    pub plane: f64,
    /// The floor's depth below the scale.
    pub depth: f64,
    /// Looking aslant: at ends that don't lie equally deep, or past a ruler at an unknown tilt.
    pub tilt: f64,
    /// The scale's own length.
    pub card: f64,
}

/// A dimension with its budget, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dimension {
    /// The value with its combined standard uncertainty.
    pub mm: Measured,
    /// What the uncertainty is made of.
    pub parts: Parts,
}

impl Dimension {
    pub(super) fn of(mm: f64, parts: Parts) -> Option<Self> {
        let u = combine(&[parts.click, parts.plane, parts.depth, parts.tilt, parts.card]);
        Measured::new(mm, u).map(|mm| Self { mm, parts })
    }
}

/// A marked point in the scale's frame, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PointMeasure {
    /// x and y.
    pub mm: [f64; 2],
    /// Their standard uncertainties.
    pub u_mm: [f64; 2],
    /// How deep it lies below the card, where it was marked in several photographs.
    pub depth: Option<Measured>,
}

/// A print's dimensions; what the landmarks don't give is `None`.
#[derive(Debug, Clone, PartialEq)]
pub struct PrintMeasure {
    /// Its name within the photograph.
    pub id: String,
    /// Fore or hind.
    pub foot: Foot,
    /// Left or right.
    pub side: Side,
    /// Greatest distance between the outer edges of the toe pads.
    pub width: Option<Dimension>,
    /// Foremost toe tip to the rear edge of the middle pad.
    pub length_without_heel: Option<Dimension>,
    /// Foremost toe tip to the rear edge of the heel pad.
    pub length_with_heel: Option<Dimension>,
    /// Its floor's depth below the card, where it was photographed from several sides.
    pub depth: Option<Measured>,
    /// Toes that were marked; `None` where none was.
    pub toes_seen: Option<usize>,
}

/// How lengths in a picture become lengths on the ground.
pub(super) struct Ruler<'a> {
    pub plane: &'a Plane,
    pub stance: Option<Stance>,
    pub floor: Floor,
    pub u_click_px: f64,
    /// Relative standard uncertainty of the scale's own length.
    pub u_card: f64,
    /// Relative standard uncertainty from an unknown tilt; zero where the plane is known.
    pub u_aslant: f64,
}

/// A print's floor isn't even: its ends lie deeper or higher by about this (standard uncertainty; assumed), mm.
const U_UNEVEN_MM: f64 = 1.0;

impl Ruler<'_> {
    /// The distance between two pixels in the plane, or at the floor where its depth is known. A plane `d` below one seen from
    /// the height `h` shows the same things smaller by h / (h + d) (pinhole).
    pub fn distance(&self, a_px: [f64; 2], b_px: [f64; 2]) -> Option<Dimension> {
        let length = self.plane.length(a_px, b_px, self.u_click_px);
        let depth = self.floor.depth_mm().zip(self.stance);
        let grow = depth.map_or(1.0, |(depth, stance)| (stance.height_mm + depth.value) / stance.height_mm);
        let mm = length.mm * grow;
        Dimension::of(
            mm,
            Parts {
                click: length.u_click_mm * grow,
                plane: length.u_plane_mm * grow,
                depth: depth.map_or(0.0, |(depth, stance)| length.mm * depth.u / stance.height_mm),
                tilt: mm * self.u_aslant,
                card: mm * self.u_card,
            },
        )
    }

    /// A dimension of a print: a distance whose ends lie in a floor that isn't even.
    fn dimension(&self, a_px: [f64; 2], b_px: [f64; 2]) -> Option<Dimension> {
        let Dimension { mm, parts } = self.distance(a_px, b_px)?;
        let tilt = combine(&[parts.tilt, self.u_uneven_mm(a_px), self.u_uneven_mm(b_px)]);
        Dimension::of(mm.value, Parts { tilt, ..parts })
    }

    /// A point that lies deeper than thought is seen shifted by that times the tangent of the line of sight.
    fn u_uneven_mm(&self, px: [f64; 2]) -> f64 {
        let aslant = |stance: Stance| {
            let [x, y] = self.plane.mm(px);
            (x - stance.foot_mm[0]).hypot(y - stance.foot_mm[1]) / stance.height_mm
        };
        self.stance.map_or(0.0, |stance| U_UNEVEN_MM * aslant(stance))
    }

    /// Where a marked pixel lies, at the floor where its depth is known.
    pub fn point(&self, px: [f64; 2]) -> PointMeasure {
        let (mm, u) = self.plane.point(px, self.u_click_px);
        let at_floor = self.floor.depth_mm().zip(self.stance);
        let along = |i: usize| {
            let (aside, grow, u_depth) = at_floor.map_or((0.0, 1.0, 0.0), |(depth, stance)| {
                let aside = mm[i] - stance.foot_mm[i];
                (aside, 1.0 + depth.value / stance.height_mm, aside * depth.u / stance.height_mm)
            });
            (mm[i] + aside * (grow - 1.0), combine(&[u[i] * grow, u_depth, mm[i] * self.u_card, mm[i] * self.u_aslant]))
        };
        let ((x, u_x), (y, u_y)) = (along(0), along(1));
        PointMeasure { mm: [x, y], u_mm: [u_x, u_y], depth: None }
    }

    /// Where marked pixels lie, at the floor where its depth is known, by all but the scale's own length; `None` beyond the plane's
    /// horizon. Depth and an unknown tilt do to all of them alike what they do.
    pub fn places(&self, px: &[[f64; 2]]) -> Option<Points> {
        let Points { mut at_mm, mut covariance_mm2, mut by_lens_mm } = self.plane.points(px, self.u_click_px)?;
        if let Some((depth, stance)) = self.floor.depth_mm().zip(self.stance) {
            let aside = DVector::from_fn(2 * px.len(), |i, _| at_mm[i / 2][i % 2] - stance.foot_mm[i % 2]);
            let grow = 1.0 + depth.value / stance.height_mm;
            covariance_mm2 *= grow * grow;
            covariance_mm2 += &aside * aside.transpose() * (depth.u / stance.height_mm).powi(2);
            by_lens_mm *= grow;
            for (at, aside) in at_mm.iter_mut().flatten().zip(&aside) {
                *at += aside * (grow - 1.0);
            }
        }
        for (i, px) in px.iter().enumerate() {
            let uneven = self.u_uneven_mm(*px).powi(2);
            covariance_mm2[(2 * i, 2 * i)] += uneven;
            covariance_mm2[(2 * i + 1, 2 * i + 1)] += uneven;
        }
        let whole = DVector::from_iterator(2 * px.len(), at_mm.iter().flatten().copied());
        covariance_mm2 += &whole * whole.transpose() * self.u_aslant.powi(2);
        Some(Points { at_mm, covariance_mm2, by_lens_mm })
    }

    pub fn print(&self, marks: &PrintMarks) -> Result<PrintMeasure, LandmarkError> {
        let px = |name: &str| marks.points.get(name).copied();
        by_convention(marks, |name| px(name).map(|px| self.plane.mm(px)), |a, b| self.dimension(px(a)?, px(b)?))
    }
}

/// A print's dimensions by the conventions, from where its points lie (mm, seen from above) and how far apart two of them are.
pub(super) fn by_convention(
    marks: &PrintMarks,
    place: impl Fn(&str) -> Option<[f64; 2]>,
    between: impl Fn(&str, &str) -> Option<Dimension>,
) -> Result<PrintMeasure, LandmarkError> {
    let to_rear = |rear: &'static str| -> Result<Option<Dimension>, LandmarkError> {
        Ok(foremost_tip(marks, &place, rear)?.and_then(|tip| between(tip, rear)))
    };
    Ok(PrintMeasure {
        id: marks.id.clone(),
        foot: marks.foot,
        side: marks.side,
        width: between("widest_left", "widest_right"),
        length_without_heel: to_rear("pad_rear")?,
        length_with_heel: to_rear("heel_rear")?,
        depth: None,
        toes_seen: Some(marks.toes_marked()).filter(|&n| n > 0),
    })
}

/// The toe tip that lies farthest from the rear point along the foot, which points to the middle of the tips.
fn foremost_tip<'a>(
    marks: &'a PrintMarks,
    place: impl Fn(&str) -> Option<[f64; 2]>,
    rear: &'static str,
) -> Result<Option<&'a str>, LandmarkError> {
    let Some(rear_mm) = place(rear) else { return Ok(None) };
    let tips: Vec<_> = marks.tips().filter_map(|(name, _)| Some((name, place(name)?))).collect();
    let n = tips.len() as f64;
    let along = tips
        .iter()
        .fold([0.0; 2], |sum, (_, mm)| [sum[0] + (mm[0] - rear_mm[0]) / n, sum[1] + (mm[1] - rear_mm[1]) / n]);
    let ahead = |mm: [f64; 2]| (mm[0] - rear_mm[0]) * along[0] + (mm[1] - rear_mm[1]) * along[1];
    let pad = place("pad_rear").filter(|_| rear == "heel_rear");
    let foremost = tips.iter().map(|tip| ahead(tip.1)).fold(f64::NEG_INFINITY, f64::max);
    // Seen from the heel the pad lies ahead, but not as far as the toes.
    let pad_is_first = pad.is_some_and(|pad| !tips.is_empty() && ahead(pad) >= foremost);
    if pad_is_first || tips.iter().map(|tip| tip.1).chain(pad).any(|mm| ahead(mm) <= 0.0) {
        return Err(LandmarkError::Crossed { print: marks.id.clone(), rear });
    }
    Ok(tips.iter().max_by(|a, b| ahead(a.1).total_cmp(&ahead(b.1))).map(|(name, _)| *name))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Ten pixels a millimetre, seen from 500 mm straight above a point 40 mm beside the origin.
    fn plane() -> Plane {
        Plane::from_length([0.0, 0.0], [1000.0, 0.0], 100.0, 0.01).unwrap()
    }

    fn ruler(plane: &Plane, floor: Floor) -> Ruler<'_> {
        let stance = Some(Stance { tilt_deg: 0.0, height_mm: 500.0, foot_mm: [40.0, 0.0] });
        Ruler { plane, stance, floor, u_click_px: 2.0, u_card: 0.0, u_aslant: 0.0 }
    }

    /// A hind foot pointing up: five toes on an arc, 60 mm wide, 58 mm without and 85 mm with heel.
    fn hind() -> PrintMarks {
        let mm = [
            ("toe_1_tip", [-25.0, -40.0]),
            ("toe_2_tip", [-12.0, -53.0]),
            ("toe_3_tip", [0.0, -58.0]),
            ("toe_4_tip", [12.0, -54.0]),
            ("toe_5_tip", [25.0, -42.0]),
            ("widest_left", [-30.0, -35.0]),
            ("widest_right", [30.0, -35.0]),
            ("pad_rear", [0.0, 0.0]),
            ("heel_rear", [0.0, 27.0]),
        ];
        let points = mm.map(|(name, [x, y])| (name.to_owned(), [x * 10.0 + 600.0, y * 10.0 + 700.0])).into();
        PrintMarks { id: "h1".into(), foot: Foot::Hind, side: Side::Left, points, ..PrintMarks::default() }
    }

    #[test]
    fn a_hind_print_is_measured_by_the_conventions() {
        let plane = plane();
        let print = ruler(&plane, Floor::InPlane).print(&hind()).unwrap();
        let value = |d: Option<Dimension>| d.unwrap().mm.value;
        assert!((value(print.width) - 60.0).abs() < 1e-9);
        assert!((value(print.length_without_heel) - 58.0).abs() < 1e-9);
        assert!((value(print.length_with_heel) - 85.0).abs() < 1e-9);
        assert_eq!(print.toes_seen, Some(5));
    }

    #[test]
    fn what_was_not_marked_is_not_measured() {
        let mut marks = hind();
        marks.points.retain(|name, _| name != "heel_rear" && name != "widest_left" && !name.starts_with("toe_1"));
        let plane = plane();
        let print = ruler(&plane, Floor::InPlane).print(&marks).unwrap();
        assert!(print.width.is_none() && print.length_with_heel.is_none());
        assert_eq!(print.toes_seen, Some(4));
    }

    #[test]
    fn a_print_below_the_card_reads_small_by_its_depth_over_the_height() {
        // 20 mm below a card seen from 500 mm: 20 / 520 = 3.85 % too small (pinhole).
        let plane = plane();
        let at = |floor| ruler(&plane, floor).print(&hind()).unwrap().width.unwrap();
        let (flat, deep) = (at(Floor::InPlane), at(Floor::At { depth_mm: 20.0, u_depth_mm: 3.0 }));
        assert!(((deep.mm.value - flat.mm.value) / deep.mm.value - 20.0 / 520.0).abs() < 1e-9);
        assert!((deep.parts.depth - 60.0 * 3.0 / 500.0).abs() < 1e-9);
        assert_eq!(flat.parts.depth, 0.0);
        // A floor anywhere down to 20 mm: the middle, and a half width of 10 mm over √3.
        let open = at(Floor::UpTo { depth_mm: 20.0 });
        assert!((open.mm.value - 60.0 * 510.0 / 500.0).abs() < 1e-9);
        assert!((open.parts.depth - 60.0 * 10.0 / 3.0_f64.sqrt() / 500.0).abs() < 1e-9);
    }

    #[test]
    fn mixed_up_points_are_noticed() {
        let plane = plane();
        // The middle pad among the toe tips, and behind the heel; the heel before the toes.
        let mixed = [
            ("pad_rear", [600.0, 220.0], "pad_rear"),
            ("pad_rear", [600.0, 990.0], "heel_rear"),
            ("heel_rear", [600.0, 20.0], "heel_rear"),
        ];
        for (point, place, rear) in mixed {
            let mut marks = hind();
            marks.points.insert(point.into(), place);
            let refused = ruler(&plane, Floor::InPlane).print(&marks).unwrap_err();
            assert_eq!(refused, LandmarkError::Crossed { print: "h1".into(), rear });
        }
    }
}
