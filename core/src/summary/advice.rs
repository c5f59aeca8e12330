//! What a visit means for the landowner, what helps and what not to do: each with its source.

use serde::Deserialize;

use crate::survey::{Finding, Grade, Visit};

/// Something that is said to the landowner. Its text is `meaning.ID`, `advice.ID` or `do_not.ID` in the words.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Said {
    /// Its name.
    pub id: String,
    /// When it is said.
    #[serde(default)]
    pub when: When,
    /// Of which track makers; of any where it is empty.
    #[serde(default)]
    pub makers: Vec<String>,
    /// How well it is known.
    pub status: String,
    /// By whom.
    pub source: String,
}

/// When something is said.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum When {
    #[default]
    Always,
    /// Signs of it were found.
    Found,
    /// The place counts as used by it.
    Positive,
    /// It was looked for and not found.
    NotFound,
    /// It was found or looked for.
    Named,
}

#[derive(Deserialize)]
pub(super) struct File {
    pub meaning: Vec<Said>,
    pub advice: Vec<Said>,
    pub do_not: Vec<Said>,
}

pub(super) fn file() -> Result<File, toml::de::Error> {
    toml::from_str(include_str!("../../data/landowner.toml"))
}

impl Said {
    /// The names of those it is said of; `None` where there is nothing to say it of.
    pub fn of(&self, visit: &Visit, findings: &[Finding]) -> Option<Vec<String>> {
        let holds = |finding: &&Finding| {
            let found = finding.grade >= Grade::Likely;
            let looked_for = visit.opened.targets.contains(&finding.maker);
            let when = match self.when {
                When::Always => true,
                When::Found => found,
                When::Positive => finding.positive == Some(true),
                When::NotFound => finding.grade == Grade::None,
                When::Named => found || looked_for,
            };
            when && (self.makers.is_empty() || self.makers.contains(&finding.maker))
        };
        let names: Vec<String> = findings.iter().filter(holds).map(|finding| finding.name.clone()).collect();
        (self.when == When::Always || !names.is_empty()).then_some(names)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::words::{LANGUAGES, Words};

    #[test]
    fn all_of_it_has_a_source_and_a_text_in_every_language() {
        let File { meaning, advice, do_not } = file().unwrap();
        for language in LANGUAGES {
            let words = Words::load(language).unwrap();
            for (section, said) in [("meaning", &meaning), ("advice", &advice), ("do_not", &do_not)] {
                for Said { id, source, status, .. } in said {
                    assert!(words.has(&format!("{section}.{id}")), "{language} {section}.{id}");
                    assert!(!source.is_empty());
                    assert!(["published", "memory", "common-practice"].contains(&status.as_str()), "{status}");
                }
            }
        }
    }
}
