//! What spraints hold: how often each kind of prey, and what may be said of it.
//!
//! Frequency of occurrence is the share of spraints that hold an item; relative frequency its share of all occurrences of prey. A spraint in which
//! nothing could be told counts among the spraints and holds no occurrence; one in which nobody looked counts nowhere.

use serde_json::{Value, json};

use super::normal::reach;
use super::{Table, TableError};
use crate::chance::uniform;
use crate::identify::Content;
use crate::words::Words;

/// One dropping.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Spraint {
    /// What was found in it; `None` where nobody looked.
    pub contents: Option<Vec<Content>>,
}

/// What is counted: fish by scales or bones is one item, everything else as it is named.
const ITEMS: [(&str, &[Content]); 9] = [
    ("fish", &[Content::FishScales, Content::FishBones]),
    ("amphibian", &[Content::Amphibian]),
    ("crayfish", &[Content::Crayfish]),
    ("crab", &[Content::Crab]),
    ("insect", &[Content::Insect]),
    ("bird", &[Content::Bird]),
    ("mammal_hair", &[Content::MammalHair]),
    ("mollusc", &[Content::Mollusc]),
    ("plant", &[Content::Plant]),
];

/// How often an item occurs.
#[derive(Debug, Clone, PartialEq)]
pub struct Item {
    /// `fish`, or the name of a content.
    pub name: &'static str,
    /// In how many spraints.
    pub spraints: usize,
    /// Share of the spraints.
    pub occurrence: f64,
    /// Wilson's interval of that.
    pub occurrence_interval: [f64; 2],
    /// Share of all occurrences.
    pub relative: f64,
    /// The bootstrap's interval of that, spraints drawn anew.
    pub relative_interval: [f64; 2],
    /// 1 for the most frequent; the same for those as frequent.
    pub rank: usize,
    /// The ranks within which 95 % of the drawings lie.
    pub ranks: [usize; 2],
}

/// The contents of many spraints.
#[derive(Debug, Clone, PartialEq)]
pub struct Contents {
    /// Those in which somebody looked.
    pub examined: usize,
    /// Those in which nobody did.
    pub not_examined: usize,
    /// Examined ones in which nothing could be told.
    pub nothing_identifiable: usize,
    /// What was found, the most frequent first.
    pub items: Vec<Item>,
    /// How often spraints were drawn anew, and what the course of chance began with.
    pub drawings: usize,
    /// See above.
    pub seed: u64,
}

/// Spraints from CSV: a row each, the column `contents` with names separated by `;` or blanks, empty where nobody looked.
///
/// # Errors
/// There is no such column, a name isn't known, or `nothing_identifiable` stands beside something.
pub fn from_csv(text: &str) -> Result<Vec<Spraint>, TableError> {
    let table = Table::from_csv(text)?;
    let column = table.column("contents")?;
    let known = || Content::ALL.iter().map(|content| content.name()).collect::<Vec<_>>().join(", ");
    let spraint = |row: usize| {
        let names = table.text(row, column).split([';', ' ']).filter(|name| !name.is_empty());
        let content = |name: &str| {
            let content = Content::ALL.iter().find(|content| content.name() == name).copied();
            content.ok_or_else(|| table.wrong(row, column, format!("contents out of {}", known())))
        };
        let contents: Vec<Content> = names.map(content).collect::<Result<_, _>>()?;
        if contents.len() > 1 && contents.contains(&Content::NothingIdentifiable) {
            return Err(table.wrong(row, column, "either nothing_identifiable or what was identified"));
        }
        Ok(Spraint { contents: (!contents.is_empty()).then_some(contents) })
    };
    (0..table.some_rows("spraint")?.len()).map(spraint).collect()
}

/// Counts what spraints hold; the bootstrap draws them anew `drawings` times.
///
/// ```
/// use rakelight_core::analysis::contents::{contents, from_csv};
/// let spraints = from_csv("contents\nfish_bones\nfish_scales;crayfish\namphibian\nfish_bones fish_scales\n")?;
/// let said = contents(&spraints, 1000, 1);
/// let of = |name| said.items.iter().find(|item| item.name == name).expect("an item");
/// assert_eq!((of("fish").occurrence, of("crayfish").occurrence), (0.75, 0.25));
/// assert_eq!((of("fish").relative, of("amphibian").relative), (0.6, 0.2));
/// # Ok::<(), rakelight_core::analysis::TableError>(())
/// ```
pub fn contents(spraints: &[Spraint], drawings: usize, seed: u64) -> Contents {
    let looked: Vec<&[Content]> =
        spraints.iter().filter_map(|spraint| spraint.contents.as_deref()).filter(|c| !c.is_empty()).collect();
    // Of each spraint, which items it holds.
    let held: Vec<[bool; ITEMS.len()]> = looked
        .iter()
        .map(|contents| ITEMS.map(|(_, of)| contents.iter().any(|content| of.contains(content))))
        .collect();
    let counts = count(held.iter());
    let mut drawn: Vec<[usize; ITEMS.len()]> = Vec::new();
    let mut state = seed;
    for _ in 0..if held.is_empty() { 0 } else { drawings } {
        // `uniform` is above 0 and up to 1.
        let any = |_| &held[(held.len() as f64 * (1.0 - uniform(&mut state))) as usize];
        drawn.push(count((0..held.len()).map(any)));
    }
    let mut items: Vec<Item> =
        (0..ITEMS.len()).filter(|i| counts[*i] > 0).map(|i| item(i, &counts, held.len(), &drawn)).collect();
    items.sort_by_key(|item| item.rank);
    Contents {
        examined: looked.len(),
        not_examined: spraints.len() - looked.len(),
        nothing_identifiable: looked.iter().filter(|contents| contents.contains(&Content::NothingIdentifiable)).count(),
        items,
        drawings: drawn.len(),
        seed,
    }
}

fn count<'a>(held: impl Iterator<Item = &'a [bool; ITEMS.len()]>) -> [usize; ITEMS.len()] {
    let mut counts = [0; ITEMS.len()];
    held.for_each(|held| counts.iter_mut().zip(held).for_each(|(count, held)| *count += usize::from(*held)));
    counts
}

fn item(i: usize, counts: &[usize; ITEMS.len()], n: usize, drawn: &[[usize; ITEMS.len()]]) -> Item {
    let relative = |counts: &[usize; ITEMS.len()]| counts[i] as f64 / counts.iter().sum::<usize>().max(1) as f64;
    let rank = |counts: &[usize; ITEMS.len()]| 1 + counts.iter().filter(|other| **other > counts[i]).count();
    Item {
        name: ITEMS[i].0,
        spraints: counts[i],
        occurrence: counts[i] as f64 / n as f64,
        occurrence_interval: wilson(counts[i], n),
        relative: relative(counts),
        relative_interval: middle_95(drawn.iter().map(relative).collect(), relative(counts)),
        rank: rank(counts),
        ranks: middle_95(drawn.iter().map(|counts| rank(counts) as f64).collect(), rank(counts) as f64)
            .map(|r| r as usize),
    }
}

/// Between which 95 % lie (Efron & Tibshirani 1993, An Introduction to the Bootstrap, 13.3: percentiles).
fn middle_95(mut values: Vec<f64>, otherwise: f64) -> [f64; 2] {
    values.sort_by(f64::total_cmp);
    let at = |share: f64| values.get((share * values.len() as f64) as usize).copied();
    [at(0.025).unwrap_or(otherwise), at(0.975).unwrap_or(otherwise)]
}

/// The score interval of a share (Wilson 1927, J. Am. Stat. Assoc. 22:209–212).
fn wilson(part: usize, of: usize) -> [f64; 2] {
    let (n, z) = (of as f64, reach(0.95));
    let share = part as f64 / n;
    let middle = share + z * z / (2.0 * n);
    let half = z * (share * (1.0 - share) / n + z * z / (4.0 * n * n)).sqrt();
    [-half, half].map(|half| ((middle + half) / (1.0 + z * z / n)).clamp(0.0, 1.0))
}

impl Item {
    /// Its name in words.
    pub fn say<'a>(&self, words: &'a Words) -> &'a str {
        match self.name {
            "fish" => words.say("analyse.contents.fish"),
            "amphibian" => words.say("identify.content.amphibian"),
            "crayfish" => words.say("identify.content.crayfish"),
            "crab" => words.say("identify.content.crab"),
            "insect" => words.say("identify.content.insect"),
            "bird" => words.say("identify.content.bird"),
            "mammal_hair" => words.say("identify.content.mammal_hair"),
            "mollusc" => words.say("identify.content.mollusc"),
            _ => words.say("identify.content.plant"),
        }
    }
}

impl Contents {
    /// What `rakelight analyse contents --json` prints.
    pub fn document(&self, words: &Words) -> Value {
        let percent = |share: f64| 100.0 * share;
        let item = |item: &Item| {
            json!({
                "item": item.name, "name": item.say(words), "spraints": item.spraints,
                "fo_percent": percent(item.occurrence), "fo_interval_percent": item.occurrence_interval.map(percent),
                "rf_percent": percent(item.relative), "rf_interval_percent": item.relative_interval.map(percent),
                "rank": item.rank, "rank_interval": item.ranks,
            })
        };
        json!({
            "spraints": self.examined, "not_examined": self.not_examined, "nothing_identifiable": self.nothing_identifiable,
            "items": self.items.iter().map(item).collect::<Vec<_>>(),
            "drawings": self.drawings, "seed": self.seed, "notes": self.notes(words),
        })
    }

    /// What has to be said with it.
    pub fn notes(&self, words: &Words) -> Vec<String> {
        let mut notes = Vec::new();
        if self.examined == 0 {
            notes.push(words.say("analyse.contents.nothing").to_owned());
        }
        if self.not_examined > 0 {
            notes.push(words.count("analyse.contents.not_examined", self.not_examined));
        }
        if self.nothing_identifiable > 0 {
            notes.push(words.count("analyse.contents.nothing_identifiable", self.nothing_identifiable));
        }
        notes.extend(["rank", "bias", "intervals"].map(|key| words.say(&format!("analyse.contents.{key}")).to_owned()));
        notes
    }
}
