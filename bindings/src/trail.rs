//! Prints in a row, along a tape or in photographs.

use rakelight_core::identify;
use rakelight_core::measured::Measured;
use rakelight_core::survey::{Record, TrailMeasured};
use rakelight_core::trail::{
    self, HipHeight, MarkedPrint, TrailPhoto, TrailPhotos, TrailPrint, TrailPrints, TrailReading,
};

use crate::prints::read;
use crate::{Foot, Length, MeasureName, Moment, Pattern, Point, ShellError, Side, TrailFit, Travel, Workspace};

/// One print along a tape.
#[derive(Debug, Clone, uniffi::Record)]
pub struct TrailMark {
    /// Along the tape, cm.
    pub along_cm: f64,
    /// From the tape, cm, one side positive.
    pub offset_cm: f64,
    /// Fore or hind.
    pub foot: Foot,
    /// Left or right.
    pub side: Side,
}

/// The prints of a trail along a tape.
#[derive(Debug, Clone, uniffi::Record)]
pub struct TrailMarks {
    /// Its name within the visit.
    pub id: String,
    /// In any order.
    pub prints: Vec<TrailMark>,
    /// Standard uncertainty of each distance, cm.
    pub u_position_cm: f64,
    /// Which way the animal went along the tape, by the toes.
    #[uniffi(default = None)]
    pub travel: Option<Travel>,
    /// Which way the tape runs as its numbers grow, degrees from north, eastward; then positive offsets must lie to the left.
    #[uniffi(default = None)]
    pub azimuth_deg: Option<f64>,
    /// Whether marks of tail or belly run along; `None` where nobody looked.
    #[uniffi(default = None)]
    pub drag_mark: Option<bool>,
    /// How high the animal's hip stands, mm, for a rough speed.
    #[uniffi(default = None)]
    pub hip_height_mm: Option<f64>,
}

/// A print marked in a photograph of a trail.
#[derive(Debug, Clone, uniffi::Record)]
pub struct NamedPrint {
    /// The same in every photograph that shows it.
    pub id: String,
    /// Always the same point of a print.
    pub at: Point,
    /// Fore or hind.
    pub foot: Foot,
    /// Left or right.
    pub side: Side,
}

/// One photograph of a trail, with our card in it.
#[derive(Debug, Clone, uniffi::Record)]
pub struct TrailPicture {
    /// A photograph of the visit.
    pub sha256: String,
    /// Any name for where the card lay, where it lay still for several photographs.
    #[uniffi(default = None)]
    pub card: Option<String>,
    /// At least one.
    pub prints: Vec<NamedPrint>,
}

/// A trail in photographs.
#[derive(Debug, Clone, uniffi::Record)]
pub struct TrailPictures {
    /// Its name within the visit.
    pub id: String,
    /// Joined by two prints that two of them show, or by a card that lay still.
    pub pictures: Vec<TrailPicture>,
    /// Standard uncertainty of each coordinate of a mark, px.
    pub u_px: f64,
    /// Which way the animal went: from the first print listed to the last, or the other way.
    #[uniffi(default = None)]
    pub travel: Option<Travel>,
    /// Whether marks of tail or belly run along; `None` where nobody looked.
    #[uniffi(default = None)]
    pub drag_mark: Option<bool>,
    /// How high the animal's hip stands, mm, for a rough speed.
    #[uniffi(default = None)]
    pub hip_height_mm: Option<f64>,
}

/// A pattern and how probable it is.
#[derive(Debug, Clone, uniffi::Record)]
pub struct PatternShare {
    /// Which.
    pub pattern: Pattern,
    /// In the workspace's language.
    pub name: String,
    /// 0 to 1.
    pub probability: f64,
}

/// A measure of a trail: the mean over its cycles; mm or degrees, as the name says.
#[derive(Debug, Clone, uniffi::Record)]
pub struct TrailValue {
    /// Which.
    pub name: MeasureName,
    /// Of a pair: which prints of the cycle, from 1.
    pub between: Option<Vec<i32>>,
    /// The mean.
    pub value: f64,
    /// Its standard uncertainty.
    pub u: f64,
    /// Standard deviation of single values.
    pub spread: Option<f64>,
    /// Of how many.
    pub n: i32,
    /// All of it in words.
    pub text: String,
}

/// A stretch of the trail in one pattern.
#[derive(Debug, Clone, uniffi::Record)]
pub struct TrailSection {
    /// The most probable first.
    pub patterns: Vec<PatternShare>,
    /// The probability that there is none of these.
    pub no_pattern: f64,
    /// The likeliest variant, in words.
    pub form: Option<String>,
    /// All that was measured.
    pub measures: Vec<TrailValue>,
    /// How many prints seem to be missing.
    pub missing: i32,
    /// Its prints.
    pub prints: Vec<i32>,
}

/// Where a print belongs.
#[derive(Debug, Clone, uniffi::Record)]
pub struct PrintInTrail {
    /// Its number in the input (in photographs: in the order of first appearance).
    pub print: i32,
    /// Which of the groups.
    pub group: Option<i32>,
    /// Whether it belongs to the trail.
    pub belongs: bool,
    /// As far as pattern or label say.
    pub foot: Foot,
    /// As far as it can be known.
    pub side: Side,
    /// How sure this is.
    pub probability: f64,
}

/// A published measure of a track maker's trails and ours beside it.
#[derive(Debug, Clone, uniffi::Record)]
pub struct PublishedTrail {
    /// As in [`crate::Candidate`].
    pub maker: String,
    /// In the workspace's language.
    pub name: String,
    /// The gait, as the source has it.
    pub gait: Option<String>,
    /// As published, mm; one of them or more.
    pub min_mm: Option<f64>,
    /// As published, mm.
    pub mean_mm: Option<f64>,
    /// As published, mm.
    pub max_mm: Option<f64>,
    /// Ours, in the source's convention.
    pub ours: Length,
    /// How it stands.
    pub fit: TrailFit,
    /// Ours over the nearer end of the range, where it lies beyond.
    pub factor: Option<f64>,
    /// What makes that unsure, in words.
    pub doubts: Vec<String>,
    /// Where it was read.
    pub source: String,
}

/// What a trail says; patterns and single lengths are those of its longest section.
#[derive(Debug, Clone, uniffi::Record)]
pub struct TrailAnswer {
    /// The most probable first.
    pub patterns: Vec<PatternShare>,
    /// The probability that there is none of these.
    pub no_pattern: f64,
    /// Indices of the prints of each group.
    pub groups: Vec<Vec<i32>>,
    /// Indices of prints that don't belong.
    pub foreign: Vec<i32>,
    /// Each print.
    pub prints: Vec<PrintInTrail>,
    /// In order along the trail; one where the pattern doesn't change.
    pub sections: Vec<TrailSection>,
    /// Same foot to same foot.
    pub stride: Option<Length>,
    /// Rearmost to foremost print of a group.
    pub group_length: Option<Length>,
    /// Stride less group length.
    pub gap: Option<Length>,
    /// Across, between print positions.
    pub straddle: Option<Length>,
    /// The rough speed in words, or why there is none; where a hip height was given.
    pub speed: Option<String>,
    /// All published trails beside it.
    pub compared: Vec<PublishedTrail>,
    /// The trail from above, as SVG.
    pub svg: String,
    /// What the worker should know, in words.
    pub warnings: Vec<String>,
}

#[uniffi::export]
impl Workspace {
    /// Reads a trail along a tape and writes it to its visit.
    pub fn read_trail(&self, visit: String, marks: TrailMarks, now: Moment) -> Result<TrailAnswer, ShellError> {
        let print = |mark: &TrailMark| TrailPrint {
            along_cm: mark.along_cm,
            offset_cm: mark.offset_cm,
            foot: mark.foot,
            side: mark.side,
        };
        let prints = TrailPrints {
            prints: marks.prints.iter().map(print).collect(),
            u_position_cm: marks.u_position_cm,
            travel: marks.travel.unwrap_or_default(),
            azimuth_deg: marks.azimuth_deg,
            drag_mark: marks.drag_mark,
        };
        let reading = trail::read(&prints).map_err(ShellError::input)?;
        let answer = self.answer(&reading, marks.hip_height_mm, vec![])?;
        self.write_trail(&visit, marks.id, (prints, None), &reading, now)?;
        Ok(answer)
    }

    /// Reads a trail that is marked in photographs of a visit and writes it to the visit.
    pub fn read_trail_in_photos(
        &self,
        visit: String,
        marks: TrailPictures,
        now: Moment,
    ) -> Result<TrailAnswer, ShellError> {
        let print = |print: &NamedPrint| MarkedPrint {
            id: print.id.clone(),
            at_px: [print.at.x, print.at.y],
            foot: print.foot,
            side: print.side,
        };
        let photo = |picture: &TrailPicture| TrailPhoto {
            file: picture.sha256.clone(),
            card: picture.card.clone(),
            scale: None,
            prints: picture.prints.iter().map(print).collect(),
        };
        let travel = marks.travel.unwrap_or_default();
        let photos = TrailPhotos {
            photos: marks.pictures.iter().map(photo).collect(),
            u_px: Some(marks.u_px),
            travel,
            drag_mark: marks.drag_mark,
        };
        let open = |photo: &TrailPhoto| {
            let path = self.photo_file(&photo.file).map_err(|error| error.to_string())?;
            let request = photo.request().map_err(|error| error.to_string())?;
            Ok((read(&path).map_err(|error| error.to_string())?, request))
        };
        let placed = photos.place(open).map_err(ShellError::input)?;
        let reading = trail::read_placed(&placed.prints, travel, marks.drag_mark).map_err(ShellError::input)?;
        let of_photos = placed.of_photos.iter().map(|(_, warning)| warning.say(&self.words));
        let warnings = of_photos.chain(placed.prints.warnings.iter().map(ToString::to_string)).collect();
        let answer = self.answer(&reading, marks.hip_height_mm, warnings)?;
        let prints = placed.prints.as_along_tape(travel, marks.drag_mark);
        self.write_trail(&visit, marks.id, (prints, Some(photos)), &reading, now)?;
        Ok(answer)
    }
}

impl Workspace {
    fn write_trail(
        &self,
        visit: &str,
        id: String,
        (prints, photos): (TrailPrints, Option<TrailPhotos>),
        reading: &TrailReading,
        now: Moment,
    ) -> Result<(), ShellError> {
        let visit = self.visit(visit)?;
        let reading = serde_json::to_value(reading).map_err(ShellError::internal)?;
        self.write(&visit, vec![Record::TrailMeasured(TrailMeasured { id, prints, photos, reading })], now.utc()?)
    }

    fn answer(
        &self,
        reading: &TrailReading,
        hip_height_mm: Option<f64>,
        warnings: Vec<String>,
    ) -> Result<TrailAnswer, ShellError> {
        let words = &self.words;
        let hip_height = hip_height_mm.map(|mm| HipHeight::new(mm, None)).transpose().map_err(ShellError::input)?;
        let speed = hip_height.map(|hip| match trail::speed(reading, &hip) {
            Ok(speed) => format!("{} {}", speed.say(words), speed.note(words)),
            Err(refused) => refused.text(words),
        });
        let whole = std::slice::from_ref(reading);
        let sections = if reading.sections.is_empty() { whole } else { &reading.sections };
        let print = |p: &trail::Member| PrintInTrail {
            print: p.print as i32,
            group: p.group.map(|group| group as i32),
            belongs: p.belongs,
            foot: p.foot,
            side: p.side,
            probability: p.probability,
        };
        Ok(TrailAnswer {
            patterns: self.shares(reading),
            no_pattern: reading.no_pattern,
            groups: reading.groups.iter().map(|group| indices(group)).collect(),
            foreign: indices(&reading.foreign),
            prints: reading.prints.iter().map(print).collect(),
            sections: sections.iter().map(|section| self.section(section)).collect(),
            stride: reading.stride_mm().map(Length::from),
            group_length: reading.group_length_mm().map(Length::from),
            gap: reading.gap_mm().map(Length::from),
            straddle: reading.straddle_mm().map(Length::from),
            speed,
            compared: self.compared(reading)?,
            svg: trail::draw(reading, words),
            warnings,
        })
    }

    fn compared(&self, reading: &TrailReading) -> Result<Vec<PublishedTrail>, ShellError> {
        let facts = self.facts()?;
        let beside = |row: identify::Compared| PublishedTrail {
            name: facts.name(&row.maker, &self.words),
            maker: row.maker,
            gait: row.gait,
            min_mm: row.published.min_mm,
            mean_mm: row.published.mean_mm,
            max_mm: row.published.max_mm,
            ours: Length::from(Measured { value: row.ours_mm, u: row.u_ours_mm }),
            fit: row.fit,
            factor: row.factor,
            doubts: row.doubts.iter().map(|doubt| self.words.say(doubt.key()).to_owned()).collect(),
            source: row.source,
        };
        Ok(identify::compare_trail(reading, facts.makers()).into_iter().map(beside).collect())
    }

    fn section(&self, reading: &TrailReading) -> TrailSection {
        let value = |measure: &trail::TrailMeasure| TrailValue {
            name: measure.name,
            between: measure.between.map(|pair| indices(&pair)),
            value: measure.value,
            u: measure.u,
            spread: measure.spread,
            n: measure.n as i32,
            text: measure.say(&self.words),
        };
        TrailSection {
            patterns: self.shares(reading),
            no_pattern: reading.no_pattern,
            form: reading.forms.first().map(|form| self.words.say(form.name.key()).to_owned()),
            measures: reading.measures.iter().map(value).collect(),
            missing: reading.missing as i32,
            prints: reading.prints.iter().map(|p| p.print as i32).collect(),
        }
    }

    fn shares(&self, reading: &TrailReading) -> Vec<PatternShare> {
        let share = |pattern: &trail::PatternProbability| PatternShare {
            pattern: pattern.name,
            name: self.words.say(pattern.name.key()).to_owned(),
            probability: pattern.probability,
        };
        reading.patterns.iter().map(share).collect()
    }
}

fn indices(list: &[usize]) -> Vec<i32> {
    list.iter().map(|&i| i as i32).collect()
}
