//! From a model and what was noted to the rows x and z of the likelihood, covariates standardised.

use nalgebra::DMatrix;

use super::histories::{Covariate, Histories, HistoryError};
use super::likelihood::Likelihood;
use crate::analysis::NumbersError;

/// What occupancy (ψ) and detection (p) depend on, each on the logit scale; nothing named is a constant.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Model {
    /// Covariates of occupancy: columns of the table.
    pub psi: Vec<String>,
    /// What detection depends on.
    pub p: Vec<Detection>,
}

/// What detection may depend on.
#[derive(Debug, Clone, PartialEq)]
pub enum Detection {
    /// Each visit has its own.
    ByVisit,
    /// It rises or falls evenly (as logit) from visit to visit.
    Trend,
    /// A column (of the place) or columns `name_1 …` (of the visit).
    Covariate(String),
}

/// Why a model can't be fitted to these histories.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[allow(missing_docs, reason = "the messages say it")]
pub enum ModelError {
    #[error(transparent)]
    History(#[from] HistoryError),
    #[error("{name:?} is named twice for the same parameter: leave one out")]
    Twice { name: String },
    #[error("an empty name stands in {given:?}: names are separated by single commas")]
    NoName { given: String },
    #[error("{name:?} is the same everywhere, so nothing can depend on it: leave it out")]
    DoesNotVary { name: String },
    #[error("{names} tell the same story (one follows from the others): leave one of them out")]
    Collinear { names: String },
    #[error("nobody made visit {visit}, so it has no detection of its own: leave that visit out of the histories")]
    VisitNotMade { visit: usize },
    #[error("{coefficients} coefficients can't be had from {places} places: use a simpler model")]
    TooMany { coefficients: usize, places: usize },
    #[error(transparent)]
    Numbers(#[from] NumbersError),
}

/// Which parameter a coefficient belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Parameter {
    /// Occupancy.
    Psi,
    /// Detection.
    P,
}

impl Model {
    /// From lists of names with commas between them, as on the command line; `visit` and `trend` stand for themselves.
    ///
    /// ```
    /// use rakelight_core::analysis::occupancy::{Detection, Model};
    /// let model = Model::parse("browsed", "trend,rain")?;
    /// assert_eq!(model.p, [Detection::Trend, Detection::Covariate("rain".into())]);
    /// # Ok::<(), rakelight_core::analysis::occupancy::ModelError>(())
    /// ```
    ///
    /// # Errors
    /// A name is empty or there twice.
    pub fn parse(psi: &str, p: &str) -> Result<Self, ModelError> {
        let names = |given: &str| -> Result<Vec<String>, ModelError> {
            let mut names: Vec<String> = Vec::new();
            for name in given.split(',').map(str::trim).filter(|_| !given.trim().is_empty()) {
                if name.is_empty() {
                    return Err(ModelError::NoName { given: given.into() });
                }
                if names.iter().any(|known| known == name) {
                    return Err(ModelError::Twice { name: name.into() });
                }
                names.push(name.into());
            }
            Ok(names)
        };
        let detection = |name: String| match name.as_str() {
            "visit" => Detection::ByVisit,
            "trend" => Detection::Trend,
            _ => Detection::Covariate(name),
        };
        Ok(Self { psi: names(psi)?, p: names(p)?.into_iter().map(detection).collect() })
    }
}

/// The rows of the likelihood, and how its coefficients become the user's.
#[derive(Debug, Clone)]
pub(super) struct Design {
    pub kx: usize,
    pub kz: usize,
    /// Of all places.
    x: Vec<f64>,
    /// Of all visits to all places; also of those that weren't made.
    z: Vec<f64>,
    visits: usize,
    pub names: Vec<(Parameter, String)>,
    /// The user's coefficients are this times ours.
    pub to_user: DMatrix<f64>,
    /// Whether p differs from place to place, from visit to visit.
    pub p_by_place: bool,
    pub p_by_visit: bool,
}

/// A covariate with its name and, once standardised, its mean and standard deviation.
struct Column {
    name: String,
    values: Covariate,
    mean: f64,
    sd: f64,
}

impl Design {
    pub fn new(histories: &Histories, model: &Model) -> Result<Self, ModelError> {
        let (places, visits) = (histories.places(), histories.visits());
        let psi: Vec<Column> = model
            .psi
            .iter()
            .map(|name| match histories.covariate(name)? {
                values @ Covariate::OfPlace(_) => Column::standard(name, values, histories),
                Covariate::OfVisit(_) => Err(HistoryError::VisitCovariateForPsi { name: name.clone() }.into()),
            })
            .collect::<Result<_, _>>()?;
        let by_visit = model.p.contains(&Detection::ByVisit);
        if let Some(visit) = (0..visits).find(|v| by_visit && places.iter().all(|place| place.visits[*v].is_none())) {
            return Err(ModelError::VisitNotMade { visit: visit + 1 });
        }
        let mut p: Vec<Column> = Vec::new();
        for term in &model.p {
            match term {
                Detection::ByVisit => {}
                Detection::Trend => {
                    let numbers: Vec<f64> = (1..=visits).map(|visit| visit as f64).collect();
                    p.push(Column::standard("trend", Covariate::OfVisit(vec![numbers; places.len()]), histories)?);
                }
                Detection::Covariate(name) => p.push(Column::standard(name, histories.covariate(name)?, histories)?),
            }
        }
        let (kx, intercepts) = (1 + psi.len(), if by_visit { visits } else { 1 });
        let kz = intercepts + p.len();
        let visited = histories.places_visited();
        // The two constants stand for any number of places; at the edge, if need be.
        if kx + kz > visited.max(2) {
            return Err(ModelError::TooMany { coefficients: kx + kz, places: visited });
        }
        let mut made = Self {
            kx,
            kz,
            x: Vec::with_capacity(kx * places.len()),
            z: vec![0.0; kz * places.len() * visits],
            visits,
            names: names(&psi, &p, by_visit.then_some(visits)),
            to_user: to_user(kx, intercepts, &psi, &p),
            p_by_place: p.iter().any(|column| column.name != "trend"),
            p_by_visit: by_visit || p.iter().any(|column| matches!(column.values, Covariate::OfVisit(_))),
        };
        for place in 0..places.len() {
            made.x.push(1.0);
            made.x.extend(psi.iter().map(|column| column.at(place, 0)));
            for visit in 0..visits {
                let row = &mut made.z[(place * visits + visit) * kz..][..kz];
                row[if by_visit { visit } else { 0 }] = 1.0;
                row[intercepts..].iter_mut().zip(&p).for_each(|(cell, column)| *cell = column.at(place, visit));
            }
        }
        made.refuse_collinear(histories)?;
        Ok(made)
    }

    /// A place's row of ψ.
    pub fn x(&self, place: usize) -> &[f64] {
        &self.x[place * self.kx..][..self.kx]
    }

    /// The row of p of one visit to a place.
    pub fn z(&self, place: usize, visit: usize) -> &[f64] {
        &self.z[(place * self.visits + visit) * self.kz..][..self.kz]
    }

    /// The likelihood of what was found.
    pub fn likelihood<'a>(&'a self, found: impl Iterator<Item = &'a [Option<bool>]>) -> Likelihood {
        let places = found.enumerate().map(|(place, visits)| {
            let made = visits.iter().enumerate().filter_map(|(visit, found)| Some((self.z(place, visit), (*found)?)));
            (self.x(place), made.collect())
        });
        Likelihood::of(self.kx, self.kz, places)
    }

    /// A column that follows from the others makes the smallest eigenvalue of their correlations zero; its vector names them.
    fn refuse_collinear(&self, histories: &Histories) -> Result<(), ModelError> {
        let places = histories.places();
        let visited = (0..places.len()).filter(|place| places[*place].visits_made() > 0);
        let made = (0..places.len() * self.visits)
            .filter(|at| places[at / self.visits].visits[at % self.visits].is_some())
            .map(|at| self.z(at / self.visits, at % self.visits));
        refuse(self.kx, visited.map(|place| self.x(place)), &self.names[..self.kx])?;
        refuse(self.kz, made, &self.names[self.kx..])
    }
}

fn refuse<'a>(
    k: usize,
    rows: impl Iterator<Item = &'a [f64]>,
    names: &[(Parameter, String)],
) -> Result<(), ModelError> {
    let mut gram = DMatrix::<f64>::zeros(k, k);
    for row in rows {
        for (a, of_a) in row.iter().enumerate() {
            for (b, of_b) in row.iter().enumerate() {
                gram[(a, b)] += of_a * of_b;
            }
        }
    }
    let size: Vec<f64> = (0..k).map(|a| gram[(a, a)].sqrt()).collect();
    let correlation = DMatrix::from_fn(k, k, |a, b| gram[(a, b)] / (size[a] * size[b]));
    let eigen = correlation.symmetric_eigen();
    let smallest = eigen.eigenvalues.imin();
    if eigen.eigenvalues[smallest] > 1e-9 {
        return Ok(());
    }
    let vector = eigen.eigenvectors.column(smallest);
    let named = (0..k).filter(|a| vector[*a].abs() > 1e-3).map(|a| names[a].1.as_str());
    Err(ModelError::Collinear { names: named.collect::<Vec<_>>().join(", ") })
}

fn names(psi: &[Column], p: &[Column], visits: Option<usize>) -> Vec<(Parameter, String)> {
    let constant = || vec!["intercept".to_owned()];
    let of = |columns: &[Column]| columns.iter().map(|column| column.name.clone()).collect::<Vec<_>>();
    let of_p = visits.map_or_else(constant, |visits| (1..=visits).map(|visit| format!("visit_{visit}")).collect());
    let psi = [constant(), of(psi)].concat().into_iter().map(|name| (Parameter::Psi, name));
    psi.chain([of_p, of(p)].concat().into_iter().map(|name| (Parameter::P, name))).collect()
}

/// b·(c − m)/s is (b/s)·c, less (b/s)·m in every intercept.
fn to_user(kx: usize, intercepts: usize, psi: &[Column], p: &[Column]) -> DMatrix<f64> {
    let k = kx + intercepts + p.len();
    let mut to_user = DMatrix::identity(k, k);
    let mut put = |at: usize, column: &Column, intercepts: std::ops::Range<usize>| {
        to_user[(at, at)] = 1.0 / column.sd;
        intercepts.for_each(|intercept| to_user[(intercept, at)] = -column.mean / column.sd);
    };
    psi.iter().enumerate().for_each(|(i, column)| put(1 + i, column, 0..1));
    p.iter().enumerate().for_each(|(i, column)| put(kx + intercepts + i, column, kx..kx + intercepts));
    to_user
}

impl Column {
    /// With mean 0 and standard deviation 1 over what was visited.
    fn standard(name: &str, values: Covariate, histories: &Histories) -> Result<Self, ModelError> {
        let places = histories.places();
        let seen: Vec<f64> = match &values {
            Covariate::OfPlace(values) => values
                .iter()
                .zip(places)
                .filter(|(_, place)| place.visits_made() > 0)
                .map(|(value, _)| *value)
                .collect(),
            Covariate::OfVisit(values) => {
                let visits = values.iter().flatten().zip(places.iter().flat_map(|place| &place.visits));
                visits.filter(|(_, found)| found.is_some()).map(|(value, _)| *value).collect()
            }
        };
        let n = seen.len() as f64;
        let mean = seen.iter().sum::<f64>() / n;
        let sd = (seen.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / n).sqrt();
        // Also where nothing was visited, or a value's square is beyond what a number holds.
        if !(sd > 1e-12 * mean.abs() && sd.is_finite()) {
            return Err(ModelError::DoesNotVary { name: name.into() });
        }
        Ok(Self { name: name.into(), values, mean, sd })
    }

    /// Standardised; where nothing was visited and nothing is known, the mean.
    fn at(&self, place: usize, visit: usize) -> f64 {
        let value = match &self.values {
            Covariate::OfPlace(values) => values[place],
            Covariate::OfVisit(values) => values[place][visit],
        };
        if value.is_nan() { 0.0 } else { (value - self.mean) / self.sd }
    }
}
