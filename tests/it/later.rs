//! What becomes of a visit in the store when it is corrected, withdrawn from, checked, and when the landowner's consent changes.

use chrono::{DateTime, Utc};
use rakelight_core::identify::{Facts, identify};
use rakelight_core::store::Store;
use rakelight_core::summary;
use rakelight_core::survey::{
    self, Check, Consent, Correction, LandownerConsent, Record, Verdict, Visit, Withdrawal, findings,
};
use rakelight_core::words::Words;
use serde_json::json;
use tempfile::TempDir;

use crate::demo::demo;

fn now(minute: u32) -> DateTime<Utc> {
    format!("2026-10-20T12:{minute:02}:00Z").parse().unwrap()
}

/// The demo visit in a store, and its id.
fn a_store() -> (TempDir, Store, String) {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(&folder.path().join("store")).unwrap();
    let visit = demo().visit;
    store.write_visit(&visit, now(0)).unwrap();
    (folder, store, visit.id)
}

fn later(store: &mut Store, visit: &str, record: Record) -> Visit {
    // Who checks wasn't there; the rest is said by somebody who was.
    let author = if matches!(record, Record::Check(_)) { "Pell Hark" } else { "Jorun Tesk" };
    assert_eq!(store.write_records(visit, author, &[record], now(1)).unwrap().added, 1);
    store.visit(visit).unwrap().unwrap()
}

fn page(visit: &Visit) -> String {
    summary::html(visit, &[], &Words::load("en").unwrap(), |_| None).unwrap()
}

#[test]
fn after_consent_is_taken_back_the_summary_shows_no_places() {
    let (_folder, mut store, id) = a_store();
    let words = Words::load("en").unwrap();
    let before = page(&store.visit(&id).unwrap().unwrap());
    let says_where = |page: &str| page.contains(words.say("summary.map_start"));
    assert!(says_where(&before), "the demo's owner agreed to exact places");
    let consent = |consent| {
        let landowner = Some("Marit Oldacre".to_owned());
        Record::LandownerConsent(LandownerConsent { landowner, consent, given: now(0).into(), note: None })
    };
    let without = page(&later(&mut store, &id, consent(Consent::None)));
    assert!(!says_where(&without) && without.contains(words.say("summary.no_consent")));
    assert!(says_where(&page(&later(&mut store, &id, consent(Consent::SummaryOnly)))));
    let said = store.entries_of(&id).unwrap().into_iter().filter(|entry| entry.kind == "landowner_consent").count();
    assert_eq!(said, 2, "what was agreed before stays in the log");
}

#[test]
fn a_corrected_note_shows_and_the_old_entry_is_still_there() {
    let (_folder, mut store, id) = a_store();
    let mut sign = store.visit(&id).unwrap().unwrap().signs.remove(0);
    let old = sign.note.replace("From the weir up to the stone".into()).unwrap();
    let (of_kind, of_subject, why) = ("sign_noted".into(), sign.id.clone(), "the weir was meant".into());
    let record = json!(sign);
    let visit = later(&mut store, &id, Record::Correction(Correction { of_kind, of_subject, why, record }));
    assert_eq!(visit.signs.iter().find(|shown| shown.id == sign.id), Some(&sign));
    assert!(
        store.entries_of(&id).unwrap().iter().any(|entry| entry.payload.as_ref().is_some_and(|p| p.contains(&old)))
    );
    assert_eq!(store.write_visit(&demo().visit, now(2)).unwrap().added, 0, "the same folder again doesn't undo it");
    assert_eq!(store.visit(&id).unwrap().unwrap(), visit);
}

#[test]
fn a_withdrawn_sign_is_not_counted() {
    let (_folder, mut store, id) = a_store();
    let words = Words::load("en").unwrap();
    let makers = |visit: &Visit| findings(visit, &words).into_iter().flat_map(|f| f.signs).collect::<Vec<_>>();
    assert!(makers(&store.visit(&id).unwrap().unwrap()).contains(&"print-3".into()));
    let (of_kind, of_subject, why) = ("sign_noted".into(), "print-3".into(), "on the other bank".into());
    let visit = later(&mut store, &id, Record::Withdrawal(Withdrawal { of_kind, of_subject, why, erased: vec![] }));
    assert!(!makers(&visit).contains(&"print-3".into()) && !page(&visit).contains("Red fox"));
    let document = survey::document(&visit, &findings(&visit, &words), &[], &[]);
    assert_eq!(document["withdrawals"][0]["of_subject"], "print-3");

    let entries = store.entries_of(&id).unwrap();
    let dropping = entries.iter().find(|e| e.kind == "sign_noted" && e.subject == "dropping-1").unwrap();
    assert!(store.erase(&dropping.device, dropping.number, "asked for", "Jorun Tesk", now(3)).unwrap());
    let visit = store.visit(&id).unwrap().unwrap();
    assert!(!makers(&visit).contains(&"dropping-1".into()), "an erased one isn't either");
    assert_eq!(visit.withdrawals.len(), 2);
}

#[test]
fn a_second_persons_check_confirms_droppings_and_takes_away_what_does_not_fit() {
    let (_folder, mut store, id) = a_store();
    let words = Words::load("en").unwrap();
    let visit = store.visit(&id).unwrap().unwrap();
    let grade = |visit: &Visit| findings(visit, &words).into_iter().find(|f| f.maker == "lutra_lutra").unwrap().grade;
    let check = |sign: &str, verdict, instead: Option<&str>, minute| {
        let (sign, instead, at) = (sign.to_owned(), instead.map(str::to_owned), now(minute).into());
        Record::Check(Check { sign, verdict, instead, why: None, blind: true, at })
    };
    // As if nobody had looked at the droppings a second time yet.
    let mut dropping = visit.identified.iter().find(|i| !i.evidence.droppings.is_empty()).unwrap().clone();
    dropping.evidence.droppings.iter_mut().for_each(|dropping| dropping.checked = false);
    dropping.result = identify(&dropping.evidence, Facts::builtin().unwrap(), &words).unwrap();
    let sign = dropping.sign.clone();
    assert_eq!(grade(&later(&mut store, &id, Record::Identification(dropping))), survey::Grade::Likely);
    let visit = later(&mut store, &id, check(&sign, Verdict::Fits, None, 2));
    assert_eq!(grade(&visit), survey::Grade::Recorded);
    // Whatever else was found of the otter, a sign that another took for a mink's is none of its signs.
    let sign = findings(&visit, &words).into_iter().find(|f| f.maker == "lutra_lutra").unwrap().signs[0].clone();
    let visit = later(&mut store, &id, check(&sign, Verdict::DoesNotFit, Some("neogale_vison"), 5));
    let all = findings(&visit, &words);
    assert!(all.iter().filter(|f| f.maker == "lutra_lutra").all(|f| !f.signs.contains(&sign)));
    let mink = all.iter().find(|f| f.maker == "neogale_vison").unwrap();
    assert!(mink.signs.contains(&sign) && mink.grade == survey::Grade::Possible);
    let visit = later(&mut store, &id, check(&sign, Verdict::Fits, None, 6));
    assert!(
        findings(&visit, &words).iter().any(|f| f.maker == "lutra_lutra" && f.signs.contains(&sign)),
        "the last one decides"
    );
}

#[test]
fn those_who_were_there_do_not_check_their_own_signs() {
    let (_folder, mut store, id) = a_store();
    let check = Check {
        sign: "prints-2".into(),
        verdict: Verdict::DoesNotFit,
        instead: Some("neogale_vison".into()),
        why: None,
        blind: true,
        at: now(2).into(),
    };
    store.write_records(&id, " jorun  TESK", &[Record::Check(check)], now(2)).unwrap();
    let (visit, opinions) = store.visit_and_opinions(&id).unwrap().unwrap();
    assert!(visit.checks.is_empty() && opinions.len() == 1, "it stays in the log, and decides nothing");
}

#[test]
fn checks_of_several_people_stand_side_by_side() {
    let (_folder, mut store, id) = a_store();
    let check = |verdict, second: i64| {
        let at = (now(0) + chrono::TimeDelta::seconds(second)).into();
        let instead = (verdict == Verdict::DoesNotFit).then(|| "neogale_vison".to_owned());
        Record::Check(Check { sign: "prints-2".into(), verdict, instead, why: None, blind: true, at })
    };
    later(&mut store, &id, check(Verdict::DoesNotFit, 0));
    let visit = later(&mut store, &id, check(Verdict::Fits, 1));
    assert_eq!(visit.checks.len(), 2);
    let checkers = store.entries_of(&id).unwrap().into_iter().filter(|entry| entry.kind == "check");
    assert!(checkers.into_iter().all(|entry| entry.author.as_deref() == Some("Pell Hark")));
}
