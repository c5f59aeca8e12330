//! Who made a print, how sure, why, and what to look at next.

use rakelight_core::identify::{self, Evidence, PrintEvidence, TrailEvidence};
use rakelight_core::survey::Visit;
use serde_json::{Map, Value};

use crate::{Arrangement, Dropping, Feature, Foot, Grade, Remains, Setting, ShellError, Standing};

/// What was seen of a sign, beside what is measured. `None` and `NotLooked` are 'not known'.
#[derive(Debug, Clone, Default, uniffi::Record)]
pub struct Seen {
    /// The ground, by its name in the core's data (`firm_mud`, `soft_mud`, `wet_sand` …).
    #[uniffi(default = None)]
    pub substrate: Option<String>,
    /// Where it was found.
    #[uniffi(default = None)]
    pub setting: Option<Setting>,
    /// Prints of one animal.
    #[uniffi(default = [])]
    pub prints: Vec<PrintSeen>,
    /// A trail of the same visit that they belong to.
    #[uniffi(default = None)]
    pub trail: Option<String>,
    /// Marks of tail or belly along the trail.
    #[uniffi(default = None)]
    pub drag_mark: Option<Feature>,
    /// Droppings that go with it.
    #[uniffi(default = [])]
    pub droppings: Vec<Dropping>,
    /// Remains of meals beside it.
    #[uniffi(default = [])]
    pub feeding_remains: Vec<Remains>,
}

/// A print; what was measured of it in its photograph goes with it.
#[derive(Debug, Clone, uniffi::Record)]
pub struct PrintSeen {
    /// The photograph that it was measured in.
    #[uniffi(default = None)]
    pub sha256: Option<String>,
    /// Fore or hind, where it wasn't said when it was measured.
    pub foot: Foot,
    /// How many toes registered; where it isn't said, as many as were marked.
    #[uniffi(default = None)]
    pub toes_seen: Option<i32>,
    /// Which toes registered, where the inner side is known: 1, the inner one of five, to 5, the outer one.
    #[uniffi(default = None)]
    pub which_toes: Option<Vec<i32>>,
    /// Claw marks.
    pub claws: Feature,
    /// Webbing between the toes.
    pub webbing: Feature,
    /// A heel pad behind the central one.
    pub heel_pad: Feature,
    /// How the toes stand.
    pub arrangement: Arrangement,
}

/// One track maker, or a group that can't be told apart.
#[derive(Debug, Clone, uniffi::Record)]
pub struct Candidate {
    /// Scientific name in snake case, a group, or `none_of_these`.
    pub maker: String,
    /// In the workspace's language.
    pub name: String,
    /// 0 to 1.
    pub probability: f64,
    /// How far the probability moves when the facts are varied: from here …
    pub low: f64,
    /// … to here.
    pub high: f64,
    /// Fits, not ruled out, ruled out.
    pub standing: Standing,
    /// The observation that speaks most against it (`width_mm`, `toes_seen` …).
    pub by: Option<String>,
}

/// Something to look at next.
#[derive(Debug, Clone, uniffi::Record)]
pub struct Look {
    /// The observation (`webbing` …).
    pub look_for: String,
    /// In words.
    pub text: String,
}

/// Who made it.
#[derive(Debug, Clone, uniffi::Record)]
pub struct Answer {
    /// The likeliest first; the probabilities sum to 1.
    pub candidates: Vec<Candidate>,
    /// Whether the first keeps its lead when the facts are varied.
    pub firm: bool,
    /// The evidence grade.
    pub grade: Grade,
    /// The rule that gave the grade, in words.
    pub rule: String,
    /// In words, the heaviest first.
    pub reasons: Vec<String>,
    /// The most telling first.
    pub next: Vec<Look>,
}

/// What the worker saw and what was measured, as the core's evidence.
pub(crate) fn evidence(visit: &Visit, seen: &Seen) -> Result<Evidence, ShellError> {
    let prints = seen.prints.iter().map(|seen| print(visit, seen)).collect::<Result<Vec<_>, _>>()?;
    Ok(Evidence {
        substrate: seen.substrate.clone(),
        setting: seen.setting.clone(),
        prints,
        trail: trail(visit, seen)?,
        droppings: seen.droppings.clone(),
        feeding_remains: seen.feeding_remains.clone(),
    })
}

fn print(visit: &Visit, seen: &PrintSeen) -> Result<PrintEvidence, ShellError> {
    let measured = seen.sha256.as_ref().and_then(|sha256| visit.measured.iter().find(|m| m.sha256 == *sha256));
    let measures = measured.and_then(|measured| measured.evidence(None)).unwrap_or_default();
    let mut print: PrintEvidence = read(measures)?;
    let number = |toe: i32| u8::try_from(toe).map_err(|_| ShellError::input("toes are counted from 0 to 5"));
    match seen.foot {
        Foot::Fore => print.foot = identify::Foot::Fore,
        Foot::Hind => print.foot = identify::Foot::Hind,
        Foot::Unknown => {}
    }
    if let Some(toes) = seen.toes_seen {
        print.toes_seen = Some(number(toes)?);
    }
    if let Some(which) = &seen.which_toes {
        print.which_toes = Some(which.iter().map(|&toe| number(toe)).collect::<Result<_, _>>()?);
    }
    print.claws = seen.claws;
    print.webbing = seen.webbing;
    print.heel_pad = seen.heel_pad;
    print.arrangement = seen.arrangement;
    Ok(print)
}

fn trail(visit: &Visit, seen: &Seen) -> Result<Option<TrailEvidence>, ShellError> {
    let measured = seen.trail.as_ref().map(|id| {
        let found = visit.trails.iter().find(|trail| trail.id == *id);
        read(found.ok_or_else(|| ShellError::NotFound { what: "trail".into(), id: id.clone() })?.evidence())
    });
    let mut trail: Option<TrailEvidence> = measured.transpose()?;
    if let Some(drag_mark) = seen.drag_mark {
        trail.get_or_insert_default().drag_mark = drag_mark;
    }
    Ok(trail)
}

/// Measures as evidence.
fn read<T: serde::de::DeserializeOwned>(measures: Map<String, Value>) -> Result<T, ShellError> {
    serde_json::from_value(Value::Object(measures)).map_err(ShellError::internal)
}

impl From<&identify::Identification> for Answer {
    fn from(result: &identify::Identification) -> Self {
        let candidate = |c: &identify::Candidate| Candidate {
            maker: c.maker.clone(),
            name: c.name.clone(),
            probability: c.probability,
            low: c.band[0],
            high: c.band[1],
            standing: c.standing,
            by: c.by.clone(),
        };
        Self {
            candidates: result.candidates.iter().map(candidate).collect(),
            firm: result.firm,
            grade: result.grade,
            rule: result.rule.clone(),
            reasons: result.reasons.iter().map(|reason| reason.text.clone()).collect(),
            next: result.next.iter().map(|l| Look { look_for: l.look_for.clone(), text: l.text.clone() }).collect(),
        }
    }
}
