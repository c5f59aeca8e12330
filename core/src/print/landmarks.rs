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
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
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
    /// Tells repeated marks of one print apart: who marked it, the how manieth time. Any short text.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub round: Option<String>,
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
    #[error(
        "two prints are called {print:?}: give each its own name, or, if one print was marked again, each its own `round`"
    )]
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

    /// The same, with this name for the photograph of prints that name none.
    pub fn in_photo(mut self, file: &str) -> Self {
        self.prints.iter_mut().for_each(|print| _ = print.photo.get_or_insert_with(|| file.into()));
        self
    }

    /// Takes in what is marked in another photograph.
    pub fn add(&mut self, other: Self) {
        self.u_px = other.u_px.into_iter().chain(self.u_px).reduce(f64::max);
        self.photos.extend(other.photos);
        self.prints.extend(other.prints);
        let known = |pair: &[String; 2]| self.distances.contains(pair);
        let new: Vec<_> = other.distances.into_iter().filter(|pair| !known(pair)).collect();
        self.distances.extend(new);
    }

    /// Refuses unknown and doubled names and points outside a picture of this size.
    pub(super) fn check(&self, width: usize, height: usize) -> Result<(), LandmarkError> {
        for (i, print) in self.prints.iter().enumerate() {
            let same = |other: &PrintMarks| other.id == print.id && other.photo == print.photo;
            if self.prints[..i].iter().any(|other| {
                same(other) && (print.round.is_none() || other.round.is_none() || other.round == print.round)
            }) {
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

/// How well points were marked, by marking them again.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Marking {
    /// How often each print was marked, at least.
    pub rounds: usize,
    /// Standard deviation of one mark's coordinate, px.
    pub u_one_px: f64,
}

/// A print with all marks of each of its points, and how often it was marked.
struct Repeated {
    print: PrintMarks,
    marks: BTreeMap<String, Vec<[f64; 2]>>,
    rounds: usize,
}

impl Landmarks {
    /// Repeated marks of a print as one: each point where the mean of its marks lies, and `u_px` from how they scatter, which
    /// tells better than anyone's guess (JCGM 100:2008, 4.2, with the variance pooled over all points; the mean of n is better
    /// by √n). Where too little was marked again for that, `u_px` stays as stated.
    pub fn averaged(self) -> (Self, Option<Marking>) {
        /// Fewer repetitions than this (degrees of freedom) don't tell a spread: it would be known to ±35 % only.
        const LEAST_FREEDOM: usize = 4;
        let prints = repeated(&self.prints);
        let mean = |marks: &[[f64; 2]]| [0, 1].map(|k| marks.iter().map(|px| px[k]).sum::<f64>() / marks.len() as f64);
        let (mut squares, mut freedom) = (0.0, 0);
        for marks in prints.iter().flat_map(|print| print.marks.values()) {
            let middle = mean(marks);
            squares += marks.iter().map(|px| (px[0] - middle[0]).powi(2) + (px[1] - middle[1]).powi(2)).sum::<f64>();
            freedom += 2 * (marks.len() - 1);
        }
        let marked_once = self.photos.iter().any(|photo| !photo.points.is_empty()).then_some(1);
        let rounds = prints.iter().map(|print| print.rounds).chain(marked_once).min().unwrap_or(1);
        let marking = (freedom >= LEAST_FREEDOM && squares > 0.0)
            .then(|| Marking { rounds, u_one_px: (squares / freedom as f64).sqrt() });
        let averaged = prints.into_iter().map(|Repeated { print, marks, .. }| {
            let points = marks.into_iter().map(|(name, marks)| (name, mean(&marks))).collect();
            PrintMarks { points, ..print }
        });
        let u_px = marking.map_or(self.u_px, |marking| Some(marking.u_one_px / (rounds as f64).sqrt()));
        (Self { u_px, prints: averaged.collect(), ..self }, marking)
    }
}

/// The marks print by print, in the order of their first appearance.
fn repeated(prints: &[PrintMarks]) -> Vec<Repeated> {
    let mut all: Vec<Repeated> = Vec::new();
    for marks in prints {
        let known = all.iter().position(|other| other.print.id == marks.id && other.print.photo == marks.photo);
        let at = known.unwrap_or_else(|| {
            let print = PrintMarks { round: None, ..marks.clone() };
            all.push(Repeated { print, marks: BTreeMap::new(), rounds: 0 });
            all.len() - 1
        });
        all[at].rounds += 1;
        for (name, px) in &marks.points {
            all[at].marks.entry(name.clone()).or_default().push(*px);
        }
    }
    all
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

#[cfg(test)]
mod tests {
    use super::*;

    fn round(name: &str, [x, y]: [f64; 2]) -> PrintMarks {
        let points = [("widest_left", [100.0 + x, 200.0 + y]), ("widest_right", [700.0 - x, 200.0 - y])];
        let points = points.map(|(name, px)| (name.to_owned(), px)).into();
        PrintMarks { id: "h1".into(), round: Some(name.into()), points, ..PrintMarks::default() }
    }

    #[test]
    fn marks_that_were_repeated_tell_their_own_spread() {
        let prints = vec![round("Ada 1", [1.0, 0.0]), round("Ada 2", [-1.0, 2.0]), round("Ben", [0.0, -2.0])];
        let (landmarks, marking) = Landmarks { u_px: Some(9.0), prints, ..Landmarks::default() }.averaged();
        // Both points stray by (1, 0), (−1, 2), (0, −2): squares of 1 + 5 + 4 each, over 2 · 2 · (3 − 1) degrees of freedom.
        let s = (20.0_f64 / 8.0).sqrt();
        assert_eq!(marking, Some(Marking { rounds: 3, u_one_px: s }));
        assert!((landmarks.u_px.unwrap() - s / 3.0_f64.sqrt()).abs() < 1e-12);
        let [print] = landmarks.prints.as_slice() else { panic!("one print") };
        assert_eq!(print.points["widest_left"], [100.0, 200.0]);
    }

    #[test]
    fn one_point_marked_twice_tells_no_spread_but_is_averaged() {
        let mut twice = vec![round("1", [1.0, 0.0]), round("2", [-1.0, 0.0])];
        twice.iter_mut().for_each(|print| _ = print.points.remove("widest_right"));
        let (landmarks, marking) = Landmarks { u_px: Some(1.5), prints: twice, ..Landmarks::default() }.averaged();
        assert_eq!((marking, landmarks.u_px), (None, Some(1.5)));
        assert_eq!(landmarks.prints[0].points["widest_left"], [100.0, 200.0]);
    }

    #[test]
    fn two_prints_of_one_name_are_refused_unless_one_print_was_marked_again() {
        let check = |rounds: [Option<&str>; 2]| {
            let prints =
                rounds.map(|name| PrintMarks { round: name.map(str::to_owned), ..round("", [0.0; 2]) }).to_vec();
            Landmarks { prints, ..Landmarks::default() }.check(1000, 1000)
        };
        assert!(check([Some("1"), Some("2")]).is_ok());
        for same in [[None, None], [Some("1"), None], [Some("1"), Some("1")]] {
            assert_eq!(check(same), Err(LandmarkError::Doubled { print: "h1".into() }), "{same:?}");
        }
    }
}
