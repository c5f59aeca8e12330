//! For tests: a workspace with a visit and a rendered photograph of the invented demo.

use std::path::Path;
use std::sync::Arc;

use crate::{Consent, Moment, VisitHead, Workspace};

pub const START: Moment = Moment { utc_ms: 1_791_962_400_000, offset_minutes: 120 };

pub fn open(folder: &Path) -> Arc<Workspace> {
    Workspace::open(folder.join("store").display().to_string(), "en".into()).unwrap()
}

/// Of a visit to an invented place.
pub fn head(place_name: &str) -> VisitHead {
    VisitHead {
        purpose: "a check".into(),
        targets: vec!["lutra_lutra".into()],
        protocol: None,
        experience_seasons: None,
        start: START,
        people: vec!["A Tester".into()],
        place_name: place_name.into(),
        landowner: None,
        consent: Consent::None,
        notice: None,
    }
}

/// The workspace, its visit, and the SHA-256 of a photograph of a hind print.
pub fn workspace(folder: &Path) -> (Arc<Workspace>, String, String) {
    let core = open(folder);
    let head = VisitHead { protocol: Some("one_bank_600".into()), ..head("Nowhere") };
    let visit = core.open_visit(head, START).unwrap();
    let photo = concat!(env!("CARGO_MANIFEST_DIR"), "/../fixtures/demo-visit/IMG_0101.jpg");
    let sha256 = core.add_photo(visit.clone(), photo.into(), START).unwrap().sha256;
    (core, visit, sha256)
}
