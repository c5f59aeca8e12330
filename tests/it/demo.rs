//! The demo visit against the truth that its pictures were rendered by.

use std::ops::ControlFlow;
use std::path::Path;

use rakelight_checks::repository;
use rakelight_core::store::Store;
use rakelight_core::survey::{self, FolderError, FolderVisit, Grade};
use rakelight_core::words::Words;
use serde_json::Value;

/// The demo's folder, read.
pub fn demo() -> FolderVisit {
    let words = Words::load("en").unwrap();
    survey::read_folder(&repository("fixtures/demo-visit"), &words, &mut |_| ControlFlow::Continue(())).unwrap()
}

fn truth(file: &str) -> Value {
    let path = repository("fixtures/demo-visit/truth").join(Path::new(file).with_extension("json"));
    serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap()
}

#[test]
fn every_measured_print_is_as_large_as_it_was_rendered() {
    let mut compared = 0;
    for measured in demo().visit.measured {
        let truth = truth(&measured.file);
        for print in measured.measurement["prints"].as_array().unwrap() {
            let rendered = truth["prints"].as_array().unwrap().iter().find(|t| t["id"] == print["id"]).unwrap();
            for name in ["width_mm", "length_without_heel_mm", "length_with_heel_mm"] {
                let Some((value, true_mm)) = print[name].as_f64().zip(rendered[name].as_f64()) else { continue };
                let u = print[format!("u_{name}")].as_f64().unwrap();
                // Clicks are random: of some twenty measures none should be off by more than 3.5 standard uncertainties.
                assert!(
                    (value - true_mm).abs() < 3.5 * u,
                    "{} {}: {value} ± {u}, rendered {true_mm}",
                    measured.file,
                    name
                );
                compared += 1;
            }
        }
    }
    assert!(compared >= 12, "{compared}");
}

#[test]
fn the_cameras_tilt_and_height_are_those_of_the_renderer() {
    for measured in demo().visit.measured {
        let (scale, camera) = (&measured.measurement["scale"], &truth(&measured.file)["camera"]);
        let close = |name: &str, within: f64| {
            let (seen, rendered) = (scale[name].as_f64().unwrap(), camera[name].as_f64().unwrap());
            assert!((seen - rendered).abs() < within, "{} {name}: {seen}, rendered {rendered}", measured.file);
        };
        close("tilt_deg", 0.5);
        // EXIF's focal length is a whole number of millimetres: ±2 %.
        close("height_mm", 0.02 * camera["height_mm"].as_f64().unwrap());
    }
}

#[test]
fn the_demo_finds_several_mammals_and_says_what_was_left_out() {
    let read = demo();
    let findings = survey::findings(&read.visit, &Words::load("en").unwrap());
    let grade = |maker: &str| findings.iter().find(|finding| finding.maker == maker).map(|finding| finding.grade);
    assert_eq!(grade("lutra_lutra"), Some(Grade::Recorded), "a checked dropping with fish and the smell confirms");
    for maker in ["mink_or_polecat", "vulpes_vulpes", "meles_meles"] {
        assert!(grade(maker).is_some_and(|grade| grade <= Grade::Likely), "{maker}: prints alone are likely at most");
    }
    let left_out: Vec<&str> = read.left_out.iter().map(|left| left.file.as_str()).collect();
    assert_eq!(left_out, ["IMG_0109_cut_off.jpg", "not_a_photograph.jpg"]);
}

#[test]
fn a_visit_comes_out_of_the_store_as_it_went_in_and_twice_adds_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(&folder.path().join("store")).unwrap();
    let visit = demo().visit;
    let now = "2026-10-14T12:00:00Z".parse().unwrap();
    let first = store.write_visit(&visit, now).unwrap();
    assert_eq!(first.added, visit.records().len());
    assert!(store.visit(&visit.id).unwrap().is_some_and(|read| read == visit));
    assert_eq!(store.write_visit(&demo().visit, now).unwrap().added, 0);
}

#[test]
fn a_visit_that_is_stopped_writes_nothing() {
    let words = Words::load("en").unwrap();
    let mut steps = 0;
    let stopped = survey::read_folder(&repository("fixtures/demo-visit"), &words, &mut |_| {
        steps += 1;
        if steps < 3 { ControlFlow::Continue(()) } else { ControlFlow::Break(()) }
    });
    assert!(matches!(stopped, Err(FolderError::Cancelled)));
}
