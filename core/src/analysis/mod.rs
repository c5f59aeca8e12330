//! What a team may say of many visits together: occupancy and detection, change, at least how many animals, what spraints hold; how well those
//! agree who checked.

mod agreement;
pub mod animals;
pub mod change;
pub mod contents;
pub mod draw;
pub mod occupancy;
pub mod of_store;

mod normal;
mod table;

pub use agreement::{Agreement, agreement};
pub use normal::reach;
pub use table::{Row, Table, TableError};

use serde::Deserialize;

/// `core/data/analysis.toml`, where each number stands with its source.
#[derive(Debug, Clone, Copy, Deserialize)]
struct Numbers {
    occupancy: OccupancyNumbers,
    animals: AnimalNumbers,
}

#[derive(Debug, Clone, Copy, Deserialize)]
struct OccupancyNumbers {
    low_detection: f64,
    few_places: usize,
    places_per_coefficient: usize,
    wide_interval: f64,
}

#[derive(Debug, Clone, Copy, Deserialize)]
struct AnimalNumbers {
    error_rate: f64,
    within_animal: f64,
}

/// The built-in numbers can't be read: a fault of the program.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("the built-in numbers of the analyses can't be read: {0}")]
pub struct NumbersError(String);

fn numbers() -> Result<Numbers, NumbersError> {
    toml::from_str(include_str!("../../data/analysis.toml")).map_err(|e| NumbersError(e.to_string()))
}
