//! The facts of the trade as data: one TOML file a track maker, the substrates, the grades, the constants.
//!
//! Every number carries its source and status. Another file adds a track maker without touching code.

use std::collections::BTreeMap;
use std::sync::OnceLock;

use serde::Deserialize;
use sha2::{Digest, Sha256};

use super::constants::{Constants, Limits};
use super::grade::{Grade, GradeRule};
use super::maker::{Maker, Substrate};
use super::region::Region;
use crate::words::Words;

macro_rules! data_files {
    ($($name:literal),+ $(,)?) => { &[$(($name, include_str!(concat!("../../data/", $name)))),+] };
}

/// The files that are built in, by name below `core/data/`.
pub const BUILTIN_FILES: &[(&str, &str)] = data_files![
    "identification.toml",
    "substrates.toml",
    "grades.toml",
    "species/anas_platyrhynchos.toml",
    "species/ardea_cinerea.toml",
    "species/arvicola_amphibius.toml",
    "species/canis_aureus.toml",
    "species/canis_familiaris.toml",
    "species/canis_lupus.toml",
    "species/castor_fiber.toml",
    "species/cloven_hoofed.toml",
    "species/erinaceus_europaeus.toml",
    "species/felis_catus.toml",
    "species/felis_silvestris.toml",
    "species/genetta_genetta.toml",
    "species/herpestes_ichneumon.toml",
    "species/homo_sapiens.toml",
    "species/larus.toml",
    "species/lepus_europaeus.toml",
    "species/lutra_lutra.toml",
    "species/lynx_lynx.toml",
    "species/martes_foina.toml",
    "species/martes_martes.toml",
    "species/meles_meles.toml",
    "species/mustela_erminea.toml",
    "species/mustela_putorius.toml",
    "species/myocastor_coypus.toml",
    "species/neogale_vison.toml",
    "species/nyctereutes_procyonoides.toml",
    "species/ondatra_zibethicus.toml",
    "species/oryctolagus_cuniculus.toml",
    "species/procyon_lotor.toml",
    "species/rattus_norvegicus.toml",
    "species/vulpes_vulpes.toml",
];

/// All facts of an identification.
#[derive(Debug, Clone)]
pub struct Facts {
    makers: Vec<Maker>,
    substrates: BTreeMap<String, Substrate>,
    pub(super) rules: Vec<GradeRule>,
    pub(super) constants: Constants,
    region: Option<Region>,
    digest: String,
}

/// Why facts can't be used.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FactsError {
    /// A file that says something impossible, or nothing readable.
    #[error("{file}, line {line}: {reason}")]
    Broken {
        /// As named by the caller.
        file: String,
        /// From 1.
        line: usize,
        /// What is wrong.
        reason: String,
    },
    /// A file that must be there.
    #[error("{file} is missing: the facts need it beside the track makers")]
    Missing {
        /// Its name.
        file: &'static str,
    },
    /// A region's list that names what isn't there.
    #[error("{file}: {reason}")]
    Region {
        /// As named by the caller.
        file: String,
        /// What is wrong.
        reason: String,
    },
    /// Two files for one track maker.
    #[error("{file}: the track maker {id:?} is already described in another file; keep one of them")]
    Twice {
        /// The second file.
        file: String,
        /// Whose.
        id: String,
    },
}

impl Facts {
    /// The facts that come with the program.
    pub fn builtin() -> Result<&'static Self, FactsError> {
        static BUILTIN: OnceLock<Result<Facts, FactsError>> = OnceLock::new();
        BUILTIN.get_or_init(|| Self::read(BUILTIN_FILES)).as_ref().map_err(Clone::clone)
    }

    /// The facts that come with the program, with further files given as (name, text): each adds a track maker, or takes the place of
    /// the built-in file of its name.
    ///
    /// ```
    /// use rakelight_core::identify::{BUILTIN_FILES, Facts};
    /// let otter = BUILTIN_FILES.iter().find(|(name, _)| name.ends_with("lutra_lutra.toml")).expect("built in").1;
    /// let mine = otter.replace("id = \"lutra_lutra\"", "id = \"lutra_mea\"");
    /// let facts = Facts::builtin_with(&[("lutra_mea.toml", mine)]).expect("sound");
    /// assert!(facts.maker("lutra_lutra").is_some() && facts.maker("lutra_mea").is_some());
    /// ```
    pub fn builtin_with<N: AsRef<str>, T: AsRef<str>>(more: &[(N, T)]) -> Result<Self, FactsError> {
        let is_replaced = |name: &str| more.iter().any(|(other, _)| base_name(other.as_ref()) == base_name(name));
        let built_in = BUILTIN_FILES.iter().copied().filter(|(name, _)| !is_replaced(name));
        let files: Vec<(&str, &str)> = built_in.chain(more.iter().map(|(n, t)| (n.as_ref(), t.as_ref()))).collect();
        Self::read(&files)
    }

    /// From files given as (name, text): `identification.toml`, `substrates.toml`, `grades.toml`, and any other name is a track maker.
    pub fn read<N: AsRef<str>, T: AsRef<str>>(files: &[(N, T)]) -> Result<Self, FactsError> {
        let mut makers: Vec<Maker> = Vec::new();
        let (mut substrates, mut rules, mut constants) = (None, None, None);
        let mut digest = Sha256::new();
        for (name, text) in files {
            let (name, text) = (name.as_ref(), text.as_ref());
            for part in [name, text] {
                digest.update((part.len() as u64).to_be_bytes());
                digest.update(part);
            }
            match base_name(name) {
                "identification.toml" => constants = Some(parse::<Constants>(name, text)?),
                "substrates.toml" => substrates = Some(parse::<BTreeMap<String, Substrate>>(name, text)?),
                "grades.toml" => rules = Some(parse::<GradeRules>(name, text)?.rule),
                _ => {
                    let maker: Maker = parse(name, text)?;
                    if makers.iter().any(|m| m.id == maker.id) {
                        return Err(FactsError::Twice { file: name.into(), id: maker.id });
                    }
                    makers.push(maker);
                }
            }
        }
        makers.sort_by(|a, b| a.id.cmp(&b.id));
        let rules = rules.ok_or(FactsError::Missing { file: "grades.toml" })?;
        if !rules.last().is_some_and(GradeRule::is_unconditional) {
            return Err(FactsError::Missing { file: "grades.toml, a last rule without conditions" });
        }
        let substrates = substrates.ok_or(FactsError::Missing { file: "substrates.toml" })?;
        if !substrates.contains_key(UNKNOWN_SUBSTRATE) {
            return Err(FactsError::Missing { file: "substrates.toml, [unknown]" });
        }
        Ok(Self {
            makers,
            substrates,
            rules,
            constants: constants.ok_or(FactsError::Missing { file: "identification.toml" })?,
            region: None,
            digest: hex::encode(digest.finalize()),
        })
    }

    /// The same facts with a region's list, given as its file's name and text, which changes the prior.
    ///
    /// ```
    /// use rakelight_core::identify::Facts;
    /// let list = "name = 'Nowhere'\nsource = 'invented'\nrare = ['canis_lupus']\nabsent = ['genetta_genetta']";
    /// let facts = Facts::builtin()?.clone().with_region("nowhere.toml", list)?;
    /// assert_eq!(facts.region().map(|region| region.name.as_str()), Some("Nowhere"));
    /// assert!(facts.with_region("nowhere.toml", "name = 'Nowhere'\nsource = ''\nabsent = ['unicorn']").is_err());
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    pub fn with_region(mut self, file: &str, text: &str) -> Result<Self, FactsError> {
        let region: Region = parse(file, text)?;
        region.check(&self.makers).map_err(|reason| FactsError::Region { file: file.into(), reason })?;
        let digest = Sha256::new().chain_update(&self.digest).chain_update(text);
        self.digest = hex::encode(digest.finalize());
        self.region = Some(region);
        Ok(self)
    }

    /// The region's list, where there is one.
    pub fn region(&self) -> Option<&Region> {
        self.region.as_ref()
    }

    /// A track maker's weight in the region, 1 where it lives or nothing is known.
    pub(super) fn in_region(&self, id: &str) -> f64 {
        let prior = &self.constants.prior;
        match &self.region {
            Some(region) if region.rare.contains(id) => prior.rare,
            Some(region) if region.absent.contains(id) => prior.absent,
            _ => 1.0,
        }
    }

    /// SHA-256 over names and texts of the files in the order they were given, in hexadecimal.
    pub fn digest(&self) -> String {
        self.digest.clone()
    }

    /// All track makers, by id.
    pub fn makers(&self) -> &[Maker] {
        &self.makers
    }

    /// One track maker by its id (`lutra_lutra`).
    pub fn maker(&self, id: &str) -> Option<&Maker> {
        self.makers.iter().find(|m| m.id == id)
    }

    /// A track maker or group for people; the scientific name where a maker of the user's own file has no other.
    pub fn name(&self, id: &str, words: &Words) -> String {
        let key = format!("maker.{id}");
        match self.maker(id) {
            Some(maker) if !words.has(&key) => maker.scientific_name.clone(),
            _ => words.say(&key).to_owned(),
        }
    }

    /// The names a substrate may have.
    pub fn substrates(&self) -> impl Iterator<Item = &str> {
        self.substrates.keys().map(String::as_str).filter(|name| *name != UNKNOWN_SUBSTRATE)
    }

    /// What one substrate does to a print.
    pub fn substrate(&self, name: &str) -> Option<&Substrate> {
        self.substrates.get(name)
    }

    /// What the given substrate does, or the average one where none is given.
    pub(super) fn substrate_or_average(&self, name: Option<&str>) -> &Substrate {
        &self.substrates[name.filter(|n| self.substrates.contains_key(*n)).unwrap_or(UNKNOWN_SUBSTRATE)]
    }

    /// Every rule by which a finding is graded, in the order they are tried: id, grade, source.
    pub fn grade_rules(&self) -> impl Iterator<Item = (&str, Grade, &str)> {
        self.rules.iter().map(|r| (r.id.as_str(), r.grade, r.source.as_str()))
    }

    /// What is taken as a slip of the unit or the pen.
    pub fn limits(&self) -> &Limits {
        &self.constants.limits
    }
}

fn base_name(name: &str) -> &str {
    name.rsplit(['/', '\\']).next().unwrap_or(name)
}

const UNKNOWN_SUBSTRATE: &str = "unknown";

fn parse<'a, T: Deserialize<'a>>(file: &str, text: &'a str) -> Result<T, FactsError> {
    toml::from_str(text).map_err(|e| {
        let before = e.span().and_then(|span| text.get(..span.start)).unwrap_or("");
        let line = before.bytes().filter(|b| *b == b'\n').count() + 1;
        FactsError::Broken { file: file.into(), line, reason: e.message().into() }
    })
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct GradeRules {
    rule: Vec<GradeRule>,
}
