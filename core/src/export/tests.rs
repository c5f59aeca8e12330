//! Statements about what leaves. All of it is invented.

use std::io::Read;

use chrono::{DateTime, FixedOffset};
use proptest::prelude::*;

use super::*;
use crate::identify::{Evidence, identify};
use crate::survey::{
    Check, Clock, Closed, Consent, Identified, Note, Opened, PhotoAttached, PlacedBy, Record, SignKind, SignNoted,
    StretchWalked, TrackPiece, Verdict, Visit,
};

const FORMATS: [Format; 6] = [Format::Dwca, Format::GeoJson, Format::Gpx, Format::Gpkg, Format::Csv, Format::Photos];

fn words() -> Words {
    Words::load("en").unwrap()
}

fn now() -> DateTime<Utc> {
    "2026-11-25T07:41:10Z".parse().unwrap()
}

fn time(day: u32, hour: u32) -> DateTime<FixedOffset> {
    format!("2026-10-{day:02}T{hour:02}:00:00+02:00").parse().unwrap()
}

/// A dropping that the core takes for an otter's, or what else the evidence says.
fn evidence() -> Evidence {
    let evidence = r#"{"substrate": "firm_mud", "setting": {"near_water": true},
        "prints": [{"foot": "hind", "width_mm": 60.1, "u_width_mm": 0.9, "toes_seen": 5, "claws": "seen"}],
        "droppings": [{"contents": ["fish_bones"], "smell": "sweet_fishy", "prominent_spot": true}]}"#;
    Evidence::from_json(evidence).unwrap()
}

fn identified() -> Identified {
    static ONCE: std::sync::OnceLock<Identified> = std::sync::OnceLock::new();
    let made = ONCE.get_or_init(|| {
        let evidence = evidence();
        let result = identify(&evidence, Facts::builtin().unwrap(), &words()).unwrap();
        assert!(result.candidates[0].maker == "lutra_lutra");
        Identified { sign: String::new(), evidence, result, core_version: "0.1.0".into(), facts_digest: String::new() }
    });
    made.clone()
}

fn sign(id: &str, place: Option<[f64; 2]>) -> SignNoted {
    SignNoted {
        id: id.into(),
        sign: SignKind::Dropping,
        photos: vec![],
        trail: None,
        place,
        placed_by: Some(PlacedBy::Phone),
        radius_68_m: Some(6.0),
        taken_for: None,
        time: Some(time(3, 9)),
        freshness: Some("fresh".into()),
        below_high_water: None,
        note: None,
    }
}

fn visit(place_name: &str, day: u32, category: u8) -> Visit {
    let mut opened = Opened::invented(place_name, time(day, 8), &["Ida Fennwick", "Jorun Tesk"]);
    opened.sensitivity_category = Category::try_from(category).unwrap();
    opened.landowner = Some("Marit Oldacre".into());
    opened.consent = Consent::SummaryOnly;
    let mut visit = Visit::open(opened);
    visit.closed = Some(Closed { end: time(day, 10) });
    visit
}

fn with_sign(mut visit: Visit, noted: SignNoted) -> Visit {
    visit.identified.push(Identified { sign: noted.id.clone(), ..identified() });
    visit.signs.push(noted);
    visit
}

fn stretch(name: &str, [lat, lon]: [f64; 2], searched_m: Option<f64>) -> StretchWalked {
    let line = vec![[lon, lat], [lon + 0.0041234, lat + 0.0031234]];
    StretchWalked { name: name.into(), bank: None, line, searched_m }
}

struct House {
    folder: tempfile::TempDir,
    store: Store,
}

impl House {
    fn with(visits: &[Visit]) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open_or_create(&folder.path().join("store")).unwrap();
        for visit in visits {
            store.write_visit(visit, now()).unwrap();
        }
        Self { folder, store }
    }

    fn out(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn export(&self, asked: &Asked) -> (PathBuf, Exported) {
        let out = tempfile::tempdir_in(self.folder.path()).unwrap().keep().join("records");
        let exported = export(&self.store, &out, asked, now(), &words()).unwrap();
        (out, exported)
    }

    /// All that is in what was exported: names of files, their bytes, those of an archive's members unpacked.
    fn bytes(&self, asked: &Asked) -> Vec<u8> {
        let (out, _) = self.export(asked);
        let mut all = Vec::new();
        if out.is_dir() {
            for entry in fs::read_dir(&out).unwrap().flatten() {
                all.extend(entry.file_name().into_encoded_bytes());
                all.extend(fs::read(entry.path()).unwrap());
            }
            return all;
        }
        all.extend(fs::read(&out).unwrap());
        if asked.format == Format::Dwca {
            for table in members(&out) {
                all.extend(table.0.into_bytes());
                all.extend(table.1.into_bytes());
            }
        }
        all
    }

    fn table(&self, asked: &Asked, name: &str) -> Vec<std::collections::BTreeMap<String, String>> {
        let (out, _) = self.export(asked);
        let text = members(&out).into_iter().find(|(member, _)| member == name).unwrap().1;
        let mut reader = ::csv::Reader::from_reader(text.as_bytes());
        reader.deserialize().map(Result::unwrap).collect()
    }
}

fn members(archive: &Path) -> Vec<(String, String)> {
    let mut archive = zip::ZipArchive::new(fs::File::open(archive).unwrap()).unwrap();
    (0..archive.len())
        .map(|i| {
            let mut member = archive.by_index(i).unwrap();
            let mut text = String::new();
            member.read_to_string(&mut text).unwrap();
            (member.name().unwrap().into_owned(), text)
        })
        .collect()
}

fn asked(format: Format) -> Asked {
    Asked::of(format, Licence::named("CC-BY-4.0").unwrap())
}

fn holds(bytes: &[u8], wanted: &[u8]) -> bool {
    bytes.windows(wanted.len()).any(|window| window == wanted)
}

/// A visit that tells its place everywhere it can.
fn telltale(at: [f64; 2], category: u8) -> Visit {
    let [lat, lon] = at;
    let mut visit = visit("Sallow Bridge", 3, category);
    visit.opened.notice = Some(format!("near {lat}, {lon}"));
    visit.opened.protocol = Some(format!("from {lat:.5} on"));
    visit.opened.purpose = format!("{lat} {lon}");
    visit.opened.conditions.water_level = Some(format!("{lat}"));
    visit.opened.conditions.note = Some("behind Sallow Bridge".into());
    visit.stretches.push(stretch("Sallow Reach", at, Some(600.0)));
    visit.track.push(TrackPiece { fixes: (0..20).map(|i| (now(), lat + f64::from(i) * 1e-5, lon)).collect() });
    visit.notes.push(Note { text: format!("gate at {lat:.6} {lon:.6}"), place: Some(at), at: time(3, 9) });
    visit.photos.push(PhotoAttached {
        file: "sallow_bridge_holt.jpg".into(),
        sha256: "ab".repeat(32),
        taken: Some(time(3, 9)),
        clock: Some(Clock::Camera),
        place: Some(at),
        placed_by: Some(PlacedBy::Camera),
        shows: Some("holt by Sallow Bridge".into()),
    });
    let mut noted = sign("holt-sallow-bridge", Some(at));
    noted.note = Some(format!("at {lat:.4}/{lon:.4}, Ida Fennwick saw it"));
    noted.photos = vec!["sallow_bridge_holt.jpg".into()];
    with_sign(with_sign(visit, noted), sign("s2", None))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    #[test]
    fn nothing_that_leaves_tells_a_place_more_exactly_than_its_category(
        lat in -7_999_999..8_299_999_i32, lon in -17_899_999..17_899_999_i32, category in 1_u8..=4, notes: bool,
    ) {
        // Five decimals, none of them zero at the end, so that the digits are the place's own.
        let at = [lat, lon].map(|n| (f64::from(n / 10 * 10) + 7.0) / 100_000.0);
        let house = House::with(&[telltale(at, category)]);
        for format in FORMATS {
            let bytes = house.bytes(&Asked { notes, ..asked(format) });
            for degrees in at {
                for decimals in usize::from(category).max(3)..=6 {
                    let digits = format!("{degrees:.decimals$}");
                    let cut = &format!("{degrees:.7}")[..digits.len()];
                    prop_assert!(!holds(&bytes, digits.trim_start_matches('-').as_bytes()), "{format:?}: {digits}");
                    prop_assert!(!holds(&bytes, cut.trim_start_matches('-').as_bytes()), "{format:?}: {cut}");
                }
                prop_assert!(!holds(&bytes, &degrees.to_le_bytes()), "{format:?}");
            }
            for told in ["Sallow", "sallow", "Reach", "Fennwick", "Tesk", "Oldacre", "Ida", "abababab", "holt"] {
                prop_assert!(!holds(&bytes, told.as_bytes()), "{format:?}: {told}");
            }
            prop_assert!(!holds(&bytes, house.store.visits().unwrap()[0].as_bytes()));
        }
    }
}

#[test]
fn an_exact_export_tells_why_and_does_tell_the_place() {
    let house = House::with(&[telltale([53.12347, 9.54327], 1)]);
    let why = Some("asked for by the authority".to_owned());
    for format in [Format::Dwca, Format::GeoJson, Format::Gpx, Format::Csv] {
        let bytes = house.bytes(&Asked { exact: why.clone(), ..asked(format) });
        assert!(holds(&bytes, b"53.12347") && holds(&bytes, b"asked for by the authority"), "{format:?}");
        assert!(!holds(&bytes, b"Oldacre") && !holds(&bytes, b"Fennwick"), "people's names are another choice");
    }
    for (asked, told) in [
        (Asked { exact: Some(" ".into()), ..asked(Format::Csv) }, "reason"),
        (Asked { exact: why, category: Category::try_from(2).ok(), ..asked(Format::Csv) }, "contradict"),
    ] {
        let refused = export(&house.store, &house.out("x.csv"), &asked, now(), &words()).unwrap_err();
        assert!(refused.is_input() && refused.to_string().contains(told), "{refused}");
    }
}

#[test]
fn a_place_is_as_sensitive_as_its_most_sensitive_record() {
    let at = [51.56037, -2.66512];
    let near = [51.56237, -2.66212];
    let visits = [
        with_sign(visit("Mill weir", 3, 2), sign("a", Some(at))),
        with_sign(visit(" mill  Weir", 4, 4), sign("b", Some([60.00047, 9.00047]))),
        with_sign(visit("Elsewhere by name", 5, 4), sign("c", Some(near))),
        with_sign(visit("Far away", 6, 4), sign("d", Some([55.00047, 8.00047]))),
    ];
    let (_, exported) = House::with(&visits).export(&asked(Format::Csv));
    assert_eq!(exported.generalised, [("2".to_owned(), 3), ("4".to_owned(), 1)].into());
    let (_, stricter) =
        House::with(&visits).export(&Asked { category: Category::try_from(1).ok(), ..asked(Format::Csv) });
    assert_eq!(stricter.generalised, [("1".to_owned(), 4)].into());
    let (_, not_laxer) =
        House::with(&visits).export(&Asked { category: Category::try_from(4).ok(), ..asked(Format::Csv) });
    assert_eq!(not_laxer.generalised, exported.generalised);
}

#[test]
fn rounding_and_its_uncertainty_are_those_of_chapman_2020() {
    let house = House::with(&[with_sign(visit("Mill", 3, 2), sign("a", Some([51.56037, -2.66512])))]);
    let events = house.table(&asked(Format::Dwca), "event.csv");
    let place = events.iter().find(|event| event["eventType"] == "observation").unwrap();
    assert_eq!(
        (&*place["decimalLatitude"], &*place["decimalLongitude"], &*place["coordinatePrecision"]),
        ("51.6", "-2.7", "0.1")
    );
    // 0.1° at 51.56° N is 13,116 m across; the phone's 6 m (68 %) are 9.8 m (95 %).
    let uncertainty: f64 = place["coordinateUncertaintyInMeters"].parse().unwrap();
    assert!((13_100.0..13_140.0).contains(&uncertainty), "{uncertainty}");
    assert_eq!(place["eventDate"], "2026-10-03T09:00:00+02:00");
}

#[test]
fn not_found_is_said_only_where_enough_was_searched_and_the_visit_is_closed() {
    let searched = |searched_m| {
        let mut visit = visit("Mill", 3, 2);
        visit.stretches.push(stretch("bank", [53.0, 9.0], searched_m));
        visit
    };
    let open = Visit { closed: None, ..searched(Some(600.0)) };
    let found = with_sign(searched(Some(600.0)), sign("a", Some([53.0, 9.0])));
    let said = |visit: Visit| {
        let house = House::with(&[visit]);
        let mut rows = house.table(&asked(Format::Dwca), "humboldt.csv");
        let row = rows.remove(0);
        let absent = house
            .table(&asked(Format::Dwca), "occurrence.csv")
            .iter()
            .filter(|row| row["occurrenceStatus"] == "absent")
            .count();
        (row["isAbsenceReported"].clone(), row["absentTaxa"].clone(), absent)
    };
    let nothing = ("false".to_owned(), String::new(), 0);
    assert_eq!(said(searched(Some(600.0))), ("true".into(), "Lutra lutra".into(), 1));
    assert_eq!(said(searched(None)), nothing);
    assert_eq!(said(open), nothing);
    assert_eq!(said(found), nothing);
}

#[test]
fn a_file_says_found_and_not_found_in_one_vocabulary() {
    let mut empty = visit("Ford", 4, 2);
    empty.stretches.push(stretch("bank", [53.5, 9.5], Some(600.0)));
    let house = House::with(&[with_sign(visit("Mill", 3, 2), sign("a", Some([53.0, 9.0]))), empty]);
    let said = |vocabulary| {
        let rows = house.table(&Asked { vocabulary, ..asked(Format::Dwca) }, "occurrence.csv");
        let mut said: Vec<String> = rows.into_iter().map(|row| row["occurrenceStatus"].clone()).collect();
        said.sort();
        said
    };
    assert_eq!(said(Vocabulary::Before2026), ["absent", "present"]);
    assert_eq!(said(Vocabulary::From2026), ["detected", "notDetected"]);
}

#[test]
fn doubt_leaves_with_the_identification_and_a_second_persons_check_decides() {
    let row = |check: Option<(Verdict, Option<&str>)>| {
        let visit = with_sign(visit("Mill", 3, 2), sign("a", Some([53.0, 9.0])));
        let mut house = House::with(std::slice::from_ref(&visit));
        if let Some((verdict, instead)) = check {
            let instead = instead.map(Into::into);
            let check = Check { sign: "a".into(), verdict, instead, why: None, blind: true, at: time(5, 9) };
            house.store.write_records(&visit.id, "Cy Brand", &[Record::Check(check)], now()).unwrap();
        }
        house.table(&asked(Format::Dwca), "occurrence.csv").pop()
    };
    let unchecked = row(None).unwrap();
    assert_eq!(unchecked["identificationVerificationStatus"], "unverified");
    assert!(unchecked["identificationRemarks"].contains("probability 0."), "{unchecked:?}");
    let fits = row(Some((Verdict::Fits, None))).unwrap();
    assert_eq!(
        (&*fits["identificationVerificationStatus"], &*fits["dateIdentified"]),
        ("verified by a second person", "2026-10-05")
    );
    let other = row(Some((Verdict::DoesNotFit, Some("neogale_vison")))).unwrap();
    assert_eq!((&*other["scientificName"], &*other["identificationQualifier"]), ("Neogale vison", "cf. Neogale vison"));
    assert_eq!(row(Some((Verdict::DoesNotFit, None))), None, "nobody knows whose it is");
}

#[test]
fn a_measure_leaves_with_its_uncertainty_and_how_it_was_made() {
    let house = House::with(&[with_sign(visit("Mill", 3, 2), sign("a", Some([53.0, 9.0])))]);
    let row = house.table(&asked(Format::Dwca), "extendedmeasurementorfact.csv").remove(0);
    assert_eq!(
        (&*row["measurementType"], &*row["measurementValue"], &*row["measurementUnit"]),
        ("hind print width", "60.1", "mm")
    );
    assert_eq!(row["measurementAccuracy"], "U = 1.8 mm, k = 1.960 (95 %)");
    assert_eq!(row["measurementMethod"], "measured in the field");
}

#[test]
fn the_same_records_have_the_same_identifiers_again() {
    let house = House::with(&[with_sign(visit("Mill", 3, 2), sign("a", Some([53.0, 9.0])))]);
    let ids = |house: &House| {
        house
            .table(&asked(Format::Dwca), "occurrence.csv")
            .into_iter()
            .map(|row| row["occurrenceID"].clone())
            .collect::<Vec<_>>()
    };
    assert_eq!(ids(&house), ids(&house));
}

#[test]
fn hostile_words_stay_words() {
    let hostile =
        ["=cmd|'/c calc'!A0", "<script>alert(1)</script>", "\u{202e}gpj.exe", "וידרה 🦦 \u{0} \n\r\t\"',;", "+1+1"];
    let mut signs = visit("Mill", 3, 2);
    for (i, text) in
        hostile.iter().map(|text| (*text).to_owned()).chain([format!("={}", "long ".repeat(2_000))]).enumerate()
    {
        let mut noted = sign(&format!("=s{i}\u{202e}"), Some([53.0, 9.0]));
        noted.note = Some(text.clone());
        signs.notes.push(Note { text, place: None, at: time(3, 9) + chrono::TimeDelta::minutes(i as i64) });
        signs = with_sign(signs, noted);
    }
    signs.opened.people = hostile.iter().map(|text| (*text).to_owned()).collect();
    let house = House::with(&[signs]);
    for format in FORMATS {
        let asked = Asked {
            notes: true,
            names: true,
            title: Some(hostile[1].into()),
            team: Some(hostile[0].into()),
            ..asked(format)
        };
        let (out, _) = house.export(&asked);
        let texts: Vec<String> = match format {
            Format::Dwca => members(&out).into_iter().map(|(_, text)| text).collect(),
            Format::Gpkg => vec![],
            Format::Photos => vec![fs::read_to_string(out.join("photographs.csv")).unwrap()],
            _ => vec![fs::read_to_string(&out).unwrap()],
        };
        for text in &texts {
            assert!(!text.contains('\u{202e}') && !text.contains('\u{0}'), "{format:?}");
            if text.starts_with("<?xml") {
                assert!(!text.contains("<script"), "{format:?}");
            }
        }
        if format == Format::Csv {
            let mut rows = ::csv::Reader::from_path(&out).unwrap();
            for row in rows.records().map(Result::unwrap) {
                for cell in row.iter() {
                    assert!(!cell.starts_with(['=', '@', '\t', '\r']) && !cell.contains('\n'), "{cell}");
                    assert!(!cell.starts_with(['+', '-']) || cell.parse::<f64>().is_ok(), "{cell}");
                }
            }
        }
    }
}

#[test]
fn a_visit_of_two_thousand_signs_leaves_whole() {
    let mut many = visit("Mill", 3, 3);
    for i in 0..2_000 {
        many = with_sign(many, sign(&format!("s{i}"), Some([53.0 + f64::from(i) * 1e-5, 9.0])));
    }
    let house = House::with(&[many]);
    for format in FORMATS {
        let (_, exported) = house.export(&asked(format));
        assert_eq!((exported.visits, exported.occurrences), (1, 2_000), "{format:?}");
    }
}

#[test]
fn what_is_there_is_not_written_over_and_what_fails_leaves_nothing() {
    let house = House::with(&[with_sign(visit("Mill", 3, 2), sign("a", Some([53.0, 9.0])))]);
    for format in FORMATS {
        let out = house.out("there");
        fs::create_dir_all(&out).unwrap();
        fs::write(out.join("mine.txt"), "mine").unwrap();
        fs::write(out.join(format.file_name()), "mine").unwrap();
        let refused = export(&house.store, &out, &asked(format), now(), &words()).unwrap_err();
        assert!(matches!(refused, ExportError::There(_)), "{format:?}");
        assert_eq!(fs::read_to_string(out.join(format.file_name())).unwrap(), "mine");
        let nowhere = house.out("no/such/folder/records");
        if format != Format::Photos {
            assert!(!export(&house.store, &nowhere, &asked(format), now(), &words()).unwrap_err().is_input());
        }
        let none = Asked { from: "2030-01-01".parse().ok(), ..asked(format) };
        let empty = house.out("empty");
        assert!(
            matches!(export(&house.store, &empty, &none, now(), &words()), Err(ExportError::Nothing(true))),
            "{format:?}"
        );
        assert!(!empty.exists(), "{format:?}");
    }
    let left: Vec<_> = fs::read_dir(house.folder.path()).unwrap().flatten().map(|entry| entry.file_name()).collect();
    assert!(left.iter().all(|name| !name.to_string_lossy().contains("part")), "{left:?}");
}

#[test]
fn days_outside_stay_here() {
    let visits = [3, 5, 7].map(|day| with_sign(visit("Mill", day, 2), sign("a", Some([53.0, 9.0]))));
    let house = House::with(&visits);
    let between = Asked { from: "2026-10-04".parse().ok(), to: "2026-10-07".parse().ok(), ..asked(Format::Csv) };
    assert_eq!(house.export(&between).1.visits, 2);
    let backwards = Asked { from: "2026-10-07".parse().ok(), to: "2026-10-04".parse().ok(), ..asked(Format::Csv) };
    let refused = export(&house.store, &house.out("x"), &backwards, now(), &words()).unwrap_err();
    assert!(refused.to_string().contains("2026-10-04 lies before 2026-10-07"), "{refused}");
}

#[test]
fn a_copied_photograph_is_its_pixels_and_a_missing_one_is_told() {
    let mut of_photos = visit("Mill", 3, 2);
    let mut house = House::with(&[]);
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("../fixtures/demo-visit/IMG_0104.jpg");
    let taken = house.store.add_photo(&demo).unwrap();
    for (file, sha256) in [("with_place.jpg", taken.sha256.clone()), ("lost.jpg", "cd".repeat(32))] {
        of_photos.photos.push(PhotoAttached {
            file: file.into(),
            sha256,
            taken: Some(time(3, 9)),
            clock: None,
            place: Some([53.0, 9.0]),
            placed_by: None,
            shows: None,
        });
    }
    let mut noted = sign("a", Some([53.0, 9.0]));
    noted.photos = vec!["with_place.jpg".into(), "lost.jpg".into()];
    house.store.write_visit(&with_sign(of_photos, noted), now()).unwrap();
    let original = fs::read(&demo).unwrap();
    assert!(holds(&original, b"Exif"), "the original has what a copy may not have");
    let (out, exported) = house.export(&asked(Format::Photos));
    assert_eq!((exported.photographs, exported.left_out.len()), (1, 1));
    assert!(exported.left_out[0].reason.contains("isn't in the store"));
    let copies: Vec<PathBuf> = fs::read_dir(&out)
        .unwrap()
        .flatten()
        .map(|entry| entry.path())
        .filter(|path| path.extension().is_some_and(|e| e == "jpg"))
        .collect();
    let copy = fs::read(&copies[0]).unwrap();
    assert!(copies.len() == 1 && !holds(&copy, b"Exif") && !holds(&copy, b"http://ns.adobe.com"));
    assert!(crate::photo::Photo::read(&copy).is_ok_and(|photo| !photo.has_exif));
    let list = fs::read_to_string(out.join("photographs.csv")).unwrap();
    assert!(list.contains(&crate::photo::digest(&copy)) && !list.contains(&taken.sha256));

    let archive = Asked {
        photos_at: Some("https://photographs.example/".into()),
        photos_in: Some(out.clone()),
        ..asked(Format::Dwca)
    };
    let pictures = house.table(&archive, "multimedia.csv");
    let linked: Vec<_> = pictures.iter().filter(|row| !row["accessURI"].is_empty()).collect();
    assert!(pictures.len() == 2 && linked.len() == 1, "what isn't there isn't linked: {pictures:?}");
    assert_eq!(linked[0]["hashValue"], crate::photo::digest(&copy));
    assert!(linked[0]["PixelXDimension"].parse::<u32>().is_ok_and(|px| px > 100));
    assert!(copies[0].ends_with(linked[0]["accessURI"].rsplit('/').next().unwrap()));
    let elsewhere = Asked { photos_in: Some(house.out("nowhere")), ..archive };
    let refused = export(&house.store, &house.out("x.zip"), &elsewhere, now(), &words()).unwrap_err();
    assert!(refused.is_input() && refused.to_string().contains("export them there first"), "{refused}");
}
