//! For tests: a workspace with a visit and a rendered photograph of the invented demo.

use std::path::Path;
use std::sync::Arc;

use crate::{Consent, Moment, VisitHead, Workspace};

pub const START: Moment = Moment { utc_ms: 1_791_962_400_000, offset_minutes: 120 };

/// The workspace, its visit, and the SHA-256 of a photograph of a hind print.
pub fn workspace(folder: &Path) -> (Arc<Workspace>, String, String) {
    let core = Workspace::open(folder.join("store").display().to_string(), "en".into()).unwrap();
    let head = VisitHead {
        purpose: "a check".into(),
        targets: vec!["lutra_lutra".into()],
        protocol: Some("one_bank_600".into()),
        experience_seasons: None,
        start: START,
        people: vec!["A Tester".into()],
        place_name: "Nowhere".into(),
        landowner: None,
        consent: Consent::None,
        notice: None,
    };
    let visit = core.open_visit(head, START).unwrap();
    let photo = concat!(env!("CARGO_MANIFEST_DIR"), "/../fixtures/demo-visit/IMG_0101.jpg");
    let sha256 = core.add_photo(visit.clone(), photo.into(), START).unwrap().sha256;
    (core, visit, sha256)
}
