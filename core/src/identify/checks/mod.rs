//! What must hold, as statements about the trade.

mod signs;

use std::collections::BTreeMap;

use super::*;
use crate::words::{LANGUAGES, Words};

const PUBLISHED: &str = include_str!("../../../../fixtures/reference/print_sizes.csv");

fn facts() -> &'static Facts {
    Facts::builtin().unwrap()
}

fn ask(evidence: &Evidence) -> Identification {
    identify(evidence, facts(), &Words::load("en").unwrap()).unwrap()
}

fn ask_json(text: &str) -> Identification {
    ask(&Evidence::from_json(text).unwrap())
}

fn candidate<'a>(answer: &'a Identification, maker: &str) -> &'a Candidate {
    answer.candidates.iter().find(|c| c.maker == maker || c.members.iter().any(|m| m == maker)).unwrap()
}

/// The probability of a maker's candidate, and the leader with its own, without the band.
fn quick(evidence: &Evidence, maker: &Maker) -> (f64, (&'static str, f64)) {
    let all = probabilities(evidence, facts()).unwrap();
    let id = maker.group.as_deref().unwrap_or(&maker.id);
    let of_maker = all.iter().find(|(c, _)| *c == id).unwrap().1;
    (of_maker, all.into_iter().max_by(|a, b| a.1.total_cmp(&b.1)).unwrap())
}

/// A print of this width, five-toed, the toes in an arc.
fn five_toed(width_mm: f64) -> PrintEvidence {
    PrintEvidence {
        width_mm: Some(width_mm),
        u_width_mm: Some(1.5),
        toes_seen: Some(5),
        arrangement: Arrangement::Arc,
        ..PrintEvidence::default()
    }
}

fn in_mud(prints: Vec<PrintEvidence>) -> Evidence {
    Evidence { substrate: Some("firm_mud".into()), prints, ..Evidence::default() }
}

fn by_water(prints: Vec<PrintEvidence>) -> Evidence {
    Evidence { setting: Some(Setting { near_water: Some(true), ..Setting::default() }), ..in_mud(prints) }
}

/// One published row: foot, dimension, (min, mean, max), n as written, ground, source.
type Row = (String, &'static str, [Option<f64>; 3], String, String, String);

/// The published rows by species as the table has them.
fn published() -> BTreeMap<String, Vec<Row>> {
    let mut rows: BTreeMap<String, Vec<Row>> = BTreeMap::new();
    for line in PUBLISHED.lines().filter(|l| !l.starts_with('#')).skip(1) {
        let cells: Vec<&str> = line.split(';').collect();
        let dimensions = ["width", "length_without_heel", "length_with_heel", "length_unstated"];
        for (dimension, values) in dimensions.iter().zip(&cells[2..6]).filter(|(_, v)| !v.is_empty()) {
            let mut range = values.split('/').map(|v| v.parse().ok());
            rows.entry(cells[0].into()).or_default().push((
                cells[1].into(),
                dimension,
                std::array::from_fn(|_| range.next().flatten()),
                cells[6].into(),
                cells[7].into(),
                cells[8].into(),
            ));
        }
    }
    rows
}

fn snake<T: serde::Serialize>(value: &T) -> String {
    serde_json::to_value(value).unwrap().as_str().unwrap().to_owned()
}

#[test]
fn every_published_size_is_held_as_published_and_nothing_else_is_called_published() {
    let published = published();
    assert!(published.values().map(Vec::len).sum::<usize>() > 90);
    for (species, rows) in &published {
        let maker = facts().makers().iter().find(|m| m.scientific_name == *species).expect(species);
        let mut held: Vec<Row> = maker
            .sizes
            .iter()
            .filter(|s| s.status == Status::Published)
            .map(|s| {
                let dimension = snake(&s.dimension);
                (
                    snake(&s.foot),
                    rows.iter().map(|r| r.1).find(|d| *d == dimension).unwrap_or("not in the table"),
                    [s.range.min_mm, s.range.mean_mm, s.range.max_mm],
                    s.n.map(|n| n.to_string()).or(s.basis.clone()).unwrap_or_default(),
                    s.substrate.clone().unwrap_or_default(),
                    s.source.clone(),
                )
            })
            .collect();
        let mut rows = rows.clone();
        let key = |r: &Row| format!("{r:?}");
        held.sort_by_key(key);
        rows.sort_by_key(key);
        assert_eq!(held, rows, "{species}");
    }
    for maker in facts().makers().iter().filter(|m| !published.contains_key(&m.scientific_name)) {
        assert!(maker.sizes.iter().all(|s| s.status != Status::Published), "{} isn't in the table", maker.id);
    }
}

#[test]
fn hind_feet_are_held_as_published() {
    // Univ. of Kansas, Mammals of Kansas; Regione Emilia-Romagna; Amr et al. 2018; Handbook of the Mammals of the World 7; the rest in each file.
    for (maker, min, max) in [
        ("neogale_vison", 57.0, 76.0),
        ("mustela_putorius", 45.0, 65.0),
        ("martes_foina", 79.0, 90.0),
        ("mustela_erminea", 37.0, 50.0),
        ("procyon_lotor", 105.0, 147.0),
        ("myocastor_coypus", 130.0, 140.0),
        ("ondatra_zibethicus", 65.0, 78.0),
        ("castor_fiber", 160.0, 192.0),
        ("rattus_norvegicus", 30.0, 44.0),
        ("arvicola_amphibius", 22.0, 27.0),
        ("herpestes_ichneumon", 89.0, 115.0),
        ("genetta_genetta", 80.0, 97.0),
        ("vulpes_vulpes", 120.0, 185.0),
    ] {
        let held = facts().maker(maker).unwrap().hind_foot.as_ref().unwrap();
        assert_eq!((held.min_mm, held.max_mm), (min, max), "{maker}");
    }
}

#[test]
fn sixteen_mammals_at_least_and_each_number_with_a_source() {
    assert!(facts().makers().iter().filter(|m| m.class == Class::Mammal).count() >= 16);
    for maker in facts().makers() {
        assert!(maker.sizes.iter().all(|s| !s.source.is_empty()) && !maker.fore.source.is_empty(), "{}", maker.id);
        for language in LANGUAGES {
            assert!(Words::load(language).unwrap().has(&format!("maker.{}", maker.id)), "{language}: {}", maker.id);
        }
    }
}

#[test]
fn every_file_of_a_track_maker_is_built_in() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/data/species");
    for file in std::fs::read_dir(folder).unwrap() {
        let name = format!("species/{}", file.unwrap().file_name().to_string_lossy());
        assert!(BUILTIN_FILES.iter().any(|(n, _)| *n == name), "{name}");
    }
}

/// The two conventions a length may have whose source doesn't state it.
const CONVENTIONS: [&str; 2] = ["length_without_heel", "length_with_heel"];

/// Three prints of a published row, at these places of its ranges, with the maker's own toes, arrangement and claws.
fn three_prints(
    maker: &Maker,
    rows: &[Row],
    unstated_is: &str,
    at: impl Fn(&[Option<f64>; 3]) -> Option<f64>,
) -> Option<Evidence> {
    let foot = match rows[0].0.as_str() {
        "fore" => Foot::Fore,
        "hind" => Foot::Hind,
        "any" => Foot::Unknown,
        _ => return None,
    };
    let facts = if foot == Foot::Hind { &maker.hind } else { &maker.fore };
    let mut print = PrintEvidence {
        foot,
        toes_seen: Some(facts.toe_chances.iter().filter(|c| c.get() > 0.2).count() as u8),
        claws: if facts.claws.get() > 0.5 { Feature::Seen } else { Feature::Absent },
        arrangement: facts.arrangement.largest().unwrap(),
        ..PrintEvidence::default()
    };
    for row in rows {
        let value = at(&row.2);
        let u = value.map(|v| v * 0.03);
        match if row.1 == "length_unstated" { unstated_is } else { row.1 } {
            "width" => (print.width_mm, print.u_width_mm) = (value, u),
            "length_with_heel" => (print.length_with_heel_mm, print.u_length_with_heel_mm) = (value, u),
            _ => (print.length_without_heel_mm, print.u_length_without_heel_mm) = (value, u),
        }
    }
    (print.width_mm.is_some() || print.length_without_heel_mm.is_some() || print.length_with_heel_mm.is_some())
        .then(|| Evidence { prints: vec![print; 3], ..Evidence::default() })
}

/// All rows of one source and foot together, as one print has them.
fn by_source_and_foot() -> Vec<(&'static Maker, Vec<Row>)> {
    let mut prints = Vec::new();
    for (species, rows) in published() {
        let maker = facts().makers().iter().find(|m| m.scientific_name == species).unwrap();
        let mut groups: BTreeMap<(String, String), Vec<Row>> = BTreeMap::new();
        for row in rows {
            groups.entry((row.0.clone(), row.5.clone())).or_default().push(row);
        }
        prints.extend(groups.into_values().map(|rows| (maker, rows)));
    }
    prints
}

#[test]
fn prints_at_the_centre_of_a_published_range_are_within_a_factor_of_five_of_the_leader() {
    let centre = |r: &[Option<f64>; 3]| r[1].or_else(|| Some((r[0]? * r[2]?).sqrt()));
    let mut failed = Vec::new();
    for (maker, rows) in by_source_and_foot() {
        let tried = CONVENTIONS.iter().filter_map(|c| three_prints(maker, &rows, c, centre)).map(|e| quick(&e, maker));
        let best = tried.min_by(|a, b| (a.1.1 / a.0).total_cmp(&(b.1.1 / b.0)));
        if let Some((p, (leader, p_leader))) = best.filter(|(p, (_, p_leader))| p_leader / p > 5.0) {
            failed.push(format!("{} {} {}: {leader} leads by {:.1}", maker.id, rows[0].0, rows[0].5, p_leader / p));
        }
    }
    assert!(failed.is_empty(), "{}", failed.join("\n"));
}

#[test]
fn prints_at_the_edge_of_a_published_range_stay_above_one_per_cent() {
    let mut failed = Vec::new();
    for (maker, rows) in by_source_and_foot() {
        for end in [0, 2] {
            let edge = |r: &[Option<f64>; 3]| r[0].and(r[2]).and(r[end]);
            let tried =
                CONVENTIONS.iter().filter_map(|c| three_prints(maker, &rows, c, edge)).map(|e| quick(&e, maker).0);
            if let Some(p) = tried.max_by(f64::total_cmp).filter(|p| *p < 0.01) {
                failed.push(format!("{} {} {} end {end}: {p:.4}", maker.id, rows[0].0, rows[0].5));
            }
        }
    }
    assert!(failed.is_empty(), "{}", failed.join("\n"));
}

#[test]
fn a_wide_five_toed_print_in_an_arc_may_be_an_otter_and_its_features_exclude_dog_badger_and_raccoon() {
    for width in [50.0, 55.0, 60.0, 65.0] {
        let answer = ask(&by_water(vec![five_toed(width); 3]));
        assert_eq!(candidate(&answer, "lutra_lutra").standing, Standing::Fits, "{width} mm");
        for maker in ["canis_familiaris", "meles_meles", "procyon_lotor"] {
            let other = candidate(&answer, maker);
            let by = other.by.as_deref().unwrap_or("nothing");
            assert_eq!(other.standing, Standing::RuledOut, "{width} mm: {maker}");
            assert!(["arrangement", "toes_seen"].contains(&by), "{width} mm: {maker} by {by}");
        }
    }
}

#[test]
fn a_narrow_five_toed_print_is_mink_or_polecat_and_not_otter() {
    for width in [32.0, 36.0, 40.0] {
        let answer = ask(&by_water(vec![five_toed(width); 3]));
        assert_eq!(answer.candidates[0].maker, "mink_or_polecat", "{width} mm");
        let otter = candidate(&answer, "lutra_lutra");
        // The smallest otter prints published are 42 mm wide, on hard ground, and 38.1 mm without the inner toe.
        assert!(otter.probability < 0.05 && otter.standing != Standing::Fits, "{width} mm: {otter:?}");
    }
}

#[test]
fn between_forty_and_fifty_millimetres_there_is_no_firm_verdict() {
    for width in [40.0, 43.0, 45.0, 47.0, 50.0] {
        assert!(!ask(&by_water(vec![five_toed(width); 3])).firm, "{width} mm");
    }
}

#[test]
fn an_estuary_print_with_heel_and_a_round_second_one_are_an_otters_and_not_a_dogs() {
    // Common practice, no source.
    let answer = ask_json(include_str!("../../../../fixtures/evidence/otter_estuary.json"));
    assert_eq!(answer.candidates[0].maker, "lutra_lutra");
    assert_eq!(candidate(&answer, "canis_familiaris").standing, Standing::RuledOut);
    assert!(answer.grade <= Grade::Likely);
}

#[test]
fn four_toes_where_the_inner_one_may_not_have_registered_do_not_exclude_an_otter() {
    let print = PrintEvidence { toes_seen: Some(4), arrangement: Arrangement::NotLooked, ..five_toed(60.0) };
    let answer = ask(&Evidence { substrate: Some("dry_sand".into()), ..in_mud(vec![print; 10]) });
    assert_ne!(candidate(&answer, "lutra_lutra").standing, Standing::RuledOut);
}

#[test]
fn missing_webbing_says_little_and_webbing_says_much() {
    let with = |webbing| {
        let answer = ask(&in_mud(vec![PrintEvidence { webbing, ..five_toed(60.0) }]));
        candidate(&answer, "lutra_lutra").probability / candidate(&answer, "martes_foina").probability
    };
    let (seen, absent, not_looked) = (with(Feature::Seen), with(Feature::Absent), with(Feature::NotLooked));
    assert!((absent / not_looked - 1.0).abs() < 0.25 && seen / not_looked > 2.0, "{seen} {absent} {not_looked}");
}

#[test]
fn checked_spraint_with_fish_and_its_smell_confirms_and_nothing_less_does() {
    let fixture = include_str!("../../../../fixtures/evidence/spraint_checked.json");
    let checked = Evidence::from_json(fixture).unwrap();
    let answer = ask(&checked);
    assert_eq!((answer.candidates[0].maker.as_str(), answer.grade), ("lutra_lutra", Grade::Recorded));
    assert!(answer.rule.contains("second person"), "{}", answer.rule);

    let mut unchecked = checked.clone();
    unchecked.droppings[0].checked = false;
    assert_eq!(ask(&unchecked).grade, Grade::Likely);

    // Fish alone isn't enough: mink eat fish too (Lampa et al. 2015).
    let mut fish_alone = checked;
    fish_alone.droppings[0].smell = Smell::NotLooked;
    assert!(ask(&fish_alone).grade < Grade::Recorded);
}

#[test]
fn prints_alone_are_never_more_than_likely() {
    for maker in facts().makers() {
        let print = PrintEvidence { arrangement: maker.fore.arrangement.largest().unwrap(), ..five_toed(60.0) };
        let print = PrintEvidence { toes_seen: Some(maker.fore.toe_chances.len().min(4) as u8), ..print };
        assert!(ask(&in_mud(vec![print; 2])).grade <= Grade::Likely);
    }
}

#[test]
fn a_print_far_outside_every_range_is_none_of_these() {
    for (width, length) in [(420.0, 400.0), (12.0, 160.0), (230.0, 30.0)] {
        let print = PrintEvidence {
            length_without_heel_mm: Some(length),
            u_length_without_heel_mm: Some(length * 0.03),
            u_width_mm: Some(width * 0.03),
            ..five_toed(width)
        };
        let answer = ask(&in_mud(vec![print; 3]));
        assert_eq!(answer.candidates[0].maker, "none_of_these", "{width} × {length} mm: {:?}", &answer.candidates[..3]);
        assert_eq!(answer.grade, Grade::None);
    }
}

#[test]
fn ten_like_prints_do_not_count_ten_times() {
    let ratio = |n| {
        let answer =
            ask(&in_mud(vec![PrintEvidence { width_mm: Some(50.0), u_width_mm: Some(1.5), ..Default::default() }; n]));
        (candidate(&answer, "lutra_lutra").probability / candidate(&answer, "martes_foina").probability).ln()
    };
    assert!((ratio(10) - ratio(1)).abs() < 1.0, "{} {}", ratio(1), ratio(10));
}

#[test]
fn nothing_seen_leaves_the_prior_and_no_grade() {
    let answer = ask(&Evidence::default());
    assert!(answer.candidates.iter().all(|c| (c.probability - c.prior).abs() < 1e-12));
    assert_eq!((answer.grade, answer.firm), (Grade::None, false));
}

#[test]
fn the_probabilities_sum_to_one_and_lie_in_their_bands() {
    for text in [
        include_str!("../../../../fixtures/evidence/otter_estuary.json"),
        include_str!("../../../../fixtures/evidence/mink_mud.json"),
        include_str!("../../../../fixtures/evidence/fox_sand.json"),
        include_str!("../../../../fixtures/evidence/spraint_checked.json"),
    ] {
        let answer = ask_json(text);
        assert!((answer.candidates.iter().map(|c| c.probability).sum::<f64>() - 1.0).abs() < 1e-9);
        assert!(answer.candidates.iter().all(|c| c.band[0] <= c.probability && c.probability <= c.band[1]));
        assert!(answer.candidates.windows(2).all(|w| w[0].probability >= w[1].probability));
        assert_eq!(answer, ask_json(text), "the same evidence gives the same answer");
    }
}

#[test]
fn mink_and_polecat_are_reported_as_one() {
    let answer = ask_json(include_str!("../../../../fixtures/evidence/mink_mud.json"));
    assert_eq!(answer.candidates[0].members, ["mustela_putorius", "neogale_vison"]);
    assert!(answer.candidates.iter().all(|c| c.maker != "neogale_vison" && c.maker != "mustela_putorius"));
}

#[test]
fn a_fox_on_sand_is_a_fox() {
    let answer = ask_json(include_str!("../../../../fixtures/evidence/fox_sand.json"));
    assert_eq!(answer.candidates[0].maker, "vulpes_vulpes");
}

/// Two invented makers that differ in claws and heel only, everything else switched off.
#[test]
fn bayes_by_hand() {
    let maker = |id: &str, claws: f64, heel: f64| {
        format!(
            "id = '{id}'\nscientific_name = '{id}'\nclass = 'mammal'\nheel_may_print = true\n\
             drag_mark = {{ chance = 0.1, source = 'invented', status = 'assumed' }}\n\
             [[foot]]\nfoot = 'any'\ntoe_chances = [0.9]\nclaws = {claws}\nwebbing = 0.1\nheel_pad = {heel}\n\
             arrangement = {{ arc = 0.9 }}\nsource = 'invented'\nstatus = 'assumed'\n\
             [[size]]\nfoot = 'any'\ndimension = 'width'\nmean_mm = 50\nsource = 'invented'\nstatus = 'assumed'\n"
        )
    };
    let built_in = |name: &str| BUILTIN_FILES.iter().find(|(n, _)| *n == name).unwrap().1.to_owned();
    let constants = built_in("identification.toml")
        .replace("clearness_sd = 1.4", "clearness_sd = 0.0")
        .replace("feature = 0.02", "feature = 0.0")
        .replace("prior = 0.05", "prior = 0.1")
        .replace("chance_assumed = 0.7", "chance_assumed = 0.0");
    let files = [
        ("identification.toml", constants),
        ("substrates.toml", built_in("substrates.toml")),
        ("grades.toml", built_in("grades.toml")),
        ("first.toml", maker("first", 0.8, 0.3)),
        ("second.toml", maker("second", 0.4, 0.6)),
    ];
    let facts = Facts::read(&files).unwrap();
    let print = PrintEvidence { claws: Feature::Seen, heel_pad: Feature::Absent, ..Default::default() };
    let evidence = Evidence { prints: vec![print], ..Default::default() };
    let answer = identify(&evidence, &facts, &Words::load("en").unwrap()).unwrap();
    // Priors 0.45, 0.45 and 0.1 for none of these (claws 0.45, heel 0.25).
    // first:  0.45 × 0.8  × (1 − 0.3)  = 0.252
    // second: 0.45 × 0.4  × (1 − 0.6)  = 0.072
    // none:   0.10 × 0.45 × (1 − 0.25) = 0.03375     sum 0.35775
    for (maker, expected) in [("first", 0.252), ("second", 0.072), ("none_of_these", 0.03375)] {
        assert!((candidate(&answer, maker).probability - expected / 0.35775).abs() < 1e-9, "{maker}");
    }
    // Claws speak 0.8 / 0.4 = 2 times, the missing heel 0.7 / 0.4 = 1.75 times for the first.
    let factors: Vec<f64> = answer.reasons.iter().filter(|r| r.against == "second").map(|r| r.factor).collect();
    assert!((factors[0] - 2.0).abs() < 1e-9 && (factors[1] - 1.75).abs() < 1e-9, "{factors:?}");
}

#[test]
fn a_broken_file_is_refused_with_its_name_line_and_reason() {
    let otter = BUILTIN_FILES.iter().find(|(n, _)| *n == "species/lutra_lutra.toml").unwrap().1;
    let broken = otter.replacen("claws = 0.55", "claws = 55", 1);
    let line = broken.lines().position(|l| l == "claws = 55").unwrap() + 1;
    let refusal = Facts::read(&[("mine/otter.toml", broken)]).unwrap_err().to_string();
    assert!(refusal.starts_with(&format!("mine/otter.toml, line {line}: 55 isn't a chance")), "{refusal}");
    let upside_down = otter.replacen("min_mm = 44.9", "min_mm = 99", 1);
    let refusal = Facts::read(&[("otter.toml", upside_down)]).unwrap_err().to_string();
    assert!(refusal.contains("must be above zero and rise"), "{refusal}");
    let unknown = otter.replacen("weak", "week", 0) + "\n[tail]\nlength = 3\n";
    assert!(Facts::read(&[("otter.toml", unknown)]).unwrap_err().to_string().contains("tail"));
}

#[test]
fn another_file_adds_a_track_maker_by_its_scientific_name() {
    let otter = BUILTIN_FILES.iter().find(|(n, _)| *n == "species/lutra_lutra.toml").unwrap().1;
    let american = otter.replace("lutra_lutra", "lontra_canadensis").replace("Lutra lutra", "Lontra canadensis");
    let mut files = BUILTIN_FILES.to_vec();
    files.push(("lontra_canadensis.toml", &american));
    let facts = Facts::read(&files).unwrap();
    assert_ne!(facts.digest(), self::facts().digest());
    let answer = identify(&in_mud(vec![five_toed(60.0)]), &facts, &Words::load("de").unwrap()).unwrap();
    let (ours, theirs) = (candidate(&answer, "lontra_canadensis"), candidate(&answer, "lutra_lutra"));
    assert_eq!(ours.name, "Lontra canadensis");
    assert!((ours.probability - theirs.probability).abs() < 1e-12);
}

#[test]
fn json_has_the_shape_other_programs_rely_on() {
    let answer = ask_json(include_str!("../../../../fixtures/evidence/otter_estuary.json"));
    let json = serde_json::to_value(&answer).unwrap();
    assert_eq!(json["grade"], "likely");
    assert_eq!(json["candidates"][0]["standing"], "fits");
    assert!(json["candidates"][0]["band"][1].is_f64() && json["reasons"][0]["factor"].is_f64());
    assert!(json["next"].as_array().unwrap().iter().all(|l| l["look_for"].is_string() && l["bits"].is_f64()));
    assert_eq!(serde_json::from_value::<Identification>(json).unwrap(), answer);
}

#[test]
fn every_text_has_words_in_every_language() {
    let text = include_str!("../../../../fixtures/evidence/mink_mud.json");
    for language in LANGUAGES {
        let words = Words::load(language).unwrap();
        let answer = identify(&Evidence::from_json(text).unwrap(), facts(), &words).unwrap();
        let texts =
            answer.reasons.iter().map(|r| &r.text).chain(answer.next.iter().map(|l| &l.text)).chain([&answer.rule]);
        for text in texts.chain(answer.ignored.iter().map(|i| &i.text)) {
            assert!(!text.contains("identify.") && !text.contains('{'), "{language}: {text}");
        }
        for (id, _, _) in facts().grade_rules() {
            assert!(words.has(&format!("identify.rule.{id}")), "{language}: {id}");
        }
    }
}

#[test]
fn the_schema_names_the_keys_that_are_read_and_written() {
    let schema = |text: &str| serde_json::from_str::<serde_json::Value>(text).unwrap();
    let keys = |value: &serde_json::Value| {
        let mut keys: Vec<String> = value.as_object().unwrap().keys().cloned().collect();
        keys.sort();
        keys
    };
    let evidence = Evidence {
        setting: Some(Setting::default()),
        prints: vec![PrintEvidence::default()],
        trail: Some(TrailEvidence::default()),
        droppings: vec![DroppingEvidence::default()],
        ..Evidence::default()
    };
    let (written, read) = (
        serde_json::to_value(&evidence).unwrap(),
        schema(include_str!("../../../../fixtures/schema/evidence.schema.json")),
    );
    assert_eq!(keys(&written), keys(&read["properties"]));
    assert_eq!(keys(&written["setting"]), keys(&read["properties"]["setting"]["properties"]));
    for (written, name) in
        [(&written["prints"][0], "print"), (&written["trail"], "trail"), (&written["droppings"][0], "dropping")]
    {
        assert_eq!(keys(written), keys(&read["$defs"][name]["properties"]), "{name}");
    }
    let mut substrates: Vec<&str> = facts().substrates().collect();
    substrates.sort_unstable();
    let mut named: Vec<&str> =
        read["properties"]["substrate"]["enum"].as_array().unwrap().iter().filter_map(|v| v.as_str()).collect();
    named.sort_unstable();
    assert_eq!(substrates, named);

    let answer = ask_json(include_str!("../../../../fixtures/evidence/mink_mud.json"));
    let written = serde_json::to_value(&answer).unwrap();
    let read = schema(include_str!("../../../../fixtures/schema/identification.schema.json"));
    assert_eq!(keys(&written), keys(&read["properties"]));
    for list in ["candidates", "reasons", "next", "ignored"] {
        let (item, properties) = (&written[list][0], &read["properties"][list]["items"]["properties"]);
        if item.is_object() {
            assert_eq!(keys(item), keys(properties), "{list}");
        }
    }
}

proptest::proptest! {
    #[test]
    fn whatever_is_measured_the_probabilities_sum_to_one(
        width in 10.0..500.0_f64,
        length in 10.0..500.0_f64,
        relative_u in 0.0001..0.9_f64,
        toes in 0..=5_u8,
        n in 1..20_usize,
        foot in 0..3_usize,
    ) {
        let print = PrintEvidence {
            foot: Foot::ALL[foot],
            width_mm: Some(width),
            u_width_mm: Some(width * relative_u),
            length_with_heel_mm: Some(length),
            u_length_with_heel_mm: Some(length * relative_u),
            toes_seen: Some(toes),
            ..PrintEvidence::default()
        };
        let all = probabilities(&in_mud(vec![print; n]), facts()).unwrap();
        let sum: f64 = all.iter().map(|(_, p)| p).sum();
        proptest::prop_assert!((sum - 1.0).abs() < 1e-9 && all.iter().all(|(_, p)| *p >= 0.0), "{sum}");
    }
}
