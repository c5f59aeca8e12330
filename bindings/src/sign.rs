//! A visit's signs: noted and identified, listed, taken back; samples of them.

use rakelight_core::identify::{self, Evidence};
use rakelight_core::survey::{
    Identified, Note, PhotoAttached, PlacedBy, Record, SampleTaken, SignNoted, Visit, Withdrawal,
};

use crate::maker::{Answer, Seen, evidence};
use crate::{Grade, Moment, Place, ShellError, SignKind, Workspace};

/// A sign as the worker notes it.
#[derive(Debug, Clone, uniffi::Record)]
pub struct SignForm {
    /// Its name within the visit; noted again under the same name, the newer one counts.
    pub id: String,
    /// What it is.
    pub kind: SignKind,
    /// Photographs of the visit that show it.
    #[uniffi(default = [])]
    pub photos: Vec<String>,
    /// Where the phone stood; else the first photograph's place.
    #[uniffi(default = None)]
    pub place: Option<Place>,
    /// When it was found.
    pub time: Moment,
    /// Its class of appearance (see [`Workspace::choices`]).
    #[uniffi(default = None)]
    pub freshness: Option<String>,
    /// Whether the tide washes over its place.
    #[uniffi(default = None)]
    pub below_high_water: Option<bool>,
    /// The track maker that the animal itself was taken for, where it was seen alive or dead.
    #[uniffi(default = None)]
    pub taken_for: Option<String>,
    /// Anything else.
    #[uniffi(default = None)]
    pub note: Option<String>,
    /// What it looks like.
    pub seen: Seen,
}

/// A sign of a visit in a list.
#[derive(Debug, Clone, PartialEq, uniffi::Record)]
pub struct SignLine {
    /// Its name within the visit.
    pub id: String,
    /// What it is.
    pub kind: SignKind,
    /// When it was found.
    pub time: Option<Moment>,
    /// Whether its place is known.
    pub has_place: bool,
    /// Its first photograph.
    pub sha256: Option<String>,
    /// The likeliest maker, in words, where one has a grade.
    pub maker: Option<String>,
    /// How sure that is.
    pub grade: Grade,
    /// The pots with samples of it.
    pub pots: Vec<String>,
    /// What else was said.
    pub note: Option<String>,
}

/// A part of a sign that was taken along.
#[derive(Debug, Clone, uniffi::Record)]
pub struct Sample {
    /// What is written on the pot.
    pub pot: String,
    /// The sign that it is from.
    pub sign: String,
    /// Who holds it.
    pub held_by: String,
    /// Since when.
    pub since: Moment,
    /// What it is, or under which permit.
    pub note: Option<String>,
}

#[uniffi::export]
impl Workspace {
    /// Notes a sign of a visit and identifies who left it; `None` where there is nothing to tell a maker by.
    pub fn note_sign(&self, visit: String, form: SignForm, now: Moment) -> Result<Option<Answer>, ShellError> {
        let visit = self.visit(&visit)?;
        let identified = self.identified(&visit, &form)?;
        let answer = identified.as_ref().map(|identified| Answer::from(&identified.result));
        let mut records = vec![Record::SignNoted(form.noted(&visit)?)];
        records.extend(identified.map(Record::Identification));
        self.write(&visit, records, now.utc()?)?;
        Ok(answer)
    }

    /// Who would have left it, without writing anything: for answers that are still being tried.
    pub fn would_be(&self, visit: String, form: SignForm) -> Result<Option<Answer>, ShellError> {
        let identified = self.identified(&self.visit(&visit)?, &form)?;
        Ok(identified.map(|identified| Answer::from(&identified.result)))
    }

    /// The signs of a visit, the latest first.
    pub fn signs(&self, visit: String) -> Result<Vec<SignLine>, ShellError> {
        let visit = self.visit(&visit)?;
        let mut lines: Vec<SignLine> = visit.signs.iter().map(|sign| self.line(&visit, sign)).collect();
        lines.reverse();
        lines.sort_by_key(|line| std::cmp::Reverse(line.time.map(|time| time.utc_ms)));
        Ok(lines)
    }

    /// Takes a sign back: it isn't shown any more, why it was taken back is kept.
    pub fn withdraw_sign(&self, visit: String, sign: String, why: String, now: Moment) -> Result<(), ShellError> {
        let visit = self.visit(&visit)?;
        let withdrawal = Withdrawal { of_kind: "sign_noted".into(), of_subject: sign, why, erased: vec![] };
        self.write(&visit, vec![Record::Withdrawal(withdrawal)], now.utc()?)
    }

    /// Says that a sample of a sign was taken, or who holds it now.
    pub fn take_sample(&self, visit: String, sample: Sample, now: Moment) -> Result<(), ShellError> {
        let visit = self.visit(&visit)?;
        if sample.pot.trim().is_empty() || sample.held_by.trim().is_empty() {
            return Err(ShellError::input("a sample needs what is written on its pot, and who holds it"));
        }
        let since = sample.since.local()?;
        let Sample { pot, sign, held_by, note, .. } = sample;
        let taken = SampleTaken { pot: pot.trim().into(), sign, held_by: held_by.trim().into(), since, note };
        self.write(&visit, vec![Record::SampleTaken(taken)], now.utc()?)
    }

    /// The samples of a visit.
    pub fn samples(&self, visit: String) -> Result<Vec<Sample>, ShellError> {
        let sample =
            |SampleTaken { pot, sign, held_by, since, note }| Sample { pot, sign, held_by, since: since.into(), note };
        Ok(self.visit(&visit)?.samples.into_iter().map(sample).collect())
    }

    /// Something worth keeping that is no sign.
    pub fn note(&self, visit: String, text: String, place: Option<Place>, at: Moment) -> Result<(), ShellError> {
        let visit = self.visit(&visit)?;
        let note = Note { text, place: place.map(|place| [place.lat, place.lon]), at: at.local()? };
        self.write(&visit, vec![Record::Note(note)], at.utc()?)
    }
}

impl Workspace {
    fn identified(&self, visit: &Visit, form: &SignForm) -> Result<Option<Identified>, ShellError> {
        let evidence = evidence(visit, &form.seen)?;
        // Ground and place alone tell no maker.
        let bare = Evidence {
            substrate: evidence.substrate.clone(),
            setting: evidence.setting.clone(),
            ..Evidence::default()
        };
        if evidence == bare {
            return Ok(None);
        }
        let facts = self.facts()?;
        let result = identify::identify(&evidence, &facts, &self.words).map_err(ShellError::input)?;
        let (core_version, facts_digest) = (env!("CARGO_PKG_VERSION").into(), facts.digest());
        Ok(Some(Identified { sign: form.id.clone(), evidence, result, core_version, facts_digest }))
    }

    fn line(&self, visit: &Visit, sign: &SignNoted) -> SignLine {
        let identified = visit.identification(&sign.id).map(|identified| &identified.result);
        let leader = identified.filter(|result| result.grade > Grade::None).and_then(|result| result.leader());
        let of_sign = |sample: &&SampleTaken| sample.sign == sign.id;
        let name = |maker: &str| {
            let key = format!("maker.{maker}");
            if self.words.has(&key) { self.words.say(&key).to_owned() } else { maker.to_owned() }
        };
        SignLine {
            id: sign.id.clone(),
            kind: sign.sign,
            time: sign.time.map(Moment::from),
            has_place: sign.place.is_some(),
            sha256: sign.photos.iter().find_map(|file| Some(visit.photo(file)?.sha256.clone())),
            maker: leader.map(|leader| leader.maker.as_str()).or(sign.taken_for.as_deref()).map(name),
            grade: identified.map_or(Grade::None, |result| result.grade),
            pots: visit.samples.iter().filter(of_sign).map(|sample| sample.pot.clone()).collect(),
            note: sign.note.clone(),
        }
    }
}

impl SignForm {
    fn noted(self, visit: &Visit) -> Result<SignNoted, ShellError> {
        let photo = |sha256: &String| {
            let found = visit.photos.iter().find(|photo| photo.sha256 == *sha256);
            found.ok_or_else(|| ShellError::NotFound { what: "photograph of this visit".into(), id: sha256.clone() })
        };
        let photos: Vec<&PhotoAttached> = self.photos.iter().map(photo).collect::<Result<_, _>>()?;
        let by_photo = || photos.iter().find_map(|photo| photo.place.zip(photo.placed_by));
        let by_phone = self.place.as_ref().map(|place| ([place.lat, place.lon], PlacedBy::Phone));
        let (place, placed_by) = by_phone.or_else(by_photo).unzip();
        let text = |text: Option<String>| text.map(|text| text.trim().to_owned()).filter(|text| !text.is_empty());
        Ok(SignNoted {
            id: self.id,
            sign: self.kind,
            photos: photos.iter().map(|photo| photo.file.clone()).collect(),
            trail: self.seen.trail,
            place,
            placed_by,
            radius_68_m: self.place.and_then(|place| place.radius_68_m),
            taken_for: self.taken_for,
            time: Some(self.time.local()?),
            freshness: self.freshness,
            below_high_water: self.below_high_water,
            note: text(self.note),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::{START, workspace};
    use crate::{
        Arrangement, Dropping, Feature, Foot, Form, Mark, Marks, Point, PrintSeen, ScaleBy, Side, Smell, Vegetation,
    };

    fn form(id: &str, kind: SignKind, seen: Seen) -> SignForm {
        let (place, time) = (Some(Place { lat: 54.0, lon: 7.6, radius_68_m: Some(4.0) }), START);
        let photos = vec![];
        SignForm {
            id: id.into(),
            kind,
            photos,
            place,
            time,
            freshness: None,
            below_high_water: None,
            taken_for: None,
            note: None,
            seen,
        }
    }

    fn print(sha256: &str, toes_seen: Option<i32>) -> PrintSeen {
        PrintSeen {
            sha256: Some(sha256.into()),
            foot: Foot::Unknown,
            toes_seen,
            which_toes: None,
            claws: Feature::NotLooked,
            webbing: Feature::NotLooked,
            heel_pad: Feature::NotLooked,
            arrangement: Arrangement::NotLooked,
        }
    }

    #[test]
    fn where_nobody_says_how_many_toes_registered_those_that_were_marked_count() {
        let folder = tempfile::tempdir().unwrap();
        let (core, visit, sha256) = workspace(folder.path());
        let mark = |name: &str, x: f64, y: f64| Mark { name: name.into(), at: Point { x, y } };
        let points = (1..=5).map(|n| mark(&format!("toe_{n}_tip"), 1000.0 + 60.0 * f64::from(n), 600.0)).collect();
        let marks = Marks { print: "h1".into(), foot: Foot::Hind, side: Side::Left, points, u_px: 1.5 };
        core.measure(visit.clone(), sha256.clone(), ScaleBy::Card { check_line_mm: None }, marks, START).unwrap();
        let dog = |toes_seen: Option<i32>| {
            let seen = Seen { prints: vec![print(&sha256, toes_seen)], ..Seen::default() };
            let answer = core.would_be(visit.clone(), form("s1", SignKind::Print, seen)).unwrap().unwrap();
            answer.candidates.iter().find(|c| c.maker == "canis_familiaris").unwrap().probability
        };
        assert_eq!(dog(None), dog(Some(5)));
        assert!(dog(None) < 0.5 * dog(Some(4)));
        assert!(core.signs(visit).unwrap().is_empty(), "what was only tried isn't noted");
    }

    #[test]
    fn a_sign_stands_in_the_list_with_place_maker_grade_and_pot_until_it_is_taken_back() {
        let folder = tempfile::tempdir().unwrap();
        let (core, visit, sha256) = workspace(folder.path());
        let dropping = Dropping {
            contents: Some(vec![rakelight_core::identify::Content::FishScales]),
            form: Form::Shapeless,
            smell: Smell::SweetFishy,
            prominent_spot: Some(true),
            vegetation: Vegetation::Greened,
            ..Dropping::default()
        };
        let seen = Seen { droppings: vec![dropping], ..Seen::default() };
        let noted =
            SignForm { photos: vec![sha256.clone()], note: Some("  ".into()), ..form("d1", SignKind::Dropping, seen) };
        let answer = core.note_sign(visit.clone(), noted, START).unwrap().unwrap();
        assert_eq!(answer.candidates[0].maker, "lutra_lutra");
        let sample =
            |pot: &str| Sample { pot: pot.into(), sign: "d1".into(), held_by: "Ida".into(), since: START, note: None };
        core.take_sample(visit.clone(), sample("K 7"), START).unwrap();
        assert!(matches!(core.take_sample(visit.clone(), sample(" "), START), Err(ShellError::BadInput { .. })));
        let line = core.signs(visit.clone()).unwrap().remove(0);
        assert_eq!((line.maker.as_deref(), line.grade > Grade::None), (Some("Eurasian otter"), true));
        assert_eq!(
            (line.pots, line.sha256, line.has_place, line.note),
            (vec!["K 7".to_owned()], Some(sha256), true, None)
        );
        let placed = core.visit(&visit).unwrap().signs.remove(0);
        assert_eq!((placed.placed_by, placed.radius_68_m), (Some(PlacedBy::Phone), Some(4.0)));
        core.withdraw_sign(visit.clone(), "d1".into(), "noted twice".into(), START).unwrap();
        assert!(core.signs(visit).unwrap().is_empty());
    }

    #[test]
    fn ground_and_place_alone_tell_no_maker_and_a_dead_animal_is_what_the_worker_took_it_for() {
        let folder = tempfile::tempdir().unwrap();
        let (core, visit, _) = workspace(folder.path());
        let seen = Seen { substrate: Some("firm_mud".into()), ..Seen::default() };
        let found = SignForm { taken_for: Some("lutra_lutra".into()), ..form("x1", SignKind::DeadAnimal, seen) };
        assert!(core.note_sign(visit.clone(), found, START).unwrap().is_none());
        let line = core.signs(visit).unwrap().remove(0);
        assert_eq!((line.maker.as_deref(), line.grade), (Some("Eurasian otter"), Grade::None));
    }
}
