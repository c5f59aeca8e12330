//! The signs of a folder's visit: where and when, and who may have made them.

use serde_json::{Map, Value, json};

use super::super::record::{Identified, PlacedBy, SignNoted};
use super::super::visit_file;
use super::{FolderError, Reader};
use crate::identify::{self, Evidence, EvidenceError};
use crate::place::Position;

impl Reader<'_> {
    pub(super) fn sign(&mut self, sign: &visit_file::Sign) -> Result<(), FolderError> {
        let first_photo = sign.photos.iter().find_map(|file| self.visit.photo(file));
        let typed = match sign.place {
            Some([lon, lat]) => {
                let whose = format!("sign {}", sign.id);
                Position::new(lat, lon, None).map_err(|source| FolderError::Place { whose, source })?;
                Some(([lat, lon], PlacedBy::Typed))
            }
            None => None,
        };
        let time = sign.time.or_else(|| first_photo?.taken);
        let by_photo = || first_photo.and_then(|photo| photo.place.zip(photo.placed_by));
        let by_track = || {
            let position = self.track.at(time?.to_utc())?;
            Some(([position.lat, position.lon], PlacedBy::Track))
        };
        let place = typed.or_else(by_photo).or_else(by_track);
        self.visit.signs.push(SignNoted {
            id: sign.id.clone(),
            sign: sign.kind,
            photos: sign.photos.clone(),
            trail: sign.trail.clone(),
            place: place.map(|(place, _)| place),
            placed_by: place.map(|(_, by)| by),
            radius_68_m: None,
            taken_for: sign.taken_for.clone(),
            time,
            freshness: sign.freshness.clone(),
            below_high_water: sign.below_high_water,
            note: sign.note.clone(),
        });
        self.identify(sign)
    }

    fn identify(&mut self, sign: &visit_file::Sign) -> Result<(), FolderError> {
        let wrong = |detail: String| FolderError::Sign { id: sign.id.clone(), detail };
        let evidence = self.evidence(sign).map_err(wrong)?;
        if evidence == Evidence::default() {
            return Ok(());
        }
        let result = identify::identify(&evidence, &self.facts, self.words);
        let result = result.map_err(|error: EvidenceError| wrong(error.to_string()))?;
        self.visit.identified.push(Identified {
            sign: sign.id.clone(),
            evidence,
            result,
            core_version: env!("CARGO_PKG_VERSION").into(),
            facts_digest: self.facts.digest(),
        });
        Ok(())
    }

    /// All that is known of a sign: what was typed, with the measures of its photographs and its trail filled in.
    fn evidence(&self, sign: &visit_file::Sign) -> Result<Evidence, String> {
        let mut evidence = Map::new();
        let mut put = |key: &str, value: Option<Value>| value.map(|value| evidence.insert(key.into(), value));
        put("substrate", sign.substrate.as_ref().map(|s| json!(s)));
        put("setting", sign.setting.clone());
        let prints: Vec<Value> = sign.prints.iter().map(|print| self.print(print)).collect::<Result<_, _>>()?;
        put("prints", (!prints.is_empty()).then(|| json!(prints)));
        put("droppings", (!sign.droppings.is_empty()).then(|| json!(sign.droppings)));
        put("feeding_remains", (!sign.feeding_remains.is_empty()).then(|| json!(sign.feeding_remains)));
        let trail = self.visit.trails.iter().find(|trail| sign.trail.as_ref() == Some(&trail.id));
        put("trail", trail.map(|trail| Value::Object(trail.evidence())));
        serde_json::from_value(Value::Object(evidence)).map_err(|error| error.to_string())
    }

    /// A print as typed; with `from = "FILE#PRINT"` the measures that aren't typed come from that photograph.
    fn print(&self, typed: &Map<String, Value>) -> Result<Value, String> {
        let mut print = typed.clone();
        let Some(from) = print.remove("from") else { return Ok(Value::Object(print)) };
        let from = from.as_str().ok_or("a print's `from` must be a text like \"IMG_1.jpg#h1\"")?;
        let (file, id) = from
            .split_once('#')
            .ok_or_else(|| format!("{from:?} must name a photograph and a print in it, like \"IMG_1.jpg#h1\""))?;
        let file = self.file.first_of_card(file).unwrap_or(file);
        let Some(measured) = self.visit.measured.iter().find(|measured| measured.file == file) else {
            // The photograph was left out or couldn't be measured, which has been told; what was typed still counts.
            return Ok(Value::Object(print));
        };
        let measures = measured.evidence(Some(id)).ok_or_else(|| format!("no print {id:?} is marked in {file}"))?;
        measures.into_iter().for_each(|(name, value)| _ = print.entry(name).or_insert(value));
        Ok(Value::Object(print))
    }
}
