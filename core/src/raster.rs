//! Our drawings as PNG, for those who can't show SVG.

use std::path::PathBuf;
use std::sync::Arc;

use resvg::{tiny_skia, usvg};

/// Why a drawing can't be made a PNG.
#[derive(Debug, thiserror::Error)]
pub enum RasterError {
    /// A sensible size.
    #[error("a picture {width_px} px wide can't be drawn: choose from 100 to 8000")]
    Width {
        /// What was asked for.
        width_px: u32,
    },
    /// Not an SVG that can be drawn.
    #[error("the drawing can't be read: {0}")]
    Svg(#[from] usvg::Error),
    /// The encoder refused.
    #[error("the PNG can't be written: {0}")]
    Png(#[from] png::EncodingError),
}

/// An SVG as PNG, this many pixels wide, on its own ground. Without a font (the bytes of a TTF or OTF file) its lettering is left out.
///
/// ```
/// use rakelight_core::raster::png;
/// let svg = r##"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 40 20"><rect width="40" height="20" fill="#F7F5EF"/></svg>"##;
/// let bytes = png(svg, 400, None)?;
/// let picture = image::load_from_memory(&bytes)?.into_rgb8();
/// assert_eq!((picture.dimensions(), picture.get_pixel(200, 100).0), ((400, 200), [0xF7, 0xF5, 0xEF]));
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn png(svg: &str, width_px: u32, font: Option<&[u8]>) -> Result<Vec<u8>, RasterError> {
    let wrong_width = RasterError::Width { width_px };
    if !(100..=8000).contains(&width_px) {
        return Err(wrong_width);
    }
    let mut options = usvg::Options::default();
    if let Some(font) = font {
        let mut fonts = usvg::fontdb::Database::new();
        fonts.load_font_data(font.to_vec());
        let family = fonts.faces().find_map(|face| Some(face.families.first()?.0.clone()));
        if let Some(family) = family {
            fonts.set_sans_serif_family(&family);
            options.font_family = family;
        }
        options.fontdb = Arc::new(fonts);
    }
    let tree = usvg::Tree::from_str(svg, &options)?;
    let scale = width_px as f32 / tree.size().width();
    let height_px = (tree.size().height() * scale).ceil() as u32;
    let mut canvas = tiny_skia::Pixmap::new(width_px, height_px).ok_or(wrong_width)?;
    canvas.fill(tiny_skia::Color::WHITE);
    resvg::render(&tree, tiny_skia::Transform::from_scale(scale, scale), &mut canvas.as_mut());
    let rgb: Vec<u8> = canvas.pixels().iter().flat_map(|p| [p.red(), p.green(), p.blue()]).collect();
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, width_px, height_px);
    encoder.set_color(png::ColorType::Rgb);
    encoder.write_header()?.write_image_data(&rgb)?;
    Ok(bytes)
}

/// The first sans-serif font of this machine, phone or desk, out of where systems keep theirs.
pub fn system_font() -> Option<Vec<u8>> {
    const USUAL: [&str; 9] = [
        "/system/fonts/Roboto-Regular.ttf",
        "/system/fonts/NotoSans-Regular.ttf",
        "/system/fonts/DroidSans.ttf",
        "/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf",
        "/usr/share/fonts/truetype/liberation/LiberationSans-Regular.ttf",
        "/usr/share/fonts/truetype/noto/NotoSans-Regular.ttf",
        "/usr/share/fonts/TTF/DejaVuSans.ttf",
        "/System/Library/Fonts/Supplemental/Arial.ttf",
        "C:\\Windows\\Fonts\\arial.ttf",
    ];
    let usual = USUAL.iter().find_map(|path| std::fs::read(path).ok());
    usual.or_else(|| {
        ["/system/fonts", "/usr/share/fonts", "/usr/local/share/fonts"].iter().find_map(|dir| below(dir.into(), 4))
    })
}

/// The first upright sans-serif font below a folder.
fn below(folder: PathBuf, depth: usize) -> Option<Vec<u8>> {
    let mut paths: Vec<PathBuf> = std::fs::read_dir(folder).ok()?.flatten().map(|entry| entry.path()).collect();
    paths.sort();
    let is_plain = |path: &PathBuf| {
        let name = path.file_name().unwrap_or_default().to_string_lossy().to_lowercase();
        (name.ends_with(".ttf") || name.ends_with(".otf"))
            && name.contains("sans")
            && !["bold", "italic", "oblique", "mono", "symbol"].iter().any(|other| name.contains(other))
    };
    let here = paths.iter().filter(|path| is_plain(path)).find_map(|path| std::fs::read(path).ok());
    here.or_else(|| {
        (depth > 0).then(|| paths.into_iter().filter(|p| p.is_dir()).find_map(|dir| below(dir, depth - 1)))?
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const LETTERING: &str = r##"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 200 60" font-family="system-ui, sans-serif">
        <rect width="200" height="60" fill="#fff"/><text x="10" y="40" font-size="30" fill="#000">632 mm ±20</text></svg>"##;

    fn dark(bytes: &[u8]) -> usize {
        image::load_from_memory(bytes).unwrap().into_luma8().pixels().filter(|p| p.0[0] < 64).count()
    }

    #[test]
    fn lettering_is_drawn_with_a_font_and_left_out_without() {
        assert_eq!(dark(&png(LETTERING, 400, None).unwrap()), 0);
        // A machine without any font draws the rest.
        if let Some(font) = system_font() {
            assert!(dark(&png(LETTERING, 400, Some(&font)).unwrap()) > 500);
        }
    }

    #[test]
    fn what_is_no_drawing_or_no_sensible_size_is_refused() {
        assert!(matches!(png(LETTERING, 20, None), Err(RasterError::Width { width_px: 20 })));
        assert!(matches!(png("a trail", 400, None), Err(RasterError::Svg(_))));
        assert!(png(LETTERING, 400, Some(b"no font")).is_ok(), "a broken font is as none");
    }
}
