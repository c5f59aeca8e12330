//! What can be chosen on the forms, in the workspace's language.

use rakelight_core::identify::{Content, Facts, Form, Remains, Smell, Vegetation};
use rakelight_core::survey::{Protocol, classes};

use crate::{ShellError, SignKind, Workspace};

/// One of several: its name in the records, and in words.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
#[allow(missing_docs)]
pub struct Choice {
    pub id: String,
    pub text: String,
}

/// All that forms offer.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct Choices {
    /// What the ground is.
    pub substrates: Vec<Choice>,
    /// How a survey is done.
    pub protocols: Vec<Choice>,
    /// Track makers, in order of their names.
    pub makers: Vec<Choice>,
    /// Of droppings.
    pub contents: Vec<Choice>,
    /// Of droppings.
    pub forms: Vec<Choice>,
    /// Of droppings.
    pub smells: Vec<Choice>,
    /// Around droppings.
    pub vegetation: Vec<Choice>,
    /// Of meals.
    pub remains: Vec<Choice>,
}

#[uniffi::export]
impl Workspace {
    /// What forms offer; the ids of contents, forms, smells, vegetation and remains are those of the enums of these names, in lower case.
    pub fn choices(&self) -> Result<Choices, ShellError> {
        let words = &self.words;
        let said = |group: &str, ids: Vec<&str>| -> Vec<Choice> {
            let choice = |id: &&str| {
                let key = format!("{group}.{id}");
                words.has(&key).then(|| Choice { id: (*id).to_owned(), text: words.say(&key).to_owned() })
            };
            ids.iter().filter_map(choice).collect()
        };
        let facts = Facts::builtin().map_err(ShellError::internal)?;
        let protocols = Protocol::builtin().map_err(ShellError::internal)?;
        let mut makers = said("maker", facts.makers().iter().map(|maker| maker.id.as_str()).collect());
        makers.sort_by_key(|maker| maker.text.to_lowercase());
        Ok(Choices {
            substrates: said("substrate", facts.substrates().collect()),
            protocols: said("protocol", protocols.iter().map(|protocol| protocol.id.as_str()).collect()),
            makers,
            contents: said("identify.content", Content::ALL.iter().map(|one| one.name()).collect()),
            forms: said("identify.value", Form::ALL.iter().map(|one| one.name()).collect()),
            smells: said("identify.value", Smell::ALL.iter().map(|one| one.name()).collect()),
            vegetation: said("identify.value", Vegetation::ALL.iter().map(|one| one.name()).collect()),
            remains: said("identify.remains", Remains::ALL.iter().map(|one| one.name()).collect()),
        })
    }

    /// What to mind at a sign of this kind, in words.
    pub fn sign_caution(&self, kind: SignKind) -> Option<String> {
        let id = match kind {
            SignKind::RestingPlace => "shelters",
            SignKind::DeadAnimal => "carcasses",
            SignKind::Dropping => "droppings",
            _ => return None,
        };
        Some(self.words.say(&format!("caution.{id}")).to_owned())
    }

    /// How fresh a sign may look, in words.
    pub fn freshness(&self, kind: SignKind) -> Result<Vec<Choice>, ShellError> {
        let of = if kind == SignKind::Dropping { "dropping" } else { "other" };
        let classes = classes().map_err(ShellError::internal)?;
        let choice = |id: String| Choice { text: self.words.say(&format!("freshness.{id}.{of}")).to_owned(), id };
        Ok(classes.into_iter().map(|class| choice(class.id)).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_choice_has_words_in_every_language() {
        let folder = tempfile::tempdir().unwrap();
        let english = Workspace::open(folder.path().display().to_string(), "en".into()).unwrap().choices().unwrap();
        assert_eq!(english.substrates.len(), 10);
        assert_eq!(english.contents.len(), Content::ALL.len());
        assert_eq!(english.forms.len() + 1, Form::ALL.len());
        assert!(english.makers.len() > 25 && english.protocols.len() == 3);
        for language in ["de", "fr", "es", "pl"] {
            let core = Workspace::open(folder.path().display().to_string(), language.into()).unwrap();
            let choices = core.choices().unwrap();
            let ids = |choices: &[Choice]| choices.iter().map(|choice| choice.id.clone()).collect::<Vec<_>>();
            assert_eq!(ids(&choices.substrates), ids(&english.substrates));
            assert_ne!(choices.substrates, english.substrates);
            assert_eq!(core.freshness(SignKind::Dropping).unwrap().len(), 3);
            assert!(core.sign_caution(SignKind::DeadAnimal).unwrap().len() > 20);
        }
    }
}
