//! What to warn of, each with its source and where it is shown.

use serde::{Deserialize, Serialize};

use crate::words::Words;

/// Where something is warned of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Occasion {
    /// Before the walk.
    Plan,
    /// Once a visit, on the phone.
    Field,
    /// On the landowner's page.
    Summary,
}

/// Something to mind. Its text is `caution.ID` in the words; after all of them stands `caution.authority`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Caution {
    /// Its name.
    pub id: String,
    /// Where it is shown.
    pub shown: Vec<Occasion>,
    /// Whether only where there is a tide.
    #[serde(default)]
    pub tidal: bool,
    /// How well it is known.
    pub status: String,
    /// By whom.
    pub source: String,
}

#[derive(Deserialize)]
struct File {
    caution: Vec<Caution>,
}

fn file() -> Result<File, toml::de::Error> {
    toml::from_str(include_str!("../../data/cautions.toml"))
}

/// What to mind on an occasion, where there is a tide or not.
///
/// ```
/// use rakelight_core::survey::{Occasion, cautions};
/// let inland = cautions(Occasion::Field, false)?;
/// assert!(inland.iter().any(|caution| caution.id == "alone") && inland.iter().all(|caution| caution.id != "falling_tide"));
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// The data can't be read: a mistake in the build.
pub fn cautions(on: Occasion, tidal: bool) -> Result<Vec<Caution>, toml::de::Error> {
    let holds = |caution: &Caution| caution.shown.contains(&on) && (tidal || !caution.tidal);
    Ok(file()?.caution.into_iter().filter(holds).collect())
}

/// The same in words; who decides is said last.
///
/// # Errors
/// As [`cautions`].
pub fn caution_texts(on: Occasion, tidal: bool, words: &Words) -> Result<Vec<String>, toml::de::Error> {
    let ids = cautions(on, tidal)?.into_iter().map(|caution| caution.id).chain(["authority".into()]);
    Ok(ids.map(|id| words.say(&format!("caution.{id}")).to_owned()).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::words::LANGUAGES;

    #[test]
    fn every_caution_has_a_source_and_a_text_in_every_language() {
        let file = file().unwrap();
        for language in LANGUAGES {
            let words = Words::load(language).unwrap();
            for caution in &file.caution {
                assert!(words.has(&format!("caution.{}", caution.id)), "{language} {}", caution.id);
                assert!(!caution.source.is_empty() && !caution.shown.is_empty());
            }
            assert!(words.has("caution.authority"));
        }
    }

    #[test]
    fn the_dangers_of_the_walk_are_told_before_it_and_on_it() {
        for occasion in [Occasion::Plan, Occasion::Field] {
            let ids: Vec<String> = cautions(occasion, true).unwrap().into_iter().map(|caution| caution.id).collect();
            for id in ["falling_tide", "deep_mud", "alone", "leptospirosis", "shelters", "clean_boots"] {
                assert!(ids.iter().any(|known| known == id), "{occasion:?} {id}");
            }
        }
    }
}
