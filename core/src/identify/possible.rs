//! The refusal of evidence that can't be true.

use super::constants::Limits;
use super::evidence::{DroppingEvidence, Evidence, PrintEvidence, Setting, TrailEvidence};
use super::facts::Facts;
use super::named::{Arrangement, Content, Feature};

/// Evidence that can't be read or can't be true. Nothing is computed from it.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum EvidenceError {
    /// Not JSON or TOML of the documented shape.
    #[error("the evidence can't be read: {detail}")]
    Unreadable {
        /// What is wrong and where; names an unknown key.
        detail: String,
    },
    /// No such substrate.
    #[error("substrate: {value:?} isn't known; there are: {known}")]
    UnknownSubstrate {
        /// As given.
        value: String,
        /// Those of `substrates.toml`.
        known: String,
    },
    /// NaN or infinite.
    #[error("{field}: not a number; leave it out where it isn't known")]
    NotFinite {
        /// Which.
        field: String,
    },
    /// Too small or too large for what it is.
    #[error("{field}: {value} mm can't be; it must lie between {low} and {high} mm")]
    OutOfRange {
        /// Which.
        field: String,
        /// As given.
        value: f64,
        /// Smallest accepted.
        low: f64,
        /// Largest accepted.
        high: f64,
    },
    /// So small that another unit was meant.
    #[error("{field}: {value} mm is too small for a print; are these cm? Millimetres are expected ({in_mm} mm)")]
    PerhapsCentimetres {
        /// Which.
        field: String,
        /// As given.
        value: f64,
        /// Ten times that.
        in_mm: f64,
    },
    /// A distance below zero.
    #[error("{field}: {value} m can't be; a distance is zero or more")]
    NegativeDistance {
        /// Which.
        field: String,
        /// As given.
        value: f64,
    },
    /// A length without its uncertainty.
    #[error("{field}: missing; every length needs its standard uncertainty in mm")]
    NoUncertainty {
        /// The missing key.
        field: String,
    },
    /// Zero, negative, or as large as the length.
    #[error("{field}: {value} isn't a standard uncertainty; it must be above zero and below the length itself")]
    BadUncertainty {
        /// Which.
        field: String,
        /// As given.
        value: f64,
    },
    /// More than five.
    #[error(
        "{field}: {value} toes; no print of a mammal or bird shows more than five, so a second print may lie over it"
    )]
    TooManyToes {
        /// Which.
        field: String,
        /// As given.
        value: u8,
    },
    /// Not numbers from 1 to 5, each once.
    #[error("{field}: {value:?} aren't toes; they are numbered from 1, the inner one of five, to 5, each once")]
    NoToes {
        /// Which.
        field: String,
        /// As given.
        value: Vec<u8>,
    },
    /// Two statements that exclude each other.
    #[error("{field} contradicts {other}: look again, or leave out what isn't sure")]
    Contradiction {
        /// One.
        field: String,
        /// The other.
        other: String,
    },
}

impl Evidence {
    /// Whether all of this can be true.
    pub fn check(&self, facts: &Facts) -> Result<(), EvidenceError> {
        if let Some(value) = &self.substrate
            && facts.substrate(value).is_none()
        {
            let known = facts.substrates().collect::<Vec<_>>().join(", ");
            return Err(EvidenceError::UnknownSubstrate { value: value.clone(), known });
        }
        if let Some(setting) = &self.setting {
            setting.check()?;
        }
        let limits = facts.limits();
        for (i, print) in self.prints.iter().enumerate() {
            print.check(&format!("prints[{i}]."), limits)?;
        }
        if let Some(trail) = &self.trail {
            trail.check(limits)?;
        }
        let of_droppings = |(i, d): (usize, &DroppingEvidence)| d.check(&format!("droppings[{i}]."), limits);
        self.droppings.iter().enumerate().try_for_each(of_droppings)
    }
}

impl Setting {
    fn check(&self) -> Result<(), EvidenceError> {
        let field = || "setting.distance_to_water_m".to_owned();
        match self.distance_to_water_m {
            Some(value) if !value.is_finite() => Err(EvidenceError::NotFinite { field: field() }),
            Some(value) if value < 0.0 => Err(EvidenceError::NegativeDistance { field: field(), value }),
            _ => Ok(()),
        }
    }
}

impl PrintEvidence {
    fn check(&self, at: &str, limits: &Limits) -> Result<(), EvidenceError> {
        for (key, value, u) in self.sizes() {
            if let Some(value) = value
                && value > 0.0
                && value < limits.print_min_mm
            {
                return Err(EvidenceError::PerhapsCentimetres {
                    field: format!("{at}{key}"),
                    value,
                    in_mm: value * 10.0,
                });
            }
            check_length(at, key, value, u, limits.print_min_mm, limits.print_max_mm)?;
        }
        let contradiction = |field: &str, other: &str| {
            Err(EvidenceError::Contradiction { field: format!("{at}{field}"), other: format!("{at}{other}") })
        };
        if let Some(which) = &self.which_toes {
            let once = |toe: &u8| which.iter().filter(|other| *other == toe).count() == 1;
            if !which.iter().all(|toe| (1..=5).contains(toe) && once(toe)) {
                return Err(EvidenceError::NoToes { field: format!("{at}which_toes"), value: which.clone() });
            }
            if self.toes_seen.is_some_and(|toes| usize::from(toes) != which.len()) {
                return contradiction("toes_seen", "which_toes");
            }
        }
        let toes = self.toes().unwrap_or(0);
        if toes > 5 {
            return Err(EvidenceError::TooManyToes { field: format!("{at}toes_seen"), value: toes });
        }
        if toes > 4 && matches!(self.arrangement, Arrangement::Cloven | Arrangement::Bird) {
            return contradiction("toes_seen", "arrangement");
        }
        if self.length_with_heel_mm.is_some() && self.heel_pad == Feature::Absent {
            return contradiction("length_with_heel_mm", "heel_pad");
        }
        if let (Some(with), Some(without)) = (self.length_with_heel_mm, self.length_without_heel_mm) {
            let u = self.u_length_with_heel_mm.unwrap_or(0.0).hypot(self.u_length_without_heel_mm.unwrap_or(0.0));
            if without > with + 3.0 * u {
                return contradiction("length_without_heel_mm", "length_with_heel_mm");
            }
        }
        Ok(())
    }
}

impl TrailEvidence {
    fn check(&self, limits: &Limits) -> Result<(), EvidenceError> {
        for (key, value, u) in [
            ("stride_mm", self.stride_mm, self.u_stride_mm),
            ("group_length_mm", self.group_length_mm, self.u_group_length_mm),
            ("straddle_mm", self.straddle_mm, self.u_straddle_mm),
        ] {
            check_length("trail.", key, value, u, limits.trail_min_mm, limits.trail_max_mm)?;
        }
        Ok(())
    }
}

impl DroppingEvidence {
    fn check(&self, at: &str, limits: &Limits) -> Result<(), EvidenceError> {
        for (key, value, u) in
            [("width_mm", self.width_mm, self.u_width_mm), ("length_mm", self.length_mm, self.u_length_mm)]
        {
            check_length(at, key, value, u, limits.dropping_min_mm, limits.dropping_max_mm)?;
        }
        match &self.contents {
            Some(contents) if contents.len() > 1 && contents.contains(&Content::NothingIdentifiable) => {
                Err(EvidenceError::Contradiction {
                    field: format!("{at}contents: nothing_identifiable"),
                    other: "the other contents".into(),
                })
            }
            _ => Ok(()),
        }
    }
}

fn check_length(
    at: &str,
    key: &str,
    value: Option<f64>,
    u: Option<f64>,
    low: f64,
    high: f64,
) -> Result<(), EvidenceError> {
    let Some(value) = value else { return Ok(()) };
    let field = format!("{at}{key}");
    let u_field = format!("{at}u_{key}");
    if !value.is_finite() {
        return Err(EvidenceError::NotFinite { field });
    }
    if !(low..=high).contains(&value) {
        return Err(EvidenceError::OutOfRange { field, value, low, high });
    }
    match u {
        None => Err(EvidenceError::NoUncertainty { field: u_field }),
        Some(u) if !u.is_finite() => Err(EvidenceError::NotFinite { field: u_field }),
        Some(u) if u <= 0.0 || u >= value => Err(EvidenceError::BadUncertainty { field: u_field, value: u }),
        Some(_) => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The refusal of one print with this written in.
    fn refusal(print: &str) -> String {
        let evidence = Evidence::from_toml(&format!("[[prints]]\n{print}")).unwrap();
        evidence.check(Facts::builtin().unwrap()).unwrap_err().to_string()
    }

    #[test]
    fn a_negative_width_and_a_metre_are_refused() {
        assert!(refusal("width_mm = -60\nu_width_mm = 2").starts_with("prints[0].width_mm"));
        assert!(refusal("length_with_heel_mm = 1000\nu_length_with_heel_mm = 2").contains("length_with_heel_mm: 1000"));
    }

    #[test]
    fn centimetres_are_asked_about() {
        let refusal = refusal("width_mm = 5.5\nu_width_mm = 0.2");
        assert!(refusal.contains("prints[0].width_mm") && refusal.contains("cm?") && refusal.contains("55 mm"));
    }

    #[test]
    fn what_is_not_a_number_is_refused() {
        assert!(refusal("width_mm = nan\nu_width_mm = 2").contains("width_mm: not a number"));
        assert!(refusal("width_mm = 60\nu_width_mm = inf").contains("u_width_mm: not a number"));
    }

    #[test]
    fn an_uncertainty_is_never_zero_nor_left_out() {
        assert!(refusal("width_mm = 60\nu_width_mm = 0").contains("prints[0].u_width_mm"));
        assert!(refusal("width_mm = 60").contains("prints[0].u_width_mm: missing"));
    }

    #[test]
    fn six_toes_are_two_prints() {
        assert!(refusal("toes_seen = 6").contains("prints[0].toes_seen: 6"));
    }

    #[test]
    fn contradictions_name_both_sides() {
        assert!(refusal("toes_seen = 5\narrangement = 'cloven'").contains("prints[0].arrangement"));
        let heel = refusal("length_with_heel_mm = 85\nu_length_with_heel_mm = 3\nheel_pad = 'absent'");
        assert!(heel.contains("prints[0].heel_pad"));
    }

    #[test]
    fn an_unknown_substrate_is_refused_with_the_known_ones() {
        let evidence = Evidence { substrate: Some("custard".into()), ..Evidence::default() };
        let refusal = evidence.check(Facts::builtin().unwrap()).unwrap_err().to_string();
        assert!(refusal.contains("custard") && refusal.contains("firm_mud"), "{refusal}");
    }

    #[test]
    fn null_is_not_known() {
        let nulls =
            r#"{"substrate": null, "prints": [{"foot": null, "width_mm": null, "claws": null}], "trail": null}"#;
        let evidence = Evidence::from_json(nulls).unwrap();
        assert_eq!(evidence.prints, [PrintEvidence::default()]);
    }
}
