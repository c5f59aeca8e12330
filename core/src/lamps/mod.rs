//! Relief from three or more photographs of one print under a lamp that was moved around it; two give a shading view.
//!
//! The card makes the photographs comparable: it gives the plane, and its grey the brightness ([`level`](self)). What lies below the card is
//! laid over each other by the ground itself (`align`), normals come from photometric stereo (`normals`), heights from the normals (`depth`).
//!
//! Millimetres in the card's frame: x right, y down as the card is drawn; heights up from the mean of the ground that is seen. All heights
//! share one factor, which is as uncertain as the lamps' elevations are: at low lamps it goes with their tangent.

mod align;
mod depth;
mod lamp;
mod level;
mod normals;
mod report;
mod trend;
mod view;

use nalgebra::{SVector, Vector3};

use crate::measured::{Measured, combine};
use crate::photo::{Luma, Photo};
use crate::relief::field::Field;
use crate::relief::rectify::{CARD_MARGIN_MM, mean_light};
use crate::relief::{Rectified, Window};
use crate::scale::{self, CardFound, ScaleError};
use align::{Offset, Shading};
use depth::Slopes;
use level::Level;
use normals::Reading;
use trend::robust;

pub use lamp::{Lamp, StatedDirection, StatedLamp};

/// Why there is no relief; each says what to do.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LampError {
    /// One photograph.
    #[error(
        "one photograph gives no relief by lamps: take three or more with the lamp moved around the print and the card lying still (two give a shading view only)"
    )]
    TooFew,
    /// Lamps and photographs don't match.
    #[error(
        "there are {lamps} lamps for {photographs} photographs: give one --lamp for each photograph, in their order"
    )]
    Count {
        /// Lamps.
        lamps: usize,
        /// Photographs.
        photographs: usize,
    },
    /// No card.
    #[error(transparent)]
    Scale(#[from] ScaleError),
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
    /// The peg's shadow says nothing.
    #[error(
        "the peg's shadow is {long_mm:.1} mm long, too short to tell the lamp's direction: mark the middle of the peg's foot and the tip of its shadow, or type the direction"
    )]
    ShortShadow {
        /// mm.
        long_mm: f64,
    },
    /// Another card than the first photograph's.
    #[error("it shows another scale card than the first photograph: all must show the same card, lying still")]
    OtherCard,
    /// The card's grey isn't seen.
    #[error(
        "too little of the card's grey is seen to read the brightness from: keep the whole card in the picture and uncovered"
    )]
    NoGrey,
    /// Too dark.
    #[error("the card is too dark to read the brightness from: expose longer or bring the lamp nearer")]
    Dark,
    /// Too bright.
    #[error("the card's grey is burnt out: expose shorter or take the lamp further away")]
    Burnt,
    /// Lamps on one line.
    #[error(
        "the lamps stand nearly in one line over the print (condition number {condition:.0}, at most {most:.0}): move the lamp around, such as to 0°, 120° and 240°"
    )]
    OneLine {
        /// Of the lamps' directions.
        condition: f64,
        /// What is allowed.
        most: f64,
    },
    /// Two lamps at one place.
    #[error(
        "both lamps stand in the same direction ({apart_deg:.0}° apart): move the lamp around the print between the photographs"
    )]
    SamePlace {
        /// Degrees.
        apart_deg: f64,
    },
    /// Doesn't lie over the others.
    #[error(
        "it can't be laid over the other photographs (correlation {correlation:.2}, at least {least:.2}): check its lamp's direction, and that card and ground didn't move",
        least = align::LEAST_CORRELATION
    )]
    Apart {
        /// The best with any other.
        correlation: f64,
    },
    /// The ground moved.
    #[error(
        "its ground lies {off_mm:.1} mm beside that of the first photograph, more than {most:.0} mm: the card moved between the photographs, take them again",
        most = align::MOST_APART_MM
    )]
    Moved {
        /// mm.
        off_mm: f64,
    },
    /// Nothing left.
    #[error("too little ground is lit in the photographs: hold the lamp higher or nearer")]
    NoGround,
    /// In one of the photographs.
    #[error("{file}: {error}")]
    In {
        /// Which.
        file: String,
        /// What is wrong in it.
        error: Box<LampError>,
    },
}

/// A photograph's lamp, and how its ground lay.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lit {
    /// The lamp in the card's frame.
    pub lamp: Lamp,
    /// Direction towards it in this photograph, degrees clockwise from its +x, 0 ≤ … < 360.
    pub azimuth_in_picture_deg: f64,
    /// Where its ground lay beside that of the first photograph after both were brought into the card's plane, mm along x and y.
    pub offset_mm: [f64; 2],
    /// Standard uncertainty of each coordinate of that, mm.
    pub u_offset_mm: f64,
    /// By how much what is higher lay further aside, mm along x and y a millimetre.
    pub parallax: [f64; 2],
    /// Correlation of its shading with that of the photograph it fits best, 0–1.
    pub correlation: f64,
}

/// The ground's shape.
#[derive(Debug, Clone)]
pub struct Surface {
    /// Unit normals, row by row: x, y, up. Zero where nothing is known.
    pub normals: Vec<[f32; 3]>,
    /// Heights above the plane that lies best in the ground seen, mm, row by row; zero where there is no ground.
    pub height_mm: Vec<f32>,
    /// Reflectance, row by row.
    pub reflectance: Vec<f32>,
    /// How many lamps lit each place, row by row.
    pub lit: Vec<u8>,
    /// Condition number of the lamps' directions.
    pub condition: f64,
    /// Relative standard uncertainty of all heights' common factor.
    pub u_factor: f64,
    /// Share of the ground that fewer than three lamps lit.
    pub in_shadow: f64,
    /// From the second to the ninety-eighth percentile of the heights, mm.
    pub range_mm: Option<Measured>,
}

/// What photographs under several lamps show of the ground.
#[derive(Debug, Clone)]
pub struct Relief {
    /// What is shown.
    pub window: Window,
    /// Columns and rows.
    pub size: [usize; 2],
    /// 1 where ground is seen in every photograph.
    pub ground: Vec<f32>,
    /// The photographs in their order.
    pub lit: Vec<Lit>,
    /// Three or more photographs give the ground's shape.
    pub surface: Option<Surface>,
    /// The shading itself: the first two photographs' difference over their sum.
    shading: Vec<f32>,
}

/// Larger condition numbers are refused, and warned about.
const MOST_CONDITION: f64 = 25.0;
const HIGH_CONDITION: f64 = 8.0;
/// Two lamps closer together shade alike, degrees.
const LEAST_APART_DEG: f64 = 20.0;
/// The reflectance around a place is its mean over this far, mm.
const AROUND_MM: f64 = 10.0;
/// Brightness that changes as slowly as a plane or a bowl over the window isn't relief: so many terms, looked for at every so many pixels.
const TERMS: usize = 6;
const EVEN_STEP: usize = 4;
/// How much slopes count where three lamps, two, one or none lit the place.
const WEIGHTS: [f64; 4] = [0.01, 0.2, 0.5, 1.0];
/// What the lamps' elevations don't show of the factor's doubt: bounced light, shadows, ground that isn't matt (standard
/// uncertainty; found on rendered pictures).
const U_FACTOR: f64 = 0.17;
/// The same of a range of heights, mm.
const U_RANGE_MM: f64 = 0.2;

/// One photograph made ready.
struct Prepared<'a> {
    luma: &'a Luma,
    card: CardFound,
    lamp: Lamp,
    level: Level,
}

/// The relief that photographs (file name, photograph) under as many lamps show beside the card. Typed directions hold
/// in each lamp's own picture; `check_line_mm` is what the card's check line measures, where someone looked.
///
/// # Errors
/// Fewer than two photographs, a photograph without a card, lamps that stand in one line or out of range, and photographs that can't be
/// laid over each other.
pub fn relief(
    photos: &[(String, Photo)],
    stated: &[StatedLamp],
    check_line_mm: Option<f64>,
) -> Result<Relief, LampError> {
    if photos.len() < 2 {
        return Err(LampError::TooFew);
    }
    if photos.len() != stated.len() {
        return Err(LampError::Count { lamps: stated.len(), photographs: photos.len() });
    }
    let inside = |k: usize, error: LampError| LampError::In { file: photos[k].0.clone(), error: Box::new(error) };
    let prepared: Vec<Prepared> = (0..photos.len())
        .map(|k| Prepared::of(&photos[k].1.luma, &stated[k], check_line_mm).map_err(|error| inside(k, error)))
        .collect::<Result<_, _>>()?;
    let layout = prepared[0].card.layout;
    if let Some(k) = prepared.iter().position(|photo| photo.card.layout != layout) {
        return Err(inside(k, LampError::OtherCard));
    }
    let window = Window::beside(layout);
    let condition = condition(&prepared, &window)?;
    let size = window.size();
    let flat = Field::new(size, vec![0.0; size[0] * size[1]]);
    let seen: Vec<Rectified> = prepared.iter().map(|photo| photo.readings(window, &flat, &Offset::NONE)).collect();
    let shadings: Vec<Shading> = prepared.iter().zip(&seen).map(|(photo, seen)| photo.shading(seen)).collect();
    let apart = |(k, correlation)| inside(k, LampError::Apart { correlation });
    let laid = |height: &Field, offsets: &[Offset]| -> Result<Relief, LampError> {
        let lit = prepared.iter().zip(offsets).map(|(photo, offset)| photo.lit(&window, offset));
        let lit = lit.enumerate().map(|(k, lit)| lit.map_err(|error| inside(k, error)));
        let lit = lit.collect::<Result<Vec<_>, _>>()?;
        let readings: Vec<Rectified> =
            prepared.iter().zip(offsets).map(|(photo, offset)| photo.readings(window, height, offset)).collect();
        Relief::of(window, lit, &readings, condition)
    };
    let offsets = align::offsets(&shadings, window.px_per_mm).map_err(apart)?;
    let first = laid(&flat, &offsets)?;
    let Some(surface) = &first.surface else { return Ok(first) };
    // What is deeper lies further aside; it is known only now.
    let height = surface.height_mm.iter().map(|mm| mm * window.px_per_mm as f32).collect();
    let height = Field::new(size, height);
    let offsets = align::parallax(&shadings, &height, &offsets, window.px_per_mm).map_err(apart)?;
    laid(&height, &offsets)
}

/// `None` for two lamps.
fn condition(prepared: &[Prepared], window: &Window) -> Result<Option<f64>, LampError> {
    let lights: Vec<Vector3<f64>> =
        prepared.iter().map(|photo| Vector3::from(photo.lamp.light_at(window.centre_mm)).normalize()).collect();
    if let [a, b] = lights.as_slice() {
        let apart_deg = a.angle(b).to_degrees();
        return if apart_deg < LEAST_APART_DEG { Err(LampError::SamePlace { apart_deg }) } else { Ok(None) };
    }
    let condition = normals::condition(&lights);
    if condition <= MOST_CONDITION {
        Ok(Some(condition))
    } else {
        Err(LampError::OneLine { condition, most: MOST_CONDITION })
    }
}

impl<'a> Prepared<'a> {
    fn of(luma: &'a Luma, stated: &StatedLamp, check_line_mm: Option<f64>) -> Result<Self, LampError> {
        let found = scale::find_card(luma)?;
        let card = if let Some(mm) = check_line_mm { found.printed(mm, luma)? } else { found };
        let lamp = Lamp::of(stated, &card, Window::beside(card.layout).centre_mm)?;
        let level = Level::of(luma, &card, &lamp)?;
        Ok(Self { luma, card, lamp, level })
    }

    /// The ground in this window in units of what white level ground reads that gets one unit of light; below zero where it is burnt out.
    /// Places of this height (px) are looked for by the offset aside.
    fn readings(&self, window: Window, height: &Field, offset: &Offset) -> Rectified {
        let ([columns, rows], plane) = (window.size(), &self.card.plane);
        let mut seen = Rectified {
            window,
            size: [columns, rows],
            light: vec![0.0; columns * rows],
            ground: vec![0.0; columns * rows],
        };
        let spread = plane.px_per_mm(plane.px(window.centre_mm)) / window.px_per_mm;
        for at in 0..columns * rows {
            let place = [(at % columns) as f64, (at / columns) as f64];
            let high = f64::from(height.values[at]);
            let mm = window.to_mm([0, 1].map(|k| place[k] + offset.px[k] + high * offset.by_height[k]));
            if self.card.layout.is_near(mm, CARD_MARGIN_MM) {
                continue;
            }
            if let Some(light) = mean_light(self.luma, plane.px(mm), spread) {
                let burnt = light > level::BURNT;
                seen.light[at] = if burnt { -1.0 } else { (light / self.level.white(mm)) as f32 };
                seen.ground[at] = 1.0;
            }
        }
        seen
    }

    fn lit(&self, window: &Window, offset: &Offset) -> Result<Lit, LampError> {
        let offset_mm = offset.px.map(|px| px / window.px_per_mm);
        let off_mm = offset_mm[0].hypot(offset_mm[1]);
        if off_mm > align::MOST_APART_MM {
            return Err(LampError::Moved { off_mm });
        }
        Ok(Lit {
            lamp: self.lamp,
            azimuth_in_picture_deg: lamp::to_picture(&self.card.plane, window.centre_mm, self.lamp.azimuth_deg.value),
            offset_mm,
            u_offset_mm: offset.u_px / window.px_per_mm,
            parallax: offset.by_height,
            correlation: offset.correlation,
        })
    }

    fn shading(&self, seen: &Rectified) -> Shading {
        let up = |at: usize| {
            self.lamp.light_at(seen.window.to_mm([(at % seen.size[0]) as f64, (at / seen.size[0]) as f64]))[2]
        };
        let light =
            Field::new(seen.size, seen.light.iter().enumerate().map(|(at, v)| v.abs() / up(at) as f32).collect());
        let ground = Field::new(seen.size, seen.ground.clone());
        let around = light.blur_within(&ground, AROUND_MM * seen.window.px_per_mm);
        let light = light.map2(&around, |v, a| if a > 0.0 { (v / a).min(3.0) } else { 0.0 });
        Shading { light, ground, azimuth_deg: self.lamp.azimuth_deg.value - seen.window.turn_deg }
    }
}

impl Relief {
    fn of(window: Window, lit: Vec<Lit>, readings: &[Rectified], condition: Option<f64>) -> Result<Self, LampError> {
        let size = window.size();
        let seen_by_all = |at: usize| readings.iter().map(|seen| seen.ground[at]).fold(1.0, f32::min);
        let ground = (0..size[0] * size[1]).map(seen_by_all).collect();
        let mut relief = Self { window, size, ground, lit, surface: None, shading: vec![] };
        match condition {
            Some(condition) => relief.surface = Some(relief.surface(readings, condition)?),
            None => relief.shading = relief.difference(readings),
        }
        Ok(relief)
    }

    fn surface(&self, readings: &[Rectified], condition: f64) -> Result<Surface, LampError> {
        let n = self.ground.len();
        let even = self.evenness(readings);
        let at_place = |at: usize| -> Vec<Reading> {
            let mm = self.place(at);
            let reading = |k: usize| {
                let value = f64::from(readings[k].light[at]);
                let light = Vector3::from(self.lit[k].lamp.light_at(mm));
                Reading { light, value: value / even[k].dot(&terms(self.within(at))).exp(), shown: value >= 0.0 }
            };
            (0..readings.len()).map(reading).collect()
        };
        let around = self.around(|at| median(at_place(at).iter().map(|r| r.value.abs() / r.light.z).collect()));
        let mut surface = Surface {
            normals: vec![[0.0; 3]; n],
            height_mm: vec![],
            reflectance: vec![0.0; n],
            lit: vec![0; n],
            condition,
            u_factor: u_factor(self.lit.iter().map(|lit| lit.lamp.elevation_deg)),
            in_shadow: 0.0,
            range_mm: None,
        };
        let mut slopes = Slopes { size: self.size, rise: vec![[0.0; 2]; n], weight: vec![0.0; n] };
        for at in (0..n).filter(|at| self.ground[*at] > 0.0) {
            slopes.weight[at] = WEIGHTS[0];
            let Some(facing) = normals::facing(&at_place(at), f64::from(around.values[at])) else { continue };
            let normal = facing.normal;
            surface.normals[at] = [normal.x as f32, normal.y as f32, normal.z as f32];
            surface.reflectance[at] = facing.reflectance as f32;
            surface.lit[at] = facing.lit as u8;
            if facing.lit > 0 {
                slopes.rise[at] = [-normal.x / normal.z, -normal.y / normal.z];
            }
            slopes.weight[at] = WEIGHTS[facing.lit.min(3)];
        }
        let seen = self.ground.iter().filter(|g| **g > 0.0).count();
        let well_lit = surface.lit.iter().filter(|lit| **lit >= 3).count();
        if well_lit * 20 < seen || seen == 0 {
            return Err(LampError::NoGround);
        }
        surface.in_shadow = 1.0 - well_lit as f64 / seen as f64;
        let heights = depth::heights(&slopes);
        let heights = self.without_tilt(heights.iter().map(|h| h / self.window.px_per_mm).collect());
        surface.range_mm = self.range(&heights, surface.u_factor);
        surface.height_mm = heights.iter().map(|h| *h as f32).collect();
        Ok(surface)
    }

    /// A number a place, averaged over what lies around.
    fn around(&self, value: impl Fn(usize) -> f64) -> Field {
        let values = (0..self.ground.len()).map(|at| if self.ground[at] > 0.0 { value(at) as f32 } else { 0.0 });
        let field = Field::new(self.size, values.collect());
        field.blur_within(&Field::new(self.size, self.ground.clone()), AROUND_MM * self.window.px_per_mm)
    }

    /// By how much each photograph is brighter than the mean of all over the ground, as the logarithm's coefficients: what changes so slowly is
    /// the lamp's beam and its distance, or a slope of all the ground; it isn't the print.
    fn evenness(&self, readings: &[Rectified]) -> Vec<SVector<f64, TERMS>> {
        let n = readings.len();
        let logs = |at: usize| -> Option<Vec<f64>> {
            let mm = self.place(at);
            let log = |k: usize| {
                let value = f64::from(readings[k].light[at]);
                (value > 0.0).then(|| (value / self.lit[k].lamp.light_at(mm)[2]).ln())
            };
            (0..n).map(log).collect()
        };
        let places = (0..self.ground.len()).filter(|at| {
            let [column, row] = [at % self.size[0], at / self.size[0]];
            column % EVEN_STEP == 0 && row % EVEN_STEP == 0 && self.ground[*at] > 0.0
        });
        let known: Vec<(usize, Vec<f64>)> = places.filter_map(|at| Some((at, logs(at)?))).collect();
        let rows: Vec<_> = known.iter().map(|(at, _)| terms(self.within(*at))).collect();
        let off = |k: usize| {
            let values: Vec<f64> =
                known.iter().map(|(_, logs)| logs[k] - logs.iter().sum::<f64>() / n as f64).collect();
            robust(&rows, &values).unwrap_or_default()
        };
        (0..n).map(off).collect()
    }

    /// Heights above the plane through most of the ground, so that a print doesn't pull it down.
    fn without_tilt(&self, mut heights: Vec<f64>) -> Vec<f64> {
        let places: Vec<usize> = (0..heights.len()).filter(|at| self.ground[*at] > 0.0).collect();
        let row = |at: usize| {
            let [x, y] = self.within(at);
            Vector3::new(1.0, x, y)
        };
        let rows: Vec<_> = places.iter().map(|at| row(*at)).collect();
        let values: Vec<f64> = places.iter().map(|at| heights[*at]).collect();
        let plane = robust(&rows, &values).unwrap_or_default();
        places.iter().for_each(|at| heights[*at] -= row(*at).dot(&plane));
        heights
    }

    /// mm in the card's plane.
    fn place(&self, at: usize) -> [f64; 2] {
        self.window.to_mm([(at % self.size[0]) as f64, (at / self.size[0]) as f64])
    }

    /// From −1 to 1 across and down the window.
    fn within(&self, at: usize) -> [f64; 2] {
        [0, 1].map(|k| 2.0 * [at % self.size[0], at / self.size[0]][k] as f64 / self.size[k] as f64 - 1.0)
    }

    fn range(&self, heights: &[f64], u_factor: f64) -> Option<Measured> {
        let mut seen: Vec<f64> = heights.iter().zip(&self.ground).filter(|(_, g)| **g > 0.0).map(|(h, _)| *h).collect();
        seen.sort_by(f64::total_cmp);
        let at = |share: f64| seen[((seen.len() - 1) as f64 * share) as usize];
        let range = at(0.98) - at(0.02);
        Measured::new(range, combine(&[range * u_factor, U_RANGE_MM]))
    }

    /// The difference of the first two over their sum: reflectance goes out of it.
    fn difference(&self, readings: &[Rectified]) -> Vec<f32> {
        let level =
            |k: usize, at: usize| readings[k].light[at].abs() / self.lit[k].lamp.light_at(self.place(at))[2] as f32;
        let share = |at: usize| {
            let (a, b) = (level(0, at), level(1, at));
            if self.ground[at] > 0.0 && a + b > 0.0 { (a - b) / (a + b) } else { 0.0 }
        };
        (0..self.ground.len()).map(share).collect()
    }

    /// Height of the ground at a place in the card's frame, mm, above the plane that lies best in the ground seen; `None` where none is seen.
    pub fn height_at(&self, mm: [f64; 2]) -> Option<Measured> {
        let [x, y] = self.window.of_mm(mm).map(f64::round);
        let inside = x >= 0.0 && y >= 0.0 && x < self.size[0] as f64 && y < self.size[1] as f64;
        let at = inside.then(|| y as usize * self.size[0] + x as usize).filter(|at| self.ground[*at] > 0.0)?;
        let surface = self.surface.as_ref()?;
        let height = f64::from(surface.height_mm[at]);
        Measured::new(height, combine(&[height * surface.u_factor, U_RANGE_MM]))
    }
}

/// Heights go with the tangent of the elevation e, so that its relative change is that of e over sin e cos e. Elevations are judged alike by
/// one person, so their errors are taken as common.
fn u_factor(elevations_deg: impl Iterator<Item = Measured>) -> f64 {
    let shares: Vec<f64> = elevations_deg
        .map(|e| {
            let (sin, cos) = e.value.to_radians().sin_cos();
            e.u.to_radians() / (sin * cos)
        })
        .collect();
    (shares.iter().sum::<f64>() / shares.len() as f64).hypot(U_FACTOR)
}

/// Constant, slope and curvature over the window.
fn terms([x, y]: [f64; 2]) -> SVector<f64, TERMS> {
    SVector::from([1.0, x, y, x * x, x * y, y * y])
}

fn median(mut values: Vec<f64>) -> f64 {
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}
