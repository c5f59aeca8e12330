//! From fitted patterns to what a trail says.

use std::collections::BTreeSet;

use serde::ser::SerializeMap;
use serde::{Serialize, Serializer};

use super::fit::{Fitted, Mark, Weigher};
use super::line::Line;
use super::measures::Measuring;
use super::pattern::{Family, Form};
use super::sections::Section;
use super::spots::Spots;
use super::{MeasureName, PatternName, PatternProbability, TrailMeasure};
use crate::measured::Measured;
use crate::print::{Foot, Side};

/// What a trail says. Measures lie between print positions; they are those of the most probable pattern and, where the pattern changes
/// along the trail, of its longest section.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct TrailReading {
    /// All patterns, the most probable first.
    pub patterns: Vec<PatternProbability>,
    /// The probability that the prints follow none of them.
    pub no_pattern: f64,
    /// How the variants of the most probable pattern share it; they sum to 1.
    pub forms: Vec<FormProbability>,
    /// The probability that the animal went the way the tape's numbers grow (in photographs: as the prints are listed); `None` where it was
    /// given or nothing tells.
    pub forwards: Option<f64>,
    /// Groups along the trail, each the indices of its prints in the input; none where the pattern has no groups (walk, trot).
    pub groups: Vec<Vec<usize>>,
    /// Indices of prints that don't belong to the trail.
    pub foreign: Vec<usize>,
    /// How many prints seem to be missing between the first and the last of a section.
    pub missing: usize,
    /// Each print, in the input's order.
    pub prints: Vec<Member>,
    /// Other patterns that aren't far off, and what they would make of the prints.
    pub alternatives: Vec<Alternative>,
    /// All measures.
    pub measures: Vec<TrailMeasure>,
    /// The pattern as fitted; none where the prints follow none.
    pub fitted: Option<FittedPattern>,
    /// Where the pattern changes along the trail: its sections in order, each a reading of its own. Empty where it doesn't.
    pub sections: Vec<TrailReading>,
    /// Marks of tail or belly; `None` where nobody looked.
    pub drag_mark: Option<bool>,
    /// The way the animal went, points in the input's axes (x along the tape, y across), cm; it runs as the tape's numbers grow, or in the
    /// direction of travel where that was given.
    pub line_cm: Vec<[f64; 2]>,
    /// Whether the direction of travel was given.
    pub travel_given: bool,
    /// Which way the x axis points, degrees from north, eastward; where it was given.
    pub azimuth_deg: Option<f64>,
}

/// The pattern as it was fitted to a trail: how the prints were shared out can be worked out again from it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FittedPattern {
    /// One stride.
    pub stride_cm: f64,
    /// Where its prints lie, along and across from their middle.
    pub places_cm: Vec<[f64; 2]>,
    /// Standard deviation of a print about its place, in both directions.
    pub scatter_cm: f64,
    /// Standard deviation of a stride.
    pub stride_sd_cm: f64,
    /// Standard deviation of the middle across, from stride to stride.
    pub drift_cm: f64,
    /// Natural logarithm of a foreign print's density, per square centimetre.
    pub ln_anywhere: f64,
    /// Natural logarithm of the likelihood of the prints as they were shared out.
    pub ln_likelihood: f64,
}

/// A print as it was read.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Member {
    /// Its index in the input.
    pub print: usize,
    /// Which of the groups, from 0.
    pub group: Option<usize>,
    /// Whether it belongs to the trail.
    pub belongs: bool,
    /// Its place in the input's axes, cm.
    pub at_cm: [f64; 2],
    /// Its place along the line, cm.
    pub along_cm: f64,
    /// Its place across the line, cm; to the left of it positive where it is known which side that is.
    pub across_cm: f64,
    /// The foot, where the pattern or its label says.
    pub foot: Foot,
    /// The side, where it can be known.
    pub side: Side,
    /// The probability of this: that its group is as stated, or that the print belongs to none.
    pub probability: f64,
}

/// A variant of the pattern.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct FormProbability {
    /// Which.
    pub name: Form,
    /// Among those of the pattern.
    pub probability: f64,
}

/// Another pattern that is close.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Alternative {
    /// Which.
    pub pattern: PatternName,
    /// As in the list of patterns.
    pub probability: f64,
    /// Its groups.
    pub groups: Vec<Vec<usize>>,
    /// What would be foreign.
    pub foreign: Vec<usize>,
    /// Its stride, mm.
    pub stride_mm: f64,
}

/// A pattern less probable than this isn't worth being told.
const CLOSE: f64 = 0.1;
/// As sure as this must the direction be for left and right to be told by it.
const SURE: f64 = 0.95;
const MM_PER_CM: f64 = 10.0;

impl TrailReading {
    /// A measure by its name, with its uncertainty.
    pub fn measure(&self, name: MeasureName) -> Option<&TrailMeasure> {
        self.measures.iter().find(|measure| measure.name == name)
    }

    fn measured(&self, name: MeasureName) -> Option<Measured> {
        self.measure(name).and_then(|measure| Measured::new(measure.value, measure.u))
    }

    /// Whether the animal went the way the line runs, as far as that is known.
    pub fn goes_along(&self) -> Option<bool> {
        match self.forwards {
            _ if self.travel_given => Some(true),
            Some(p) if p > SURE => Some(true),
            Some(p) if p < 1.0 - SURE => Some(false),
            _ => None,
        }
    }

    /// Same foot to same foot.
    pub fn stride_mm(&self) -> Option<Measured> {
        self.measured(MeasureName::StrideMm)
    }

    /// From the rearmost to the foremost print position of a group.
    pub fn group_length_mm(&self) -> Option<Measured> {
        self.measured(MeasureName::GroupLengthMm)
    }

    /// Stride less group length.
    pub fn gap_mm(&self) -> Option<Measured> {
        self.measured(MeasureName::GapMm)
    }

    /// Across, between the outermost print positions.
    pub fn straddle_mm(&self) -> Option<Measured> {
        self.measured(MeasureName::StraddleMm)
    }
}

impl Serialize for TrailReading {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("patterns", &self.patterns)?;
        map.serialize_entry("no_pattern", &self.no_pattern)?;
        map.serialize_entry("forms", &self.forms)?;
        map.serialize_entry("forwards", &self.forwards)?;
        map.serialize_entry("groups", &self.groups)?;
        map.serialize_entry("foreign", &self.foreign)?;
        map.serialize_entry("missing", &self.missing)?;
        let measures = [
            ("stride_mm", self.stride_mm()),
            ("group_length_mm", self.group_length_mm()),
            ("gap_mm", self.gap_mm()),
            ("straddle_mm", self.straddle_mm()),
        ];
        for (key, measure) in measures {
            map.serialize_entry(key, &measure.map(|m| m.value))?;
            map.serialize_entry(&format!("u_{key}"), &measure.map(|m| m.u))?;
        }
        map.serialize_entry("measures", &self.measures)?;
        map.serialize_entry("drag_mark", &self.drag_mark)?;
        map.serialize_entry("prints", &self.prints)?;
        map.serialize_entry("alternatives", &self.alternatives)?;
        map.serialize_entry("fitted", &self.fitted)?;
        map.serialize_entry("sections", &self.sections)?;
        map.serialize_entry("line_cm", &self.line_cm)?;
        map.serialize_entry("azimuth_deg", &self.azimuth_deg)?;
        map.end()
    }
}

/// The reading of a whole trail from those of its sections.
pub(super) fn reading(
    spots: &Spots,
    marks: &[Mark],
    sections: &[Section],
    weigher: &Weigher,
    line: &Line,
) -> TrailReading {
    let along = |mark: Option<&Mark>| mark.map_or(0.0, |mark| mark.at[0]);
    let mut each: Vec<TrailReading> = sections
        .iter()
        .map(|section| {
            let of = &marks[section.marks.clone()];
            let mut reading = of_section(spots, of, section, weigher);
            reading.line_cm = line.between(along(of.first()), along(of.last()));
            reading
        })
        .collect();
    if each.len() == 1 {
        return each.remove(0);
    }
    let longest = each.iter().max_by_key(|reading| reading.prints.len()).cloned().unwrap_or_default();
    let mut whole = TrailReading { groups: vec![], foreign: vec![], prints: vec![], missing: 0, ..longest };
    for reading in &each {
        let before = whole.groups.len();
        whole.prints.extend(reading.prints.iter().map(|p| Member { group: p.group.map(|g| g + before), ..*p }));
        whole.groups.extend(reading.groups.iter().cloned());
        whole.foreign.extend(&reading.foreign);
        whole.missing += reading.missing;
    }
    whole.prints.sort_by_key(|p| p.print);
    whole.foreign.sort_unstable();
    whole.line_cm = line.between(along(marks.first()), along(marks.last()));
    whole.sections = each;
    whole
}

fn of_section(spots: &Spots, marks: &[Mark], section: &Section, weigher: &Weigher) -> TrailReading {
    let weighed = &section.weighed;
    let mut reading = TrailReading {
        patterns: weighed.patterns.clone(),
        no_pattern: weighed.no_pattern,
        drag_mark: spots.drag_mark,
        travel_given: !weigher.travel.is_unknown(),
        azimuth_deg: spots.azimuth_deg,
        ..TrailReading::default()
    };
    let Some(best) = weighed.fitted.first() else {
        reading.prints = marks.iter().map(|mark| unread(spots, mark)).collect();
        reading.prints.sort_by_key(|p| p.print);
        return reading;
    };
    reading.forms = forms(&weighed.fitted, best.template.family);
    reading.forwards = weigher.travel.is_unknown().then(|| forwards(&weighed.fitted)).flatten();
    reading.groups = groups(marks, best);
    reading.foreign = foreign(marks, best);
    reading.missing = missing(best);
    reading.measures = Measuring { marks, spots, best }.all();
    reading.prints = members(spots, marks, best, weigher, reading.forwards);
    reading.fitted = Some(FittedPattern {
        stride_cm: best.fit.stride,
        places_cm: best.fit.slots.iter().map(|slot| [slot.along, slot.across]).collect(),
        scatter_cm: best.fit.noise.scatter,
        stride_sd_cm: best.fit.noise.stride,
        drift_cm: best.fit.noise.drift,
        ln_anywhere: weigher.anywhere(marks),
        ln_likelihood: best.ln_likelihood,
    });
    reading.alternatives = alternatives(marks, &weighed.fitted, &weighed.patterns);
    reading
}

fn unread(spots: &Spots, mark: &Mark) -> Member {
    Member {
        print: mark.index,
        group: None,
        belongs: false,
        at_cm: spots.at_cm[mark.index],
        along_cm: mark.at[0],
        across_cm: mark.at[1],
        foot: mark.foot,
        side: mark.side,
        probability: 0.0,
    }
}

/// How probable each variant is within its pattern.
fn forms(fitted: &[Fitted], family: Family) -> Vec<FormProbability> {
    let of_family = || fitted.iter().filter(|f| f.template.family == family);
    let top = of_family().map(|f| f.log_evidence).fold(f64::MIN, f64::max);
    let mut forms: Vec<FormProbability> = Vec::new();
    for f in of_family() {
        let weight = (f.log_evidence - top).exp();
        match forms.iter_mut().find(|form| form.name == f.template.form) {
            Some(form) => form.probability += weight,
            None => forms.push(FormProbability { name: f.template.form, probability: weight }),
        }
    }
    let total: f64 = forms.iter().map(|form| form.probability).sum();
    forms.iter_mut().for_each(|form| form.probability /= total);
    forms.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    forms
}

/// The probability that the animal went along the line and not against it; `None` where the patterns look the same both ways.
fn forwards(fitted: &[Fitted]) -> Option<f64> {
    let top = fitted.first()?.log_evidence;
    let (mut ahead, mut all, mut either) = (0.0, 0.0, 0.0);
    for f in fitted {
        let weight = (f.log_evidence - top).exp();
        all += weight;
        match (f.template.along_line, f.template.against_line) {
            (true, true) => either += weight,
            (true, false) => ahead += weight,
            _ => {}
        }
    }
    (either < CLOSE * all).then_some((ahead + 0.5 * either) / all)
}

fn groups(marks: &[Mark], fitted: &Fitted) -> Vec<Vec<usize>> {
    match fitted.template.group {
        true => fitted.cycles.iter().map(|c| c.placed.iter().map(|p| marks[p.mark].index).collect()).collect(),
        false => Vec::new(),
    }
}

fn foreign(marks: &[Mark], fitted: &Fitted) -> Vec<usize> {
    let own: BTreeSet<usize> = fitted.cycles.iter().flat_map(|c| &c.placed).map(|p| marks[p.mark].index).collect();
    let all: BTreeSet<usize> = marks.iter().map(|mark| mark.index).collect();
    all.difference(&own).copied().collect()
}

/// Prints that aren't there, between the first and the last.
fn missing(best: &Fitted) -> usize {
    let k = best.fit.slots.len();
    let (Some(first), Some(last)) = (best.cycles.first(), best.cycles.last()) else { return 0 };
    let before = first.placed.iter().map(|p| p.slot).min().unwrap_or(0);
    let after = k - 1 - last.placed.iter().map(|p| p.slot).max().unwrap_or(0);
    let cycles = 1 + best.cycles.iter().map(|c| c.strides_on).sum::<usize>();
    let seen: usize = best.cycles.iter().map(|c| c.placed.len()).sum();
    (k * cycles).saturating_sub(seen + before + after)
}

fn members(spots: &Spots, marks: &[Mark], best: &Fitted, weigher: &Weigher, forwards: Option<f64>) -> Vec<Member> {
    let doubt = best.doubt(marks, weigher);
    let mut members: Vec<Member> = marks.iter().map(|mark| unread(spots, mark)).collect();
    for (mark, member) in members.iter_mut().enumerate() {
        member.probability = doubt.as_ref().map_or(0.0, |doubt| 1.0 - doubt.belongs[mark]);
    }
    // Which side is left depends on the direction of travel, unless sides were named.
    let leftward = match forwards {
        _ if spots.sides_named() => Some(1.0),
        _ if !spots.from_above => None,
        _ if !weigher.travel.is_unknown() => Some(1.0),
        Some(p) if p > SURE => Some(1.0),
        Some(p) if p < 1.0 - SURE => Some(-1.0),
        _ => None,
    };
    let side = |across: f64| match leftward {
        Some(sign) if sign * across > 0.0 => Side::Left,
        Some(_) => Side::Right,
        None => Side::Unknown,
    };
    for (number, cycle) in best.cycles.iter().enumerate() {
        for placed in &cycle.placed {
            let slot = &best.fit.slots[placed.slot];
            let mark = &marks[placed.mark];
            members[placed.mark] = Member {
                group: best.template.group.then_some(number),
                belongs: true,
                foot: if mark.foot == Foot::Unknown { slot.foot } else { mark.foot },
                side: if mark.side == Side::Unknown { side(slot.across) } else { mark.side },
                probability: doubt.as_ref().map_or(0.0, |doubt| doubt.cycles[number].min(1.0)),
                ..members[placed.mark]
            };
        }
    }
    members.sort_by_key(|member| member.print);
    members
}

fn alternatives(marks: &[Mark], fitted: &[Fitted], patterns: &[PatternProbability]) -> Vec<Alternative> {
    let Some(best) = fitted.first() else { return Vec::new() };
    let close = patterns.iter().filter(|p| p.probability >= CLOSE && Family::of(p.name) != best.template.family);
    let alternative = |p: &PatternProbability| {
        let other = fitted.iter().find(|f| f.template.family == Family::of(p.name))?;
        Some(Alternative {
            pattern: p.name,
            probability: p.probability,
            groups: groups(marks, other),
            foreign: foreign(marks, other),
            stride_mm: other.fit.stride * MM_PER_CM,
        })
    };
    close.filter_map(alternative).collect()
}
