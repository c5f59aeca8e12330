//! What may leave, and how exactly.

use std::collections::{HashMap, HashSet};

use super::data::Radii;
use super::leaving::Spot;
use super::text::{clean, has_coordinate};
use super::{Asked, ExportError};
use crate::place::{Category, Position, to_95_percent};
use crate::store::{Digest, Store};
use crate::survey::{PlacedBy, Visit, name_key};
use crate::words::Words;

/// Decimals of an exact position (RFC 7946 readers and GDAL take 7: about 1 cm).
const EXACT_DECIMALS: usize = 7;

/// What is known of all places of a store before anything leaves: a record may not be told more exactly than its most sensitive sibling at the same place.
pub(super) struct Places {
    by_name: HashMap<String, Place>,
    /// Squares of 0.01° in which something sensitive lies, and around.
    by_square: HashMap<[i32; 2], Category>,
}

/// A place by its name.
#[derive(Clone, Copy)]
struct Place {
    category: Category,
    /// Of the visit there that began first.
    root: Digest,
    first: i64,
}

impl Places {
    pub fn of(store: &Store) -> Result<Self, ExportError> {
        let mut places = Self { by_name: HashMap::new(), by_square: HashMap::new() };
        let ids = store.visits()?;
        for id in &ids {
            let (Some(visit), Some(root)) = (store.head(id)?, store.root(id)?) else { continue };
            let opened = &visit.opened;
            let this = Place { category: opened.sensitivity_category, root, first: opened.start.timestamp() };
            let known = places.by_name.entry(name_key(&opened.place_name)).or_insert(this);
            known.category = known.category.min(this.category);
            if (this.first, this.root) < (known.first, known.root) {
                (known.first, known.root) = (this.first, this.root);
            }
        }
        let mut categories: Vec<Category> = places.by_name.values().map(|place| place.category).collect();
        categories.sort_unstable();
        categories.dedup();
        // Where all are as sensitive as each other, none can give another away.
        if categories.len() > 1 {
            for id in &ids {
                places.mark(&store.way(id)?);
            }
        }
        Ok(places)
    }

    fn mark(&mut self, visit: &Option<Visit>) {
        let Some(visit) = visit else { return };
        let category =
            self.by_name.get(&name_key(&visit.opened.place_name)).map_or(Category::STRICTEST, |p| p.category);
        for [lat, lon] in positions(visit) {
            let [i, k] = square([lat, lon]);
            for near in (-1..=1).flat_map(|di| (-1..=1).map(move |dk| [i + di, k + dk])) {
                let known = self.by_square.entry(near).or_insert(category);
                *known = (*known).min(category);
            }
        }
    }

    /// How sensitive a visit is together with all others at its place.
    pub fn category(&self, visit: &Visit) -> Category {
        let by_name = self.by_name.get(&name_key(&visit.opened.place_name)).map(|place| place.category);
        let by_square = positions(visit).filter_map(|at| self.by_square.get(&square(at)).copied());
        by_square.chain(by_name).chain([visit.opened.sensitivity_category]).min().unwrap_or(Category::STRICTEST)
    }

    /// What the identifier of a visit's place follows from.
    pub fn root(&self, visit: &Visit) -> Option<Digest> {
        self.by_name.get(&name_key(&visit.opened.place_name)).map(|place| place.root)
    }
}

fn words_of(text: &str) -> impl Iterator<Item = &str> {
    text.split(|c: char| !c.is_alphanumeric())
}

fn is_a_name(word: &str) -> bool {
    word.chars().count() > 2 && word.chars().next().is_some_and(char::is_uppercase)
}

/// Latitude and longitude of its signs, photographs and stretches.
fn positions(visit: &Visit) -> impl Iterator<Item = [f64; 2]> {
    let stretches = visit.stretches.iter().flat_map(|stretch| &stretch.line).map(|[lon, lat]| [*lat, *lon]);
    visit
        .signs
        .iter()
        .filter_map(|sign| sign.place)
        .chain(visit.photos.iter().filter_map(|photo| photo.place))
        .chain(stretches)
}

fn square([lat, lon]: [f64; 2]) -> [i32; 2] {
    [lat, lon].map(|degrees| (degrees * 100.0).floor() as i32)
}

/// What holds for one visit.
pub(super) struct Policy<'a> {
    pub asked: &'a Asked,
    pub words: &'a Words,
    radii: Radii,
    /// `None`: exact positions leave.
    category: Option<Category>,
    /// Names of places and people, which no text may hold,
    names: Vec<String>,
    /// and the words in them that begin with a capital.
    name_words: HashSet<String>,
}

impl<'a> Policy<'a> {
    pub fn of(visit: &Visit, places: &Places, radii: Radii, asked: &'a Asked, words: &'a Words) -> Self {
        let category = match &asked.exact {
            Some(_) => None,
            None => Some(asked.category.map_or(places.category(visit), |least| least.min(places.category(visit)))),
        };
        let opened = &visit.opened;
        let stretches = visit.stretches.iter().map(|stretch| &stretch.name);
        let places = stretches.chain([&opened.place_name]).filter(|_| category.is_some());
        let people =
            opened.people.iter().chain(visit.samples.iter().map(|sample| &sample.held_by)).filter(|_| !asked.names);
        let names: Vec<&String> = places.chain(people).chain(&opened.landowner).collect();
        let name_words =
            names.iter().flat_map(|name| words_of(name)).filter(|word| is_a_name(word)).map(str::to_owned).collect();
        let names = names.into_iter().map(|name| name_key(name)).filter(|name| name.len() > 2).collect();
        Self { asked, words, radii, category, names, name_words }
    }

    pub fn category(&self) -> Option<Category> {
        self.category
    }

    pub fn exact(&self) -> bool {
        self.category.is_none()
    }

    /// Where something is that a device or a person placed.
    pub fn spot(&self, [lat, lon]: [f64; 2], radius_68_m: Option<f64>, placed_by: Option<PlacedBy>) -> Option<Spot> {
        let known = radius_68_m.filter(|radius| *radius > 0.0 && radius.is_finite());
        self.around([lat, lon], to_95_percent(known.unwrap_or_else(|| self.radii.of(placed_by))))
    }

    /// Where something is that lies within so many metres of a position.
    pub fn around(&self, [lat, lon]: [f64; 2], radius_m: f64) -> Option<Spot> {
        let exact = Position::new(lat, lon, None).ok()?;
        Some(match self.category {
            Some(category) => {
                let public = category.generalise(&exact);
                let uncertainty_m = (public.uncertainty_m + radius_m).ceil();
                Spot { lat: public.lat, lon: public.lon, uncertainty_m, decimals: category.decimals() }
            }
            None => {
                let round = |degrees: f64| (degrees * 1e7).round() / 1e7 + 0.0;
                Spot {
                    lat: round(lat),
                    lon: round(lon),
                    uncertainty_m: radius_m.ceil().max(1.0),
                    decimals: EXACT_DECIMALS,
                }
            }
        })
    }

    /// A worker's own words, where they may leave and don't name a place or a person.
    pub fn note(&self, text: Option<&String>) -> Option<String> {
        text.filter(|_| self.asked.notes).and_then(|text| self.plain(text))
    }

    /// A text that is meant for all, where it doesn't name a place or a person after all.
    pub fn plain(&self, text: &str) -> Option<String> {
        let lower = name_key(text);
        let tells = self.names.iter().any(|name| lower.contains(name.as_str()))
            || words_of(text).any(|word| self.name_words.contains(word))
            || (!self.exact() && has_coordinate(text));
        let cleaned = clean(text);
        (!tells && !cleaned.is_empty()).then(|| cleaned.into_owned())
    }

    /// What was done to the positions.
    pub fn generalised(&self) -> String {
        match (self.category, &self.asked.exact) {
            (Some(category), _) => {
                let degrees = format!("{:.*}", category.decimals(), category.grid_deg());
                let number = u8::from(category).to_string();
                self.words.fill("export.generalised", &[("degrees", &degrees), ("category", &number)])
            }
            (None, why) => self.words.fill("export.exact", &[("why", &clean(why.as_deref().unwrap_or_default()))]),
        }
    }

    /// What is held and doesn't leave.
    pub fn withheld(&self) -> String {
        let items = [
            (!self.exact(), "position"),
            (!self.exact(), "place"),
            (true, "track"),
            (!self.asked.names, "people"),
            (true, "landowner"),
            (!self.asked.notes, "notes"),
        ];
        let said = items
            .iter()
            .filter(|(holds, _)| *holds)
            .map(|(_, item)| self.words.say(&format!("export.item.{item}")).to_owned());
        format!("{} {}", self.words.say("export.withheld"), said.collect::<Vec<_>>().join("; "))
    }
}
