//! The relief in JSON and in words.

use serde_json::{Map, Value, json};

use super::{HIGH_CONDITION, Lit, Relief};
use crate::words::Words;

/// More ground in shadow than this is warned about, share.
const MOST_IN_SHADOW: f64 = 0.1;

impl Relief {
    /// The `relief` of `rakelight measure --json`; `files` are the photographs' names.
    pub fn to_json(&self, files: &[String]) -> Value {
        let [[x, y], [width, height]] = [self.window.centre_mm, self.window.size_mm];
        let mut map = Map::new();
        map.insert("kind".into(), json!(if self.surface.is_some() { "normals" } else { "shading" }));
        let window = [x - width / 2.0, y - height / 2.0, x + width / 2.0, y + height / 2.0];
        map.insert("window_mm".into(), json!(window));
        map.insert("px_per_mm".into(), json!(self.window.px_per_mm));
        map.insert(
            "lights".into(),
            files.iter().zip(&self.lit).map(|(file, lit)| lit.to_json(file, self.window.px_per_mm)).collect(),
        );
        if let Some(surface) = &self.surface {
            map.insert("condition".into(), json!(surface.condition));
            map.insert("share_in_shadow".into(), json!(surface.in_shadow));
            map.insert("u_factor".into(), json!(surface.u_factor));
            map.insert("depth_range_mm".into(), json!(surface.range_mm.map(|range| range.value)));
            map.insert("u_depth_range_mm".into(), json!(surface.range_mm.map(|range| range.u)));
        }
        Value::Object(map)
    }

    /// Adds it and its warnings to the document of the first photograph's measurement.
    pub fn add_to(&self, document: &mut Value, files: &[String], words: &Words) {
        document["relief"] = self.to_json(files);
        if let Some(warnings) = document["warnings"].as_array_mut() {
            warnings.extend(self.warnings(words).into_iter().map(Value::from));
        }
    }

    /// What to know about it, in words.
    pub fn warnings(&self, words: &Words) -> Vec<String> {
        let Some(surface) = &self.surface else { return vec![words.say("lamps.shading_only").into()] };
        let percent = |share: f64| words.number(100.0 * share, 0);
        let mut warnings = vec![words.fill("lamps.factor", &[("percent", &percent(1.96 * surface.u_factor))])];
        if surface.condition > HIGH_CONDITION {
            warnings.push(words.fill("lamps.condition", &[("number", &words.number(surface.condition, 0))]));
        }
        if surface.in_shadow > MOST_IN_SHADOW {
            warnings.push(words.fill("lamps.in_shadow", &[("percent", &percent(surface.in_shadow))]));
        }
        warnings
    }
}

impl Lit {
    fn to_json(self, file: &str, px_per_mm: f64) -> Value {
        json!({
            "file": file,
            "azimuth_deg": self.azimuth_in_picture_deg,
            "u_azimuth_deg": self.lamp.azimuth_deg.u,
            "elevation_deg": self.lamp.elevation_deg.value,
            "u_elevation_deg": self.lamp.elevation_deg.u,
            "distance_mm": self.lamp.distance_mm,
            "offset_mm": self.offset_mm,
            "u_offset_mm": self.u_offset_mm,
            "offset_px": self.offset_mm.map(|mm| mm * px_per_mm),
            "parallax": self.parallax,
            "correlation": self.correlation,
        })
    }
}
