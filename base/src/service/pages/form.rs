//! The form for a dead phone, on paper and to type in: one list of fields, so that both ask the same in the same words. What is typed in goes the way
//! of a folder's `visit.toml`, with its checks.

use std::ops::ControlFlow;

use axum::http::StatusCode;
use axum::response::Response;
use rakelight_core::exchange::wire::Role;
use rakelight_core::identify::{Content, Facts, Form as DroppingForm, Remains};
use rakelight_core::scale::ByHand;
use rakelight_core::survey::read_folder;
use serde::Serialize;
use toml::{Table, Value};

use super::ask::{Ask, Reader, to};
use super::fields::Fields;
use super::refusal::Refusal;
use super::sign::encoded;
use super::statics::PAPER_STYLE;
use super::summaries::pdf;
use super::templates::context;

/// So many signs can be typed in at once; five fit on two sides of paper.
const SIGNS: usize = 12;

/// What is asked for.
#[derive(Serialize)]
struct Field {
    name: &'static str,
    label: String,
    kind: Kind,
    /// Without it there is no visit.
    needed: bool,
}

#[derive(Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
enum Kind {
    Text,
    Long,
    Number,
    Date,
    Time,
    /// One of these: what is kept, and in words.
    One {
        of: Vec<(String, String)>,
    },
    /// Any of these.
    Any {
        of: Vec<(String, String)>,
    },
}

/// The fields of a visit's head and of a sign, in the order in which the field knows them.
struct Form<'r, 'a> {
    reader: &'r Reader<'a>,
}

impl Form<'_, '_> {
    fn field(&self, name: &'static str, kind: Kind) -> Field {
        let needed = ["purpose", "date", "start", "people", "place_name"].contains(&name);
        Field { name, label: self.reader.words.say(&format!("pages.form.{name}")).to_owned(), kind, needed }
    }

    /// Choices whose words stand under a key.
    fn of(&self, key: &str, names: &[&str]) -> Vec<(String, String)> {
        names.iter().map(|name| ((*name).into(), self.reader.words.say(&format!("{key}.{name}")).to_owned())).collect()
    }

    fn one(&self, key: &str, names: &[&str]) -> Kind {
        Kind::One { of: self.of(key, names) }
    }

    fn any(&self, key: &str, names: &[&str]) -> Kind {
        Kind::Any { of: self.of(key, names) }
    }

    fn looked(&self) -> Kind {
        self.one("pages.form.looked", &["seen", "absent"])
    }

    fn head(&self) -> Vec<Field> {
        let offsets: Vec<(String, String)> = (-2..=4)
            .map(|hours: i32| format!("{}{:02}:00", if hours < 0 { '-' } else { '+' }, hours.abs()))
            .map(|o| (o.clone(), o))
            .collect();
        vec![
            self.field("place_name", Kind::Text),
            self.field("date", Kind::Date),
            self.field("start", Kind::Time),
            self.field("end", Kind::Time),
            self.field("offset", Kind::One { of: offsets }),
            self.field("people", Kind::Text),
            self.field("purpose", Kind::Text),
            self.field("protocol", self.one("protocol", &["one_bank_600", "both_banks_300", "repeat_visits"])),
            self.field("landowner", Kind::Text),
            self.field("consent", self.one("pages.consent", &["none", "summary_only", "exact_on_own_land"])),
            self.field("days_without_rain", Kind::Number),
            self.field("water_level", self.one("pages.form.level", &["low", "normal", "high", "flood"])),
            self.field("tide", self.one("pages.form.tides", &["falling", "low", "rising", "high"])),
            self.field("light", Kind::Text),
            self.field("bank", self.one("pages.form.banks", &["left", "right", "both"])),
            self.field("searched_m", Kind::Number),
            self.field("from_lat_lon", Kind::Text),
            self.field("to_lat_lon", Kind::Text),
            self.field("conditions_note", Kind::Long),
        ]
    }

    fn sign(&self) -> Result<Vec<Field>, Refusal> {
        let facts = Facts::builtin().map_err(Refusal::machine)?;
        let substrates: Vec<&str> = facts.substrates().collect();
        let kinds = [
            "print",
            "trail",
            "dropping",
            "feeding_remains",
            "resting_place",
            "slide",
            "hair",
            "sighting",
            "dead_animal",
        ];
        let contents: Vec<&str> = Content::ALL.iter().map(|content| content.name()).collect();
        let forms: Vec<&str> =
            DroppingForm::ALL.iter().map(|form| form.name()).filter(|name| *name != "not_looked").collect();
        let remains: Vec<&str> = Remains::ALL.iter().map(|remains| remains.name()).collect();
        Ok(vec![
            self.field("kind", self.one("pages.kind", &kinds)),
            self.field("substrate", self.one("substrate", &substrates)),
            self.field("time", Kind::Time),
            self.field("lat_lon", Kind::Text),
            self.field("freshness", self.one("pages.freshness", &["fresh", "recent", "old"])),
            self.field("foot", self.one("pages.foot", &["fore", "hind"])),
            self.field("toes_seen", self.one("pages.form.toes", &["2", "3", "4", "5"])),
            self.field("width_mm", Kind::Number),
            self.field("length_without_heel_mm", Kind::Number),
            self.field("length_with_heel_mm", Kind::Number),
            self.field("claws", self.looked()),
            self.field("webbing", self.looked()),
            self.field("heel_pad", self.looked()),
            self.field("smell", self.one("identify.value", &["sweet_fishy", "foul", "none"])),
            self.field("prominent_spot", self.one("pages.form.yes_no", &["yes", "no"])),
            self.field("contents", self.any("identify.content", &contents)),
            self.field("form", self.one("identify.value", &forms)),
            self.field("feeding_remains", self.any("identify.remains", &remains)),
            self.field("note", Kind::Long),
        ])
    }
}

/// To print, as a page or as a file.
pub async fn paper(ask: Ask) -> Response {
    ask.person(Role::FieldWorker, |reader, _| {
        let form = Form { reader };
        let fields = context! { head => form.head(), sign => form.sign()? };
        match reader.query.get("as") {
            Some("pdf") => {
                let html = reader.html("form_file.html", &context! { style => PAPER_STYLE, ..fields })?;
                pdf(&html, "form.pdf")
            }
            _ => reader.page("form.html", fields),
        }
    })
    .await
}

/// To type in.
pub async fn page(ask: Ask) -> Response {
    ask.person(Role::FieldWorker, |reader, _| show(reader, &Fields::of_query(None), None)).await
}

/// The page with what was typed so far, so that nothing is typed twice.
fn show(reader: &Reader, typed: &Fields, wrong: Option<String>) -> Result<Response, Refusal> {
    let form = Form { reader };
    let places: Vec<String> = {
        let lines = reader.pages.list.now(&reader.pages.store)?;
        let mut places: Vec<String> = lines.visits.values().map(|line| line.place.clone()).collect();
        places.sort();
        places.dedup();
        places
    };
    let status = if wrong.is_some() { StatusCode::UNPROCESSABLE_ENTITY } else { StatusCode::OK };
    let values =
        context! { head => form.head(), sign => form.sign()?, signs => SIGNS, places, wrong, typed => typed.all() };
    reader.page_with(status, "type_in.html", values)
}

pub async fn typed(ask: Ask, fields: Fields) -> Response {
    ask.form(Role::FieldWorker, fields, |reader, person, fields| {
        let u_mm = ByHand::known().map_err(Refusal::machine)?.u_mm;
        let table = match table(fields, u_mm) {
            Ok(table) => table,
            Err(key) => return show(reader, fields, Some(reader.words.say(key).to_owned())),
        };
        let folder = tempfile::tempdir().map_err(Refusal::machine)?;
        std::fs::write(folder.path().join("visit.toml"), table.to_string()).map_err(Refusal::machine)?;
        let read = read_folder(folder.path(), reader.words, &mut |_| ControlFlow::Continue(()));
        match read {
            Ok(read) => {
                // A visit that another phone brought is gone on with, not begun anew.
                reader.pages.write(&read.visit.id, &person.name, &read.visit.records())?;
                Ok(to(&format!("/visits/{}", encoded(&read.visit.id))))
            }
            Err(error) => show(reader, fields, Some(error.to_string())),
        }
    })
    .await
}

/// What was typed as a `visit.toml`, lengths with this uncertainty; else the key of what is wrong.
fn table(fields: &Fields, u_mm: f64) -> Result<Table, &'static str> {
    let (date, offset) = (fields.get("date").ok_or("pages.form.no_date")?, fields.get("offset").unwrap_or("+00:00"));
    let moment = |time: &str| Value::String(format!("{date}T{time}:00{offset}"));
    let mut visit = Table::new();
    let put = |table: &mut Table, key: &str, value: Option<Value>| _ = value.map(|v| table.insert(key.into(), v));
    let text = |name: &str| fields.get(name).map(|value| Value::String(value.into()));
    for name in ["purpose", "place_name", "landowner", "consent", "protocol"] {
        put(&mut visit, name, text(name));
    }
    let people = fields.get("people").ok_or("pages.form.no_people")?;
    let people = people.split([',', ';']).map(str::trim).filter(|name| !name.is_empty());
    put(&mut visit, "people", Some(Value::Array(people.map(|name| Value::String(name.into())).collect())));
    put(&mut visit, "start", Some(moment(fields.get("start").ok_or("pages.form.no_start")?)));
    put(&mut visit, "end", fields.get("end").map(moment));
    let mut conditions = Table::new();
    put(
        &mut conditions,
        "days_without_rain",
        number(fields.get("days_without_rain"))?.map(|n| Value::Integer(n as i64)),
    );
    for name in ["water_level", "tide", "light"] {
        put(&mut conditions, name, text(name));
    }
    put(&mut conditions, "note", text("conditions_note"));
    let mut file = Table::from_iter([("visit".into(), visit.into()), ("conditions".into(), conditions.into())]);
    let ends = [place(fields.get("from_lat_lon"))?, place(fields.get("to_lat_lon"))?];
    if ends.iter().flatten().count() < 2
        && ["from_lat_lon", "to_lat_lon", "searched_m"].iter().any(|name| fields.get(name).is_some())
    {
        return Err("pages.form.no_stretch");
    }
    if let [Some(from), Some(end)] = ends {
        let mut stretch = Table::from_iter([("name".into(), text("place_name").unwrap_or(Value::String("1".into())))]);
        put(&mut stretch, "bank", text("bank"));
        put(&mut stretch, "searched_m", number(fields.get("searched_m"))?.map(Value::Float));
        stretch.insert("line".into(), Value::Array(vec![from, end]));
        file.insert("stretch".into(), Value::Array(vec![stretch.into()]));
    }
    let signs: Vec<Value> =
        (1..=SIGNS).filter_map(|n| sign(fields, n, u_mm, &moment).transpose()).collect::<Result<_, _>>()?;
    file.insert("sign".into(), Value::Array(signs));
    Ok(file)
}

/// The sign in this row; `None` where nothing is said of what it is.
fn sign(fields: &Fields, n: usize, u_mm: f64, moment: &dyn Fn(&str) -> Value) -> Result<Option<Value>, &'static str> {
    let of = |name: &str| fields.get(&format!("{name}_{n}"));
    let Some(kind) = of("kind") else {
        // Whoever typed a measure or a note meant a sign.
        return if of("note").or(of("width_mm")).or(of("time")).is_some() {
            Err("pages.form.no_kind")
        } else {
            Ok(None)
        };
    };
    let mut sign = Table::from_iter([
        ("id".into(), Value::String(format!("{kind}-{n}"))),
        ("kind".into(), Value::String(kind.into())),
    ]);
    let put = |table: &mut Table, key: &str, value: Option<Value>| _ = value.map(|v| table.insert(key.into(), v));
    let text = |name: &str| of(name).map(|value| Value::String(value.into()));
    put(&mut sign, "time", of("time").map(moment));
    put(&mut sign, "place", place(of("lat_lon"))?);
    for name in ["freshness", "substrate", "note"] {
        put(&mut sign, name, text(name));
    }
    let mut print = Table::new();
    for name in ["width_mm", "length_without_heel_mm", "length_with_heel_mm"] {
        if let Some(mm) = number(of(name))? {
            print.insert(name.into(), Value::Float(mm));
            print.insert(format!("u_{name}"), Value::Float(u_mm));
        }
    }
    put(&mut print, "toes_seen", number(of("toes_seen"))?.map(|n| Value::Integer(n as i64)));
    for name in ["claws", "webbing", "heel_pad"] {
        put(&mut print, name, text(name));
    }
    if !print.is_empty() {
        print.insert("foot".into(), text("foot").unwrap_or(Value::String("unknown".into())));
        sign.insert("prints".into(), Value::Array(vec![print.into()]));
    }
    let ticked = |names: Vec<&'static str>, field: &str| -> Vec<Value> {
        let ticked = names.into_iter().filter(|name| of(&format!("{field}.{name}")).is_some());
        ticked.map(|name| Value::String(name.into())).collect()
    };
    let mut dropping = Table::new();
    let contents = ticked(Content::ALL.iter().map(|content| content.name()).collect(), "contents");
    put(&mut dropping, "contents", (!contents.is_empty()).then_some(Value::Array(contents)));
    for name in ["smell", "form"] {
        put(&mut dropping, name, text(name));
    }
    put(&mut dropping, "prominent_spot", of("prominent_spot").map(|value| Value::Boolean(value == "yes")));
    if kind == "dropping" && !dropping.is_empty() {
        sign.insert("droppings".into(), Value::Array(vec![dropping.into()]));
    }
    let remains = ticked(Remains::ALL.iter().map(|remains| remains.name()).collect(), "feeding_remains");
    put(&mut sign, "feeding_remains", (!remains.is_empty()).then_some(Value::Array(remains)));
    Ok(Some(sign.into()))
}

/// A number as people write it: with a point or a comma.
fn number(text: Option<&str>) -> Result<Option<f64>, &'static str> {
    let Some(text) = text else { return Ok(None) };
    let number = text.replace(',', ".").parse().ok().filter(|number: &f64| number.is_finite() && *number >= 0.0);
    number.map(Some).ok_or("pages.form.no_number")
}

/// `53.912, 8.204` as longitude and latitude.
fn place(text: Option<&str>) -> Result<Option<Value>, &'static str> {
    let Some(text) = text else { return Ok(None) };
    let parts: Vec<f64> =
        text.split([',', ';', ' ']).filter(|part| !part.is_empty()).map_while(|part| part.parse().ok()).collect();
    match parts[..] {
        [lat, lon] => Ok(Some(Value::Array(vec![Value::Float(lon), Value::Float(lat)]))),
        _ => Err("pages.form.no_place"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn typed(fields: &str) -> Result<Table, &'static str> {
        table(&Fields::of_query(Some(fields)), 2.0)
    }

    const HEAD: &str =
        "date=2026-10-03&start=07:40&offset=%2B02:00&people=Ada+Marsh%2C+Bo&purpose=otter&place_name=Sallow+Bridge";

    #[test]
    fn what_is_typed_in_becomes_a_visit_file_that_is_read_like_any_other() {
        let signs = "kind_1=print&time_1=08:10&lat_lon_1=53.912,+8.204&width_mm_1=61,5&toes_seen_1=5&claws_1=seen&substrate_1=soft_mud\
                     &kind_2=dropping&contents.fish_scales_2=1&smell_2=sweet_fishy&prominent_spot_2=yes";
        let table =
            typed(&format!("{HEAD}&{signs}&from_lat_lon=53.91+8.20&to_lat_lon=53.92+8.20&searched_m=600")).unwrap();
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("visit.toml"), table.to_string()).unwrap();
        let words = rakelight_core::words::Words::load("en").unwrap();
        let visit = read_folder(folder.path(), &words, &mut |_| ControlFlow::Continue(())).unwrap().visit;
        assert_eq!((visit.opened.people.len(), visit.signs.len(), visit.identified.len()), (2, 2, 2));
        assert_eq!(visit.signs[0].place, Some([53.912, 8.204]));
        assert_eq!(visit.identified[0].evidence.prints[0].width_mm, Some(61.5));
        assert_eq!(visit.opened.start.to_rfc3339(), "2026-10-03T07:40:00+02:00");
        assert_eq!(visit.stretches[0].searched_m, Some(600.0));
    }

    #[test]
    fn what_is_missing_or_no_number_is_said() {
        assert_eq!(typed("people=Ada"), Err("pages.form.no_date"));
        assert_eq!(typed(&format!("{HEAD}&kind_1=print&width_mm_1=wide")), Err("pages.form.no_number"));
        assert_eq!(typed(&format!("{HEAD}&kind_1=print&lat_lon_1=53.9")), Err("pages.form.no_place"));
        assert_eq!(typed(&format!("{HEAD}&width_mm_1=60")), Err("pages.form.no_kind"));
        assert_eq!(typed(&format!("{HEAD}&searched_m=600")), Err("pages.form.no_stretch"));
    }
}
