//! Occupancy and detection: at how many places an animal is, given that a visit may miss it (MacKenzie et al. 2002, Ecology 83(8):2248–2255).
//!
//! It holds where places don't change hands during the visits, nothing else is taken for the animal, and visits are independent.

mod design;
mod document;
mod estimate;
mod fit_test;
mod histories;
mod likelihood;
mod newton;
mod profile;
#[cfg(test)]
mod tests;
mod warning;

pub use design::{Detection, Model, ModelError, Parameter};
pub use document::document;
pub use estimate::{Coefficient, Estimate, Probability};
pub use fit_test::{FitTest, fit_test};
pub use histories::{Histories, HistoryError, Place};
pub use warning::Warning;

use design::Design;

/// What can be said of the histories.
#[derive(Debug, Clone)]
pub enum Outcome {
    /// Nobody was anywhere.
    NothingVisited,
    /// It was never found: a naive occupancy of nothing, ψ and p can't be told.
    NeverFound,
    /// It was found on every visit: ψ and p are 1, without an interval.
    AlwaysFound,
    /// No place was visited twice: ψ and p can't be told apart.
    VisitedOnce,
    /// The most likely values.
    Estimated(Box<Estimate>),
}

/// What was fitted, and what to know before it is relied on.
#[derive(Debug, Clone)]
pub struct Fit {
    /// What can be said.
    pub outcome: Outcome,
    /// What to know.
    pub warnings: Vec<Warning>,
}

impl Fit {
    /// The estimate, where there is one.
    pub fn estimate(&self) -> Option<&Estimate> {
        match &self.outcome {
            Outcome::Estimated(estimate) => Some(estimate),
            _ => None,
        }
    }
}

/// Fits the model by maximum likelihood; intervals are of this level.
///
/// ```
/// use rakelight_core::analysis::occupancy::{Histories, Model, fit};
/// // Blue Ridge two-lined salamander (MacKenzie et al. 2006, p. 99): ψ 0.5946, p 0.2587.
/// let histories = Histories::from_csv(include_str!("../../../../fixtures/reference/occupancy_salamander.csv"))?;
/// let fit = fit(&histories, &Model::default(), 0.95)?;
/// let estimate = fit.estimate().expect("an estimate");
/// assert!((estimate.psi(0).value - 0.5946).abs() < 5e-5);
/// assert!((estimate.p(0, 0).value - 0.2587).abs() < 5e-5);
/// # Ok::<(), rakelight_core::analysis::occupancy::ModelError>(())
/// ```
///
/// # Errors
/// See [`ModelError`]: the model can't be fitted to these histories.
pub fn fit(histories: &Histories, model: &Model, level: f64) -> Result<Fit, ModelError> {
    let numbers = super::numbers()?.occupancy;
    let outcome = outcome(histories, model, level)?;
    let warnings = warning::warnings(histories, &outcome, &numbers);
    Ok(Fit { outcome, warnings })
}

fn outcome(histories: &Histories, model: &Model, level: f64) -> Result<Outcome, ModelError> {
    let (made, found) = (histories.visits_made(), histories.detections());
    if made == 0 {
        return Ok(Outcome::NothingVisited);
    }
    let design = Design::new(histories, model)?;
    Ok(match found {
        0 => Outcome::NeverFound,
        _ if found == made => Outcome::AlwaysFound,
        _ if histories.places().iter().all(|place| place.visits_made() < 2) => Outcome::VisitedOnce,
        _ => Outcome::Estimated(Box::new(Estimate::of(histories, design, level))),
    })
}
