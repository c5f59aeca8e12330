//! Several photographs of one lying card measured together: what is marked in two or more of them is free of parallax.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Value, json};

use super::dimensions::{self, Dimension, Floor, Parts, PointMeasure, PrintMeasure};
use super::landmarks::{Foot, LandmarkError, Landmarks, PrintMarks, Side};
use super::measure::{self, Distance, MeasureError, Measurement, Request, Warning};
use super::seen::{ScaleKind, Seen};
use crate::measured::{Measured, combine};
use crate::photo::{NoFocal, Photo};
use crate::space::{self, CardLay, Ground, Lens, Placed, Pose, SpaceError, View};

/// How a camera stood, as the photographs together tell.
#[derive(Debug, Clone)]
pub struct Camera {
    /// The photograph's base name.
    pub file: String,
    /// SHA-256 of its bytes.
    pub sha256: String,
    /// Where the camera stood.
    pub pose: Pose,
    /// Its lens, and that one's standard uncertainties.
    pub lens: (Lens, Lens),
    /// The card's corners in it, px, with their standard uncertainties.
    pub corners_px: Vec<([f64; 2], f64)>,
    /// The numbers of the markers that the corners belong to, four corners each.
    pub markers: Vec<u32>,
}

/// What lies this far above the card is warned about, mm.
const MOST_ABOVE_MM: f64 = 5.0;

/// Measures photographs of one card that lay still, each with its file's base name. The first one's picture is the measurement's.
pub fn measure_together(photos: &[(String, Photo)], request: &Request) -> Result<Measurement, MeasureError> {
    measure::check(request)?;
    if request.scale != ScaleKind::Card {
        return Err(MeasureError::OnlyByCard);
    }
    if let Some(print) = request.landmarks.prints.iter().find(|print| print.photo.is_none()) {
        return Err(LandmarkError::WhichPhoto { print: print.id.clone() }.into());
    }
    let mut names = BTreeSet::new();
    if let Some((file, _)) = photos.iter().find(|(file, _)| !names.insert(file)) {
        return Err(MeasureError::TwoOfOneName { file: file.clone() });
    }
    for (file, photo) in photos {
        let landmarks = request.landmarks.clone().of_photo(file);
        landmarks.check(photo.luma.width, photo.luma.height).map_err(|error| inside(file, error.into()))?;
    }
    let (landmarks, marking) = request.landmarks.clone().averaged();
    let request = &Request { landmarks, ..request.clone() };
    let mut seen = Vec::new();
    let mut views: Vec<View> = Vec::new();
    let mut lenses = Vec::new();
    for (file, photo) in photos {
        let landmarks = request.landmarks.clone().of_photo(file);
        let card = Seen::of(photo, request).map_err(|error| inside(file, error))?;
        views.push(
            view(file, photo, &card, &landmarks, &mut lenses)
                .map_err(|why| inside(file, MeasureError::NoFocalLengthInSpace(why)))?,
        );
        seen.push(card);
    }
    let ground_off = compare_ground(photos, &seen)?;
    let placed = space::place(&views, request.u_mark_px(), request.floor.depth_mm())?;
    let scene = Scene { views: &views, seen: &seen, placed: &placed, landmarks: &request.landmarks };
    let (Some((_, photo)), Some(card)) = (photos.first(), seen.first()) else { return Err(MeasureError::OnlyByCard) };
    let alone =
        Request { landmarks: Landmarks { u_px: request.landmarks.u_px, ..Landmarks::default() }, ..request.clone() };
    let ruler = card.ruler(request)?;
    let mut distances = measure::distances(&alone, &ruler)?;
    distances.extend(scene.distances()?);
    Ok(Measurement {
        distances,
        prints: scene.prints()?,
        points: scene.points(),
        marking,
        cameras: photos.iter().zip(&views).enumerate().map(|(i, (named, view))| scene.camera(i, named, view)).collect(),
        warnings: scene.warnings(request).into_iter().chain(ground_off).collect(),
        ..Measurement::without_marks(photo, request, card, &ruler)
    })
}

/// Whether the card lay still, by the ground around it in the first photograph and in each other one.
fn compare_ground(photos: &[(String, Photo)], seen: &[Seen]) -> Result<Option<Warning>, SpaceError> {
    let ground = |i: usize| Some(Ground::of(&photos[i].1.luma, seen[i].card?, &seen[i].plane, seen[i].stance?));
    let Some(first) = ground(0).filter(|_| photos.len() > 1) else { return Ok(None) };
    let mut off = None;
    for i in 1..photos.len() {
        match ground(i).map_or(CardLay::Unknown, |other| first.compare(&other)) {
            CardLay::Moved { shift_mm, turn_deg } => {
                let (first, second) = (photos[0].0.clone(), photos[i].0.clone());
                return Err(SpaceError::CardMoved { first, second, shift_mm, turn_deg: turn_deg.abs() });
            }
            CardLay::GroundOff { depth_mm } => off = Some(Warning::GroundOff { depth_mm }),
            CardLay::Still | CardLay::Unknown => {}
        }
    }
    Ok(off)
}

fn inside(file: &str, error: MeasureError) -> MeasureError {
    MeasureError::In { file: file.into(), error: Box::new(error) }
}

/// One photograph as the adjustment takes it; it needs a focal length. `lenses`: those met so far.
fn view(
    file: &str,
    photo: &Photo,
    card: &Seen,
    landmarks: &Landmarks,
    lenses: &mut Vec<(f64, usize, usize)>,
) -> Result<View, NoFocal> {
    let (width, height) = (photo.luma.width, photo.luma.height);
    // Photographs with one stated focal length and one size were taken with one lens, upright or across.
    let kind = (photo.taken.focal_35_mm?, width.min(height), width.max(height));
    let lens = lenses.iter().position(|other| *other == kind).unwrap_or_else(|| {
        lenses.push(kind);
        lenses.len() - 1
    });
    let free = landmarks.photos.iter().flat_map(|photo| &photo.points).map(|(name, px)| (name.clone(), *px));
    let of_prints = landmarks
        .prints
        .iter()
        .flat_map(|print| print.points.iter().map(|(name, px)| (of_print(&print.id, name), *px)));
    Ok(View {
        name: file.into(),
        ties: card.ties.clone(),
        size_px: [width, height],
        focal_px: photo.taken.focal_px(width, height)?,
        lens,
        marks: free.chain(of_prints).collect(),
    })
}

/// A print's point among all points.
fn of_print(print: &str, point: &str) -> String {
    format!("print {print}: {point}")
}

/// What was placed, and what was marked.
struct Scene<'a> {
    views: &'a [View],
    seen: &'a [Seen],
    placed: &'a Placed,
    landmarks: &'a Landmarks,
}

impl Scene<'_> {
    fn distances(&self) -> Result<Vec<Distance>, MeasureError> {
        let px = |name: &str| {
            let marked = self.views.first().and_then(|view| view.marks.get(name).copied());
            let known = marked.or_else(|| self.placed.px(0, self.views, name));
            known.ok_or_else(|| LandmarkError::NoSuchPoint { name: name.into() })
        };
        let distance = |names: &[String; 2]| {
            let [from, to] = names;
            let (from_px, to_px) = (px(from)?, px(to)?);
            let length = self.between(from, to).ok_or_else(|| LandmarkError::NoSuchPoint { name: to.clone() })?;
            Ok(Distance { from_px, to_px, names: Some(names.clone()), length })
        };
        self.landmarks.distances.iter().map(distance).collect()
    }

    fn between(&self, from: &str, to: &str) -> Option<Dimension> {
        let apart = self.placed.distance(from, to)?;
        let parts = Parts {
            click: apart.u_click_mm,
            plane: apart.u_plane_mm,
            depth: apart.u_depth_mm,
            tilt: apart.u_tilt_mm,
            card: apart.mm * self.u_card(),
        };
        Dimension::of(apart.mm, parts)
    }

    /// Prints by their names, with what was marked of them in any photograph.
    fn prints(&self) -> Result<Vec<PrintMeasure>, LandmarkError> {
        let mut prints: Vec<PrintMarks> = Vec::new();
        for marks in &self.landmarks.prints {
            // A photograph that wasn't given can't be measured.
            if !self.views.iter().any(|view| marks.photo.as_deref() == Some(&view.name)) {
                continue;
            }
            let Some(known) = prints.iter_mut().find(|print| print.id == marks.id) else {
                prints.push(marks.clone());
                continue;
            };
            known.foot = if known.foot == Foot::Unknown { marks.foot } else { known.foot };
            known.side = if known.side == Side::Unknown { marks.side } else { known.side };
            known.points.extend(marks.points.clone());
        }
        prints.iter().map(|marks| self.print(marks)).collect()
    }

    fn print(&self, marks: &PrintMarks) -> Result<PrintMeasure, LandmarkError> {
        let name = |point: &str| of_print(&marks.id, point);
        let place = |point: &str| self.placed.place(&name(point)).map(|place| [place.mm[0], place.mm[1]]);
        let names: Vec<_> = marks.points.keys().map(|point| name(point)).collect();
        let depth = self.placed.depth_mm(names.iter().map(String::as_str));
        let print = dimensions::by_convention(marks, place, |a, b| self.between(&name(a), &name(b)))?;
        Ok(PrintMeasure { depth: depth.and_then(|depth| self.with_card(depth)), ..print })
    }

    fn points(&self) -> BTreeMap<String, PointMeasure> {
        let free = self.landmarks.photos.iter().flat_map(|photo| photo.points.keys());
        let point = |name: &String| {
            let place = self.placed.place(name)?;
            let ([x, y, z], [u_x, u_y, u_z]) = (place.mm, place.u_mm);
            let depth = Measured::new(z, u_z).filter(|_| place.seen > 1).and_then(|depth| self.with_card(depth));
            let u_mm = [combine(&[u_x, x * self.u_card()]), combine(&[u_y, y * self.u_card()])];
            Some((name.clone(), PointMeasure { mm: [x, y], u_mm, depth }))
        };
        free.filter_map(point).collect()
    }

    fn camera(&self, i: usize, (file, photo): &(String, Photo), view: &View) -> Camera {
        let worse = self.placed.worse()[i];
        Camera {
            file: file.clone(),
            sha256: photo.sha256.clone(),
            pose: self.placed.poses()[i],
            lens: self.placed.lens(view),
            corners_px: view.ties.iter().map(|tie| (tie.px, tie.u_px * worse)).collect(),
            markers: self.seen[i].markers.clone(),
        }
    }

    /// How well the card's own length is known, as a share of it.
    fn u_card(&self) -> f64 {
        self.seen.iter().map(|seen| seen.u_own).fold(0.0, f64::max)
    }

    /// A depth is as long as the card's own length makes it.
    fn with_card(&self, depth: Measured) -> Option<Measured> {
        Measured::new(depth.value, combine(&[depth.u, depth.value * self.u_card()]))
    }

    fn warnings(&self, request: &Request) -> Vec<Warning> {
        // Cameras that look from aside are what is asked for here.
        let few = |warning: &&Warning| matches!(warning, Warning::FewMarkers { .. });
        let mut warnings: Vec<Warning> =
            self.seen.iter().filter_map(|card| card.warnings.iter().find(few)).copied().collect();
        let places = || self.placed.names().filter_map(|name| self.placed.place(name));
        let once = places().filter(|place| place.seen == 1).count();
        if once > 0 {
            warnings.push(Warning::MarkedOnce { points: once });
        }
        if request.floor == Floor::InPlane && (once > 0 || !request.between.is_empty()) {
            warnings.push(Warning::InPlane);
        }
        if self.placed.disagree() {
            warnings.push(Warning::MarksDisagree { sigmas: self.placed.sigmas() });
        }
        if let Some(depth) = self.placed.depth_mm(self.placed.names())
            && depth.value + 3.0 * depth.u < -MOST_ABOVE_MM
        {
            warnings.push(Warning::AboveCard { mm: -depth.value });
        }
        warnings
    }
}

impl Camera {
    pub(super) fn to_json(&self) -> Value {
        let (lens, u) = self.lens;
        let rows: [[f64; 3]; 3] = std::array::from_fn(|i| std::array::from_fn(|j| self.pose.rotation[(i, j)]));
        json!({
            "file": self.file,
            "sha256": self.sha256,
            "focal_px": lens.focal_px,
            "u_focal_px": u.focal_px,
            "k1": lens.k1,
            "u_k1": u.k1,
            "camera_mm": <[f64; 3]>::from(self.pose.camera_mm()),
            "rotation": rows,
            "markers": self.markers,
            "corners_px": self.corners_px.iter().map(|corner| corner.0).collect::<Vec<_>>(),
            "u_corners_px": self.corners_px.iter().map(|corner| corner.1).collect::<Vec<_>>(),
        })
    }
}
