use super::*;
use crate::place::Category;
use crate::survey::{Closed, Opened, PlaceGiven, PlacePlanned, StretchWalked};
use crate::time::parse_time;
use crate::words::LANGUAGES;

const SHORE: [[f64; 2]; 2] = [[9.123456, 53.654321], [9.129876, 53.659876]];

/// A visit that searched what it says and found nothing.
fn visit(place: &str, start: &str, category: u8) -> Visit {
    let start = parse_time(start).unwrap();
    let opened = Opened {
        sensitivity_category: Category::try_from(category).unwrap(),
        protocol: Some("one_bank_600".into()),
        ..Opened::invented(place, start, &["Ada", "Bo"])
    };
    let mut visit = Visit::open(opened);
    visit.stretches.push(StretchWalked { name: place.into(), bank: None, line: SHORE.into(), searched_m: Some(600.0) });
    visit.closed = Some(Closed { end: start + chrono::Duration::minutes(90) });
    visit
}

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn report(visits: &[Visit], plans: &[SeasonPlan], language: &str) -> String {
    let (from, to) = (day("2026-10-01"), day("2026-12-31"));
    let season = Season { visits, plans, from, to, today: day("2026-12-01") };
    html(&season, &Words::load(language).unwrap()).unwrap()
}

#[test]
fn it_sums_the_season_up_in_every_language() {
    let visits = [
        visit("Sallow Bridge", "2026-10-03T09:00:00Z", 2),
        visit("Sallow Bridge", "2026-11-03T09:00:00Z", 2),
        visit("Quillmark", "2026-10-04T09:00:00Z", 3),
        visit("Quillmark", "2026-09-04T09:00:00Z", 3),
    ];
    for language in LANGUAGES {
        let page = report(&visits, &[], language);
        assert!(page.contains("Sallow Bridge") && page.contains("1800 m"), "{language}");
        assert!(!page.contains("report."), "{language}: a text is missing");
    }
    let page = report(&visits, &[], "en");
    assert!(page.contains("3 visits to 2 places by 2 people"), "{page}");
    assert!(page.contains("9.0 hours"), "three visits of 90 minutes by two people");
    assert!(page.contains("never found"), "occupancy isn't made up");
}

#[test]
fn positions_are_rounded_by_each_places_category() {
    let visits = [visit("Sallow Bridge", "2026-10-03T09:00:00Z", 2), visit("Quillmark", "2026-10-04T09:00:00Z", 3)];
    let page = report(&visits, &[], "en");
    assert!(page.contains("53.7°,\u{a0}9.1°") && page.contains("53.65°,\u{a0}9.12°"), "{page}");
    for finer in ["53.654", "9.123", "53.659", "9.129"] {
        assert!(!page.contains(finer), "{finer}");
    }
}

#[test]
fn what_is_overdue_stands_before_what_is_done() {
    let place = |name: &str| PlacePlanned {
        name: name.into(),
        at: [53.0, 9.0],
        stretch: vec![],
        spots: vec![],
        protocol: None,
        cell: None,
        draw: None,
        landowner: None,
        permission: None,
    };
    let given = |place: &str| PlaceGiven {
        place: place.into(),
        people: vec!["Ada".into()],
        from: day("2026-10-01"),
        until: day("2026-10-31"),
        note: None,
    };
    let plan = SeasonPlan {
        places: vec![place("Quillmark"), place("Sallow Bridge")],
        given: vec![given("Quillmark"), given("Sallow Bridge")],
    };
    let page = report(&[visit("Quillmark", "2026-10-04T09:00:00Z", 2)], &[plan], "en");
    let due = &page[page.find("What was due").unwrap()..];
    assert!(due.find("Sallow Bridge").unwrap() < due.find("Quillmark").unwrap(), "{due}");
}

#[test]
fn without_visits_it_says_so_and_the_wrong_days_are_refused() {
    assert!(report(&[], &[], "en").contains("No visits in these days"));
    let (from, to) = (day("2026-12-31"), day("2026-10-01"));
    let season = Season { visits: &[], plans: &[], from, to, today: to };
    let refused = html(&season, &Words::load("en").unwrap()).unwrap_err().to_string();
    assert!(refused.contains("exchange"), "{refused}");
}

#[test]
fn what_people_write_cannot_become_markup() {
    let mut hostile = visit("<script>alert(1)</script>", "2026-10-03T09:00:00Z", 2);
    hostile.opened.protocol = Some("<img src=x onerror=y>".into());
    hostile.opened.notice = Some("</style><script>".into());
    let page = report(&[hostile], &[], "en");
    assert!(!page.contains("<script") && !page.contains("<img"));
}
