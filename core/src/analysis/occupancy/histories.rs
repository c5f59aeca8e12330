//! What was found on which visit to which place.

use crate::analysis::{Table, TableError};

/// One place with its visits in order of time: found, not found, or no visit.
#[derive(Debug, Clone, PartialEq)]
pub struct Place {
    /// Its name; its line in the file where it has none.
    pub name: String,
    /// One for each visit of the survey.
    pub visits: Vec<Option<bool>>,
}

/// The histories of all places, all of the same length, and what else is known of places and visits.
#[derive(Debug, Clone, PartialEq)]
pub struct Histories {
    places: Vec<Place>,
    table: Option<Table>,
}

/// What occupancy or detection may depend on.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Covariate {
    /// One number a place.
    OfPlace(Vec<f64>),
    /// One number for each visit to each place.
    OfVisit(Vec<Vec<f64>>),
}

/// Why histories can't be used.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[allow(missing_docs, reason = "the messages say it")]
pub enum HistoryError {
    #[error(transparent)]
    Table(#[from] TableError),
    #[error(
        "line {line}: the history {found:?} has {length} visits where the first one has {expected}: write . for a visit that wasn't made (a spreadsheet may have cut leading zeros: make the column text)"
    )]
    Length { line: u64, found: String, length: usize, expected: usize },
    #[error("line {line}: {sign:?} is no sign of a history: 1 is found, 0 not found, . no visit")]
    Sign { line: u64, sign: char },
    #[error("line {line}: the history is empty: write . for each visit that wasn't made")]
    Empty { line: u64 },
    #[error("line {line}: the place {name:?} is there twice: a place is one row, with all its visits in one history")]
    PlaceTwice { line: u64, name: String },
    #[error("there is no covariate {name:?}; there are: {known}")]
    Unknown { name: String, known: String },
    #[error("{name:?} is both a column and columns {name}_1 …: rename one of them")]
    Ambiguous { name: String },
    #[error(
        "the visit covariate {name:?} needs the columns {name}_1 to {name}_{visits}, one a visit: {name}_{missing} isn't there"
    )]
    VisitColumns { name: String, visits: usize, missing: usize },
    #[error("{name:?} differs from visit to visit, so occupancy can't depend on it: use it for detection (--p)")]
    VisitCovariateForPsi { name: String },
    #[error(
        "line {line}, column {column:?} is empty, but the visit was made: find the value, or leave the place or the covariate out"
    )]
    Gap { line: u64, column: String },
}

impl Histories {
    /// From CSV: the column `history` (`1` found, `0` not found, `.` no visit; one sign a visit), perhaps `place` with its name, and covariates.
    ///
    /// ```
    /// use rakelight_core::analysis::occupancy::Histories;
    /// let histories = Histories::from_csv("history,bank\n01.,1\n000,0\n")?;
    /// assert_eq!(histories.places()[0].visits, [Some(false), Some(true), None]);
    /// let uneven = Histories::from_csv("history\n010\n10\n").unwrap_err().to_string();
    /// assert!(uneven.contains("line 3") && uneven.contains("leading zeros"));
    /// # Ok::<(), rakelight_core::analysis::occupancy::HistoryError>(())
    /// ```
    ///
    /// # Errors
    /// See [`HistoryError`].
    pub fn from_csv(text: &str) -> Result<Self, HistoryError> {
        let table = Table::from_csv(text)?;
        let (history, place) = (table.column("history")?, table.find("place"));
        let mut places: Vec<Place> = Vec::new();
        let mut names = std::collections::HashSet::new();
        for (i, row) in table.some_rows("place")?.iter().enumerate() {
            let (line, text) = (row.line, table.text(i, history));
            let sign = |sign| match sign {
                '1' => Ok(Some(true)),
                '0' => Ok(Some(false)),
                '.' => Ok(None),
                sign => Err(HistoryError::Sign { line, sign }),
            };
            let visits: Vec<_> = text.chars().map(sign).collect::<Result<_, _>>()?;
            let expected = places.first().map_or(visits.len(), |first| first.visits.len());
            if visits.is_empty() {
                return Err(HistoryError::Empty { line });
            }
            if visits.len() != expected {
                return Err(HistoryError::Length { line, found: text.into(), length: visits.len(), expected });
            }
            let name = place.map_or_else(|| format!("line {line}"), |column| table.text(i, column).to_owned());
            if !names.insert(name.clone()) {
                return Err(HistoryError::PlaceTwice { line, name });
            }
            places.push(Place { name, visits });
        }
        Ok(Self { places, table: Some(table) })
    }

    /// Of these places, without covariates; shorter histories are filled up with visits that weren't made.
    pub fn of_places(mut places: Vec<Place>) -> Self {
        let visits = places.iter().map(|place| place.visits.len()).max().unwrap_or(0);
        places.iter_mut().for_each(|place| place.visits.resize(visits, None));
        Self { places, table: None }
    }

    /// The places.
    pub fn places(&self) -> &[Place] {
        &self.places
    }

    /// Whether the places have names of their own.
    pub fn has_names(&self) -> bool {
        self.table.as_ref().is_none_or(|table| table.find("place").is_some())
    }

    /// What a column says of a place.
    pub fn text(&self, column: &str, place: usize) -> Option<&str> {
        let table = self.table.as_ref()?;
        Some(table.text(place, table.find(column)?))
    }

    /// How many visits a history has.
    pub fn visits(&self) -> usize {
        self.places.first().map_or(0, |place| place.visits.len())
    }

    /// How many visits were made.
    pub fn visits_made(&self) -> usize {
        self.places.iter().map(Place::visits_made).sum()
    }

    /// On how many visits it was found.
    pub fn detections(&self) -> usize {
        self.places.iter().map(Place::detections).sum()
    }

    /// At how many places it was found.
    pub fn found_at(&self) -> usize {
        self.places.iter().filter(|place| place.detections() > 0).count()
    }

    /// How many places were visited at all.
    pub fn places_visited(&self) -> usize {
        self.places.iter().filter(|place| place.visits_made() > 0).count()
    }

    pub(super) fn covariate(&self, name: &str) -> Result<Covariate, HistoryError> {
        let Some(table) = self.table.as_ref().filter(|_| name != "history" && name != "place") else {
            return Err(self.unknown(name));
        };
        let numbered = |visit: usize| table.find(&format!("{name}_{visit}"));
        let gap = |row: usize, column: usize| HistoryError::Gap {
            line: table.rows()[row].line,
            column: table.columns()[column].clone(),
        };
        match (table.find(name), numbered(1)) {
            (Some(_), Some(_)) => Err(HistoryError::Ambiguous { name: name.into() }),
            (Some(column), None) => {
                let at = |row| match table.number(row, column)? {
                    // A place that nobody visited says nothing, so nothing need be known of it.
                    None if self.places[row].visits_made() == 0 => Ok(f64::NAN),
                    None => Err(gap(row, column)),
                    Some(value) => Ok(value),
                };
                Ok(Covariate::OfPlace((0..self.places.len()).map(at).collect::<Result<_, HistoryError>>()?))
            }
            (None, Some(_)) => {
                let columns: Vec<usize> = (1..=self.visits())
                    .map(|visit| {
                        let missing =
                            || HistoryError::VisitColumns { name: name.into(), visits: self.visits(), missing: visit };
                        numbered(visit).ok_or_else(missing)
                    })
                    .collect::<Result<_, _>>()?;
                let at = |row: usize, visit: usize| match table.number(row, columns[visit])? {
                    None if self.places[row].visits[visit].is_none() => Ok(f64::NAN),
                    None => Err(gap(row, columns[visit])),
                    Some(value) => Ok(value),
                };
                let of_row = |row| (0..self.visits()).map(|visit| at(row, visit)).collect();
                Ok(Covariate::OfVisit((0..self.places.len()).map(of_row).collect::<Result<_, HistoryError>>()?))
            }
            // A visit covariate whose first column is lacking.
            (None, None) if (2..=self.visits()).any(|visit| numbered(visit).is_some()) => {
                Err(HistoryError::VisitColumns { name: name.into(), visits: self.visits(), missing: 1 })
            }
            (None, None) => Err(self.unknown(name)),
        }
    }

    fn unknown(&self, name: &str) -> HistoryError {
        let columns = self.table.iter().flat_map(|table| table.columns());
        let mut known: Vec<&str> = Vec::new();
        for column in columns.map(String::as_str).filter(|column| !["history", "place"].contains(column)) {
            let stem = column.rsplit_once('_').filter(|(_, visit)| visit.parse::<usize>().is_ok());
            let stem = stem.map_or(column, |(stem, _)| stem);
            if !known.contains(&stem) {
                known.push(stem);
            }
        }
        let known = if known.is_empty() { "none".into() } else { known.join(", ") };
        HistoryError::Unknown { name: name.into(), known }
    }
}

impl Place {
    /// How many visits were made to it.
    pub fn visits_made(&self) -> usize {
        self.visits.iter().flatten().count()
    }

    /// On how many of them it was found.
    pub fn detections(&self) -> usize {
        self.visits.iter().flatten().filter(|found| **found).count()
    }

    /// As it is written: `01.10`.
    pub fn history(&self) -> String {
        let sign = |visit: &Option<bool>| match visit {
            Some(true) => '1',
            Some(false) => '0',
            None => '.',
        };
        self.visits.iter().map(sign).collect()
    }
}
