//! What droppings, remains of meals, single toes and a region's list say.

use super::*;

/// How many times likelier the first maker is than the second.
fn odds(evidence: &Evidence, facts: &Facts, first: &str, second: &str) -> f64 {
    let all = probabilities(evidence, facts).unwrap();
    let of = |id: &str| all.iter().find(|(candidate, _)| *candidate == id).unwrap().1;
    of(first) / of(second)
}

fn dropping(text: &str) -> Evidence {
    Evidence::from_json(&format!(r#"{{"droppings": [{text}]}}"#)).unwrap()
}

#[test]
fn a_twisted_thin_dropping_is_a_minks_or_polecats_and_a_shapeless_one_an_otters() {
    let odds = |text: &str| odds(&dropping(text), facts(), "lutra_lutra", "mink_or_polecat");
    // Devon records centre: mink at most 10 mm wide, twisted and tapered; otter 5 to 20 mm, often amorphous (uv.es/zoobot).
    assert!(odds(r#"{"form": "twisted", "width_mm": 8, "u_width_mm": 1}"#) < 0.1);
    assert!(odds(r#"{"form": "shapeless"}"#) > 3.0);
    assert!(odds(r#"{"width_mm": 18, "u_width_mm": 1}"#) > 2.0);
}

#[test]
fn a_form_that_speaks_against_an_otter_leaves_no_record() {
    let fixture = include_str!("../../../../fixtures/evidence/spraint_checked.json");
    let mut evidence = Evidence::from_json(fixture).unwrap();
    for (form, grade) in
        [(Form::NotLooked, Grade::Recorded), (Form::Shapeless, Grade::Recorded), (Form::Pellets, Grade::Possible)]
    {
        evidence.droppings[0].form = form;
        let given = ask(&evidence).grade;
        assert!(if grade == Grade::Recorded { given == grade } else { given < Grade::Recorded }, "{form:?}: {given:?}");
    }
}

#[test]
fn felled_wood_speaks_for_a_beaver_but_never_decides_since_another_may_have_left_it() {
    let odds = |text: &str, other| odds(&Evidence::from_json(text).unwrap(), facts(), "castor_fiber", other);
    let wood = odds(r#"{"feeding_remains": ["gnawed_wood"]}"#, "lutra_lutra");
    assert!((3.0..30.0).contains(&wood), "{wood}");
    let many = odds(r#"{"feeding_remains": ["gnawed_wood", "gnawed_wood", "gnawed_wood"]}"#, "lutra_lutra");
    assert!((many / wood - 1.0).abs() < 1e-9, "remains of one finding count as one");
    let answer = ask_json(r#"{"feeding_remains": ["gnawed_wood"]}"#);
    assert_eq!((answer.candidates[0].maker.as_str(), answer.grade), ("castor_fiber", Grade::Possible));
    assert!(answer.reasons[0].text.contains("wood"), "{:?}", answer.reasons[0]);
}

#[test]
fn which_toes_registered_says_more_than_how_many() {
    let toes = |text: &str| in_mud(vec![serde_json::from_str(&format!(r#"{{"foot": "hind", {text}}}"#)).unwrap()]);
    let odds = |text: &str| odds(&toes(text), facts(), "lutra_lutra", "canis_familiaris");
    let [four, outer, inner] = [r#""toes_seen": 4"#, r#""which_toes": [2, 3, 4, 5]"#, r#""which_toes": [1, 2, 3, 4]"#];
    assert!(
        odds(inner) > 3.0 * odds(four) && odds(outer) < odds(four),
        "{} {} {}",
        odds(outer),
        odds(four),
        odds(inner)
    );
    for (text, words) in [
        (r#""which_toes": [0, 1]"#, "prints[0].which_toes: [0, 1]"),
        (r#""which_toes": [2, 2]"#, "each once"),
        (r#""which_toes": [1, 2], "toes_seen": 4"#, "toes_seen contradicts prints[0].which_toes"),
    ] {
        let refusal = toes(text).check(facts()).unwrap_err().to_string();
        assert!(refusal.contains(words), "{refusal}");
    }
}

#[test]
fn a_regions_list_changes_the_prior_and_says_so() {
    let list = "name = 'Lower Ald'\nsource = 'invented'\nrare = ['canis_aureus']\nabsent = ['herpestes_ichneumon', 'genetta_genetta']";
    let here = facts().clone().with_region("ald.toml", list).unwrap();
    let evidence = in_mud(vec![five_toed(45.0)]);
    for (maker, times) in [("canis_aureus", 10.0), ("genetta_genetta", 100.0), ("meles_meles", 1.0)] {
        let usual = odds(&evidence, facts(), "lutra_lutra", maker);
        assert!((odds(&evidence, &here, "lutra_lutra", maker) / usual / times - 1.0).abs() < 1e-9, "{maker}");
    }
    let words = Words::load("en").unwrap();
    let prior = |evidence: &Evidence, facts: &Facts| identify(evidence, facts, &words).unwrap().prior;
    assert!(prior(&evidence, &here).contains("Lower Ald (invented)"));
    assert!(prior(&evidence, facts()).contains("counted the same"));
    assert!(prior(&by_water(vec![five_toed(45.0)]), facts()).contains("by water"));
    assert_ne!(here.digest(), facts().digest());
    for (list, reason) in [
        ("absent = ['unicorn']", "\"unicorn\" is no track maker; there are: anas"),
        ("absent = ['meles_meles']\nrare = ['meles_meles']", "stands in two lists"),
        ("absnt = []", "line 3: unknown field `absnt`"),
    ] {
        let refusal = facts().clone().with_region("ald.toml", &format!("name = ''\nsource = ''\n{list}")).unwrap_err();
        assert!(refusal.to_string().contains(reason), "{refusal}");
    }
}

#[test]
fn every_form_and_every_remains_has_words_in_every_language() {
    for words in LANGUAGES.map(|language| Words::load(language).unwrap()) {
        let forms = Form::ALL.iter().filter(|form| **form != Form::NotLooked).map(|form| ("value", form.name()));
        for (section, name) in forms.chain(Remains::ALL.iter().map(|remains| ("remains", remains.name()))) {
            assert!(words.has(&format!("identify.{section}.{name}")), "{section} {name}");
        }
    }
}

#[test]
fn a_few_metres_from_the_water_count_as_by_it_and_hundreds_do_not() {
    let at = |setting: &str| {
        let evidence =
            Evidence::from_json(&format!(r#"{{"setting": {setting}, "prints": [{{"toes_seen": 5}}]}}"#)).unwrap();
        odds(&evidence, facts(), "lutra_lutra", "martes_foina")
    };
    let [by, off, near, middle, far] = [
        r#"{"near_water": true}"#,
        r#"{"near_water": false}"#,
        r#"{"distance_to_water_m": 5}"#,
        r#"{"distance_to_water_m": 80}"#,
        r#"{"distance_to_water_m": 900}"#,
    ]
    .map(at);
    assert_eq!((near, far), (by, off));
    assert!(off < middle && middle < by);
    let below = Evidence::from_json(r#"{"setting": {"distance_to_water_m": -1}}"#).unwrap();
    assert!(below.check(facts()).unwrap_err().to_string().starts_with("setting.distance_to_water_m: -1 m"));
}
