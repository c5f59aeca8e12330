//! How fresh a sign is: by its looks, and by the last high water where the tide washes over its place. Never in days.

use chrono::TimeDelta;
use serde::Deserialize;

use super::record::{Conditions, SignNoted};

/// A class of appearance.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FreshnessClass {
    /// `freshness.ID` in the words.
    pub id: String,
    /// Who describes it in droppings.
    pub dropping_source: String,
    /// In prints and other sign.
    pub other_source: String,
}

/// The classes that are known.
///
/// # Errors
/// The data can't be read: a mistake in the build.
pub fn classes() -> Result<Vec<FreshnessClass>, toml::de::Error> {
    #[derive(Deserialize)]
    struct File {
        class: Vec<FreshnessClass>,
    }
    let file: File = toml::from_str(include_str!("../../data/freshness.toml"))?;
    Ok(file.class)
}

/// Where the last high water went over its place, a sign is younger than that: so many hours before it was noted, rounded up to a tenth.
pub fn younger_than_h(sign: &SignNoted, conditions: &Conditions) -> Option<f64> {
    let since = sign.time? - conditions.last_high_water?;
    let washed = sign.below_high_water == Some(true) && since >= TimeDelta::zero();
    washed.then(|| (since.num_minutes() as f64 / 6.0).ceil() / 10.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::survey::SignKind;
    use crate::time::parse_time;

    fn print(below_high_water: Option<bool>) -> SignNoted {
        SignNoted {
            id: "s1".into(),
            sign: SignKind::Print,
            photos: vec![],
            trail: None,
            place: None,
            placed_by: None,
            radius_68_m: None,
            taken_for: None,
            time: parse_time("2026-10-14T09:30+02:00"),
            freshness: Some("fresh".into()),
            below_high_water,
            note: None,
        }
    }

    #[test]
    fn a_print_below_the_high_water_line_is_younger_than_the_last_high_water() {
        let conditions = Conditions { last_high_water: parse_time("2026-10-14T06:05+02:00"), ..Conditions::default() };
        let hours = |print| younger_than_h(&print, &conditions);
        assert_eq!(hours(print(Some(true))), Some(3.5), "3 h 25 min, rounded up");
        assert_eq!([hours(print(Some(false))), hours(print(None))], [None, None]);
        let before = SignNoted { time: parse_time("2026-10-14T05:00+02:00"), ..print(Some(true)) };
        assert_eq!(hours(before), None, "a high water that was still to come says nothing");
    }

    #[test]
    fn no_class_speaks_of_days() {
        let days = [("en", "day"), ("de", "tag"), ("fr", "jour"), ("es", "día"), ("pl", "dni"), ("pl", "dzień")];
        let words = days.map(|(language, day)| (crate::words::Words::load(language).unwrap(), day));
        for class in classes().unwrap() {
            for (words, day) in &words {
                for what in ["dropping", "other"] {
                    let key = format!("freshness.{}.{what}", class.id);
                    let text = words.say(&key).to_lowercase();
                    assert!(words.has(&key) && !text.contains(day), "{text}");
                }
            }
        }
    }
}
