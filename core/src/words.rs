//! The texts for people, one TOML file a language under `core/data/words/`.

use std::collections::BTreeMap;

/// The languages that are built in, by ISO 639-1 code.
pub const LANGUAGES: [&str; 5] = ["en", "de", "fr", "es", "pl"];

/// All texts of one language, by dotted key (`summary.title`).
#[derive(Debug, Clone)]
pub struct Words {
    language: String,
    texts: BTreeMap<String, String>,
}

/// Why a language can't be had.
#[derive(Debug, thiserror::Error)]
pub enum WordsError {
    /// No file for this language.
    #[error("no texts in the language {language:?}; there are: {known}", known = LANGUAGES.join(", "))]
    UnknownLanguage {
        /// What was asked for.
        language: String,
    },
    /// A file that isn't a table of texts.
    #[error("the texts of {language:?} can't be read: {detail}")]
    Broken {
        /// Whose file.
        language: String,
        /// What is wrong and where.
        detail: String,
    },
}

impl Words {
    /// The texts of a built-in language.
    ///
    /// ```
    /// let words = rakelight_core::words::Words::load("en").expect("English is built in");
    /// assert_eq!(words.say("maker.lutra_lutra"), "Eurasian otter");
    /// ```
    pub fn load(language: &str) -> Result<Self, WordsError> {
        let file = match language {
            "en" => include_str!("../data/words/en.toml"),
            "de" => include_str!("../data/words/de.toml"),
            "fr" => include_str!("../data/words/fr.toml"),
            "es" => include_str!("../data/words/es.toml"),
            "pl" => include_str!("../data/words/pl.toml"),
            _ => return Err(WordsError::UnknownLanguage { language: language.into() }),
        };
        Self { language: language.into(), texts: BTreeMap::new() }.with(file)
    }

    /// With a program's own texts beside those that are built in.
    ///
    /// # Errors
    /// They aren't a table of texts.
    pub fn with(mut self, file: &str) -> Result<Self, WordsError> {
        let broken = |detail: String| WordsError::Broken { language: self.language.clone(), detail };
        let table: toml::Table = file.parse().map_err(|e: toml::de::Error| broken(e.to_string()))?;
        flatten("", &table, &mut self.texts).map_err(broken)?;
        Ok(self)
    }

    /// The language's ISO 639-1 code.
    pub fn language(&self) -> &str {
        &self.language
    }

    /// The text of a key; the key itself where there is none, so that a gap is seen and nothing else is lost.
    pub fn say<'a>(&'a self, key: &'a str) -> &'a str {
        self.texts.get(key).map_or(key, String::as_str)
    }

    /// Whether there is a text for this key.
    pub fn has(&self, key: &str) -> bool {
        self.texts.contains_key(key)
    }

    /// The text of a key with every `{name}` in it replaced by its value.
    pub fn fill(&self, key: &str, values: &[(&str, &str)]) -> String {
        values.iter().fold(self.say(key).to_owned(), |text, (name, value)| text.replace(&format!("{{{name}}}"), value))
    }

    /// The text for a number of things, in the plural form that the language has for it, `{n}` filled in.
    ///
    /// ```
    /// let words = rakelight_core::words::Words::load("pl").expect("Polish is built in");
    /// assert_eq!(words.count("summary.sign_count", 22), "22 ślady");
    /// ```
    pub fn count(&self, key: &str, n: usize) -> String {
        self.fill(&self.plural(key, n), &[("n", &n.to_string())])
    }

    /// The key of the text for a number of things: `key.one` or `key.other`, in Polish `key.one`, `key.few` or `key.many`.
    ///
    /// Source: Unicode CLDR, plural rules for cardinal whole numbers. French and Spanish have a form more there, for whole millions;
    /// nothing here comes by the million.
    pub fn plural(&self, key: &str, n: usize) -> String {
        let form = match (self.language(), n) {
            (_, 1) | ("fr", 0) => "one",
            ("pl", _) if (2..=4).contains(&(n % 10)) && !(12..=14).contains(&(n % 100)) => "few",
            ("pl", _) => "many",
            _ => "other",
        };
        format!("{key}.{form}")
    }

    /// A number with so many decimals, as the language writes it.
    pub fn number(&self, value: f64, decimals: usize) -> String {
        format!("{value:.decimals$}").replace('.', self.say("number.decimal"))
    }

    /// A day, as the language writes it.
    ///
    /// ```
    /// let words = rakelight_core::words::Words::load("en").expect("English is built in");
    /// assert_eq!(words.day("2026-10-03".parse().expect("a day")), "3 October 2026");
    /// ```
    pub fn day(&self, day: chrono::NaiveDate) -> String {
        let month = format!("month.{}", day.format("%m"));
        let (number, year) = (day.format("%-d").to_string(), day.format("%Y").to_string());
        self.fill("summary.date", &[("day", &number), ("month", self.say(&month)), ("year", &year)])
    }

    /// All keys, in order.
    pub fn keys(&self) -> impl Iterator<Item = &str> {
        self.texts.keys().map(String::as_str)
    }
}

fn flatten(prefix: &str, table: &toml::Table, into: &mut BTreeMap<String, String>) -> Result<(), String> {
    for (name, value) in table {
        let key = if prefix.is_empty() { name.clone() } else { format!("{prefix}.{name}") };
        match value {
            toml::Value::String(text) => _ = into.insert(key, text.clone()),
            toml::Value::Table(inner) => flatten(&key, inner, into)?,
            other => return Err(format!("{key} is a {}, not a text", other.type_str())),
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The `{names}` that stand in a text.
    fn placeholders(text: &str) -> Vec<&str> {
        let mut names: Vec<&str> =
            text.split('{').skip(1).filter_map(|rest| rest.split_once('}')).map(|(name, _)| name).collect();
        names.sort_unstable();
        names
    }

    /// What a language must say: each key with the English text whose `{names}` it holds. Where English has one and other, Polish has
    /// one, few and many.
    fn asked_of<'a>(language: &str, english: &'a Words) -> BTreeMap<String, &'a str> {
        let forms = |key: &str| match key.strip_suffix("other") {
            Some(stem) if language == "pl" && english.has(&format!("{stem}one")) => {
                ["few", "many"].map(|form| format!("{stem}{form}")).to_vec()
            }
            _ => vec![key.to_owned()],
        };
        english.keys().flat_map(|key| forms(key).into_iter().map(|form| (form, english.say(key)))).collect()
    }

    #[test]
    fn every_language_says_everything_that_english_says() {
        let english = Words::load("en").unwrap();
        for language in LANGUAGES {
            let words = Words::load(language).unwrap();
            let asked = asked_of(language, &english);
            assert_eq!(words.keys().collect::<Vec<_>>(), asked.keys().collect::<Vec<_>>(), "keys of {language}");
            for (key, text) in asked {
                assert_eq!(placeholders(words.say(&key)), placeholders(text), "{language}: {key}");
            }
        }
    }

    #[test]
    fn things_are_counted_as_the_language_counts_them() {
        let count = |language: &str, n| Words::load(language).unwrap().count("summary.people", n);
        for (language, n, text) in [
            ("en", 0, "0 people"),
            ("en", 1, "1 person"),
            ("de", 2, "2 Personen"),
            ("fr", 0, "0 personne"),
            ("fr", 1, "1 personne"),
            ("fr", 2, "2 personnes"),
            ("es", 0, "0 personas"),
            ("es", 1, "1 persona"),
            ("pl", 0, "0 osób"),
            ("pl", 1, "1 osoba"),
            ("pl", 2, "2 osoby"),
            ("pl", 5, "5 osób"),
            ("pl", 12, "12 osób"),
            ("pl", 21, "21 osób"),
            ("pl", 22, "22 osoby"),
            ("pl", 25, "25 osób"),
            ("pl", 112, "112 osób"),
        ] {
            assert_eq!(count(language, n), text);
        }
    }

    #[test]
    fn an_unknown_language_is_refused_with_the_known_ones() {
        let refused = Words::load("tlh").unwrap_err().to_string();
        assert!(refused.contains("tlh") && refused.contains("en, de, fr, es, pl"), "{refused}");
    }
}
