//! What of a store's visits counts. All of it is invented.

use chrono::{DateTime, FixedOffset};

use super::*;
use crate::identify::{Evidence, Facts, identify};
use crate::survey::{Closed, Opened, Record, SignKind, StretchWalked, Withdrawal};

const OTTER: &str = "lutra_lutra";

fn words() -> Words {
    Words::load("en").unwrap()
}

fn time(day: u32, hour: u32) -> DateTime<FixedOffset> {
    format!("2026-10-{day:02}T{hour:02}:00:00+02:00").parse().unwrap()
}

fn opened(place: &str, day: u32) -> Record {
    Record::VisitOpened(Opened::invented(place, time(day, 8), &["Ida Fennwick"]))
}

fn searched(m: f64) -> Record {
    let line = vec![[9.0, 53.0], [9.004, 53.0]];
    Record::StretchWalked(StretchWalked { name: "bank".into(), bank: None, line, searched_m: Some(m) })
}

fn closed(day: u32) -> Record {
    Record::VisitClosed(Closed { end: time(day, 10) })
}

/// A spraint and who made it.
fn spraint(id: &str) -> [Record; 2] {
    let noted = SignNoted {
        id: id.into(),
        sign: SignKind::Dropping,
        photos: vec![],
        trail: None,
        place: Some([53.0, 9.0]),
        placed_by: None,
        radius_68_m: None,
        taken_for: None,
        time: None,
        freshness: Some("fresh".into()),
        below_high_water: None,
        note: None,
    };
    let evidence = r#"{"setting": {"near_water": true}, "droppings": [{"contents": ["fish_bones", "crayfish"], "smell": "sweet_fishy", "prominent_spot": true, "checked": true}]}"#;
    let evidence = Evidence::from_json(evidence).unwrap();
    let result = identify(&evidence, Facts::builtin().unwrap(), &words()).unwrap();
    assert!(result.grade >= Grade::Likely && result.candidates[0].maker == OTTER);
    let (sign, core_version, facts_digest) = (id.into(), String::new(), String::new());
    [
        Record::SignNoted(noted),
        Record::Identification(Identified { sign, evidence, result, core_version, facts_digest }),
    ]
}

fn visit(place: &str, day: u32, records: impl IntoIterator<Item = Record>) -> Visit {
    Visit::assemble([opened(place, day)].into_iter().chain(records)).unwrap()
}

fn of(visits: &[Visit], span: &Span) -> Vec<(String, String)> {
    let gathered = histories(visits, OTTER, span, &words());
    gathered.histories.places().iter().map(|place| (place.name.clone(), place.history())).collect()
}

fn named(rows: &[(&str, &str)]) -> Vec<(String, String)> {
    rows.iter().map(|(place, history)| ((*place).to_owned(), (*history).to_owned())).collect()
}

#[test]
fn visits_to_a_place_are_its_history_in_order_of_time() {
    let found = |day| visit("Mill", day, spraint("d1").into_iter().chain([searched(300.0), closed(day)]));
    let not = |place, day| visit(place, day, [searched(300.0), closed(day)]);
    // However somebody writes the place.
    let visits = [found(20), not("Mill", 6), not("Ford", 8), not(" mill", 13)];
    assert_eq!(of(&visits, &Span::default()), named(&[("Ford", "0.."), ("Mill", "001")]));
    let october_10_on = Span { from: "2026-10-10".parse().ok(), ..Span::default() };
    assert_eq!(of(&visits, &october_10_on), named(&[("mill", "01")]));
}

#[test]
fn two_people_at_a_place_at_the_same_time_are_one_visit() {
    let at_the_mill = |who: &str, records: Vec<Record>| {
        let mut visit = visit("Mill", 6, records);
        visit.opened.people = vec![who.into()];
        visit.id = who.into();
        visit
    };
    let ida = at_the_mill("Ida", vec![searched(300.0), closed(6)]);
    let jorun = at_the_mill("Jorun", spraint("d1").into_iter().chain([searched(300.0), closed(6)]).collect());
    assert_eq!(of(&[ida, jorun], &Span::default()), named(&[("Mill", "1")]));
}

#[test]
fn what_was_withdrawn_is_no_finding_no_sign_and_no_spraint() {
    let withdrawal = |kind: &str| {
        let (of_kind, of_subject, why) = (kind.into(), "d1".into(), "another animal's".into());
        Record::Withdrawal(Withdrawal { of_kind, of_subject, why, erased: vec![] })
    };
    let with =
        |more: Vec<Record>| visit("Mill", 6, spraint("d1").into_iter().chain([searched(300.0), closed(6)]).chain(more));
    let (kept, sign, identification) =
        (with(vec![]), with(vec![withdrawal("sign_noted")]), with(vec![withdrawal("identification")]));
    let everywhere = Span::default();
    assert_eq!(of(std::slice::from_ref(&kept), &everywhere), named(&[("Mill", "1")]));
    assert_eq!(spraints(std::slice::from_ref(&kept), OTTER, &everywhere).len(), 1);
    assert_eq!(signs(&[kept], OTTER, &everywhere)[0].fresh_night, "2026-10-05".parse().ok());
    for withdrawn in [sign, identification] {
        assert_eq!(of(std::slice::from_ref(&withdrawn), &everywhere), named(&[("Mill", "0")]));
        assert!(spraints(std::slice::from_ref(&withdrawn), OTTER, &everywhere).is_empty());
        assert!(signs(&[withdrawn], OTTER, &everywhere).is_empty());
    }
}

#[test]
fn a_visit_that_searched_nothing_or_was_not_closed_does_not_count_and_is_named() {
    let visits = [
        visit("Mill", 6, [searched(0.0), closed(6)]),
        visit("Mill", 7, [closed(7)]),
        visit("Mill", 8, spraint("d1").into_iter().chain([searched(300.0)])),
    ];
    let gathered = histories(&visits, OTTER, &Span::default(), &words());
    let why: Vec<Why> = gathered.passed_over.iter().map(|passed| passed.why).collect();
    assert_eq!(why, [Why::NothingSearched, Why::NothingSearched, Why::NotClosed]);
    assert!(gathered.histories.places().is_empty());
}

#[test]
fn days_of_more_than_a_year_have_no_years_to_compare_so_that_no_visit_counts_twice() {
    let day = |text: &str| text.parse::<NaiveDate>().unwrap();
    assert_eq!(years(day("2025-01-01"), day("2025-12-31"), 2).len(), 3);
    assert_eq!(years(day("2025-01-01"), day("2026-01-01"), 2), []);
    let leap = years(day("2024-02-29"), day("2024-03-31"), 1);
    assert_eq!((leap[0].from, leap[1].from), (day("2023-02-28"), day("2024-02-29")));
}
