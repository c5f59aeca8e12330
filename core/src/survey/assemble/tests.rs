//! What readers see of a visit after it was corrected, withdrawn from and checked. All of it is invented.

use proptest::prelude::*;
use serde_json::{Value, json};

use crate::survey::{
    Check, Consent, Correction, LandownerConsent, Note, Opened, Record, SignKind, SignNoted, Verdict, Visit, Withdrawal,
};

fn time(minute: u32) -> chrono::DateTime<chrono::FixedOffset> {
    format!("2026-10-14T09:{:02}:00+02:00", minute % 60).parse().unwrap()
}

fn opened() -> Opened {
    let opened = Opened::invented("Quillmark Shore", time(0), &["Ida Fennwick"]);
    Opened { consent: Consent::ExactOnOwnLand, ..opened }
}

fn sign(id: &str, note: &str) -> Record {
    let (place, placed_by, time, freshness) = (None, None, None, None);
    let (id, note) = (id.into(), Some(note.into()));
    Record::SignNoted(SignNoted {
        id,
        sign: SignKind::Dropping,
        photos: vec![],
        trail: None,
        place,
        placed_by,
        radius_68_m: None,
        taken_for: None,
        time,
        freshness,
        below_high_water: None,
        note,
    })
}

fn payload(record: &Record) -> Value {
    serde_json::to_value(record).unwrap()["payload"].take()
}

fn correction(of_kind: &str, of_subject: &str, record: Value) -> Record {
    Record::Correction(Correction {
        of_kind: of_kind.into(),
        of_subject: of_subject.into(),
        why: "misheard".into(),
        record,
    })
}

fn withdrawal(of_kind: &str, of_subject: &str) -> Record {
    let (of_kind, of_subject, why) = (of_kind.into(), of_subject.into(), "noted at another place".into());
    Record::Withdrawal(Withdrawal { of_kind, of_subject, why, erased: vec![] })
}

fn consent(consent: Consent) -> Record {
    Record::LandownerConsent(LandownerConsent { landowner: None, consent, given: time(50), note: None })
}

fn visit(later: impl IntoIterator<Item = Record>) -> Visit {
    Visit::assemble([Record::VisitOpened(opened()), sign("s1", "on a stone")].into_iter().chain(later)).unwrap()
}

fn notes(visit: &Visit) -> Vec<&str> {
    visit.signs.iter().filter_map(|sign| sign.note.as_deref()).collect()
}

#[test]
fn the_kind_of_a_record_is_that_of_its_entry() {
    let check = Check { sign: "s1".into(), verdict: Verdict::Fits, instead: None, why: None, blind: true, at: time(1) };
    let note = Note { text: "an otter slide".into(), place: Some([54.0, 7.6]), at: time(2) };
    for record in [
        Record::VisitOpened(opened()),
        sign("s1", ""),
        Record::Check(check),
        Record::Note(note),
        correction("sign_noted", "s1", json!(1)),
        withdrawal("sign_noted", "s1"),
        consent(Consent::None),
    ] {
        let tagged = serde_json::to_value(&record).unwrap();
        assert_eq!(tagged["kind"], record.kind());
        assert_eq!(serde_json::from_value::<Record>(tagged).unwrap(), record);
    }
}

#[test]
fn a_correction_takes_its_records_place_and_the_newest_counts() {
    let corrected = |note: &str| correction("sign_noted", "s1", payload(&sign("s1", note)));
    assert_eq!(notes(&visit([corrected("on a log")])), ["on a log"]);
    assert_eq!(notes(&visit([corrected("on a log"), corrected("on a ledge")])), ["on a ledge"]);
    assert_eq!(notes(&visit([corrected("on a log"), sign("s1", "on a root")])), ["on a root"], "said anew since");
    assert_eq!(visit([corrected("on a log")]).corrections.len(), 1);
}

#[test]
fn what_corrects_another_kind_or_subject_is_kept_and_changes_nothing() {
    let of_s2 = payload(&sign("s2", "on a log"));
    for wrong in [
        correction("sign_noted", "s1", json!({"not": "a sign"})),
        correction("visit_closed", "s1", of_s2.clone()),
        correction("sign_noted", "s1", of_s2.clone()),
        correction("sign_noted", "s2", of_s2),
        correction("a_kind_of_tomorrow", "s1", json!(1)),
        correction("correction", "sign_noted/s1", payload(&correction("sign_noted", "s1", json!(1)))),
    ] {
        let visit = visit([wrong.clone()]);
        assert_eq!((notes(&visit), visit.records().contains(&wrong)), (vec!["on a stone"], true), "{wrong:?}");
    }
}

#[test]
fn a_corrected_head_does_not_make_another_visit() {
    let renamed = Opened { place_name: "Quillmark Point".into(), ..opened() };
    let visit = visit([correction("visit_opened", "", payload(&Record::VisitOpened(renamed)))]);
    assert_eq!(visit.opened.place_name, "Quillmark Point");
    assert_eq!(visit.id, Visit::open(opened()).id);
}

#[test]
fn a_withdrawn_record_is_not_shown_and_the_withdrawal_is() {
    let withdrawn = visit([withdrawal("sign_noted", "s1")]);
    assert_eq!((notes(&withdrawn).len(), withdrawn.withdrawals.len()), (0, 1));
    let corrected = correction("sign_noted", "s1", payload(&sign("s1", "on a log")));
    assert!(
        notes(&visit([withdrawal("sign_noted", "s1"), corrected])).is_empty(),
        "a correction doesn't bring it back"
    );
    assert_eq!(notes(&visit([withdrawal("sign_noted", "s1"), sign("s1", "found after all")])), ["found after all"]);
    assert!(Visit::assemble([Record::VisitOpened(opened()), withdrawal("visit_opened", "")]).is_none());
    let (of_kind, of_subject, why) = ("sign_noted".into(), "s1".into(), "names a person".into());
    let erased = Withdrawal { of_kind, of_subject, why, erased: vec![("ab".repeat(32), 7)] };
    let newer_stays = visit([Record::Withdrawal(erased)]);
    assert_eq!(notes(&newer_stays), ["on a stone"], "only the entry that is named is taken back");
}

#[test]
fn consent_given_or_taken_back_later_counts() {
    assert_eq!(visit([]).consent(), Consent::ExactOnOwnLand);
    assert_eq!(visit([consent(Consent::None)]).consent(), Consent::None);
    assert_eq!(visit([consent(Consent::None), consent(Consent::SummaryOnly)]).consent(), Consent::SummaryOnly);
    let again = Record::VisitOpened(Opened { purpose: "corrected".into(), ..opened() });
    assert_eq!(
        visit([consent(Consent::None), again]).consent(),
        Consent::None,
        "the head only repeats what was first agreed"
    );
    let withdrawn = visit([consent(Consent::SummaryOnly), withdrawal("landowner_consent", "")]);
    assert_eq!(withdrawn.consent(), Consent::None, "what was taken back doesn't give way to more");
}

#[test]
fn every_check_stays_beside_the_others() {
    let check = |minute, verdict| {
        Record::Check(Check { sign: "s1".into(), verdict, instead: None, why: None, blind: false, at: time(minute) })
    };
    let visit = visit([check(1, Verdict::Question), check(2, Verdict::DoesNotFit), check(3, Verdict::Fits)]);
    assert_eq!(
        visit.checks.iter().map(|check| check.verdict).collect::<Vec<_>>(),
        [Verdict::Question, Verdict::DoesNotFit, Verdict::Fits]
    );
}

fn any_later() -> impl Strategy<Value = Record> {
    let subject = prop::sample::select(vec!["s1", "s2", "s3"]);
    (0..5, subject, "[a-c]").prop_map(|(what, subject, note)| match what {
        0 => sign(subject, &note),
        1 => correction("sign_noted", subject, payload(&sign(subject, &note))),
        2 => withdrawal("sign_noted", subject),
        3 => consent(if note == "a" { Consent::None } else { Consent::SummaryOnly }),
        _ => Record::Note(Note { text: note, place: None, at: time(7) }),
    })
}

proptest! {
    #[test]
    fn a_visit_shows_each_subject_once_and_reads_the_same_from_what_it_shows(later in prop::collection::vec(any_later(), 0..20)) {
        let visit = visit(later);
        let mut ids: Vec<&str> = visit.signs.iter().map(|sign| sign.id.as_str()).collect();
        ids.sort_unstable();
        prop_assert!(ids.windows(2).all(|two| two[0] != two[1]));
        let shown = visit.records().into_iter().filter(|r| !matches!(r, Record::Correction(_) | Record::Withdrawal(_)));
        let again = Visit::assemble(shown).unwrap();
        prop_assert_eq!(again.signs, visit.signs);
        prop_assert_eq!(again.consented, visit.consented);
    }
}
