//! Drawings as PNG: the phone's framework shows no SVG.

use rakelight_core::raster;

use crate::{ShellError, Workspace};

#[uniffi::export]
impl Workspace {
    /// Writes one of our drawings (a trail's `svg`) as PNG, this many pixels wide. Gives a text for the worker where the lettering had to be left out.
    pub fn write_png(&self, svg: String, file: String, width_px: i32) -> Result<Option<String>, ShellError> {
        let font = raster::system_font();
        let width_px = u32::try_from(width_px).map_err(ShellError::input)?;
        let bytes = raster::png(&svg, width_px, font.as_deref()).map_err(ShellError::input)?;
        std::fs::write(&file, bytes).map_err(|e| ShellError::Storage { detail: format!("{file}: {e}") })?;
        Ok(font.is_none().then(|| self.words.say("raster.no_font").to_owned()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_drawing_becomes_a_file_and_a_wrong_width_is_the_callers_to_mend() {
        let folder = tempfile::tempdir().unwrap();
        let workspace = Workspace::open(folder.path().join("store").display().to_string(), "de".into()).unwrap();
        let svg = r#"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 10 10"/>"#.to_owned();
        let file = folder.path().join("trail.png");
        workspace.write_png(svg.clone(), file.display().to_string(), 200).unwrap();
        assert!(std::fs::read(&file).unwrap().starts_with(b"\x89PNG"));
        assert!(matches!(workspace.write_png(svg, "nowhere".into(), -1), Err(ShellError::BadInput { .. })));
    }
}
