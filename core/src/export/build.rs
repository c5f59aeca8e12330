//! From a visit in the store to what leaves of it.

use super::data::Taxon;
use super::ids;
use super::leaving::{Event, EventKind, Leaving, Measure, Occurrence, Picture, Survey};
use super::policy::Policy;
use super::tally::Tally;
use crate::identify::{Facts, Grade, checked_grade};
use crate::measured::Measured;
use crate::place::{LocalPlane, Position};
use crate::store::Digest;
use crate::survey::{
    Check, Conditions, Identified, SignKind, SignNoted, StretchWalked, Verdict, Visit, absence, effort,
};

/// A trackless human's bare foot is nobody's record.
const PEOPLE: &str = "homo_sapiens";

/// What a sign is taken for.
struct Said<'a> {
    maker: &'a str,
    grade: Grade,
    /// Probability, band and whether that survives varied facts; of what the core says.
    by_the_core: Option<(&'a Identified, f64, [f64; 2])>,
    check: Option<&'a Check>,
}

/// What leaves of a visit. `roots`: what identifiers of the visit and of its place follow from.
pub(super) fn leaving(
    visit: &Visit,
    roots: [&Digest; 2],
    policy: &Policy,
    facts: &Facts,
    tally: &mut Tally,
) -> Leaving {
    let building = Building { visit, roots, policy, facts };
    let mut leaving = Leaving {
        events: building.visit_and_stretches(),
        survey: building.survey(),
        occurrences: Vec::new(),
        photos: Vec::new(),
        generalised: policy.generalised(),
        withheld: policy.withheld(),
    };
    for sign in &visit.signs {
        building.add_sign(sign, &mut leaving, tally);
    }
    building.add_absences(&mut leaving, tally);
    building.count_withheld(&leaving, tally);
    leaving
}

struct Building<'a> {
    visit: &'a Visit,
    roots: [&'a Digest; 2],
    policy: &'a Policy<'a>,
    facts: &'a Facts,
}

impl<'a> Building<'a> {
    fn id(&self, of: &[&str]) -> String {
        ids::id(self.roots[0], of)
    }

    fn visit_and_stretches(&self) -> Vec<Event> {
        let (visit, policy) = (self.visit, self.policy);
        let effort = effort(visit);
        let searched = |i: usize| {
            let stretch = &effort.stretches[i];
            stretch.by_track.as_ref().map(|track| track.covered_m).or(stretch.searched_m)
        };
        let all: Vec<f64> = (0..visit.stretches.len()).filter_map(searched).collect();
        let whole = Event {
            id: self.id(&["visit"]),
            parent: None,
            kind: EventKind::Visit,
            start: visit.opened.start,
            end: visit.closed.as_ref().map(|closed| closed.end),
            protocol: self.protocol(),
            searched_m: (!all.is_empty()).then(|| all.iter().sum()),
            effort: Some(self.effort_text(effort.people, effort.minutes)),
            location: Some(ids::id(self.roots[1], &["place"])),
            locality: policy.exact().then(|| visit.opened.place_name.clone()),
            habitat: None,
            spot: around(&self.positions()).and_then(|(at, radius_m)| policy.around(at, radius_m)),
            line: None,
            remarks: self.remarks(),
        };
        let stretch = |(i, stretch): (usize, &StretchWalked)| {
            let line: Vec<[f64; 2]> = stretch.line.iter().map(|[lon, lat]| [*lat, *lon]).collect();
            Event {
                id: self.id(&["stretch", &stretch.name]),
                parent: Some(whole.id.clone()),
                kind: EventKind::Stretch,
                searched_m: searched(i),
                effort: None,
                locality: policy.exact().then(|| stretch.name.clone()),
                spot: around(&line).and_then(|(at, radius_m)| policy.around(at, radius_m)),
                line: (policy.exact() && stretch.line.len() > 1).then(|| stretch.line.clone()),
                remarks: None,
                ..whole.clone()
            }
        };
        let stretches: Vec<Event> = visit.stretches.iter().enumerate().map(stretch).collect();
        std::iter::once(whole).chain(stretches).collect()
    }

    /// Latitude and longitude of all that is known of where the visit was.
    fn positions(&self) -> Vec<[f64; 2]> {
        let stretches = self.visit.stretches.iter().flat_map(|stretch| &stretch.line).map(|[lon, lat]| [*lat, *lon]);
        stretches.chain(self.visit.signs.iter().filter_map(|sign| sign.place)).collect()
    }

    fn protocol(&self) -> String {
        let (opened, words) = (&self.visit.opened, self.policy.words);
        let built_in = opened.protocol_rules.as_ref().map(|rules| format!("protocol.{}", rules.id));
        match built_in.filter(|key| words.has(key)) {
            Some(key) => words.say(&key).to_owned(),
            None => {
                self.policy.note(opened.protocol.as_ref()).unwrap_or_else(|| words.say("export.on_foot").to_owned())
            }
        }
    }

    fn effort_text(&self, people: usize, minutes: Option<i64>) -> String {
        let words = self.policy.words;
        let minutes = minutes.map(|minutes| format!("{minutes} min"));
        std::iter::once(words.count("summary.people", people)).chain(minutes).collect::<Vec<_>>().join(", ")
    }

    /// What every reader should know, and the worker's words where they may leave.
    fn remarks(&self) -> Option<String> {
        let notice = self.visit.opened.notice.as_ref().and_then(|notice| self.policy.plain(notice));
        let notes = self.visit.notes.iter().map(|note| &note.text).chain(&self.visit.opened.conditions.note);
        let all: Vec<String> =
            notice.into_iter().chain(notes.filter_map(|note| self.policy.note(Some(note)))).collect();
        (!all.is_empty()).then(|| all.join(" | "))
    }

    fn people(&self) -> Option<String> {
        self.policy.asked.names.then(|| self.visit.opened.people.join(" | "))
    }

    fn survey(&self) -> Survey {
        let opened = &self.visit.opened;
        let rules = opened.protocol_rules.as_ref();
        let [weather, extreme] = conditions(&opened.conditions);
        Survey {
            targets: opened.targets.iter().map(|target| Taxon::of(target).name).collect(),
            absent: Vec::new(),
            others: Vec::new(),
            searched_m: None,
            minutes: self.visit.closed.as_ref().map(|closed| (closed.end - opened.start).num_minutes()),
            protocol_source: rules
                .filter(|rules| crate::survey::Protocol::named(&rules.id).is_ok())
                .map(|rules| rules.source.clone()),
            samples: !self.visit.samples.is_empty(),
            people: self.people(),
            weather,
            extreme,
        }
    }

    /// What a sign is taken for: a second person's check decides, where there is one.
    fn said(&self, sign: &'a SignNoted) -> Option<Said<'a>> {
        let identified = self.visit.identification(&sign.id);
        let check = self.visit.verdict(&sign.id);
        if let Some(Check { verdict: Verdict::DoesNotFit, instead, .. }) = check {
            return Some(Said { maker: instead.as_deref()?, grade: Grade::Possible, by_the_core: None, check });
        }
        let by_the_core = identified.filter(|of| of.result.grade > Grade::None).and_then(|identified| {
            let leader = identified.result.leader()?;
            let grade = match check {
                Some(_) => checked_grade(&identified.evidence, &identified.result, self.facts, self.policy.words).0,
                None => identified.result.grade,
            };
            let by_the_core = Some((identified, leader.probability, leader.band));
            Some(Said { maker: &leader.maker, grade, by_the_core, check })
        });
        let by_eye = || {
            let maker = sign.taken_for.as_deref()?;
            Some(Said { maker, grade: Grade::Possible, by_the_core: None, check })
        };
        by_the_core.or_else(by_eye)
    }

    fn add_sign(&self, sign: &'a SignNoted, leaving: &mut Leaving, tally: &mut Tally) {
        let Some(said) = self.said(sign) else {
            let refused = self.visit.verdict(&sign.id).is_some_and(|check| check.verdict == Verdict::DoesNotFit);
            return tally.withheld(if refused { "refused" } else { "unidentified" }, 1);
        };
        if said.maker == PEOPLE {
            return tally.withheld("of_people", 1);
        }
        let event = leaving.events.len();
        let place = self.event_of(sign, leaving);
        leaving.events.push(place);
        let occurrence = self.occurrence(sign, &said, event);
        let name = &occurrence.taxon.name;
        let others = &mut leaving.survey.others;
        if !leaving.survey.targets.contains(name) && !others.contains(name) {
            others.push(name.clone());
        }
        self.add_photos(sign, leaving.occurrences.len(), leaving, tally);
        leaving.occurrences.push(occurrence);
    }

    fn event_of(&self, sign: &SignNoted, leaving: &Leaving) -> Event {
        let (visit, policy) = (self.visit, self.policy);
        let by_photo = || {
            sign.photos
                .iter()
                .filter_map(|file| visit.photo(file))
                .find_map(|photo| Some((photo.place?, photo.placed_by)))
        };
        let placed = sign.place.map(|place| (place, sign.placed_by)).or_else(by_photo);
        let spot = placed.and_then(|(place, placed_by)| policy.spot(place, sign.radius_68_m, placed_by));
        let parent = &leaving.events[placed.and_then(|(place, _)| self.stretch_of(place)).map_or(0, |i| i + 1)];
        let substrate = visit.identification(&sign.id).and_then(|identified| identified.evidence.substrate.clone());
        Event {
            id: self.id(&["place", &sign.id]),
            parent: Some(parent.id.clone()),
            kind: EventKind::Sign,
            start: sign.time.unwrap_or(visit.opened.start),
            end: if sign.time.is_some() { None } else { visit.closed.as_ref().map(|closed| closed.end) },
            searched_m: None,
            effort: None,
            habitat: substrate
                .map(|id| policy.words.say(&format!("substrate.{id}")).to_owned())
                .filter(|text| !text.contains("substrate.")),
            spot: spot.or(leaving.visit().spot),
            line: None,
            remarks: None,
            ..leaving.visit().clone()
        }
    }

    /// The stretch that a place lies nearest to.
    fn stretch_of(&self, place: [f64; 2]) -> Option<usize> {
        let away =
            self.visit.stretches.iter().enumerate().filter_map(|(i, stretch)| Some((stretch.locate(place)?.1, i)));
        away.min_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, i)| i)
    }

    fn occurrence(&self, sign: &SignNoted, said: &Said, event: usize) -> Occurrence {
        let words = self.policy.words;
        let taxon = Taxon::of(said.maker);
        let key = format!("maker.{}", said.maker);
        let name = if words.has(&key) { words.say(&key).to_owned() } else { taxon.name.clone() };
        let firm = said.by_the_core.is_none_or(|(identified, ..)| identified.result.firm);
        let doubted = said.grade <= Grade::Possible || !firm;
        let by_eye = said.by_the_core.is_none() && said.check.is_none();
        let observer = || self.people().filter(|_| by_eye);
        let program = || {
            said.by_the_core.map(|(identified, ..)| format!("Rakelight {}", clean_version(&identified.core_version)))
        };
        Occurrence {
            id: self.id(&["sign", &sign.id]),
            event,
            found: true,
            qualifier: self.qualifier(said, &taxon, doubted),
            verbatim: Some(format!("{}: {name}", words.say(grade_key(said.grade)))),
            name,
            taxon,
            identified_by: observer().or_else(program),
            identified_on: said.check.map(|check| check.at),
            verification: match said.check.map(|check| check.verdict) {
                Some(Verdict::DoesNotFit) => "disputed by a second person",
                Some(_) => "verified by a second person",
                None if said.by_the_core.is_some_and(|(identified, ..)| checked_there(identified)) => {
                    "verified by a second person"
                }
                None => "unverified",
            },
            remarks: said
                .by_the_core
                .map(|(identified, probability, band)| self.doubt(identified, said.grade, probability, band)),
            quantity: self.quantity(sign),
            people: self.people(),
            sign: Some(self.sign_text(sign)),
            measures: self.measures(sign),
        }
    }

    /// `cf.` where it is in doubt; the members of a group that can't be told apart.
    fn qualifier(&self, said: &Said, taxon: &Taxon, doubted: bool) -> Option<String> {
        let leader = said.by_the_core.and_then(|(identified, ..)| identified.result.leader());
        let members = leader
            .map(|leader| leader.members.iter().map(|member| Taxon::of(member).name).collect::<Vec<_>>().join(" / "));
        let members = members.filter(|members| !members.is_empty());
        match doubted {
            true => Some(format!("cf. {}", members.unwrap_or_else(|| taxon.name.clone()))),
            false => members,
        }
    }

    /// How sure, by what, and what else it may be.
    fn doubt(&self, identified: &Identified, grade: Grade, probability: f64, [low, high]: [f64; 2]) -> String {
        let words = self.policy.words;
        let others = identified.result.candidates.iter().skip(1).filter(|other| other.probability >= 0.01);
        let others = others.map(|other| format!("{} {:.2}", Taxon::of(&other.maker).name, other.probability));
        let values = [
            ("grade", words.say(grade_key(grade))),
            ("p", &*format!("{probability:.3}")),
            ("low", &*format!("{low:.3}")),
            ("high", &*format!("{high:.3}")),
            ("others", &*others.collect::<Vec<_>>().join(", ")),
        ];
        words.fill("export.doubt", &values)
    }

    fn quantity(&self, sign: &SignNoted) -> Option<(usize, &'static str)> {
        let evidence = &self.visit.identification(&sign.id)?.evidence;
        match sign.sign {
            SignKind::Dropping if !evidence.droppings.is_empty() => Some((evidence.droppings.len(), "droppings")),
            SignKind::Print if !evidence.prints.is_empty() => Some((evidence.prints.len(), "prints")),
            _ => None,
        }
    }

    fn sign_text(&self, sign: &SignNoted) -> String {
        let kind =
            serde_json::to_value(sign.sign).ok().and_then(|kind| kind.as_str().map(|kind| kind.replace('_', " ")));
        let known = |class: &&String| matches!(class.as_str(), "fresh" | "recent" | "old");
        let freshness = sign.freshness.as_ref().filter(known).cloned();
        let parts = [kind, freshness, self.policy.note(sign.note.as_ref())];
        parts.into_iter().flatten().collect::<Vec<_>>().join("; ")
    }

    fn measures(&self, sign: &SignNoted) -> Vec<Measure> {
        let Some(identified) = self.visit.identification(&sign.id) else { return vec![] };
        let (evidence, words) = (&identified.evidence, self.policy.words);
        let mut measures = Vec::new();
        let mut add = |what: String, value: Option<f64>, u: Option<f64>, method: &str| {
            let Some(mm) = value.zip(u).and_then(|(value, u)| Measured::new(value, u)) else { return };
            let id = self.id(&["measure", &sign.id, &what, &measures.len().to_string()]);
            measures.push(Measure { id, what, mm, method: method.to_owned() });
        };
        for print in &evidence.prints {
            let foot = match print.foot {
                crate::identify::Foot::Fore => "fore print",
                crate::identify::Foot::Hind => "hind print",
                crate::identify::Foot::Unknown => "print",
            };
            let method =
                self.method(sign, print.width_mm.or(print.length_without_heel_mm).or(print.length_with_heel_mm));
            add(format!("{foot} width"), print.width_mm, print.u_width_mm, &method);
            add(
                format!("{foot} length without heel"),
                print.length_without_heel_mm,
                print.u_length_without_heel_mm,
                &method,
            );
            add(format!("{foot} length with heel"), print.length_with_heel_mm, print.u_length_with_heel_mm, &method);
        }
        if let Some(trail) = &evidence.trail {
            let method = words.say("export.method.trail");
            add("stride".into(), trail.stride_mm, trail.u_stride_mm, method);
            add("group length".into(), trail.group_length_mm, trail.u_group_length_mm, method);
            add("straddle".into(), trail.straddle_mm, trail.u_straddle_mm, method);
        }
        for dropping in &evidence.droppings {
            let method = words.say("export.method.typed");
            add("dropping width".into(), dropping.width_mm, dropping.u_width_mm, method);
            add("dropping length".into(), dropping.length_mm, dropping.u_length_mm, method);
        }
        measures
    }

    /// How a print with this measure came to it: in one of the sign's photographs, by which scale; else it was typed.
    fn method(&self, sign: &SignNoted, mm: Option<f64>) -> String {
        let words = self.policy.words;
        let measured = self.visit.measured.iter().filter(|measured| sign.photos.contains(&measured.file));
        let has_it = |measurement: &serde_json::Value| {
            let prints = measurement["prints"].as_array().into_iter().flatten();
            let keys = ["width_mm", "length_without_heel_mm", "length_with_heel_mm"];
            mm.is_some() && prints.into_iter().any(|print| keys.iter().any(|key| print[*key].as_f64() == mm))
        };
        let found = measured.map(|measured| &measured.measurement).find(|measurement| has_it(measurement));
        let scale = found.map(|measurement| measurement["scale"]["kind"].as_str().unwrap_or_default());
        match scale.filter(|kind| ["card", "id1", "a4", "a5", "coin", "ruler"].contains(kind)) {
            Some("ruler") => words.say("export.method.ruler").to_owned(),
            Some(kind) => words.fill("export.method.photo", &[("scale", kind)]),
            None => words.say("export.method.typed").to_owned(),
        }
    }

    fn add_photos(&self, sign: &SignNoted, of: usize, leaving: &mut Leaving, tally: &mut Tally) {
        if matches!(sign.sign, SignKind::RestingPlace) {
            return tally.withheld("resting_places", sign.photos.len());
        }
        for photo in sign.photos.iter().filter_map(|file| self.visit.photo(file)) {
            let id = self.id(&["photo", &photo.sha256]);
            match leaving.photos.iter_mut().find(|known| known.id == id) {
                Some(known) => known.of.push(of),
                None => leaving.photos.push(Picture {
                    id,
                    sha256: photo.sha256.clone(),
                    of: vec![of],
                    taken: photo.taken,
                    shows: serde_json::to_value(sign.sign)
                        .ok()
                        .and_then(|kind| kind.as_str().map(|kind| kind.replace('_', " "))),
                }),
            }
        }
    }

    /// Targets that were looked for with enough effort, and of which there was no sign at all.
    fn add_absences(&self, leaving: &mut Leaving, tally: &mut Tally) {
        leaving.survey.searched_m = leaving.visit().searched_m;
        for target in &self.visit.opened.targets {
            let is_it = |sign: &'a SignNoted| {
                self.said(sign).is_some_and(|said| {
                    let members = said
                        .by_the_core
                        .and_then(|(identified, ..)| identified.result.leader())
                        .map(|leader| &leader.members);
                    said.maker == target || members.is_some_and(|members| members.contains(target))
                })
            };
            if self.visit.signs.iter().any(is_it) {
                continue;
            }
            let enough = self.visit.closed.is_some() && absence(self.visit, target).is_ok_and(|absence| absence.enough);
            if !enough {
                tally.withheld("too_little_searched", 1);
                continue;
            }
            let taxon = Taxon::of(target);
            leaving.survey.absent.push(taxon.name.clone());
            let words = self.policy.words;
            leaving.occurrences.push(Occurrence {
                id: self.id(&["absent", target]),
                event: 0,
                found: false,
                name: words.say(&format!("maker.{target}")).to_owned(),
                taxon,
                verbatim: None,
                qualifier: None,
                identified_by: None,
                identified_on: None,
                verification: "",
                remarks: Some(words.say("export.absent").to_owned()),
                quantity: None,
                people: self.people(),
                sign: None,
                measures: vec![],
            });
        }
    }

    fn count_withheld(&self, leaving: &Leaving, tally: &mut Tally) {
        let visit = self.visit;
        let notes = visit.signs.iter().filter(|sign| sign.note.is_some()).count() + visit.notes.len();
        if !self.policy.exact() {
            tally.withheld("positions", leaving.events.iter().filter(|event| event.spot.is_some()).count());
            tally.withheld("places", 1 + visit.stretches.len());
        }
        tally.withheld("tracks", visit.track.len());
        tally.withheld("landowners", usize::from(visit.opened.landowner.is_some()));
        if !self.policy.asked.names {
            tally.withheld("people", visit.opened.people.len());
        }
        if !self.policy.asked.notes {
            tally.withheld("notes", notes);
        }
        tally.withheld("photos", visit.photos.len().saturating_sub(leaving.photos.len()));
    }
}

/// The middle of what was visited, and how far the rest lies from it, m.
fn around(places: &[[f64; 2]]) -> Option<([f64; 2], f64)> {
    let middle = |i: usize| {
        let span = places.iter().fold((f64::MAX, f64::MIN), |(low, high), p| (low.min(p[i]), high.max(p[i])));
        (span.0 + span.1) / 2.0
    };
    let [lat, lon] = places.first().map(|_| [middle(0), middle(1)])?;
    let plane = LocalPlane::at(&Position::new(lat, lon, None).ok()?);
    let away = places.iter().map(|[lat, lon]| {
        let [x, y] = plane.metres(*lat, *lon);
        x.hypot(y)
    });
    Some(([lat, lon], away.fold(1.0, f64::max)))
}

/// Weather and what was extreme, as far as it was noted in the words that are known.
fn conditions(noted: &Conditions) -> [Option<String>; 2] {
    let rain = noted.days_without_rain.map(|days| format!("days without rain: {days}"));
    let water = noted.water_level.as_deref().filter(|level| ["low", "normal", "high", "flood"].contains(level));
    let tide = noted.tide.as_deref().filter(|tide| ["falling", "low", "rising", "high"].contains(tide));
    let parts = rain
        .into_iter()
        .chain(water.map(|level| format!("water level: {level}")))
        .chain(tide.map(|tide| format!("tide: {tide}")));
    let weather = parts.collect::<Vec<_>>().join("; ");
    let extreme = water.filter(|level| *level == "flood").map(str::to_owned);
    [Some(weather).filter(|text| !text.is_empty()), extreme]
}

/// Whether a second person looked at it where it lay.
fn checked_there(identified: &Identified) -> bool {
    identified.evidence.droppings.iter().any(|dropping| dropping.checked)
}

fn grade_key(grade: Grade) -> &'static str {
    match grade {
        Grade::Recorded => "visit.grade_recorded",
        Grade::Likely => "visit.grade_likely",
        Grade::Possible => "visit.grade_possible",
        Grade::None => "visit.grade_none",
    }
}

/// A version is digits and dots; what else stands there comes from another machine.
fn clean_version(version: &str) -> String {
    version.chars().filter(|c| c.is_ascii_digit() || *c == '.').take(20).collect()
}
