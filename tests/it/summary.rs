//! The landowner's page: what it must say, and what it must not give away.

use rakelight_core::summary;
use rakelight_core::survey::{Consent, Visit};
use rakelight_core::words::{LANGUAGES, Words};

use crate::demo::demo;

fn page(visit: &Visit, language: &str) -> String {
    let read = demo();
    let words = Words::load(language).unwrap();
    summary::html(visit, &read.left_out, &words, |sha256| read.files.get(sha256).cloned()).unwrap()
}

#[test]
fn it_is_one_file_that_asks_nothing_of_the_internet() {
    let html = page(&demo().visit, "en");
    let without_svg_names = html.replace("http://www.w3.org/2000/svg", "");
    for outside in ["http:", "https:", "<script", "@import", "url("] {
        assert!(!without_svg_names.contains(outside), "{outside}");
    }
}

#[test]
fn it_says_who_when_what_how_sure_and_what_to_mind_in_every_language() {
    for language in LANGUAGES {
        let words = Words::load(language).unwrap();
        let html = page(&demo().visit, language);
        let mut parts = vec!["Ida Fennwick", "60.0 mm ±", "2026"];
        if language != "en" {
            parts[1] = "60,0 mm ±";
        }
        let keys = ["maker.lutra_lutra", "visit.grade_recorded", "do_not.resting_places", "caution.tide_and_mud"];
        parts.extend(keys.iter().map(|key| words.say(key)));
        for part in parts {
            assert!(html.contains(part), "{language}: {part}");
        }
    }
}

#[test]
fn no_exact_position_is_in_it() {
    let visit = demo().visit;
    let html = page(&visit, "en");
    let exact = visit.signs.iter().filter_map(|sign| sign.place).flatten();
    let on_the_line = visit.stretches.iter().flat_map(|stretch| &stretch.line).flatten().copied();
    for degrees in exact.chain(on_the_line) {
        // Four decimals of a degree are about ten metres.
        let text = format!("{degrees:.4}");
        assert!(!html.contains(&text[..text.len() - 1]), "{text}");
    }
}

#[test]
fn the_copies_of_photographs_carry_no_exif() {
    use base64::Engine;
    let html = page(&demo().visit, "en");
    let pictures: Vec<&str> =
        html.split("data:image/jpeg;base64,").skip(1).filter_map(|rest| rest.split('"').next()).collect();
    assert_eq!(pictures.len(), 1);
    for picture in pictures {
        let bytes = base64::engine::general_purpose::STANDARD.decode(picture).unwrap();
        assert!(!bytes.windows(4).any(|w| w == b"Exif") && !bytes.windows(3).any(|w| w == b"GPS"));
    }
}

#[test]
fn without_consent_it_shows_no_map() {
    let mut visit = demo().visit;
    let label = "Signs along the stretch";
    assert!(page(&visit, "en").contains(label));
    visit.opened.consent = Consent::None;
    assert!(!page(&visit, "en").contains(label));
}

#[test]
fn what_people_write_cannot_become_markup() {
    let mut visit = demo().visit;
    visit.opened.place_name = "<script>alert(1)</script> & \"weir\"".into();
    visit.stretches[0].name = "<b onmouseover=x>".into();
    let html = page(&visit, "en");
    assert!(!html.contains("<script") && !html.contains("<b onmouseover"));
    assert!(html.contains("&lt;script&gt;"));
}

#[test]
fn a_target_without_a_sign_is_reported_as_not_found_and_not_as_absent() {
    let mut visit = demo().visit;
    visit.opened.targets = vec!["castor_fiber".into()];
    let html = page(&visit, "en");
    assert!(html.contains("found no sign of it. That does not prove that it is absent"));
}
