//! What the ground beside the scale shows: the light over it, and where pads may be.

use serde_json::{Value, json};

use crate::photo::Luma;
use crate::relief::{self, PadKind, Rectified, Window};
use crate::scale::Plane;
use crate::scale::card::Layout;

/// The light over the print; degrees clockwise from the picture's +x.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Light {
    /// The light's axis, 0 ≤ … < 180, with its standard uncertainty; not known in even light.
    pub axis: Option<(f64, f64)>,
    /// Direction towards the light, 0 ≤ … < 360, where its side is known.
    pub from_deg: Option<f64>,
}

/// A place where a pad may be, in the picture. It is no measure until a person confirms it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PadProposal {
    /// What it may be.
    pub kind: PadKind,
    /// Its middle, px.
    pub at_px: [f64; 2],
    /// Mean of half width and half length, px.
    pub radius_px: f64,
    /// Half axes, px, the longer first; alike where no edge was found.
    pub half_axes_px: [f64; 2],
    /// Direction of the longer one, degrees clockwise from the picture's +x, 0 ≤ … < 180.
    pub deg: f64,
    /// 0–1; from [`relief::STANDING`] it is shown unasked.
    pub confidence: f64,
}

/// A pad's edge as an ellipse, snapped to after a touch. It is no measure until a person confirms it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PadEdge {
    /// Its middle, px.
    pub at_px: [f64; 2],
    /// Half axes in the picture, px, the longer first.
    pub half_axes_px: [f64; 2],
    /// Direction of the longer one, degrees clockwise from the picture's +x, 0 ≤ … < 180.
    pub deg: f64,
    /// Half axes in the scale's plane, mm; a pad that lies deeper is larger.
    pub half_axes_mm: [f64; 2],
    /// Standard uncertainty of the edge's place, mm.
    pub u_edge_mm: f64,
    /// 0–1: how surely there is a pit with this edge.
    pub confidence: f64,
}

/// What the ground beside the scale shows.
#[derive(Debug, Clone, PartialEq)]
pub struct Ground {
    /// The light over it.
    pub light: Light,
    /// Where pads may be, surest first; no measures until confirmed.
    pub proposals: Vec<PadProposal>,
}

/// A step along which directions are carried between picture and plane, mm.
const STEP_MM: f64 = 10.0;

/// The ground around the print, as measured pictures look at it.
pub(super) struct GroundView<'a> {
    pub luma: &'a Luma,
    pub plane: &'a Plane,
    /// Whether the card lies there.
    pub card: Option<&'static Layout>,
}

impl GroundView<'_> {
    /// The light, and with it the pads that may be there.
    pub fn ground(&self, from_deg: Option<f64>) -> Ground {
        let light = self.light(&self.rectified(), from_deg);
        Ground { light, proposals: self.proposals(&light) }
    }

    fn window(&self) -> Window {
        if let Some(card) = self.card {
            return Window::beside(card);
        }
        let middle = [self.luma.width, self.luma.height].map(|n| (n as f64 - 1.0) / 2.0);
        Window::around(self.plane.mm(middle))
    }

    /// The ground from straight above, in linear light.
    pub fn rectified(&self) -> Rectified {
        let window = self.window();
        Rectified::of(self.luma, self.plane, window, &window, self.card)
    }

    /// The light's axis from the ground; its side from `from_deg`, a direction towards the light in the picture.
    fn light(&self, rectified: &Rectified, from_deg: Option<f64>) -> Light {
        let axis = relief::axis(rectified);
        let in_picture = |deg: f64| self.to_picture(deg).rem_euclid(180.0);
        Light {
            axis: axis.map(|axis| (in_picture(axis.deg), axis.u_deg)),
            from_deg: from_deg.map(|d| d.rem_euclid(360.0)),
        }
    }

    /// What the light's axis and side tell of its direction in the plane.
    fn towards(&self, light: &Light) -> relief::Towards {
        match (light.axis, light.from_deg) {
            // The picture tells the axis better than a tap, which only tells the side.
            (Some((axis_deg, _)), Some(from_deg)) => {
                relief::Towards::Known(self.to_plane(relief::on_side(axis_deg, from_deg)))
            }
            (None, Some(from_deg)) => relief::Towards::Known(self.to_plane(from_deg)),
            (Some((axis_deg, _)), None) => relief::Towards::EitherWay(self.to_plane(axis_deg)),
            (None, None) => relief::Towards::Even,
        }
    }

    /// The edge of the pad that was touched at a point of the picture; `None` where no pad is seen.
    pub fn snap(&self, light: &Light, touch_px: [f64; 2]) -> Option<PadEdge> {
        let touch_mm = self.plane.mm(touch_px);
        let edge = relief::snap(self.luma, self.plane, touch_mm, self.card, self.towards(light))?;
        let (half_axes_px, deg) = self.ellipse_px(edge.centre_mm, edge.half_axes_mm, edge.deg);
        Some(PadEdge {
            at_px: self.plane.px(edge.centre_mm),
            half_axes_px,
            deg,
            half_axes_mm: edge.half_axes_mm,
            u_edge_mm: edge.u_edge_mm,
            confidence: edge.confidence,
        })
    }

    /// An ellipse of the plane as the picture shows it: half axes, px, and the direction of the longer one, degrees.
    fn ellipse_px(&self, centre_mm: [f64; 2], half_axes_mm: [f64; 2], deg: f64) -> ([f64; 2], f64) {
        let (sin, cos) = deg.to_radians().sin_cos();
        let half_axis = |[x, y]: [f64; 2]| {
            let to = |sign: f64| self.plane.px([centre_mm[0] + sign * x, centre_mm[1] + sign * y]);
            nalgebra::Vector2::from([0, 1].map(|k| (to(1.0)[k] - to(-1.0)[k]) / 2.0))
        };
        let [a, b] = half_axes_mm;
        // Two conjugate half diameters; the axes are the singular vectors of the matrix that they make.
        let both = nalgebra::Matrix2::from_columns(&[half_axis([a * cos, a * sin]), half_axis([-b * sin, b * cos])]);
        let squares = (both * both.transpose()).symmetric_eigen();
        let longer = usize::from(squares.eigenvalues[1] > squares.eigenvalues[0]);
        let way = squares.eigenvectors.column(longer);
        let half_axes = [longer, 1 - longer].map(|k| squares.eigenvalues[k].max(0.0).sqrt());
        (half_axes, way[1].atan2(way[0]).to_degrees().rem_euclid(180.0))
    }

    /// Pads that may be there, surest first.
    fn proposals(&self, light: &Light) -> Vec<PadProposal> {
        let found = relief::propose(self.luma, self.plane, &self.window(), self.card, self.towards(light));
        let in_picture = |p: relief::Proposal| {
            let (half_axes_px, deg) = self.ellipse_px(p.at_mm, p.half_axes_mm, p.deg);
            PadProposal {
                kind: p.kind,
                at_px: self.plane.px(p.at_mm),
                radius_px: (half_axes_px[0] + half_axes_px[1]) / 2.0,
                half_axes_px,
                deg,
                confidence: p.confidence,
            }
        };
        found.into_iter().map(in_picture).collect()
    }

    /// A direction in the plane as the picture shows it, degrees.
    pub fn to_picture(&self, deg: f64) -> f64 {
        let [x, y] = self.window().centre_mm;
        let (dy, dx) = deg.to_radians().sin_cos();
        direction(self.plane.px([x, y]), self.plane.px([x + STEP_MM * dx, y + STEP_MM * dy]))
    }

    /// A direction in the picture as it is in the plane, degrees.
    pub fn to_plane(&self, deg: f64) -> f64 {
        let centre = self.window().centre_mm;
        let [x, y] = self.plane.px(centre);
        let step = STEP_MM * self.plane.px_per_mm([x, y]);
        let (dy, dx) = deg.to_radians().sin_cos();
        direction(centre, self.plane.mm([x + step * dx, y + step * dy]))
    }
}

fn direction(from: [f64; 2], to: [f64; 2]) -> f64 {
    (to[1] - from[1]).atan2(to[0] - from[0]).to_degrees().rem_euclid(360.0)
}

impl Light {
    pub(super) fn to_json(self) -> Value {
        let (axis_deg, u_axis_deg) = self.axis.unzip();
        json!({"axis_deg": axis_deg, "u_axis_deg": u_axis_deg, "from_deg": self.from_deg})
    }
}

impl PadProposal {
    pub(super) fn to_json(self) -> Value {
        let [x_px, y_px] = self.at_px;
        json!({
            "kind": self.kind,
            "x_px": x_px,
            "y_px": y_px,
            "radius_px": self.radius_px,
            "half_axes_px": self.half_axes_px,
            "deg": self.deg,
            "confidence": self.confidence,
        })
    }
}

impl PadEdge {
    /// As the command line prints it.
    pub fn to_json(self) -> Value {
        let [x_px, y_px] = self.at_px;
        json!({
            "x_px": x_px,
            "y_px": y_px,
            "half_axes_px": self.half_axes_px,
            "deg": self.deg,
            "half_axes_mm": self.half_axes_mm,
            "u_edge_mm": self.u_edge_mm,
            "confidence": self.confidence,
        })
    }
}
