//! Templates and their texts, one environment a language.

use std::collections::HashMap;

use minijinja::value::{Kwargs, Serde};
use minijinja::{AutoEscape, Environment, Error, ErrorKind, Value};
use rakelight_core::words::{LANGUAGES, Words};

use crate::service::ServiceError;

/// What a template fills in: `context! { a, b => 1, ..others }`.
macro_rules! context {
    (@put $map:ident, $key:ident) => { $map.insert(stringify!($key).into(), serde_json::json!($key)) };
    (@put $map:ident, $key:ident => $value:expr) => { $map.insert(stringify!($key).into(), serde_json::json!($value)) };
    ($($key:ident $(=> $value:expr)?),* $(, ..$more:expr)* $(,)?) => {{
        #[allow(unused_mut)]
        let mut map = serde_json::Map::new();
        $(context!(@put map, $key $(=> $value)?);)*
        $(map.extend($crate::service::pages::templates::fields($more));)*
        serde_json::Value::Object(map)
    }};
}
pub(super) use context;

/// The fields of a context.
pub fn fields(context: serde_json::Value) -> serde_json::Map<String, serde_json::Value> {
    match context {
        serde_json::Value::Object(fields) => fields,
        _ => serde_json::Map::new(),
    }
}

/// A template's name and its text.
macro_rules! templates {
    ($($name:literal),+ $(,)?) => { [$(($name, include_str!(concat!("html/", $name)))),+] };
}

const TEMPLATES: &[(&str, &str)] = &templates![
    "agreement.html",
    "export.html",
    "findings.html",
    "form.html",
    "form_file.html",
    "layout.html",
    "link.html",
    "log_in.html",
    "me.html",
    "paper_form.html",
    "people.html",
    "place.html",
    "places.html",
    "refused.html",
    "samples.html",
    "sign.html",
    "summary.html",
    "to_check.html",
    "type_in.html",
    "visit.html",
    "visits.html",
];

/// All of them.
pub struct Templates {
    languages: HashMap<&'static str, (Words, Environment<'static>)>,
}

impl Templates {
    pub fn load() -> Result<Self, ServiceError> {
        let broken = |error: String| ServiceError::Pages(error);
        let one = |language: &'static str| {
            let words = Words::load(language).and_then(|words| words.with(texts(language)));
            let words = words.map_err(|error| broken(error.to_string()))?;
            let environment = environment(&words).map_err(|error| broken(error.to_string()))?;
            Ok((language, (words, environment)))
        };
        Ok(Self { languages: LANGUAGES.into_iter().map(one).collect::<Result<_, ServiceError>>()? })
    }

    /// The texts of a language that is built in; English for another.
    pub fn words(&self, language: &str) -> &Words {
        &self.of(language).0
    }

    pub fn render(&self, language: &str, template: &str, values: &serde_json::Value) -> Result<String, Error> {
        self.of(language).1.get_template(template)?.render(Serde(values))
    }

    fn of(&self, language: &str) -> &(Words, Environment<'static>) {
        self.languages.get(language).unwrap_or_else(|| &self.languages["en"])
    }
}

/// The pages' own texts, which no phone needs.
fn texts(language: &str) -> &'static str {
    match language {
        "de" => include_str!("words/de.toml"),
        "fr" => include_str!("words/fr.toml"),
        "es" => include_str!("words/es.toml"),
        "pl" => include_str!("words/pl.toml"),
        _ => include_str!("words/en.toml"),
    }
}

fn environment(words: &Words) -> Result<Environment<'static>, Error> {
    let mut environment = Environment::new();
    environment.set_auto_escape_callback(|_| AutoEscape::Html);
    for (name, text) in TEMPLATES {
        environment.add_template(name, text)?;
    }
    environment.add_global("lang", words.language());
    let table = words.clone();
    environment.add_function("say", move |key: String, values: Kwargs| -> Result<String, Error> {
        if !table.has(&key) {
            return Err(Error::new(ErrorKind::UndefinedError, format!("no text for {key}")));
        }
        let names: Vec<String> = values.args().map(str::to_owned).collect();
        let filled: Result<Vec<(String, String)>, Error> =
            names.into_iter().map(|name| Ok((name.clone(), values.get::<Value>(&name)?.to_string()))).collect();
        let filled = filled?;
        let pairs: Vec<(&str, &str)> = filled.iter().map(|(name, value)| (name.as_str(), value.as_str())).collect();
        Ok(table.fill(&key, &pairs))
    });
    let table = words.clone();
    environment.add_function("count", move |key: String, n: usize| table.count(&key, n));
    let table = words.clone();
    environment.add_filter("number", move |value: f64, decimals: usize| table.number(value, decimals));
    Ok(environment)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_language_says_everything_that_the_pages_say() {
        let templates = Templates::load().unwrap();
        let english = templates.words("en");
        for language in LANGUAGES {
            let words = templates.words(language);
            let missing: Vec<&str> = english
                .keys()
                .filter(|key| key.starts_with("pages."))
                .filter(|key| !(words.has(key) || language == "pl" && key.ends_with(".other")))
                .collect();
            assert!(missing.is_empty(), "{language} lacks {missing:?}");
        }
    }

    #[test]
    fn every_text_that_a_template_names_is_there() {
        let templates = Templates::load().unwrap();
        let words = templates.words("en");
        for (name, text) in TEMPLATES {
            for call in ["say(\"", "count(\""] {
                for key in text.split(call).skip(1).filter_map(|rest| rest.split_once('"')).map(|(key, _)| key) {
                    let there = words.has(key) || words.has(&format!("{key}.other")) || key.ends_with(['.', '_']);
                    assert!(there, "{name} names {key}");
                }
            }
        }
    }
}
