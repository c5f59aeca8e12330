//! Whether occupancy changed from season to season: naive at the places that seasons share, and modelled, season by season.

use serde_json::{Value, json};

use super::occupancy::{Fit, Histories, Model, ModelError, fit};
use crate::survey::same_name;
use crate::words::Words;

/// One season's histories.
#[derive(Debug, Clone, PartialEq)]
pub struct Season {
    /// Its name.
    pub name: String,
    /// What was found.
    pub histories: Histories,
    /// The months (1 to 12) in which visits were made, where that is known.
    pub months: Option<Vec<u32>>,
}

/// One season fitted.
#[derive(Debug, Clone)]
pub struct Fitted {
    /// The season.
    pub season: Season,
    /// ψ and p constant.
    pub fit: Fit,
}

/// From one season to the next.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// The seasons' places in the list.
    pub from_to: [usize; 2],
    /// Places that both seasons visited, by name; `None` where places have no names.
    pub common: Option<Common>,
    /// ψ of the later less ψ of the earlier; `None` where one of them can't be told.
    pub difference: Option<Difference>,
}

/// Places of both seasons.
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize)]
#[allow(missing_docs, reason = "the names say it")]
pub struct Common {
    pub places: Vec<String>,
    pub found_in_both: usize,
    pub gained: Vec<String>,
    pub lost: Vec<String>,
    pub found_in_neither: usize,
}

/// A difference of occupancy.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Difference {
    /// Its most likely value.
    pub value: f64,
    /// From the intervals of both by the square-and-add rule (Newcombe 1998, Statistics in Medicine 17:873–890, method 10; Zou & Donner 2008,
    /// ibid. 27:1693–1702).
    pub interval: [f64; 2],
}

impl Difference {
    /// Whether nothing lies outside the interval.
    pub fn is_beyond_chance(&self) -> bool {
        self.interval[0] > 0.0 || self.interval[1] < 0.0
    }
}

/// What changed.
#[derive(Debug, Clone)]
pub struct Change {
    /// In the order given.
    pub seasons: Vec<Fitted>,
    /// From each to the next.
    pub steps: Vec<Step>,
    /// The level of each interval of a difference: all hold together with 95 % (Bonferroni).
    pub level: f64,
}

/// Compares seasons, in the order given.
///
/// # Errors
/// As [`fit`].
pub fn change(seasons: Vec<Season>) -> Result<Change, ModelError> {
    let level = 1.0 - 0.05 / seasons.len().saturating_sub(1).max(1) as f64;
    let fitted = |season: Season| Ok(Fitted { fit: fit(&season.histories, &Model::default(), level)?, season });
    let seasons: Vec<Fitted> = seasons.into_iter().map(fitted).collect::<Result<_, ModelError>>()?;
    let steps = (1..seasons.len()).map(|later| step(&seasons, later)).collect();
    Ok(Change { seasons, steps, level })
}

fn step(seasons: &[Fitted], later: usize) -> Step {
    let [from, to] = [&seasons[later - 1], &seasons[later]];
    Step { from_to: [later - 1, later], common: common(from, to), difference: difference(&from.fit, &to.fit) }
}

fn common(from: &Fitted, to: &Fitted) -> Option<Common> {
    let [from, to] = [from, to].map(|fitted| &fitted.season.histories);
    if !from.has_names() || !to.has_names() {
        return None;
    }
    let mut common = Common::default();
    for before in from.places().iter().filter(|place| place.visits_made() > 0) {
        let same = to.places().iter().find(|place| same_name(&place.name, &before.name) && place.visits_made() > 0);
        let Some(after) = same else { continue };
        common.places.push(before.name.clone());
        match (before.detections() > 0, after.detections() > 0) {
            (true, true) => common.found_in_both += 1,
            (false, true) => common.gained.push(before.name.clone()),
            (true, false) => common.lost.push(before.name.clone()),
            (false, false) => common.found_in_neither += 1,
        }
    }
    Some(common)
}

/// The profile's intervals are there also where an estimate is at the edge.
fn difference(from: &Fit, to: &Fit) -> Option<Difference> {
    let of = |fit: &Fit| {
        let estimate = fit.estimate()?;
        Some((estimate.psi(0).value, estimate.psi_profile()?))
    };
    let ((a, [a_low, a_high]), (b, [b_low, b_high])) = (of(from)?, of(to)?);
    let value = b - a;
    Some(Difference { value, interval: [value - (b - b_low).hypot(a_high - a), value + (b_high - b).hypot(a - a_low)] })
}

impl Step {
    /// What became of the places of both seasons, line by line.
    pub fn say_common(&self, words: &Words) -> Vec<String> {
        let Some(common) = &self.common else { return vec![] };
        let counts = [
            ("n", common.places.len()),
            ("both", common.found_in_both),
            ("gained", common.gained.len()),
            ("lost", common.lost.len()),
            ("neither", common.found_in_neither),
        ];
        let counts = counts.map(|(name, n)| (name, n.to_string()));
        let filled: Vec<(&str, &str)> = counts.iter().map(|(name, n)| (*name, n.as_str())).collect();
        let mut lines = vec![words.fill("analyse.change.common", &filled)];
        if !common.places.is_empty() {
            lines.push(words.fill("analyse.change.common_places", &[("places", &common.places.join(", "))]));
        }
        lines
    }
}

impl Change {
    /// What `rakelight analyse change --json` prints.
    pub fn document(&self, words: &Words) -> Value {
        let season = |Fitted { season, fit }: &Fitted| {
            let mut of_season = super::occupancy::document(&season.histories, fit, None, words);
            of_season["name"] = json!(season.name);
            of_season["months"] = json!(season.months);
            of_season
        };
        let step = |step: &Step| {
            let [from, to] = step.from_to.map(|at| &self.seasons[at]);
            let naive = |of: &Fitted| {
                of.season.histories.found_at() as f64 / of.season.histories.places_visited().max(1) as f64
            };
            json!({
                "from": from.season.name, "to": to.season.name,
                "naive_difference": naive(to) - naive(from),
                "psi_difference": step.difference.map(|d| d.value),
                "psi_difference_interval": step.difference.map(|d| d.interval),
                "beyond_chance": step.difference.map(|d| d.is_beyond_chance()),
                "common": step.common,
                "text": self.say(step, words),
            })
        };
        json!({
            "seasons": self.seasons.iter().map(season).collect::<Vec<_>>(),
            "steps": self.steps.iter().map(step).collect::<Vec<_>>(),
            "level": self.level,
            "notes": self.notes(words),
        })
    }

    /// One step in words.
    pub fn say(&self, step: &Step, words: &Words) -> String {
        let [from, to] = step.from_to.map(|at| self.seasons[at].season.name.as_str());
        let Some(difference) = step.difference else {
            return words.fill("analyse.change.not_told", &[("from", from), ("to", to)]);
        };
        let signed = |v: f64| format!("{}{}", if v > 0.0 { "+" } else { "" }, words.number(v, 2));
        let [low, high] = difference.interval.map(signed);
        let key = if difference.is_beyond_chance() { "analyse.change.beyond" } else { "analyse.change.within" };
        let value = signed(difference.value);
        words.fill(key, &[("from", from), ("to", to), ("value", &value), ("low", &low), ("high", &high)])
    }

    /// What has to be said with it.
    pub fn notes(&self, words: &Words) -> Vec<String> {
        let mut notes = Vec::new();
        let months: Vec<_> = self.seasons.iter().map(|fitted| &fitted.season.months).collect();
        if months.iter().any(|months| months.is_none()) {
            notes.push(words.say("analyse.change.months_unknown").to_owned());
        } else if months.windows(2).any(|pair| pair[0] != pair[1]) {
            notes.push(words.say("analyse.change.months_differ").to_owned());
        }
        if self.steps.iter().any(|step| step.common.is_none()) {
            notes.push(words.say("analyse.change.no_names").to_owned());
        }
        let percent = words.number(100.0 * self.level, if self.steps.len() > 1 { 1 } else { 0 });
        notes.push(words.fill("analyse.change.level", &[("percent", &percent)]));
        notes.extend(["together", "no_counts"].map(|key| words.say(&format!("analyse.change.{key}")).to_owned()));
        notes
    }
}
