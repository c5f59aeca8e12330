//! `rakelight facts`: what is held about the track makers, each number with its source.

use std::path::PathBuf;

use clap::Args;
use rakelight_core::identify::{Chance, Facts, FootFacts, Maker, Range, Status};
use rakelight_core::words::Words;
use serde_json::{Value, json};

use super::print_json;
use crate::failure::{self, Failure};

/// Whose facts.
#[derive(Args)]
pub struct Arguments {
    /// The track maker: `lutra_lutra`, `Lutra lutra`, or its name in the language; all of them in short where none is given.
    species: Option<String>,
    #[command(flatten)]
    more: MoreFacts,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

/// Facts beside those that are built in.
#[derive(Args)]
pub struct MoreFacts {
    /// A file that adds a track maker, or takes the place of the built-in file of its name (TOML as in core/data/species).
    #[arg(long = "facts", value_name = "FILE")]
    pub(super) files: Vec<PathBuf>,
    /// A list of which track makers live in the region, are rare or absent there (TOML: name, source, present, rare, absent); it changes the prior.
    #[arg(long, value_name = "FILE")]
    pub(super) region: Option<PathBuf>,
}

impl MoreFacts {
    /// The built-in facts with these.
    pub fn read(&self) -> Result<Facts, Failure> {
        let read = |path: &PathBuf| Ok((path.display().to_string(), failure::read_text(path)?));
        let files = self.files.iter().map(read).collect::<Result<Vec<_>, Failure>>()?;
        let facts = Facts::builtin_with(&files).map_err(Failure::input)?;
        let Some(path) = &self.region else { return Ok(facts) };
        facts.with_region(&path.display().to_string(), &failure::read_text(path)?).map_err(Failure::input)
    }
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    let facts = arguments.more.read()?;
    let name = |maker: &Maker| facts.name(&maker.id, words);
    match &arguments.species {
        None if arguments.json => {
            let short = |maker: &Maker| json!({"maker": maker.id, "name": name(maker), "scientific_name": maker.scientific_name, "group": maker.group, "sizes": maker.sizes.len(), "trails": maker.trails.len()});
            print_json(
                &json!({"digest": facts.digest(), "makers": facts.makers().iter().map(short).collect::<Vec<_>>()}),
            );
        }
        None => {
            for maker in facts.makers() {
                println!("{:<28} {:<30} {}", maker.id, maker.scientific_name, name(maker));
            }
        }
        Some(species) => {
            let maker = maker_of(&facts, species, words)?;
            if arguments.json {
                print_json(&json!(maker));
            } else {
                show(maker, &name(maker), words);
            }
        }
    }
    Ok(())
}

/// The track maker that is meant by its id, its scientific name or its name in the language.
pub fn maker_of<'a>(facts: &'a Facts, species: &str, words: &Words) -> Result<&'a Maker, Failure> {
    let is_meant = |maker: &&Maker| {
        [maker.id.as_str(), &maker.scientific_name, &facts.name(&maker.id, words)]
            .iter()
            .any(|name| name.eq_ignore_ascii_case(species))
    };
    facts.makers().iter().find(is_meant).ok_or_else(|| {
        let known: Vec<&str> = facts.makers().iter().map(|maker| maker.id.as_str()).collect();
        Failure::input(format!("no facts are held about {species:?}; there are: {}", known.join(", ")))
    })
}

fn show(maker: &Maker, name: &str, words: &Words) {
    println!("{name} ({})", maker.scientific_name);
    heading(words.say("facts.sizes"));
    for size in &maker.sizes {
        let what = format!("{} · {}", word(json!(size.foot), words), word(json!(size.dimension), words));
        let n = size.n.map_or_else(String::new, |n| format!("n {n}"));
        let ground = size.substrate.as_deref().or(size.basis.as_deref()).unwrap_or("");
        row(&what, &range(&size.range, words), &n, ground, &size.source, size.status, words);
    }
    if let Some(foot) = &maker.hind_foot {
        let range = range(&Range { min_mm: Some(foot.min_mm), mean_mm: None, max_mm: Some(foot.max_mm) }, words);
        row(words.say("facts.hind_foot_itself"), &range, "", "", &foot.source, foot.status, words);
    }
    if !maker.trails.is_empty() {
        heading(words.say("facts.trails"));
    }
    for trail in &maker.trails {
        let gait = trail.gait.as_deref().unwrap_or("");
        let ground = trail.substrate.as_deref().or(trail.basis.as_deref()).unwrap_or("");
        row(
            &word(json!(trail.measure), words),
            &range(&trail.range, words),
            gait,
            ground,
            &trail.source,
            trail.status,
            words,
        );
    }
    if let Some(patterns) = &maker.patterns {
        row(words.say("facts.patterns"), "", "", "", &patterns.source, patterns.status, words);
    }
    heading(words.say("facts.feet"));
    feet(maker, words);
    if let Some(droppings) = &maker.droppings {
        heading(words.say("facts.droppings"));
        for size in &droppings.size {
            row(
                &word(json!(size.measure), words),
                &range(&size.range, words),
                "",
                "",
                &size.source,
                size.status,
                words,
            );
        }
        sourced(&droppings.source, droppings.status, words);
    }
    if let Some(feeding) = &maker.feeding {
        heading(words.say("facts.feeding"));
        sourced(&feeding.source, feeding.status, words);
    }
}

fn feet(maker: &Maker, words: &Words) {
    let line = |which: &str, foot: &FootFacts| {
        let percent = |chance: &Chance| format!("{:.0}", 100.0 * chance.get());
        let toes: Vec<String> = foot.toe_chances.iter().map(percent).collect();
        let values = [
            ("foot", words.say(which).to_owned()),
            ("toes", foot.toe_chances.len().to_string()),
            ("chances", toes.join(", ")),
            ("claws", percent(&foot.claws)),
            ("webbing", percent(&foot.webbing)),
            ("heel", percent(&foot.heel_pad)),
        ];
        println!(
            "  {}",
            words.fill("facts.foot_line", &values.each_ref().map(|(name, value)| (*name, value.as_str())))
        );
        sourced(&foot.source, foot.status, words);
    };
    line("facts.fore", &maker.fore);
    line("facts.hind", &maker.hind);
}

fn heading(text: &str) {
    println!("\n{text}");
}

fn row(what: &str, range: &str, n: &str, ground: &str, source: &str, status: Status, words: &Words) {
    println!("  {what:<46} {range:>18}  {n:<6} {ground:<10} {}: {source}", word(json!(status), words));
}

fn sourced(source: &str, status: Status, words: &Words) {
    println!("    {}: {source}", word(json!(status), words));
}

/// A name of the data files in words.
pub fn word(name: Value, words: &Words) -> String {
    let name = name.as_str().unwrap_or_default().replace('-', "_");
    words.say(&format!("facts.{name}")).to_owned()
}

/// As published: smallest, mean, largest.
pub fn range(range: &Range, words: &Words) -> String {
    let mm = |value: f64| words.number(value, usize::from(value.fract() != 0.0));
    match (range.min_mm, range.mean_mm, range.max_mm) {
        (Some(min), Some(mean), Some(max)) => format!("{}–{} ({}) mm", mm(min), mm(max), mm(mean)),
        (Some(min), None, Some(max)) => format!("{}–{} mm", mm(min), mm(max)),
        (_, Some(mean), _) => format!("{} mm", mm(mean)),
        (Some(min), None, None) => format!("≥ {} mm", mm(min)),
        (None, None, Some(max)) => format!("≤ {} mm", mm(max)),
        (None, None, None) => String::new(),
    }
}
