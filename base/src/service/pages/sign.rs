//! One sign: its photographs, what was seen, and who made it. Whoever looks for the first time names the maker before anything else is shown.

use axum::extract::Path;
use axum::response::Response;
use chrono::{SubsecRound, Utc};
use rakelight_core::exchange::wire::Role;
use rakelight_core::identify::{Facts, Grade, Standing, observed};
use rakelight_core::print::{measure_in, measure_text};
use rakelight_core::survey::{
    Check, Identified, Opinion, Record, SignKind, SignNoted, Verdict, Visit, same_name, was_there, younger_than_h,
};
use rakelight_core::trail;
use serde::Serialize;

use super::ask::{Ask, Reader, to};
use super::drawing;
use super::fields::Fields;
use super::list::Task;
use super::refusal::Refusal;
use super::templates::context;
use super::to_check::LISTS;

/// In no field is more text kept.
const LONGEST_TEXT: usize = 4_000;

#[derive(Serialize)]
struct Photo {
    file: String,
    sha256: String,
    here: bool,
    size: Option<[u32; 2]>,
    close: Option<[u32; 4]>,
    drawing: Option<String>,
    scale: Option<String>,
}

#[derive(Serialize)]
struct Print {
    id: String,
    foot: String,
    toes: Option<u64>,
    measures: Vec<(String, String)>,
}

#[derive(Serialize)]
struct Other {
    sign: String,
    kind: String,
    time: Option<String>,
    freshness: Option<String>,
    this: bool,
}

#[derive(Serialize)]
struct Candidate {
    name: String,
    percent: String,
    width: f64,
    low: f64,
    span: f64,
    range: [String; 2],
    standing: Standing,
    by: Option<String>,
}

#[derive(Serialize)]
struct Revealed {
    candidates: Vec<Candidate>,
    firm: bool,
    grade: Grade,
    rule: String,
    reasons: Vec<String>,
    next: Vec<String>,
    taken_for: Option<String>,
}

#[derive(Serialize)]
struct Said {
    by: String,
    at: String,
    verdict: Verdict,
    instead: Option<String>,
    why: Option<String>,
    blind: bool,
    was_there: bool,
}

pub async fn page(ask: Ask, Path((visit, sign)): Path<(String, String)>) -> Response {
    ask.person(Role::FieldWorker, move |reader, person| {
        let (visit_id, (visit, opinions)) = (visit.clone(), reader.visit(&visit)?);
        let noted = visit.signs.iter().find(|noted| noted.id == sign).ok_or(Refusal::NOT_THERE)?;
        let own = was_there(&visit.opened.people, &person.name);
        let said: Vec<&Opinion> = opinions.iter().filter(|opinion| opinion.check.sign == sign).collect();
        let may_check = !own && person.role != Role::FieldWorker;
        let looked = said.iter().any(|opinion| same_name(&opinion.by, &person.name));
        let blind = may_check && !looked && !reader.pages.state.were_shown_findings(&person.id, &visit_id)?;
        let photos = photos(reader, &visit, noted)?;
        let chosen = reader.query.get("photo").and_then(|n| n.parse().ok()).unwrap_or(0).min(photos.len().saturating_sub(1));
        let view = reader.query.get("view").unwrap_or("close");
        let list = reader.query.get("list").unwrap_or("first");
        let (before, next) = neighbours(reader, &person.name, list, &visit_id, &sign)?;
        let identified = visit.identification(&sign);
        let values = context! {
            visit => visit_id, sign => noted.id, list, before, next, blind, may_check, own, looked, chosen, view,
            kind => reader.kind(noted.sign),
            place => visit.opened.place_name, date => reader.date(visit.opened.start),
            people => visit.opened.people, notice => visit.opened.notice,
            time => noted.time.map(|time| reader.time(time)),
            freshness => freshness(reader, noted),
            younger_h => younger_than_h(noted, &visit.opened.conditions).map(|h| reader.words.number(h, 1)),
            note => noted.note,
            photos, prints => prints(reader, &visit, noted),
            seen => identified.map(|of| observed(&of.evidence, reader.words)),
            substrate => identified.and_then(|of| of.evidence.substrate.as_ref()).map(|name| reader.words.say(&format!("substrate.{name}")).to_owned()),
            trail => trail_of(reader, &visit, noted),
            others => others(reader, &visit, &sign),
            makers => makers(reader)?,
        };
        let shown = (
            identified.filter(|_| !blind).map(|of| revealed(reader, of, noted)),
            if blind { vec![] } else { said.iter().map(|opinion| one_said(reader, &visit, opinion)).collect::<Vec<_>>() },
        );
        reader.page("sign.html", context! { revealed => shown.0, said => shown.1, ..values })
    })
    .await
}

/// A check. A person's first one is blind: it names a maker, and what that means beside the core's answer follows from it.
pub async fn check(ask: Ask, Path((visit, sign)): Path<(String, String)>, fields: Fields) -> Response {
    ask.form(Role::Checker, fields, move |reader, person, fields| {
        let (found, opinions) = reader.visit(&visit)?;
        found.signs.iter().find(|noted| noted.id == sign).ok_or(Refusal::NOT_THERE)?;
        if was_there(&found.opened.people, &person.name) {
            return Err(Refusal::wrong("pages.refused.own_sign"));
        }
        let looked = opinions.iter().any(|o| o.check.sign == sign && same_name(&o.by, &person.name));
        let blind = !looked && !reader.pages.state.were_shown_findings(&person.id, &visit)?;
        let leader = found.identification(&sign).and_then(|of| of.result.candidates.first());
        let maker = fields.get("maker");
        if maker.is_some_and(|maker| Facts::builtin().is_ok_and(|facts| !known(facts, maker, reader))) {
            return Err(Refusal::wrong("pages.refused.no_maker"));
        }
        let is_leader = |maker: &str| {
            leader.is_some_and(|leader| leader.maker == maker || leader.members.iter().any(|member| member == maker))
        };
        let (verdict, instead) = match (fields.need("verdict")?, maker) {
            ("question", _) => (Verdict::Question, None),
            ("open", _) => (Verdict::Open, None),
            ("made_by", Some(maker)) if blind && is_leader(maker) => (Verdict::Fits, None),
            ("made_by", Some(maker)) if blind => (Verdict::DoesNotFit, Some(maker.to_owned())),
            ("fits", _) if !blind && leader.is_some() => (Verdict::Fits, None),
            ("does_not_fit", maker) if !blind => (Verdict::DoesNotFit, maker.map(str::to_owned)),
            ("made_by", None) => return Err(Refusal::wrong("pages.refused.no_maker")),
            _ => return Err(Refusal::wrong("pages.refused.missing")),
        };
        let why = text(fields, "why")?;
        if why.is_none() && verdict == Verdict::Question {
            return Err(Refusal::wrong("pages.refused.no_question"));
        }
        if why.is_none() && verdict == Verdict::DoesNotFit && !blind {
            return Err(Refusal::wrong("pages.refused.no_reason"));
        }
        reader.say(
            &visit,
            &person.name,
            &opinions,
            Check { sign: sign.clone(), verdict, instead, why, blind, at: now() },
        )?;
        let list = fields.get("list").unwrap_or("first");
        // After a blind look the page shows what the core and others say; after that the next sign comes.
        let here = format!("/visits/{}/signs/{}?list={list}", encoded(&visit), encoded(&sign));
        let next = neighbours(reader, &person.name, list, &visit, &sign)?.1.filter(|_| !blind);
        Ok(to(&next.unwrap_or(here)))
    })
    .await
}

/// What those who were there answer.
pub async fn answer(ask: Ask, Path((visit, sign)): Path<(String, String)>, fields: Fields) -> Response {
    ask.form(Role::FieldWorker, fields, move |reader, person, fields| {
        let (found, opinions) = reader.visit(&visit)?;
        found.signs.iter().find(|noted| noted.id == sign).ok_or(Refusal::NOT_THERE)?;
        if !was_there(&found.opened.people, &person.name) {
            return Err(Refusal::NOT_ALLOWED);
        }
        let why = text(fields, "why")?.ok_or(Refusal::wrong("pages.refused.missing"))?;
        let answer = Check {
            sign: sign.clone(),
            verdict: Verdict::Open,
            instead: None,
            why: Some(why),
            blind: false,
            at: now(),
        };
        reader.say(&visit, &person.name, &opinions, answer)?;
        Ok(to(&format!("/visits/{}/signs/{}", encoded(&visit), encoded(&sign))))
    })
    .await
}

fn now() -> chrono::DateTime<chrono::FixedOffset> {
    Utc::now().trunc_subsecs(0).fixed_offset()
}

fn text(fields: &Fields, name: &str) -> Result<Option<String>, Refusal> {
    match fields.get(name) {
        Some(text) if text.chars().count() > LONGEST_TEXT => Err(Refusal::wrong("pages.refused.too_long")),
        text => Ok(text.map(str::to_owned)),
    }
}

fn known(facts: &Facts, maker: &str, reader: &Reader) -> bool {
    facts.maker(maker).is_some() || reader.words.has(&format!("maker.{maker}"))
}

/// A part of an address.
pub fn encoded(part: &str) -> String {
    part.bytes()
        .map(|byte| match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => char::from(byte).to_string(),
            byte => format!("%{byte:02X}"),
        })
        .collect()
}

/// The address of the sign before and after this one in a list.
fn neighbours(
    reader: &Reader,
    person: &str,
    list: &str,
    visit: &str,
    sign: &str,
) -> Result<(Option<String>, Option<String>), Refusal> {
    let wanted = LISTS.into_iter().find(|(name, _)| *name == list).map(|(_, task)| task);
    let lines = reader.pages.list.now(&reader.pages.store)?;
    let address = |of: &super::list::Of| {
        format!("/visits/{}/signs/{}?list={}", encoded(of.visit), encoded(&of.sign.sign), encoded(list))
    };
    let (mut before, mut passed) = (None, false);
    for (task, of) in lines.tasks(person) {
        match () {
            () if of.visit == visit && of.sign.sign == sign => passed = true,
            () if Some(task) != wanted => {}
            () if passed => return Ok((before, Some(address(&of)))),
            () => before = Some(address(&of)),
        }
    }
    // At the end of the list what was passed over comes again.
    let again = if passed { first_of(&lines, person, wanted, visit, sign).map(|of| address(&of)) } else { None };
    Ok((before, again))
}

fn first_of<'l>(
    lines: &'l super::list::Lines,
    person: &str,
    wanted: Option<Task>,
    visit: &str,
    sign: &str,
) -> Option<super::list::Of<'l>> {
    let mut of =
        lines.tasks(person).filter(|(task, of)| Some(*task) == wanted && !(of.visit == visit && of.sign.sign == sign));
    of.next().map(|(_, of)| of)
}

fn photos(reader: &Reader, visit: &Visit, noted: &SignNoted) -> Result<Vec<Photo>, Refusal> {
    let mut photos = Vec::new();
    for file in &noted.photos {
        let attached = visit.photo(file);
        let Some(sha256) = attached.map(|photo| photo.sha256.clone()) else { continue };
        let here = reader.pages.with_store(|store| store.photo_path(&sha256))?.is_some();
        let measured = visit.measured.iter().find(|measured| measured.sha256 == sha256);
        let size = measured.and_then(drawing::size);
        let close = measured.and_then(drawing::close);
        let whole = size.map(|[width, height]| [0, 0, width, height]);
        let part = if reader.query.get("view").unwrap_or("close") == "close" { close.or(whole) } else { whole };
        photos.push(Photo {
            file: file.clone(),
            sha256,
            here,
            size,
            close,
            drawing: measured.zip(part).map(|(measured, part)| drawing::draw(measured, part, reader.words)),
            scale: measured.and_then(|measured| measured.measurement["scale"]["kind"].as_str().map(str::to_owned)),
        });
    }
    Ok(photos)
}

fn prints(reader: &Reader, visit: &Visit, noted: &SignNoted) -> Vec<Print> {
    let of_sign = visit.measured.iter().filter(|measured| noted.photos.contains(&measured.file));
    let prints = of_sign.flat_map(|measured| measured.measurement["prints"].as_array().into_iter().flatten());
    prints
        .map(|print| Print {
            id: print["id"].as_str().unwrap_or_default().to_owned(),
            foot: reader.words.say(&format!("pages.foot.{}", print["foot"].as_str().unwrap_or("unknown"))).to_owned(),
            toes: print["toes_seen"].as_u64(),
            measures: ["width_mm", "length_without_heel_mm", "length_with_heel_mm"]
                .into_iter()
                .filter_map(|name| {
                    let measure = measure_in(print, name)?;
                    Some((reader.words.say(&format!("measure.{name}")).to_owned(), measure_text(measure, reader.words)))
                })
                .collect(),
        })
        .collect()
}

fn freshness(reader: &Reader, noted: &SignNoted) -> Option<String> {
    let of = if noted.sign == SignKind::Dropping { "dropping" } else { "other" };
    let class = noted.freshness.as_ref()?;
    let key = format!("freshness.{class}.{of}");
    Some(if reader.words.has(&key) { reader.words.say(&key).to_owned() } else { class.clone() })
}

/// The trail's plan view, as it is drawn everywhere.
fn trail_of(reader: &Reader, visit: &Visit, noted: &SignNoted) -> Option<String> {
    let id = noted.trail.as_ref()?;
    let trail = visit.trails.iter().find(|trail| trail.id == *id)?;
    let reading = trail::read(&trail.prints).ok()?;
    Some(trail::draw(&reading, reader.words))
}

fn others(reader: &Reader, visit: &Visit, this: &str) -> Vec<Other> {
    let other = |noted: &SignNoted| Other {
        sign: noted.id.clone(),
        kind: reader.kind(noted.sign),
        time: noted.time.map(|time| time.format("%H:%M").to_string()),
        freshness: noted
            .freshness
            .clone()
            .map(|class| reader.words.say(&format!("pages.freshness.{class}")).to_owned()),
        this: noted.id == this,
    };
    // A visit may have thousands; those around this one are looked at.
    let at = visit.signs.iter().position(|noted| noted.id == this).unwrap_or(0);
    visit.signs.iter().skip(at.saturating_sub(10)).take(21).map(other).collect()
}

fn makers(reader: &Reader) -> Result<Vec<(String, String)>, Refusal> {
    let facts = Facts::builtin().map_err(Refusal::machine)?;
    let mut makers: Vec<(String, String)> =
        facts.makers().iter().map(|maker| (maker.id.clone(), facts.name(&maker.id, reader.words))).collect();
    makers.sort_by(|a, b| a.1.cmp(&b.1));
    Ok(makers)
}

fn revealed(reader: &Reader, of: &Identified, noted: &SignNoted) -> Revealed {
    let words = reader.words;
    let name = |maker: &str, known: &str| {
        let key = format!("maker.{maker}");
        if words.has(&key) { words.say(&key).to_owned() } else { known.to_owned() }
    };
    let percent = |p: f64| if p > 0.999 { format!("> {}", words.number(99.9, 1)) } else { words.number(100.0 * p, 1) };
    let candidates =
        of.result.candidates.iter().take_while(|candidate| candidate.probability >= 0.001).map(|one| Candidate {
            name: name(&one.maker, &one.name),
            percent: percent(one.probability),
            width: 200.0 * one.probability,
            low: 200.0 * one.band[0],
            span: (200.0 * (one.band[1] - one.band[0])).max(1.0),
            range: one.band.map(percent),
            standing: one.standing,
            by: one.by.as_ref().map(|by| words.say(&format!("pages.observation.{by}")).to_owned()),
        });
    Revealed {
        candidates: candidates.collect(),
        firm: of.result.firm,
        grade: of.result.grade,
        rule: of.result.rule.clone(),
        reasons: of.result.reasons.iter().map(|reason| reason.text.clone()).collect(),
        next: of.result.next.iter().map(|next| next.text.clone()).collect(),
        taken_for: noted.taken_for.as_ref().map(|maker| name(maker, maker)),
    }
}

fn one_said(reader: &Reader, visit: &Visit, opinion: &Opinion) -> Said {
    let Check { verdict, instead, why, blind, at, .. } = opinion.check.clone();
    Said {
        by: opinion.by.clone(),
        at: reader.time(at),
        verdict,
        instead: instead.map(|maker| reader.words.say(&format!("maker.{maker}")).to_owned()),
        why,
        blind,
        was_there: was_there(&visit.opened.people, &opinion.by),
    }
}

impl Reader<'_> {
    /// A visit of the store, with all checks that were written of it.
    pub fn visit(&self, id: &str) -> Result<(Visit, Vec<Opinion>), Refusal> {
        self.pages.with_store(|store| store.visit_and_opinions(id))?.ok_or(Refusal::NOT_THERE)
    }

    /// Writes a check. Two of one sign in one second would be one: the later one waits its turn.
    fn say(&self, visit: &str, by: &str, opinions: &[Opinion], mut check: Check) -> Result<(), Refusal> {
        while opinions.iter().any(|other| other.check.sign == check.sign && other.check.at == check.at) {
            check.at += chrono::TimeDelta::seconds(1);
        }
        self.pages.write(visit, by, &[Record::Check(check)])
    }
}
