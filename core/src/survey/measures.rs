//! What a visit's records measured, as evidence of who made it, by the evidence's names.

use serde_json::{Map, Value, json};

use super::record::{PrintMeasured, TrailMeasured};
use crate::identify::Feature;

const OF_PRINT: [&str; 8] = [
    "foot",
    "width_mm",
    "u_width_mm",
    "length_without_heel_mm",
    "u_length_without_heel_mm",
    "length_with_heel_mm",
    "u_length_with_heel_mm",
    "toes_seen",
];
const OF_TRAIL: [&str; 6] =
    ["stride_mm", "u_stride_mm", "group_length_mm", "u_group_length_mm", "straddle_mm", "u_straddle_mm"];

impl PrintMeasured {
    /// The measures of the print of this name, or of the first one; `None` where there is none. Toes are those that were marked.
    pub fn evidence(&self, print: Option<&str>) -> Option<Map<String, Value>> {
        let mut prints = self.measurement["prints"].as_array()?.iter();
        let found = prints.find(|found| print.is_none_or(|id| found["id"] == id))?;
        Some(known(found, &OF_PRINT))
    }
}

impl TrailMeasured {
    /// The trail's measures, its likeliest pattern, and drag marks where someone looked.
    pub fn evidence(&self) -> Map<String, Value> {
        let mut evidence = known(&self.reading, &OF_TRAIL);
        if let Some(name) = self.reading["patterns"][0]["name"].as_str() {
            evidence.insert("pattern".into(), json!(name));
        }
        if let Some(seen) = self.reading["drag_mark"].as_bool() {
            evidence.insert("drag_mark".into(), json!(if seen { Feature::Seen } else { Feature::Absent }));
        }
        evidence
    }
}

/// The parts of a document that are known.
fn known(document: &Value, names: &[&str]) -> Map<String, Value> {
    let parts = names.iter().filter_map(|name| Some(((*name).to_owned(), document.get(name)?.clone())));
    parts.filter(|(_, value)| !value.is_null()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::identify::{PrintEvidence, TrailEvidence};
    use crate::print::Landmarks;
    use crate::trail::TrailPrints;

    fn measured() -> PrintMeasured {
        let measurement = json!({"prints": [
            {"id": "h1", "foot": "hind", "side": "left", "width_mm": 60.1, "u_width_mm": 0.9, "length_with_heel_mm": null, "toes_seen": 5, "parts": {}},
            {"id": "f1", "foot": "fore", "width_mm": 55.0, "u_width_mm": 0.8, "toes_seen": null},
        ]});
        PrintMeasured { file: "a.jpg".into(), sha256: "00".into(), landmarks: Landmarks::default(), measurement }
    }

    #[test]
    fn a_measured_print_is_evidence_with_the_toes_that_were_marked() {
        let evidence =
            |print| serde_json::from_value::<PrintEvidence>(Value::Object(measured().evidence(print).unwrap()));
        let first = evidence(None).unwrap();
        assert_eq!((first.width_mm, first.u_width_mm, first.toes_seen), (Some(60.1), Some(0.9), Some(5)));
        assert_eq!(first.length_with_heel_mm, None);
        let fore = evidence(Some("f1")).unwrap();
        assert_eq!((fore.width_mm, fore.toes_seen), (Some(55.0), None));
        assert!(measured().evidence(Some("x")).is_none());
    }

    #[test]
    fn a_read_trail_is_evidence_with_its_likeliest_pattern() {
        let reading = json!({"patterns": [{"name": "group_of_four", "probability": 0.9}], "stride_mm": 950.0, "u_stride_mm": 12.0, "gap_mm": 690.0});
        let prints = TrailPrints { prints: vec![], u_position_cm: 1.0, ..TrailPrints::default() };
        let trail = TrailMeasured { id: "t1".into(), prints, photos: None, reading };
        let evidence: TrailEvidence = serde_json::from_value(Value::Object(trail.evidence())).unwrap();
        assert!(evidence.pattern.is_some() && evidence.stride_mm == Some(950.0) && evidence.straddle_mm.is_none());
    }
}
