//! A trail's prints as they were marked in photographs.

use serde::{Deserialize, Serialize};

use super::join::{Frame, FramePrint, JoinError, PlacedPrints, Shared, join};
use super::{TrailPrint, TrailPrints, Travel};
use crate::photo::Photo;
use crate::print::{self, Foot, MeasureError, PhotoPoints, Request, ScaleKind, Side, StatedScale, Warning};
use crate::scale::KnownError;

/// A print marked in a photograph, always by the same point of the print (the front edge of its middle pad, or its middle).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MarkedPrint {
    /// Its name: the same in every photograph that shows it.
    pub id: String,
    /// Where, px of the upright picture.
    pub at_px: [f64; 2],
    /// Fore or hind, if known.
    #[serde(default)]
    pub foot: Foot,
    /// Left or right, if known.
    #[serde(default)]
    pub side: Side,
}

/// One photograph of a trail.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TrailPhoto {
    /// The file's name.
    pub file: String,
    /// Any name for where the card lay: photographs with the same one were taken while it lay still.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub card: Option<String>,
    /// What gives the scale; our card where nothing is said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scale: Option<StatedScale>,
    /// At least one.
    pub prints: Vec<MarkedPrint>,
}

/// All photographs of a trail.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TrailPhotos {
    /// At least one; where the first one's card lies is the origin.
    pub photos: Vec<TrailPhoto>,
    /// Standard uncertainty of each coordinate of a mark, px, above zero.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub u_px: Option<f64>,
    /// Which way the animal went, by the toes: from the first print listed to the last, or the other way.
    #[serde(default, skip_serializing_if = "Travel::is_unknown")]
    pub travel: Travel,
    /// Whether marks of tail or belly run along; not there where nobody looked.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drag_mark: Option<bool>,
}

/// What a trail is read from: prints along a tape, or prints marked in photographs.
///
/// ```
/// use rakelight_core::trail::TrailMarks;
/// let by_tape = r#"{"prints": [{"along_cm": 0, "offset_cm": 3}, {"along_cm": 31, "offset_cm": -3}], "u_position_cm": 1}"#;
/// assert!(matches!(serde_json::from_str(by_tape)?, TrailMarks::Tape(_)));
/// let marked = r#"{"photos": [{"file": "a.jpg", "prints": [{"id": "p1", "at_px": [10, 20]}]}], "u_px": 2}"#;
/// assert!(matches!(serde_json::from_str(marked)?, TrailMarks::Photos(_)));
/// # Ok::<(), serde_json::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(try_from = "Stated")]
pub enum TrailMarks {
    /// Along a tape.
    Tape(TrailPrints),
    /// In photographs.
    Photos(TrailPhotos),
}

/// Either of them as the file states it.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Stated {
    prints: Option<Vec<TrailPrint>>,
    u_position_cm: Option<f64>,
    photos: Option<Vec<TrailPhoto>>,
    u_px: Option<f64>,
    #[serde(default)]
    travel: Travel,
    azimuth_deg: Option<f64>,
    drag_mark: Option<bool>,
}

impl TryFrom<Stated> for TrailMarks {
    type Error = &'static str;

    fn try_from(stated: Stated) -> Result<Self, Self::Error> {
        let Stated { travel, azimuth_deg, drag_mark, .. } = stated;
        match (stated.prints, stated.u_position_cm, stated.photos, stated.u_px) {
            (Some(prints), Some(u_position_cm), None, None) => {
                Ok(Self::Tape(TrailPrints { prints, u_position_cm, travel, azimuth_deg, drag_mark }))
            }
            (None, None, Some(_), _) if azimuth_deg.is_some() => {
                Err("azimuth_deg is a tape's: leave it out beside photos")
            }
            (None, None, Some(photos), u_px) => Ok(Self::Photos(TrailPhotos { photos, u_px, travel, drag_mark })),
            (Some(_), None, None, None) => {
                Err("missing field `u_position_cm`: the standard uncertainty of a position, cm")
            }
            (None, _, None, _) => Err("missing field `prints` (along a tape, with `u_position_cm`), or `photos`"),
            _ => Err("give `prints` and `u_position_cm` (along a tape), or `photos` and `u_px`, not both"),
        }
    }
}

/// Why photographs give no trail.
#[derive(Debug, thiserror::Error)]
pub enum PhotosError {
    /// A file that can't be used.
    #[error("{file}: {why}")]
    File {
        /// Which.
        file: String,
        /// What is wrong and what to do.
        why: String,
    },
    /// One photograph that gives no places.
    #[error("{file}: {error}")]
    Measure {
        /// Which.
        file: String,
        /// What is wrong.
        error: MeasureError,
    },
    /// A position of something that isn't our card.
    #[error(
        "{file}: only our scale card marks a place on the ground by itself: leave `card` out, and mark two prints that its neighbour shows too"
    )]
    NotACard {
        /// Which.
        file: String,
    },
    /// Photographs that don't go together.
    #[error(transparent)]
    Join(#[from] JoinError),
}

/// A trail's prints placed by photographs.
#[derive(Debug, Clone)]
pub struct Placed {
    /// Where they lie.
    pub prints: PlacedPrints,
    /// What to know about each photograph, with its name.
    pub of_photos: Vec<(String, Warning)>,
}

impl TrailPhoto {
    /// What is to be measured in it: its prints as points, by its scale.
    ///
    /// # Errors
    /// A coin that isn't known.
    pub fn request(&self) -> Result<Request, KnownError> {
        let points = self.prints.iter().map(|print| (print.id.clone(), print.at_px)).collect();
        let mut request = Request {
            scale: self.scale.as_ref().map_or(Ok(ScaleKind::Card), StatedScale::kind)?,
            ..Request::default()
        };
        request.landmarks.photos = vec![PhotoPoints { file: self.file.clone(), points }];
        Ok(request)
    }
}

impl TrailPhotos {
    /// Places all prints in one plane. `open` gives each photograph in turn, with its [`TrailPhoto::request`], in which it may have
    /// changed what it knows better (check line, depth).
    ///
    /// # Errors
    /// What `open` refuses, a photograph without a scale, a mark outside a picture, and what [`join`] refuses.
    pub fn place(
        &self,
        mut open: impl FnMut(&TrailPhoto) -> Result<(Photo, Request), String>,
    ) -> Result<Placed, PhotosError> {
        let (mut frames, mut of_photos) = (Vec::new(), Vec::new());
        for photo in &self.photos {
            let file = || photo.file.clone();
            let (picture, mut request) = open(photo).map_err(|why| PhotosError::File { file: file(), why })?;
            if photo.card.is_some() && request.scale != ScaleKind::Card {
                return Err(PhotosError::NotACard { file: file() });
            }
            request.landmarks.u_px = self.u_px;
            let places =
                print::places(&picture, &request).map_err(|error| PhotosError::Measure { file: file(), error })?;
            of_photos.extend(places.warnings.iter().map(|warning| (file(), *warning)));
            let mut names: Vec<&str> = photo.prints.iter().map(|print| print.id.as_str()).collect();
            names.sort_unstable();
            if let Some(pair) = names.windows(2).find(|pair| pair[0] == pair[1]) {
                return Err(JoinError::PrintTwice { photo: file(), print: pair[0].to_owned() }.into());
            }
            // Places come in the order of the names; prints stay in the order in which they were listed.
            let place = |print: &MarkedPrint| names.binary_search(&print.id.as_str()).unwrap_or_default();
            let coordinates: Vec<usize> = photo.prints.iter().flat_map(|p| [2 * place(p), 2 * place(p) + 1]).collect();
            let prints = photo.prints.iter().map(|print| FramePrint {
                id: print.id.clone(),
                at_mm: places.points.at_mm[place(print)],
                foot: print.foot,
                side: print.side,
            });
            frames.push(Frame {
                photo: file(),
                card: photo.card.clone(),
                prints: prints.collect(),
                covariance_mm2: places.points.covariance_mm2.select_rows(&coordinates).select_columns(&coordinates),
                shared: vec![Shared { cause: places.lens, by_mm: places.points.by_lens_mm.select_rows(&coordinates) }],
                scale: places.scale,
                u_scale: places.u_scale,
            });
        }
        Ok(Placed { prints: join(&frames)?, of_photos })
    }
}

impl PlacedPrints {
    /// The places as if along a tape that lies along the first photograph's x axis, its left positive: for the record.
    pub fn as_along_tape(&self, travel: Travel, drag_mark: Option<bool>) -> TrailPrints {
        let print = |(at_mm, (foot, side)): (&[f64; 2], &(Foot, Side))| TrailPrint {
            along_cm: at_mm[0] / 10.0,
            offset_cm: at_mm[1] / 10.0,
            foot: *foot,
            side: *side,
        };
        let prints = self.at_mm.iter().zip(&self.marks).map(print).collect();
        TrailPrints {
            prints,
            u_position_cm: self.u_beside_neighbours_mm() / 10.0,
            travel,
            drag_mark,
            azimuth_deg: None,
        }
    }

    /// How well a coordinate is known beside the nearest print's, mm: root mean square of half the variance of their distance in both
    /// directions.
    pub(super) fn u_beside_neighbours_mm(&self) -> f64 {
        let c = &self.covariance_mm2;
        let between = |a: usize, b: usize| c[(a, a)] + c[(b, b)] - 2.0 * c[(a, b)];
        let n = self.at_mm.len();
        let apart =
            |i: usize, j: usize| (self.at_mm[i][0] - self.at_mm[j][0]).hypot(self.at_mm[i][1] - self.at_mm[j][1]);
        let variance = |i: usize| {
            let others = (0..n).filter(|&j| j != i);
            let nearest = others.min_by(|&a, &b| apart(i, a).total_cmp(&apart(i, b)))?;
            Some((between(2 * i, 2 * nearest) + between(2 * i + 1, 2 * nearest + 1)) / 4.0)
        };
        ((0..n).filter_map(variance).sum::<f64>() / n as f64).max(0.0).sqrt().max(1e-3)
    }
}
