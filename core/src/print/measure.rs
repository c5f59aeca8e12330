//! One photograph measured: scale, plane, distances, prints.

use std::collections::BTreeMap;

use serde_json::{Map, Value, json};

use super::dimensions::{Dimension, Floor, PointMeasure, PrintMeasure, Ruler};
use super::feet::{self, FootMeasure};
use super::landmarks::{LandmarkError, Landmarks, Marking};
use super::light::{Ground, GroundView, Light, PadEdge};
use super::seen::{ScaleKind, Seen};
use super::together::Camera;
use crate::measured::Measured;
use crate::photo::{NoFocal, Photo};
use crate::relief;
use crate::scale::card::Layout;
use crate::scale::{KnownError, Plane, ScaleError, Stance};
use crate::space::SpaceError;
use crate::words::Words;

/// What is to be measured in a photograph.
#[derive(Debug, Clone, PartialEq)]
pub struct Request {
    /// What gives the scale.
    pub scale: ScaleKind,
    /// What the card's check line measures, mm, where someone measured it; true to size otherwise.
    pub check_line: Option<Measured>,
    /// By how much the camera's axis was off straight down, degrees, where gravity tells; the ground is taken as level.
    pub camera_tilt_deg: Option<f64>,
    /// Pairs of pixels between which the distance is wanted.
    pub between: Vec<[[f64; 2]; 2]>,
    /// Marked prints and points.
    pub landmarks: Landmarks,
    /// How well a point is marked where the landmarks don't say (standard uncertainty of each coordinate), px.
    pub u_click_px: f64,
    /// Where the print's floor lies.
    pub floor: Floor,
    /// Whether to look at the light over the print and for pads too.
    pub look_at_ground: bool,
    /// Direction towards the light, degrees clockwise from the picture's +x, where someone knows it.
    pub light_from_deg: Option<f64>,
}

impl Default for Request {
    fn default() -> Self {
        Self {
            scale: ScaleKind::Card,
            check_line: None,
            camera_tilt_deg: None,
            between: vec![],
            landmarks: Landmarks::default(),
            u_click_px: 2.0,
            floor: Floor::InPlane,
            look_at_ground: false,
            light_from_deg: None,
        }
    }
}

/// A distance between two marked points.
#[derive(Debug, Clone, PartialEq)]
pub struct Distance {
    /// px.
    pub from_px: [f64; 2],
    /// px.
    pub to_px: [f64; 2],
    /// The points' names, where they have some.
    pub names: Option<[String; 2]>,
    /// The length.
    pub length: Dimension,
}

/// What the worker should know about a measurement.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Warning {
    /// Looked at aslant by more than [`MOST_TILT_DEG`].
    Tilt {
        /// Degrees.
        deg: f64,
    },
    /// Not all markers of the card were found.
    FewMarkers {
        /// How many of them.
        found: usize,
        /// How many there are.
        all: usize,
    },
    /// The card isn't quite flat.
    Bent {
        /// How far its corners lie off one plane, root mean square, mm.
        off_mm: f64,
    },
    /// The card as the stated focal length must show it, and as it is seen, differ.
    OddCamera {
        /// By how much beside the card, %.
        percent: f64,
    },
    /// The card shows another focal length than the stated one.
    OddFocalLength {
        /// How many times the stated one.
        times: f64,
    },
    /// The depth of the print's floor is not known.
    InPlane,
    /// A ruler gives no tilt.
    NoTiltCorrection {
        /// The tilt that is allowed for, degrees.
        deg: f64,
        /// Whether it is known, or what would be warned about.
        is_stated: bool,
        /// By how much of itself a length along it reads short.
        short: f64,
    },
    /// No focal length, so neither tilt nor height is known.
    NoFocalLength(NoFocal),
    /// Without a focal length a sheet is known by its shape alone.
    ShapeOnly,
    /// Paper warps.
    Paper,
    /// A coin gives the scale only.
    Coin {
        /// The tilt that its outline shows, degrees.
        tilt_deg: f64,
        /// How far its face lies above the ground.
        thickness_mm: f64,
    },
    /// Points that only one of several photographs shows.
    MarkedOnce {
        /// How many.
        points: usize,
    },
    /// Marks in several photographs miss each other by more than they should.
    MarksDisagree {
        /// Root mean square, in standard uncertainties.
        sigmas: f64,
    },
    /// What was marked lies above the card.
    AboveCard {
        /// By how much.
        mm: f64,
    },
    /// The ground around the card lies far below or above it, or the card was moved.
    GroundOff {
        /// Below; above where negative.
        depth_mm: f64,
    },
}

/// Why a photograph can't be measured.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum MeasureError {
    /// No scale.
    #[error(transparent)]
    Scale(#[from] ScaleError),
    /// No scale from a sheet or coin.
    #[error(transparent)]
    Known(#[from] KnownError),
    /// Wrong landmarks.
    #[error(transparent)]
    Landmarks(#[from] LandmarkError),
    /// A depth is given but not from which height it is seen.
    #[error(
        "a depth below the scale can't be reckoned with, since the camera's height is unknown: {0}; leave the depth out or use a photograph as the camera wrote it, taken without digital zoom"
    )]
    NoFocalLength(NoFocal),
    /// Several photographs that don't go together.
    #[error(transparent)]
    Space(#[from] SpaceError),
    /// A camera that can't be placed.
    #[error(
        "{0}, and without a focal length it can't be measured together with others: use the file as the camera wrote it, taken without digital zoom, or measure from one photograph"
    )]
    NoFocalLengthInSpace(NoFocal),
    /// Several photographs, and something other than our card in them.
    #[error(
        "several photographs are measured together by our scale card only: lay it beside the print, or give one photograph"
    )]
    OnlyByCard,
    /// One name for two photographs.
    #[error("two photographs are called {file}: landmarks tell them apart by name, so rename one")]
    TwoOfOneName {
        /// The name.
        file: String,
    },
    /// In one of several photographs.
    #[error("{file}: {error}")]
    In {
        /// Which.
        file: String,
        /// What is wrong in it.
        error: Box<MeasureError>,
    },
    /// A value out of its range.
    #[error("{name} is {value}: {must}")]
    Value {
        /// What.
        name: &'static str,
        /// The value.
        value: f64,
        /// What it must be.
        must: &'static str,
    },
}

/// A measured photograph.
#[derive(Debug, Clone)]
pub struct Measurement {
    /// Its bytes' SHA-256.
    pub sha256: String,
    /// The upright picture's size, px.
    pub size_px: [usize; 2],
    /// The plane of the scale.
    pub plane: Plane,
    /// What gave the scale.
    pub scale: ScaleKind,
    /// Which of our cards, where it is one.
    pub card: Option<&'static Layout>,
    /// What its check line measures, mm, where someone measured it.
    pub check_line: Option<Measured>,
    /// The card's corners, marker by marker, or the ruler's ends, px.
    pub corners_px: Vec<[f64; 2]>,
    /// How the camera stood, where the focal length is known.
    pub stance: Option<Stance>,
    /// Distances asked for.
    pub distances: Vec<Distance>,
    /// Prints marked.
    pub prints: Vec<PrintMeasure>,
    /// How well points were marked, where they were marked again.
    pub marking: Option<Marking>,
    /// Freely named points, in the scale's frame.
    pub points: BTreeMap<String, PointMeasure>,
    /// How each camera stood, where several photographs were measured together.
    pub cameras: Vec<Camera>,
    /// The light over the print, and where pads may be, where that was asked for.
    pub ground: Option<Ground>,
    /// What to know about it.
    pub warnings: Vec<Warning>,
    pub(super) u_relative: f64,
}

/// More tilt than this is warned about, degrees: a floor that isn't even then shows up as millimetres.
pub const MOST_TILT_DEG: f64 = 20.0;
/// Measures one photograph.
pub fn measure(photo: &Photo, request: &Request) -> Result<Measurement, MeasureError> {
    check(request)?;
    request.landmarks.check(photo.luma.width, photo.luma.height)?;
    let (landmarks, marking) = request.landmarks.clone().averaged();
    let request = &Request { landmarks, ..request.clone() };
    let mut seen = Seen::of(photo, request)?;
    if request.floor == Floor::InPlane {
        seen.warnings.push(Warning::InPlane);
    }
    let ruler = seen.ruler(request)?;
    let marked = request.landmarks.photos.iter().flat_map(|photo| &photo.points);
    Ok(Measurement {
        distances: distances(request, &ruler)?,
        prints: request.landmarks.prints.iter().map(|marks| ruler.print(marks)).collect::<Result<_, _>>()?,
        points: marked.map(|(name, px)| (name.clone(), ruler.point(*px))).collect(),
        marking,
        ..Measurement::without_marks(photo, request, &seen, &ruler)
    })
}

impl Request {
    /// How well points are marked, px.
    pub(super) fn u_mark_px(&self) -> f64 {
        self.landmarks.u_px.unwrap_or(self.u_click_px)
    }
}

impl Measurement {
    /// What a photograph's scale alone gives.
    pub(super) fn without_marks(photo: &Photo, request: &Request, seen: &Seen, ruler: &Ruler) -> Self {
        let size_px = [photo.luma.width, photo.luma.height];
        let view = GroundView { luma: &photo.luma, plane: &seen.plane, card: seen.card };
        Self {
            sha256: photo.sha256.clone(),
            size_px,
            plane: seen.plane.clone(),
            scale: request.scale.clone(),
            card: seen.card,
            check_line: request.check_line,
            corners_px: seen.corners_px.clone(),
            stance: seen.stance,
            distances: vec![],
            prints: vec![],
            marking: None,
            points: BTreeMap::new(),
            cameras: vec![],
            ground: request.look_at_ground.then(|| view.ground(request.light_from_deg)),
            warnings: seen.warnings.clone(),
            u_relative: u_relative(ruler, size_px),
        }
    }
}

pub(super) fn check(request: &Request) -> Result<(), MeasureError> {
    let above_zero = |name, value: f64| {
        let fine = value.is_finite() && value > 0.0;
        if fine { Ok(()) } else { Err(MeasureError::Value { name, value, must: "it must be above zero" }) }
    };
    above_zero("the uncertainty of a marked point (px)", request.u_click_px)?;
    if let Some(u_px) = request.landmarks.u_px {
        above_zero("the landmarks' u_px", u_px)?;
    }
    if let Some(deg) = request.light_from_deg.filter(|deg| !deg.is_finite()) {
        return Err(MeasureError::Value {
            name: "the light's direction",
            value: deg,
            must: "it must be an angle in degrees",
        });
    }
    if let Some(check_line) = request.check_line {
        above_zero("the check line's uncertainty (mm)", check_line.u)?;
        if !(80.0..=120.0).contains(&check_line.value) {
            let must = "a card's check line of 100 mm is printed between 80 and 120 mm long; give millimetres";
            return Err(MeasureError::Value { name: "the check line (mm)", value: check_line.value, must });
        }
        if request.scale != ScaleKind::Card {
            let must = "only our scale card has a check line: leave it out";
            return Err(MeasureError::Value { name: "the check line (mm)", value: check_line.value, must });
        }
    }
    if let Some(deg) = request.camera_tilt_deg.filter(|deg| !(0.0..=60.0).contains(deg)) {
        let must = "a camera that looks at the ground is tilted by 0 (straight down) to 60 degrees";
        return Err(MeasureError::Value { name: "the camera's tilt (degrees)", value: deg, must });
    }
    match request.floor {
        Floor::InPlane => Ok(()),
        Floor::At { depth_mm, u_depth_mm } => {
            above_zero("the depth's uncertainty (mm)", u_depth_mm)?;
            let fine = depth_mm.abs() <= 200.0;
            let must = "a print's floor lies within 200 mm of the scale; give millimetres, positive downwards";
            if fine { Ok(()) } else { Err(MeasureError::Value { name: "the depth (mm)", value: depth_mm, must }) }
        }
        Floor::UpTo { depth_mm } => above_zero("the greatest depth (mm)", depth_mm),
    }
}

pub(super) fn distances(request: &Request, ruler: &Ruler) -> Result<Vec<Distance>, MeasureError> {
    let named = request.landmarks.distances.iter().map(|names| {
        let point = |name: &String| {
            let point = request.landmarks.photos.iter().find_map(|photo| photo.points.get(name).copied());
            point.ok_or_else(|| LandmarkError::NoSuchPoint { name: name.clone() })
        };
        Ok((point(&names[0])?, point(&names[1])?, Some(names.clone())))
    });
    let marked = request.between.iter().map(|&[from, to]| Ok((from, to, None)));
    let all: Vec<_> = marked.chain(named).collect::<Result<_, LandmarkError>>()?;
    let distance = |(from_px, to_px, names)| {
        let length = ruler.distance(from_px, to_px).ok_or_else(|| ScaleError::Unusable {
            detail: "a distance can't be reckoned: its points lie beyond the plane's horizon".into(),
        })?;
        Ok(Distance { from_px, to_px, names, length })
    };
    all.into_iter().map(distance).collect()
}

/// How well a decimetre in the middle of the picture is known, marking aside.
fn u_relative(ruler: &Ruler, [width, height]: [usize; 2]) -> f64 {
    let middle = [(width as f64 - 1.0) / 2.0, (height as f64 - 1.0) / 2.0];
    let reach = 50.0 * ruler.plane.px_per_mm(middle);
    let length = ruler.plane.length([middle[0] - reach, middle[1]], [middle[0] + reach, middle[1]], ruler.u_click_px);
    (length.u_plane_mm / length.mm).hypot(ruler.u_card).hypot(ruler.u_aslant)
}

impl Warning {
    /// In words.
    pub fn say(&self, words: &Words) -> String {
        match self {
            Self::Tilt { deg } => {
                words.fill("measure.tilt", &[("deg", &format!("{deg:.0}")), ("most", &format!("{MOST_TILT_DEG:.0}"))])
            }
            Self::FewMarkers { found, all } => {
                words.fill("measure.few_markers", &[("found", &found.to_string()), ("all", &all.to_string())])
            }
            Self::Bent { off_mm } => words.fill("measure.bent", &[("mm", &words.number(*off_mm, 2))]),
            Self::OddCamera { percent } => words.fill("measure.odd_camera", &[("percent", &words.number(*percent, 1))]),
            Self::OddFocalLength { times } => {
                words.fill("measure.odd_focal_length", &[("times", &words.number(*times, 2))])
            }
            Self::InPlane => words.say("measure.in_plane").into(),
            Self::NoTiltCorrection { deg, is_stated, short } => {
                let key = if *is_stated { "measure.stated_tilt" } else { "measure.no_tilt_correction" };
                let (deg, percent) = (words.number(*deg, 0), words.number(100.0 * short, 1));
                words.fill(key, &[("deg", &deg), ("percent", &percent)])
            }
            Self::NoFocalLength(why) => no_focal(why, words),
            Self::ShapeOnly => words.say("measure.shape_only").into(),
            Self::Paper => words.say("measure.paper").into(),
            Self::Coin { tilt_deg, thickness_mm } => {
                let (deg, mm) = (words.number(*tilt_deg, 0), words.number(*thickness_mm, 1));
                words.fill("measure.coin", &[("deg", &deg), ("mm", &mm)])
            }
            Self::MarkedOnce { points } => words.count("measure.marked_once", *points),
            Self::MarksDisagree { sigmas } => {
                words.fill("measure.marks_disagree", &[("sigmas", &words.number(*sigmas, 1))])
            }
            Self::GroundOff { depth_mm } => {
                let key = if *depth_mm > 0.0 { "measure.ground_below" } else { "measure.ground_above" };
                words.fill(key, &[("mm", &words.number(depth_mm.abs(), 0))])
            }
            Self::AboveCard { mm } => words.fill("measure.above_card", &[("mm", &words.number(*mm, 0))]),
        }
    }
}

fn no_focal(why: &NoFocal, words: &Words) -> String {
    match why {
        NoFocal::NotStated => words.say("measure.no_focal_length").into(),
        NoFocal::Zoomed { ratio } => words.fill("measure.zoomed", &[("ratio", &words.number(*ratio, 1))]),
        NoFocal::Resized { width_px, height_px } => {
            words.fill("measure.resized", &[("width", &width_px.to_string()), ("height", &height_px.to_string())])
        }
        NoFocal::OtherFrame => words.say("measure.other_frame").into(),
    }
}

impl Measurement {
    /// A view of the ground around the print that makes faint pads visible, from straight above, three pixels a millimetre.
    /// As a PNG file.
    ///
    /// # Errors
    /// When the encoder fails, which it has no reason to.
    pub fn relief_png(&self, photo: &Photo) -> Result<Vec<u8>, image::ImageError> {
        let (ground, light) = self.look(photo);
        let deg = light.axis.map(|(deg, _)| deg).or(light.from_deg);
        let view = relief::relief_view(&ground.rectified(), deg.map(|deg| ground.to_plane(deg)));
        let mut png = std::io::Cursor::new(Vec::new());
        view.write_to(&mut png, image::ImageFormat::Png)?;
        Ok(png.into_inner())
    }

    /// The edge of the pad that was touched at a point of this photograph (px, up to 5 mm off the pad's middle); `None` where
    /// no pad is seen. It is no measure until a person confirms it.
    pub fn snap(&self, photo: &Photo, touch_px: [f64; 2]) -> Option<PadEdge> {
        let (ground, light) = self.look(photo);
        ground.snap(&light, touch_px)
    }

    fn look<'a>(&'a self, photo: &'a Photo) -> (GroundView<'a>, Light) {
        let ground = GroundView { luma: &photo.luma, plane: &self.plane, card: self.card };
        (ground, self.ground.as_ref().map(|ground| ground.light).unwrap_or_default())
    }

    /// The document that `rakelight measure --json` prints for this photograph.
    pub fn to_json(&self, photo: &Photo, words: &Words) -> Value {
        let [width, height] = self.size_px;
        let middle = [(width as f64 - 1.0) / 2.0, (height as f64 - 1.0) / 2.0];
        let position = photo.taken.position;
        let mut document = json!({
            "photo": {
                "sha256": self.sha256,
                "width_px": width,
                "height_px": height,
                "taken": photo.taken.time.map(|(time, _)| time.to_rfc3339()),
                "lat": position.map(|p| p.lat),
                "lon": position.map(|p| p.lon),
            },
            "scale": {
                "kind": self.scale.name(),
                "card": self.card.map(|card| card.name),
                "check_line_mm": self.check_line.map(|line| line.value),
                "u_check_line_mm": self.check_line.map(|line| line.u),
                "px_per_mm_at_centre": self.plane.px_per_mm(middle),
                "tilt_deg": self.stance.map(|s| s.tilt_deg),
                "height_mm": self.stance.map(|s| s.height_mm),
                "u_relative": self.u_relative,
                "corners_px": self.corners_px,
            },
            "px_to_mm": self.plane.px_to_mm(),
            "distances": self.distances.iter().map(Distance::to_json).collect::<Vec<_>>(),
            "prints": self.prints.iter().map(PrintMeasure::to_json).collect::<Vec<_>>(),
            "warnings": self.warnings.iter().map(|w| w.say(words)).collect::<Vec<_>>(),
        });
        if let (Some(map), Some(ground)) = (document.as_object_mut(), &self.ground) {
            map.insert("light".into(), ground.light.to_json());
            map.insert("proposals".into(), ground.proposals.iter().map(|pad| pad.to_json()).collect());
        }
        let feet = feet::feet(&self.prints);
        if let (Some(map), false) = (document.as_object_mut(), feet.is_empty()) {
            map.insert("feet".into(), feet.iter().map(FootMeasure::to_json).collect());
        }
        if let (Some(map), Some(marking)) = (document.as_object_mut(), self.marking) {
            map.insert("marking".into(), json!(marking));
        }
        if let (Some(map), false) = (document.as_object_mut(), self.points.is_empty()) {
            let points: Map<_, _> = self.points.iter().map(|(name, point)| (name.clone(), point.to_json())).collect();
            map.insert("points_mm".into(), Value::Object(points));
        }
        if let (Some(map), false) = (document.as_object_mut(), self.cameras.is_empty()) {
            map.insert("photos".into(), self.cameras.iter().map(Camera::to_json).collect());
        }
        document
    }
}

impl Distance {
    fn to_json(&self) -> Value {
        let mut map = Map::new();
        if let Some([from, to]) = &self.names {
            map.insert("from".into(), json!(from));
            map.insert("to".into(), json!(to));
        }
        map.insert("from_px".into(), json!(self.from_px));
        map.insert("to_px".into(), json!(self.to_px));
        map.insert("length_mm".into(), json!(self.length.mm.value));
        map.insert("u_length_mm".into(), json!(self.length.mm.u));
        Value::Object(map)
    }
}

impl PointMeasure {
    fn to_json(self) -> Value {
        let ([x, y], [u_x, u_y]) = (self.mm, self.u_mm);
        json!({"x": x, "y": y, "z": self.depth.map(|d| d.value), "u_x": u_x, "u_y": u_y, "u_z": self.depth.map(|d| d.u)})
    }
}

impl FootMeasure {
    fn to_json(&self) -> Value {
        let mut map = Map::new();
        map.insert("foot".into(), json!(self.foot));
        map.insert("side".into(), json!(self.side));
        map.insert("prints".into(), json!(self.prints));
        let means = [
            ("width_mm", self.width),
            ("length_without_heel_mm", self.length_without_heel),
            ("length_with_heel_mm", self.length_with_heel),
        ];
        for (name, mean) in means {
            map.insert(name.into(), json!(mean.map(|mean| mean.mm.value)));
            map.insert(format!("u_{name}"), json!(mean.map(|mean| mean.mm.u)));
            map.insert(format!("spread_{name}"), json!(mean.map(|mean| mean.spread_mm)));
        }
        Value::Object(map)
    }
}

impl PrintMeasure {
    /// The print as it stands in the JSON of `measure` and `visit`.
    pub fn to_json(&self) -> Value {
        let mut map = Map::new();
        map.insert("id".into(), json!(self.id));
        map.insert("foot".into(), json!(self.foot));
        map.insert("side".into(), json!(self.side));
        let mut parts = Map::new();
        for (name, dimension) in self.dimensions() {
            map.insert(name.into(), json!(dimension.map(|d| d.mm.value)));
            map.insert(format!("u_{name}"), json!(dimension.map(|d| d.mm.u)));
            if let Some(dimension) = dimension {
                parts.insert(name.into(), json!(dimension.parts));
            }
        }
        if let Some(depth) = self.depth {
            map.insert("depth_mm".into(), json!(depth.value));
            map.insert("u_depth_mm".into(), json!(depth.u));
        }
        map.insert("toes_seen".into(), json!(self.toes_seen));
        map.insert("parts".into(), Value::Object(parts));
        Value::Object(map)
    }

    /// The three dimensions by their names in JSON.
    pub fn dimensions(&self) -> [(&'static str, Option<Dimension>); 3] {
        [
            ("width_mm", self.width),
            ("length_without_heel_mm", self.length_without_heel),
            ("length_with_heel_mm", self.length_with_heel),
        ]
    }
}
