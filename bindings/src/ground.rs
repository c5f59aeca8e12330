//! What the ground beside the card shows: the light over it, where pads may be, and a view of its relief.

use std::path::Path;

use rakelight_core::print::{self, Request};

use crate::{PadKind, Point, ShellError, Workspace};

/// The light over the print; degrees clockwise from the picture's right.
#[derive(Debug, Clone, uniffi::Record)]
pub struct Light {
    /// The light's axis, 0 to 180; not known in even light.
    pub axis_deg: Option<f64>,
    /// Its standard uncertainty.
    pub u_axis_deg: Option<f64>,
    /// Towards the light, 0 to 360, as it was given.
    pub from_deg: Option<f64>,
}

/// A place where a pad may be; no measure until a person confirms it.
#[derive(Debug, Clone, uniffi::Record)]
pub struct PadProposal {
    /// What it may be.
    pub kind: PadKind,
    /// Its middle in the picture.
    pub at: Point,
    /// Mean of half width and half length, px.
    pub radius_px: f64,
    /// 0 to 1.
    pub confidence: f64,
    /// Whether it is sure enough to be shown unasked.
    pub standing: bool,
}

/// What the ground shows.
#[derive(Debug, Clone, uniffi::Record)]
pub struct GroundLook {
    /// The light over it.
    pub light: Light,
    /// The surest first.
    pub proposals: Vec<PadProposal>,
    /// What the worker should know, in words.
    pub warnings: Vec<String>,
}

#[uniffi::export]
impl Workspace {
    /// Looks at the ground beside the card in a photograph of the store. `light_from_deg`: the direction towards the light in the
    /// picture, degrees clockwise from its right, where the worker has shown it; pits and bumps are told apart by it. With `relief_path`
    /// a view that makes faint pads visible is written there, as a PNG file.
    pub fn look_at_ground(
        &self,
        sha256: String,
        light_from_deg: Option<f64>,
        relief_path: Option<String>,
    ) -> Result<GroundLook, ShellError> {
        let photo = self.on_the_table(&sha256)?;
        let request = Request { look_at_ground: true, light_from_deg, ..Request::default() };
        let measurement = print::measure(&photo, &request)?;
        if let Some(path) = relief_path {
            let picture = measurement.relief_png(&photo).map_err(ShellError::internal)?;
            std::fs::write(Path::new(&path), picture)
                .map_err(|e| ShellError::Storage { detail: format!("{path}: {e}") })?;
        }
        let warnings = measurement.warnings.iter().map(|warning| warning.say(&self.words)).collect();
        let ground = measurement.ground.ok_or_else(|| ShellError::internal("the ground wasn't looked at"))?;
        let (axis_deg, u_axis_deg) = ground.light.axis.unzip();
        let proposals = ground.proposals.into_iter().map(PadProposal::from).collect();
        Ok(GroundLook { light: Light { axis_deg, u_axis_deg, from_deg: ground.light.from_deg }, proposals, warnings })
    }
}

impl From<print::PadProposal> for PadProposal {
    fn from(pad: print::PadProposal) -> Self {
        Self {
            kind: pad.kind,
            at: pad.at_px.into(),
            radius_px: pad.radius_px,
            confidence: pad.confidence,
            standing: pad.confidence >= rakelight_core::relief::STANDING,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::workspace;

    #[test]
    fn the_light_the_pads_and_the_relief_of_a_photograph_are_shown() {
        let folder = tempfile::tempdir().unwrap();
        let (core, _, sha256) = workspace(folder.path());
        let relief = folder.path().join("relief.png");
        let look = core.look_at_ground(sha256.clone(), Some(-155.0), Some(relief.display().to_string())).unwrap();
        assert_eq!(look.light.from_deg, Some(205.0));
        assert!(look.light.axis_deg.is_some_and(|deg| (0.0..180.0).contains(&deg)) && look.light.u_axis_deg.is_some());
        assert!(look.proposals.windows(2).all(|pair| pair[0].confidence >= pair[1].confidence));
        assert!(
            look.proposals.iter().filter(|pad| pad.kind == PadKind::ToePad && pad.standing).count() >= 3,
            "{look:?}"
        );
        assert!(std::fs::read(&relief).unwrap().starts_with(b"\x89PNG"));
        let nowhere = folder.path().join("none/relief.png").display().to_string();
        let refused = core.look_at_ground(sha256, None, Some(nowhere)).unwrap_err();
        assert!(matches!(refused, ShellError::Storage { .. }), "{refused}");
        let refused = core.look_at_ground("00".repeat(32), None, None).unwrap_err();
        assert!(matches!(refused, ShellError::NotFound { .. }), "{refused}");
    }
}
