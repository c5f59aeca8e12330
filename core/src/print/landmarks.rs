//! What a person marked in a photograph, as contract and files have it.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// Which pair of feet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Foot {
    /// A front foot.
    Fore,
    /// A back foot.
    Hind,
    /// Not known.
    #[default]
    Unknown,
}

/// Which side of the animal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// Its left.
    Left,
    /// Its right.
    Right,
    /// Not known.
    #[default]
    Unknown,
}

/// Landmarks of one or more photographs. Pixels of the upright picture: x right, y down, the first pixel's centre is (0, 0).
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Landmarks {
    /// How well a point was marked (standard uncertainty of each coordinate), px.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub u_px: Option<f64>,
    /// Points by name, photograph by photograph.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub photos: Vec<PhotoPoints>,
    /// Prints with their points.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub prints: Vec<PrintMarks>,
    /// Pairs of names in `photos` between which a distance is wanted.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub distances: Vec<[String; 2]>,
}

/// Freely named points in one photograph.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PhotoPoints {
    /// The photograph's base name.
    pub file: String,
    /// Name → (x, y), px.
    pub points: BTreeMap<String, [f64; 2]>,
}

/// One print with the points that its dimensions are made from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PrintMarks {
    /// Its name within the photograph.
    pub id: String,
    /// Fore or hind, if known.
    #[serde(default)]
    pub foot: Foot,
    /// Left or right, if known.
    #[serde(default)]
    pub side: Side,
    /// The photograph's base name; may be left out where there is one photograph only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub photo: Option<String>,
    /// `toe_N_tip`, `toe_N_rear`, `claw_N` (N = 1–5, 1 is the inner one), `widest_left`, `widest_right`, `pad_rear`, `heel_rear`, px.
    pub points: BTreeMap<String, [f64; 2]>,
}

/// What is wrong with a file of landmarks.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LandmarkError {
    /// Not the shape that is expected.
    #[error("the landmarks can't be read: {detail}")]
    Unreadable {
        /// What and where.
        detail: String,
    },
    /// A point that no dimension knows.
    #[error(
        "print {print}: no landmark is called {name:?}; there are toe_N_tip, toe_N_rear and claw_N (N from 1, the inner one, to 5), widest_left, widest_right, pad_rear, heel_rear"
    )]
    UnknownPoint {
        /// Which print.
        print: String,
        /// The name.
        name: String,
    },
    /// A point that isn't in the picture.
    #[error("{whose}: the point {name} at ({x}, {y}) lies outside the picture of {width} × {height} pixels")]
    OutsidePicture {
        /// Which print or photograph.
        whose: String,
        /// The point.
        name: String,
        /// px.
        x: f64,
        /// px.
        y: f64,
        /// px.
        width: usize,
        /// px.
        height: usize,
    },
    /// A distance from or to a point that isn't there.
    #[error("a distance is asked from or to {name:?}, but no point of that name is marked in this photograph")]
    NoSuchPoint {
        /// The name.
        name: String,
    },
    /// Points in an order that no foot has.
    #[error("print {print}: {rear} lies in front of the toe tips, so points were mixed up: mark them again")]
    Crossed {
        /// Which print.
        print: String,
        /// The point at the rear.
        rear: &'static str,
    },
    /// Several photographs, and a print that doesn't say in which it was marked.
    #[error("print {print} doesn't say in which photograph it was marked: give `photo` with the file's name")]
    WhichPhoto {
        /// Which print.
        print: String,
    },
    /// Two prints of one name.
    #[error("two prints are called {print:?}: give each its own name")]
    Doubled {
        /// The name.
        print: String,
    },
}

impl Landmarks {
    /// Reads the JSON that [the contract](../../fixtures/schema/landmarks.schema.json) describes.
    ///
    /// ```
    /// use rakelight_core::print::Landmarks;
    /// let file = r#"{"prints": [{"id": "h1", "foot": "hind", "points": {"pad_rear": [10, 20]}}]}"#;
    /// assert_eq!(Landmarks::from_json(file).unwrap().prints[0].points["pad_rear"], [10.0, 20.0]);
    /// assert!(Landmarks::from_json(r#"{"printz": []}"#).unwrap_err().to_string().contains("printz"));
    /// ```
    pub fn from_json(text: &str) -> Result<Self, LandmarkError> {
        serde_json::from_str(text).map_err(|e| LandmarkError::Unreadable { detail: e.to_string() })
    }

    /// What is marked in the photograph of this base name, or in no named one.
    pub fn of_photo(mut self, file: &str) -> Self {
        self.photos.retain(|photo| photo.file == file);
        self.prints.retain(|print| print.photo.as_deref().is_none_or(|photo| photo == file));
        self
    }

    /// Refuses unknown and doubled names and points outside a picture of this size.
    pub(super) fn check(&self, width: usize, height: usize) -> Result<(), LandmarkError> {
        for (i, print) in self.prints.iter().enumerate() {
            if self.prints[..i].iter().any(|other| other.id == print.id && other.photo == print.photo) {
                return Err(LandmarkError::Doubled { print: print.id.clone() });
            }
            if let Some(name) = print.points.keys().find(|name| !is_landmark(name)) {
                return Err(LandmarkError::UnknownPoint { print: print.id.clone(), name: name.clone() });
            }
        }
        let prints = self.prints.iter().map(|print| (format!("print {}", print.id), &print.points));
        let photos = self.photos.iter().map(|photo| (photo.file.clone(), &photo.points));
        for (whose, points) in prints.chain(photos) {
            let inside = |[x, y]: [f64; 2]| {
                (-0.5..=width as f64 - 0.5).contains(&x) && (-0.5..=height as f64 - 0.5).contains(&y)
            };
            if let Some((name, &[x, y])) = points.iter().find(|(_, p)| !inside(**p)) {
                return Err(LandmarkError::OutsidePicture { whose, name: name.clone(), x, y, width, height });
            }
        }
        Ok(())
    }
}

fn is_landmark(name: &str) -> bool {
    let toe = |n: &str| matches!(n, "1" | "2" | "3" | "4" | "5");
    match name {
        "widest_left" | "widest_right" | "pad_rear" | "heel_rear" => true,
        _ => {
            name.strip_prefix("claw_").is_some_and(toe)
                || name
                    .strip_prefix("toe_")
                    .and_then(|rest| rest.split_once('_'))
                    .is_some_and(|(n, end)| toe(n) && matches!(end, "tip" | "rear"))
        }
    }
}

impl PrintMarks {
    /// The toe tips by name, inner one first, px.
    pub(super) fn tips(&self) -> impl Iterator<Item = (&str, [f64; 2])> {
        let tip = |name: &str| name.starts_with("toe_") && name.ends_with("_tip");
        self.points.iter().filter(move |(name, _)| tip(name)).map(|(name, p)| (name.as_str(), *p))
    }

    /// The tip that lies farthest from a rear point, px.
    pub fn foremost_tip(&self, rear: [f64; 2]) -> Option<[f64; 2]> {
        let distance = |p: &[f64; 2]| (p[0] - rear[0]).hypot(p[1] - rear[1]);
        self.tips().map(|(_, px)| px).max_by(|a, b| distance(a).total_cmp(&distance(b)))
    }

    /// How many toes were marked, by tip or rear edge.
    pub fn toes_marked(&self) -> usize {
        (1..=5)
            .filter(|n| ["tip", "rear"].iter().any(|end| self.points.contains_key(&format!("toe_{n}_{end}"))))
            .count()
    }
}
