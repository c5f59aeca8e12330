//! A visit as one JSON document, for the team: exact places, so it doesn't leave the house.

use serde_json::{Value, json};

use super::{Finding, LeftOut, Visit, effort, utc_text, younger_than_h};

/// What `rakelight visit` writes to `visit.json`.
pub fn document(visit: &Visit, findings: &[Finding], left_out: &[LeftOut], warnings: &[String]) -> Value {
    let opened = &visit.opened;
    let measurement = |file: &str| visit.measured.iter().find(|m| m.file == file).map(|m| &m.measurement);
    let photos = visit.photos.iter().map(|photo| {
        json!({
            "file": photo.file,
            "sha256": photo.sha256,
            "taken": photo.taken.map(utc_text),
            "clock": photo.clock,
            "lat": photo.place.map(|[lat, _]| lat),
            "lon": photo.place.map(|[_, lon]| lon),
            "placed_by": photo.placed_by,
            "shows": photo.shows,
            "measurement": measurement(&photo.file),
        })
    });
    let trails = visit.trails.iter().map(|trail| json!(trail));
    let signs = visit.signs.iter().map(|sign| {
        let identified = visit.identification(&sign.id);
        json!({
            "id": sign.id,
            "kind": sign.sign,
            "photos": sign.photos,
            "trail": sign.trail,
            "time": sign.time.map(utc_text),
            "lat": sign.place.map(|[lat, _]| lat),
            "lon": sign.place.map(|[_, lon]| lon),
            "placed_by": sign.placed_by,
            "radius_68_m": sign.radius_68_m,
            "taken_for": sign.taken_for,
            "freshness": sign.freshness,
            "younger_than_h": younger_than_h(sign, &opened.conditions),
            "note": sign.note,
            "evidence": identified.map(|i| &i.evidence),
            "identification": identified.map(|i| &i.result),
        })
    });
    let samples = visit.samples.iter().map(|sample| {
        json!({
            "pot": sample.pot,
            "sign": sample.sign,
            "held_by": sample.held_by,
            "since": utc_text(sample.since),
            "note": sample.note,
        })
    });
    let checks = visit.checks.iter().map(|check| {
        json!({
            "sign": check.sign,
            "verdict": check.verdict,
            "instead": check.instead,
            "why": check.why,
            "blind": check.blind,
            "at": utc_text(check.at),
        })
    });
    let notes = visit.notes.iter().map(|note| {
        json!({
            "text": note.text,
            "lat": note.place.map(|[lat, _]| lat),
            "lon": note.place.map(|[_, lon]| lon),
            "at": utc_text(note.at),
        })
    });
    let of = |kind: &str, subject: &str, why: &str| json!({ "of_kind": kind, "of_subject": subject, "why": why });
    let corrections = visit.corrections.iter().map(|c| of(&c.of_kind, &c.of_subject, &c.why));
    let withdrawals = visit.withdrawals.iter().map(|w| of(&w.of_kind, &w.of_subject, &w.why));
    json!({
        "visit": {
            "id": visit.id,
            "purpose": opened.purpose,
            "targets": opened.targets,
            "protocol": opened.protocol,
            "protocol_rules": opened.protocol_rules,
            "experience_seasons": opened.experience_seasons,
            "start": utc_text(opened.start),
            "end": visit.closed.as_ref().map(|closed| utc_text(closed.end)),
            "people": opened.people,
            "place_name": opened.place_name,
            "landowner": opened.landowner,
            "consent": visit.consent(),
            "sensitivity_category": opened.sensitivity_category,
            "notice": opened.notice,
        },
        "conditions": opened.conditions,
        "effort": effort(visit),
        "findings": findings,
        "signs": signs.collect::<Vec<_>>(),
        "samples": samples.collect::<Vec<_>>(),
        "trails": trails.collect::<Vec<_>>(),
        "photos": photos.collect::<Vec<_>>(),
        "checks": checks.collect::<Vec<_>>(),
        "notes": notes.collect::<Vec<_>>(),
        "corrections": corrections.collect::<Vec<_>>(),
        "withdrawals": withdrawals.collect::<Vec<_>>(),
        "left_out": left_out,
        "warnings": warnings,
        "facts_digest": visit.identified.first().map(|i| &i.facts_digest),
        "core_version": env!("CARGO_PKG_VERSION"),
    })
}
