//! Who made a print, how sure, why, and what to look at next.

use rakelight_core::identify::{self, Evidence, PrintEvidence, TrailEvidence};
use rakelight_core::survey::{self, Identified, Record, SignNoted, Visit};
use serde_json::{Map, Value};

use crate::{
    Arrangement, Dropping, Feature, Grade, Moment, Remains, Setting, ShellError, SignKind, Standing, Workspace,
};

/// What was looked at beside the measures. `None` and `NotLooked` are 'not known'.
#[derive(Debug, Clone, uniffi::Record)]
pub struct Features {
    /// The ground, by its name in the core's data (`firm_mud`, `soft_mud`, `wet_sand` …).
    pub substrate: Option<String>,
    /// How many toes registered; where it isn't said, as many as were marked.
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
    /// A trail of the same visit that the print belongs to.
    pub trail: Option<String>,
    /// Marks of tail or belly along the trail.
    #[uniffi(default = None)]
    pub drag_mark: Option<Feature>,
    /// Where it was found.
    #[uniffi(default = None)]
    pub setting: Option<Setting>,
    /// Droppings that go with it.
    #[uniffi(default = [])]
    pub droppings: Vec<Dropping>,
    /// Remains of meals beside it.
    #[uniffi(default = [])]
    pub feeding_remains: Vec<Remains>,
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

/// What a visit found of one track maker.
#[derive(Debug, Clone, uniffi::Record)]
pub struct Finding {
    /// As in [`Candidate`].
    pub maker: String,
    /// In the workspace's language.
    pub name: String,
    /// The best of its signs.
    pub grade: Grade,
    /// The signs.
    pub signs: Vec<String>,
}

impl From<survey::Finding> for Finding {
    fn from(finding: survey::Finding) -> Self {
        Self { maker: finding.maker, name: finding.name, grade: finding.grade, signs: finding.signs }
    }
}

#[uniffi::export]
impl Workspace {
    /// Notes a sign of a visit and identifies who left it: from the print measured in a photograph of the visit, if one is named, and
    /// from what else was looked at.
    pub fn identify(
        &self,
        visit: String,
        sign: String,
        kind: SignKind,
        sha256: Option<String>,
        features: Features,
        now: Moment,
    ) -> Result<Answer, ShellError> {
        let visit = self.visit(&visit)?;
        let facts = self.facts()?;
        let evidence = evidence(&visit, sha256.as_deref(), &features)?;
        let result = identify::identify(&evidence, &facts, &self.words).map_err(ShellError::input)?;
        let photo = visit.photos.iter().find(|photo| Some(&photo.sha256) == sha256.as_ref());
        let noted = SignNoted {
            id: sign.clone(),
            sign: kind,
            photos: photo.map(|photo| photo.file.clone()).into_iter().collect(),
            trail: features.trail,
            place: photo.and_then(|photo| photo.place),
            placed_by: photo.and_then(|photo| photo.placed_by),
            time: photo.and_then(|photo| photo.taken),
            freshness: None,
            below_high_water: None,
            note: None,
        };
        let answer = Answer::from(&result);
        let identified = Identified {
            sign,
            evidence,
            result,
            core_version: env!("CARGO_PKG_VERSION").into(),
            facts_digest: facts.digest(),
        };
        self.write(&visit, vec![Record::SignNoted(noted), Record::Identification(identified)], now.utc()?)?;
        Ok(answer)
    }
}

fn evidence(visit: &Visit, sha256: Option<&str>, features: &Features) -> Result<Evidence, ShellError> {
    let print = print(visit, sha256, features)?;
    Ok(Evidence {
        substrate: features.substrate.clone(),
        setting: features.setting.clone(),
        // A sign without a print has no print to look at.
        prints: Some(print).filter(|print| *print != PrintEvidence::default()).into_iter().collect(),
        trail: trail(visit, features)?,
        droppings: features.droppings.clone(),
        feeding_remains: features.feeding_remains.clone(),
    })
}

fn print(visit: &Visit, sha256: Option<&str>, features: &Features) -> Result<PrintEvidence, ShellError> {
    let measured = visit.measured.iter().find(|measured| Some(measured.sha256.as_str()) == sha256);
    let measures = measured.and_then(|measured| measured.evidence(None)).unwrap_or_default();
    let mut print: PrintEvidence = read(measures)?;
    let number = |toe: i32| u8::try_from(toe).map_err(|_| ShellError::input("toes are counted from 0 to 5"));
    if let Some(toes) = features.toes_seen {
        print.toes_seen = Some(number(toes)?);
    }
    if let Some(which) = &features.which_toes {
        print.which_toes = Some(which.iter().map(|&toe| number(toe)).collect::<Result<_, _>>()?);
    }
    print.claws = features.claws;
    print.webbing = features.webbing;
    print.heel_pad = features.heel_pad;
    print.arrangement = features.arrangement;
    Ok(print)
}

fn trail(visit: &Visit, features: &Features) -> Result<Option<TrailEvidence>, ShellError> {
    let measured = features.trail.as_ref().map(|id| {
        let found = visit.trails.iter().find(|trail| trail.id == *id);
        read(found.ok_or_else(|| ShellError::NotFound { what: "trail".into(), id: id.clone() })?.evidence())
    });
    let mut trail: Option<TrailEvidence> = measured.transpose()?;
    if let Some(drag_mark) = features.drag_mark {
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
