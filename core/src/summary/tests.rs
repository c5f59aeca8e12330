use proptest::prelude::*;

use super::*;
use crate::identify::Evidence;
use crate::place::Category;
use crate::survey::{Closed, Consent, Grade, Identified, Opened, SignKind, SignNoted, StretchWalked};
use crate::time::parse_time;
use crate::words::LANGUAGES;

const LINE: [[f64; 2]; 3] = [[9.123456, 53.654321], [9.126543, 53.657891], [9.129876, 53.659876]];

/// A survey for the otter that ended after an hour, without a sign.
fn visit() -> Visit {
    let start = parse_time("2026-10-14T09:20:00+02:00").unwrap();
    let opened = Opened {
        landowner: Some("M. Invented".into()),
        consent: Consent::SummaryOnly,
        protocol: Some("one_bank_600".into()),
        sensitivity_category: Category::try_from(2).unwrap(),
        ..Opened::invented("Invented Brook", start, &["Ada", "Bo"])
    };
    let mut visit = Visit::open(opened);
    visit.stretches.push(StretchWalked {
        name: "Lower brook".into(),
        bank: Some(crate::survey::Bank::Left),
        line: LINE.into(),
        searched_m: Some(600.0),
    });
    visit.closed = Some(Closed { end: start + chrono::Duration::minutes(60) });
    visit
}

fn sign(id: usize, place: Option<[f64; 2]>) -> SignNoted {
    SignNoted {
        id: format!("s{id}"),
        sign: SignKind::Print,
        photos: vec![format!("s{id}.jpg")],
        trail: None,
        place,
        placed_by: None,
        radius_68_m: None,
        taken_for: None,
        time: None,
        freshness: None,
        below_high_water: None,
        note: Some("at 53.654321, 9.123456".into()),
    }
}

fn identified(id: usize, maker: &str, grade: Grade) -> Identified {
    let result = serde_json::json!({
        "candidates": [{
            "maker": maker, "name": maker, "probability": 0.9, "band": [0.8, 0.95], "prior": 0.1, "standing": "fits",
        }],
        "prior": "", "firm": true, "grade": grade, "rule": "invented", "reasons": [], "next": [], "ignored": [], "facts": "",
    });
    Identified {
        sign: format!("s{id}"),
        evidence: Evidence::default(),
        result: serde_json::from_value(result).unwrap(),
        core_version: String::new(),
        facts_digest: String::new(),
    }
}

/// So many signs of the otter along the line.
fn found(count: usize) -> Visit {
    let mut visit = visit();
    for id in 0..count {
        let share = id as f64 / count.max(1) as f64;
        let [lon, lat] = [0, 1].map(|i| LINE[0][i] + share * (LINE[2][i] - LINE[0][i]));
        visit.signs.push(sign(id, Some([lat, lon])));
        visit.identified.push(identified(id, "lutra_lutra", Grade::Likely));
    }
    visit
}

fn page(visit: &Visit, language: &str) -> String {
    html(visit, &[], &Words::load(language).unwrap(), |_| None).unwrap()
}

/// What a person reads: without tags, drawings and style, a line each.
fn text(page: &str) -> String {
    let mut text = String::new();
    let (mut skip, mut rest) = (0_usize, &page[page.find("<main>").unwrap()..]);
    while let Some((before, after)) = rest.split_once('<') {
        if skip == 0 {
            text += before;
        }
        let (tag, after) = after.split_once('>').unwrap();
        match tag.split([' ', '/']).next().unwrap() {
            "svg" => skip += 1,
            _ if tag == "/svg" => skip -= 1,
            _ if ["/p", "/li", "/h1", "/h2", "/tr"].contains(&tag) => text += "\n",
            _ if ["/td", "/th"].contains(&tag) => text += " | ",
            _ => {}
        }
        rest = after;
    }
    let lines = text.lines().map(str::trim).filter(|line| !line.is_empty());
    lines.collect::<Vec<_>>().join("\n").replace("&#x2f;", "/").replace("&#x27;", "'")
}

#[test]
fn what_it_says_where_the_otter_was_found() {
    insta::assert_snapshot!("found_en", text(&page(&found(3), "en")));
    insta::assert_snapshot!("found_de", text(&page(&found(3), "de")));
}

#[test]
fn what_it_says_where_nothing_was_found() {
    insta::assert_snapshot!("nothing_en", text(&page(&visit(), "en")));
    insta::assert_snapshot!("nothing_de", text(&page(&visit(), "de")));
}

#[test]
fn it_answers_a_landowners_questions_in_their_order() {
    for language in LANGUAGES {
        let words = Words::load(language).unwrap();
        let page = page(&found(3), language);
        let keys = ["meaning", "help", "do_not", "back", "effort", "how_sure", "not_looked_at", "cautions", "ask"];
        let escaped = |key: &str| words.say(&format!("summary.{key}")).replace('\'', "&#x27;");
        let places: Vec<Option<usize>> = keys.iter().map(|key| page.find(&escaped(key))).collect();
        assert!(places.iter().all(Option::is_some), "{language}: {places:?}");
        assert!(places.is_sorted(), "{language}: {places:?}");
        let lacking: Vec<&str> = ["summary.", "meaning.", "advice.", "do_not.", "caution.", "visit.grade"]
            .into_iter()
            .filter(|section| text(&page).contains(section))
            .collect();
        assert!(lacking.is_empty(), "{language}: {lacking:?}");
    }
}

#[test]
fn each_advice_has_its_source_at_the_foot() {
    let page = text(&page(&found(1), "en"));
    assert!(page.contains("Keep dogs on a lead along the bank, most of all at dawn and dusk.³"), "{page}");
    assert!(page.contains("common practice, no source") && page.contains("Directive 92/43/EEC"));
}

#[test]
fn only_the_otters_law_is_told_where_the_otter_is_named() {
    let mut badgers = visit();
    badgers.opened.targets.clear();
    badgers.signs.push(sign(0, None));
    badgers.identified.push(identified(0, "meles_meles", Grade::Likely));
    let page = text(&page(&badgers, "en"));
    assert!(!page.contains("otter and its resting places") && page.contains("We found signs of: badger."), "{page}");
}

#[test]
fn the_tide_is_warned_of_where_there_is_one() {
    let warned = |visit: &Visit| page(visit, "en").contains("that the tide covers");
    assert!(!warned(&visit()));
    let mut tidal = visit();
    tidal.opened.conditions.tide = Some("falling".into());
    assert!(warned(&tidal));
}

#[test]
fn it_says_when_somebody_comes_back_where_that_is_planned() {
    let given = |place: &str, from: &str, until: &str| PlaceGiven {
        place: place.into(),
        people: vec!["Ada".into()],
        from: from.parse().unwrap(),
        until: until.parse().unwrap(),
        note: None,
    };
    let plan = SeasonPlan {
        places: vec![],
        given: vec![
            given("Invented brook", "2026-10-01", "2026-10-31"),
            given("invented brook ", "2027-03-01", "2027-03-31"),
            given("Invented Brook", "2026-12-05", "2026-12-05"),
            given("Sallow Bridge", "2026-11-01", "2026-11-02"),
        ],
    };
    let (visit, plans) = (visit(), [plan]);
    let say = |today: &str| {
        let besides = Besides { back: back(&plans, &visit, today.parse().unwrap()), ..Besides::default() };
        html_with(&visit, &besides, &Words::load("en").unwrap(), |_| None).unwrap()
    };
    assert!(say("2026-10-15").contains("We plan to come back on 5 December 2026."));
    assert!(say("2027-01-01").contains("We plan to come back between 1 March 2027 and 31 March 2027."));
    assert!(say("2028-01-01").contains("No day is set yet."));
}

#[test]
fn exact_places_need_the_landowner_and_the_coordinator() {
    let shown = |consent: Consent, exact_places: bool| {
        let mut visit = found(3);
        visit.opened.consent = consent;
        visit.signs[0].sign = SignKind::RestingPlace;
        let besides = Besides { exact_places, ..Besides::default() };
        html_with(&visit, &besides, &Words::load("en").unwrap(), |_| None).unwrap().matches("<circle").count()
    };
    assert_eq!(shown(Consent::ExactOnOwnLand, true), 2, "resting places aren't shown");
    for (consent, exact_places) in
        [(Consent::ExactOnOwnLand, false), (Consent::SummaryOnly, true), (Consent::None, true)]
    {
        assert_eq!(shown(consent, exact_places), 0, "{consent:?} {exact_places}");
    }
}

#[test]
fn without_consent_no_place_on_the_land_is_named() {
    let mut visit = found(3);
    visit.opened.consent = Consent::None;
    let page = page(&visit, "en");
    assert!(!page.contains("Lower brook") && page.contains("Stretch 1") && !page.contains("rounded to"), "{page}");
}

#[test]
fn photographs_that_are_not_there_are_told_and_nothing_else_is_lost() {
    let mut visit = found(2);
    for id in 0..2 {
        visit.measured.push(crate::survey::PrintMeasured {
            file: format!("s{id}.jpg"),
            sha256: "00".repeat(32),
            landmarks: serde_json::from_value(serde_json::json!({
                "prints": [{"id": "h1", "foot": "hind", "points": {"widest_left": [1, 1], "widest_right": [9, 9]}}]
            }))
            .unwrap(),
            measurement: serde_json::json!({}),
        });
    }
    let page = page(&visit, "en");
    assert!(page.contains("2 photographs are not here or cannot be read."), "{page}");
}

/// Two A4 pages hold some 9,000 characters of this page; `tests/reference/test_summary.py` prints it.
#[test]
fn two_thousand_signs_and_endless_texts_stay_short() {
    let mut endless = found(2000);
    let text_of = "🦦\u{202E}x<b> ".repeat(2000);
    endless.opened.place_name = text_of.clone();
    endless.opened.purpose = text_of.clone();
    endless.opened.landowner = Some(text_of.clone());
    endless.opened.notice = Some(text_of.clone());
    endless.opened.protocol = Some(text_of.clone());
    endless.opened.people = vec![text_of.clone(); 50];
    endless.opened.targets = (0..30).map(|i| format!("lutra_lutra{i}")).collect();
    endless.stretches = vec![endless.stretches[0].clone(); 40];
    for stretch in &mut endless.stretches {
        stretch.name.clone_from(&text_of);
    }
    let page = page(&endless, "en");
    let read = text(&page);
    assert!(read.chars().count() < 9000, "{} characters", read.chars().count());
    assert!(!page.contains('\u{202E}') && !page.contains("<b> "));
    assert!(page.matches("<svg").count() <= 2);
}

proptest! {
    /// Whatever the visit: nothing on the page is as exact as a place of it, but the schematic map of an owner who agreed.
    #[test]
    fn no_place_is_on_the_page_more_exactly_than_allowed(
        lat in -80.0..80.0_f64,
        lon in -179.0..179.0_f64,
        category in 1_u8..=4,
        consent in prop_oneof![Just(Consent::None), Just(Consent::SummaryOnly), Just(Consent::ExactOnOwnLand)],
        exact_places: bool,
        steps in prop::collection::vec((-0.004..0.004_f64, -0.004..0.004_f64), 1..12),
    ) {
        let mut visit = visit();
        visit.opened.consent = consent;
        visit.opened.sensitivity_category = Category::try_from(category).unwrap();
        let places: Vec<[f64; 2]> = steps.iter().map(|(a, b)| [lat + a, lon + b]).collect();
        visit.stretches[0].line = std::iter::once([lon, lat]).chain(places.iter().map(|[lat, lon]| [*lon, *lat])).collect();
        for (id, place) in places.iter().enumerate() {
            visit.signs.push(sign(id, Some(*place)));
            visit.identified.push(identified(id, "lutra_lutra", Grade::Likely));
        }
        let besides = Besides { exact_places, ..Besides::default() };
        let page = html_with(&visit, &besides, &Words::load("en").unwrap(), |_| None).unwrap();
        let read = text(&page);
        // Every number that reads as degrees has the category's decimals at most, and is that of the rounded place.
        let decimals = usize::from(category) - 1;
        for (before, _) in read.match_indices('°') {
            let number: String = read[..before].chars().rev().take_while(|c| c.is_ascii_digit() || "-.".contains(*c)).collect();
            let shown = number.find('.').unwrap_or(0);
            prop_assert!(shown <= decimals, "{number} has {shown} decimals in category {category}");
        }
        prop_assert!(consent != Consent::None || !read.contains('°'));
        for degrees in places.iter().flatten().chain([&lat, &lon]) {
            let exact = format!("{:.4}", degrees.abs());
            prop_assert!(!page.contains(&exact), "{exact}");
        }
    }
}
