//! What the page says, sentence by sentence.

use std::path::PathBuf;

use serde::Serialize;

use super::advice::{self, Said};
use super::figure::{self, Figure};
use super::map::{self, Shown};
use super::plain::{line, names};
use super::{Besides, SummaryError};
use crate::place::Position;
use crate::survey::{self, Bank, Consent, Effort, Finding, Grade, Occasion, StretchEffort, Visit};
use crate::words::Words;

/// Rows of the table, and of every other list: the rest is counted.
const MOST_ROWS: usize = 6;
const MOST_STRETCHES: usize = 3;

/// What the template fills in.
#[derive(Serialize)]
pub(super) struct Page {
    date: String,
    owner: Option<String>,
    title: String,
    by: String,
    notice: Option<String>,
    answers: Vec<String>,
    absences: Vec<String>,
    meaning: Vec<Sourced>,
    figure: Option<Figure>,
    helps: Vec<Sourced>,
    do_not: Vec<Sourced>,
    back: String,
    looked: Vec<String>,
    map: Option<String>,
    map_explained: &'static str,
    found: Vec<Row>,
    more_found: Option<String>,
    not_looked_at: Vec<String>,
    cautions: Vec<Sourced>,
    ask: Vec<String>,
    small: String,
}

/// A sentence, and the number under which its source stands at the foot of the page.
#[derive(Serialize)]
struct Sourced {
    text: String,
    note: String,
}

/// A track maker in the table.
#[derive(Serialize)]
struct Row {
    name: String,
    signs: String,
    grade: String,
    chance: String,
    /// The bar's length, where the band begins and how long it is, per cent.
    bar: Option<[f64; 3]>,
}

impl Page {
    pub fn of(
        visit: &Visit,
        besides: &Besides<'_>,
        words: &Words,
        photo_path: impl Fn(&str) -> Option<PathBuf>,
    ) -> Result<Self, SummaryError> {
        let opened = &visit.opened;
        let findings = survey::findings(visit, words);
        let effort = survey::effort(visit);
        let (figure, missing) = figure(visit, &findings, words, photo_path);
        let found: Vec<&Finding> = findings.iter().filter(|finding| finding.grade != Grade::None).collect();
        let (answers, absences) = answers(visit, &findings, words);
        let mut sources = Sources::new(words);
        let file = advice::file()?;
        let meaning = said(&file.meaning, "meaning", visit, &findings, &mut sources);
        let helps = said(&file.advice, "advice", visit, &findings, &mut sources);
        let do_not = said(&file.do_not, "do_not", visit, &findings, &mut sources);
        let cautions = survey::cautions(Occasion::Summary, is_tidal(visit))?;
        let cautions =
            cautions.iter().map(|c| sources.sourced(&format!("caution.{}", c.id), &[], &c.status, &c.source));
        let cautions = cautions.collect();
        let shown = Shown::of(visit, besides.exact_places);
        let people = names(&opened.people, 5);
        Ok(Self {
            date: words.day(opened.start.date_naive()),
            owner: opened.landowner.as_ref().map(|owner| words.fill("summary.for", &[("name", &line(owner, 60))])),
            title: words.fill("summary.title", &[("place", &line(&opened.place_name, 80))]),
            by: words.fill("summary.by", &[("people", &people), ("purpose", &line(&opened.purpose, 120))]),
            notice: opened.notice.as_ref().map(|notice| line(notice, 250)),
            answers,
            absences,
            meaning,
            figure,
            helps,
            do_not,
            back: back(besides, words),
            looked: looked(visit, &effort, words),
            map: shown.and_then(|shown| map::draw(visit, shown, &findings, words)),
            map_explained: match shown {
                Some(Shown::Exactly) => "summary.map_exact_explained",
                _ => "summary.map_explained",
            },
            more_found: found
                .len()
                .checked_sub(MOST_ROWS)
                .filter(|n| *n > 0)
                .map(|n| words.count("summary.more_found", n)),
            found: found.into_iter().take(MOST_ROWS).map(|finding| row(finding, words)).collect(),
            not_looked_at: not_looked_at(visit, &effort, besides.left_out.len(), missing, words),
            cautions,
            ask: vec![
                words.say("summary.ask_authority").into(),
                words.fill("summary.ask_people", &[("people", &people)]),
            ],
            small: [Some(sources.listed()), passed_on(visit, words), Some(made_with(words))]
                .into_iter()
                .flatten()
                .collect::<Vec<_>>()
                .join(" "),
        })
    }
}

fn made_with(words: &Words) -> String {
    words.fill("summary.made_with", &[("version", env!("CARGO_PKG_VERSION"))])
}

/// What of the animals that were looked for, then which others; and the rest of what is said of those that weren't found.
fn answers(visit: &Visit, findings: &[Finding], words: &Words) -> (Vec<String>, Vec<String>) {
    let (mut answers, mut absences, mut others) = (Vec::new(), Vec::new(), Vec::new());
    for finding in findings {
        let looked_for = visit.opened.targets.contains(&finding.maker);
        match finding.grade {
            Grade::None => {
                let mut texts = survey::absence_texts(finding, words).into_iter();
                answers.extend(texts.next());
                absences.extend(texts);
            }
            grade if looked_for => {
                let key = format!("summary.answer_{}", grade.key());
                answers.push(words.fill(&key, &[("name", &finding.name)]));
            }
            Grade::Possible => {}
            _ => others.push(&finding.name),
        }
    }
    if !others.is_empty() {
        let key = if answers.is_empty() { "summary.answer_others" } else { "summary.answer_also" };
        answers.push(words.fill(key, &[("names", &names(&others, MOST_ROWS))]));
    }
    if answers.is_empty() {
        answers.push(words.say("summary.nothing").into());
    }
    answers.truncate(MOST_ROWS);
    absences.truncate(4);
    (answers, absences)
}

/// One photograph with its measure, of the surest finding that has one; and how many photographs aren't there or can't be read.
fn figure(
    visit: &Visit,
    findings: &[Finding],
    words: &Words,
    photo_path: impl Fn(&str) -> Option<PathBuf>,
) -> (Option<Figure>, usize) {
    let mut missing = 0;
    for finding in findings {
        let signs = visit.signs.iter().filter(|sign| finding.signs.contains(&sign.id));
        let files = signs.flat_map(|sign| &sign.photos);
        let measured = files.filter_map(|file| {
            visit.measured.iter().find(|measured| measured.file == *file && !measured.landmarks.prints.is_empty())
        });
        for measured in measured.take(20) {
            let bytes = photo_path(&measured.sha256).and_then(|path| std::fs::read(path).ok());
            match bytes.map(|bytes| figure::draw(&bytes, measured, finding, words)) {
                Some(Ok(Some(figure))) => return (Some(figure), missing),
                Some(Ok(None)) => {}
                Some(Err(_)) | None => missing += 1,
            }
        }
    }
    (None, missing)
}

fn said(of: &[Said], section: &str, visit: &Visit, findings: &[Finding], sources: &mut Sources<'_>) -> Vec<Sourced> {
    let with_names = of.iter().filter_map(|said| Some((said, said.of(visit, findings)?)));
    with_names
        .map(|(said, of)| {
            let key = format!("{section}.{}", said.id);
            sources.sourced(&key, &[("names", &names(&of, MOST_ROWS))], &said.status, &said.source)
        })
        .collect()
}

fn back(besides: &Besides<'_>, words: &Words) -> String {
    match besides.back {
        Some(given) => {
            let (from, until) = (words.day(given.from), words.day(given.until));
            let key = if from == until { "summary.back_on" } else { "summary.back_between" };
            words.fill(key, &[("from", &from), ("until", &until)])
        }
        None => words.say("summary.back_unknown").into(),
    }
}

/// What for, how, where and for how long.
fn looked(visit: &Visit, effort: &Effort, words: &Words) -> Vec<String> {
    let opened = &visit.opened;
    let targets: Vec<String> =
        opened.targets.iter().map(|target| words.say(&format!("maker.{target}")).to_owned()).collect();
    let mut lines = vec![match targets[..] {
        [] => words.say("summary.looked_for_any").into(),
        _ => words.fill("summary.looked_for", &[("names", &names(&targets, MOST_ROWS))]),
    }];
    let method = opened.protocol.as_ref().map(|protocol| {
        let key = format!("protocol.{protocol}");
        let method = if words.has(&key) { words.say(&key).to_owned() } else { line(protocol, 120) };
        words.fill("summary.method", &[("method", &method)])
    });
    lines[0] += &method.map_or_else(String::new, |method| format!(" {method}"));
    let stretches = effort.stretches.iter().enumerate().take(MOST_STRETCHES);
    lines.extend(stretches.map(|(i, stretch)| searched(stretch, &stretch_name(visit, i, words), words)));
    let more = effort.stretches.len().saturating_sub(MOST_STRETCHES);
    lines.extend((more > 0).then(|| words.count("summary.more_stretches", more)));
    let time = effort.minutes.map(|minutes| {
        let people = words.count("summary.people", effort.people);
        words.fill("summary.time", &[("minutes", &minutes.to_string()), ("people", &people)])
    });
    let dry = opened.conditions.days_without_rain.map(|days| words.count("summary.days_without_rain", days as usize));
    let weather: Vec<String> = [time, dry].into_iter().flatten().collect();
    lines.extend((!weather.is_empty()).then(|| weather.join(" ")));
    lines
}

/// Its name, or a number where no place may be named.
fn stretch_name(visit: &Visit, i: usize, words: &Words) -> String {
    match visit.stretches.get(i) {
        Some(stretch) if visit.consent() != Consent::None => line(&stretch.name, 50),
        _ => words.fill("summary.stretch", &[("n", &(i + 1).to_string())]),
    }
}

fn searched(stretch: &StretchEffort, name: &str, words: &Words) -> String {
    let metres = |m: f64| words.number(m, 0);
    let length = metres(stretch.length_m);
    let mut text = match stretch.searched_m {
        Some(m) => words.fill("summary.searched", &[("stretch", name), ("searched", &metres(m)), ("length", &length)]),
        None => words.fill("summary.walked_stretch", &[("stretch", name), ("length", &length)]),
    };
    let bank = stretch.bank.map(|bank| match bank {
        Bank::Left => "summary.bank_left",
        Bank::Right => "summary.bank_right",
        Bank::Both => "summary.bank_both",
    });
    for more in [
        bank.map(|key| words.say(key).to_owned()),
        stretch.by_track.as_ref().map(|track| words.fill("summary.by_track", &[("covered", &metres(track.covered_m))])),
    ]
    .into_iter()
    .flatten()
    {
        text += " ";
        text += &more;
    }
    text
}

fn row(finding: &Finding, words: &Words) -> Row {
    let percent = |p: f64| words.number(100.0 * p, 0);
    let chance = finding.probability.map(|p| match finding.band {
        Some([low, high]) => format!("{} % ({}–{})", percent(p), percent(low), percent(high)),
        None => format!("{} %", percent(p)),
    });
    let firm = words.say(if finding.firm { "summary.firm" } else { "summary.open" });
    let share = |p: f64| (1000.0 * p).round() / 10.0;
    Row {
        name: line(&finding.name, 40),
        signs: words.count("summary.sign_count", finding.signs.len()),
        grade: format!("{}, {firm}", words.say(&format!("visit.grade_{}", finding.grade.key()))),
        chance: chance.unwrap_or_default(),
        bar: finding.probability.zip(finding.band).map(|(p, [low, high])| [share(p), share(low), share(high - low)]),
    }
}

fn not_looked_at(visit: &Visit, effort: &Effort, left_out: usize, missing: usize, words: &Words) -> Vec<String> {
    let mut list = Vec::new();
    for (i, stretch) in effort.stretches.iter().enumerate().take(MOST_STRETCHES) {
        let name = stretch_name(visit, i, words);
        let other_bank = match stretch.bank {
            Some(Bank::Left) => Some("summary.not_right_bank"),
            Some(Bank::Right) => Some("summary.not_left_bank"),
            Some(Bank::Both) | None => None,
        };
        list.extend(other_bank.map(|key| words.fill(key, &[("stretch", &name)])));
        if let Some(rest) = stretch.searched_m.map(|searched| stretch.length_m - searched).filter(|rest| *rest > 20.0) {
            list.push(words.fill("summary.not_searched", &[("stretch", &name), ("m", &words.number(rest, 0))]));
        }
    }
    let unnamed = visit.identified.iter().filter(|identified| identified.result.grade == Grade::None).count();
    let unidentified = visit.signs.iter().filter(|sign| visit.identification(&sign.id).is_none()).count();
    for (key, n) in [
        ("summary.not_named", unnamed),
        ("summary.not_identified", unidentified),
        ("summary.left_out", left_out),
        ("summary.no_photograph", missing),
    ] {
        list.extend((n > 0).then(|| words.count(key, n)));
    }
    if visit.consent() == Consent::None {
        list.push(words.say("summary.no_consent").into());
    }
    list.push(words.say("summary.one_visit").into());
    list
}

/// Whether the tide comes there, as far as anybody noted it.
fn is_tidal(visit: &Visit) -> bool {
    let conditions = &visit.opened.conditions;
    let by_evidence = || {
        let setting = |identified: &survey::Identified| identified.evidence.setting.as_ref().and_then(|s| s.tidal);
        visit.identified.iter().any(|identified| setting(identified) == Some(true))
    };
    conditions.tide.is_some()
        || conditions.last_high_water.is_some()
        || visit.signs.iter().any(|sign| sign.below_high_water.is_some())
        || by_evidence()
}

/// How a record's place would read outside the house.
fn passed_on(visit: &Visit, words: &Words) -> Option<String> {
    let [lat, lon] = visit.signs.iter().find_map(|sign| sign.place).filter(|_| visit.consent() != Consent::None)?;
    let exact = Position::new(lat, lon, None).ok()?;
    let category = visit.opened.sensitivity_category;
    let public = category.generalise(&exact);
    let degrees = |value: f64| words.number(value, category.decimals());
    Some(words.fill(
        "summary.passed_on",
        &[
            ("lat", &degrees(public.lat)),
            ("lon", &degrees(public.lon)),
            ("km", &words.number(public.uncertainty_m / 1000.0, 1)),
        ],
    ))
}

/// The sources of what the page says, each once.
struct Sources<'w> {
    words: &'w Words,
    list: Vec<String>,
}

impl<'w> Sources<'w> {
    fn new(words: &'w Words) -> Self {
        Self { words, list: Vec::new() }
    }

    fn sourced(&mut self, key: &str, values: &[(&str, &str)], status: &str, source: &str) -> Sourced {
        let source = match status {
            "common-practice" => self.words.say("summary.common_practice").to_owned(),
            "memory" => format!("{source} ({})", self.words.say("summary.from_memory")),
            _ => source.to_owned(),
        };
        let known = self.list.iter().position(|known| *known == source).unwrap_or_else(|| {
            self.list.push(source);
            self.list.len() - 1
        });
        Sourced { text: self.words.fill(key, values), note: raised(known + 1) }
    }

    fn listed(&self) -> String {
        let numbered = self.list.iter().enumerate().map(|(i, source)| format!("{} {source}", raised(i + 1)));
        self.words.fill("summary.sources", &[("list", &numbered.collect::<Vec<_>>().join(" · "))])
    }
}

/// A number as small raised digits, which every font draws alike.
fn raised(n: usize) -> String {
    const DIGITS: [char; 10] = ['⁰', '¹', '²', '³', '⁴', '⁵', '⁶', '⁷', '⁸', '⁹'];
    n.to_string().bytes().filter_map(|digit| DIGITS.get(usize::from(digit - b'0'))).collect()
}
