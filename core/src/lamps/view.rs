//! Pictures of the relief: a view for the eye, and the normals for other programs.

use image::{GrayImage, ImageBuffer, ImageError, ImageFormat, Luma, Rgb};

use super::{Relief, Surface};

/// From where the view's own lights come (degrees clockwise from the window's +x: the upper left, as maps are shaded, and beside it) and
/// what each counts.
const SIDES: [(f64, f32); 3] = [(225.0, 0.6), (165.0, 0.2), (285.0, 0.2)];
/// Height of the view's lights.
const ELEVATION_DEG: f32 = 40.0;
/// Slopes are shown this much steeper.
const STEEPER: f32 = 1.6;
/// Share by which the deepest ground is darker than the highest.
const DEPTH_SHARE: f32 = 0.45;
/// A shading view reaches black and white at this difference over sum.
const SHADE_REACH: f32 = 0.8;

impl Relief {
    /// The relief from straight above: shaded from several sides and darker with depth; two photographs give their shading alone.
    /// Black where no ground is seen.
    pub fn view(&self) -> GrayImage {
        let shown = |at: usize| match &self.surface {
            _ if self.ground[at] == 0.0 => 0.0,
            Some(surface) => surface.shade(at),
            None => 0.5 + 0.5 * (self.shading[at] / SHADE_REACH).clamp(-1.0, 1.0),
        };
        let width = self.size[0];
        GrayImage::from_fn(width as u32, self.size[1] as u32, |x, y| {
            Luma([(shown(y as usize * width + x as usize) * 255.0).round() as u8])
        })
    }

    /// The view as a PNG file.
    ///
    /// # Errors
    /// When the encoder fails, which it has no reason to.
    pub fn view_png(&self) -> Result<Vec<u8>, ImageError> {
        let mut png = std::io::Cursor::new(Vec::new());
        self.view().write_to(&mut png, ImageFormat::Png)?;
        Ok(png.into_inner())
    }

    /// Normals as a PNG file of 16 bits a channel: red, green, blue are x (right), y (down) and up, −1 … 1 as 0 … 65535; all zero where
    /// nothing is known. `None` from two photographs.
    ///
    /// # Errors
    /// When the encoder fails, which it has no reason to.
    pub fn normals_png(&self) -> Result<Option<Vec<u8>>, ImageError> {
        let Some(surface) = &self.surface else { return Ok(None) };
        let [width, height] = self.size.map(|n| n as u32);
        let picture = ImageBuffer::<Rgb<u16>, _>::from_fn(width, height, |x, y| {
            let normal = surface.normals[(y * width + x) as usize];
            let known = normal != [0.0; 3];
            Rgb(normal.map(|n| if known { ((n + 1.0) * 32_767.5).round() as u16 } else { 0 }))
        });
        let mut png = std::io::Cursor::new(Vec::new());
        picture.write_to(&mut png, ImageFormat::Png)?;
        Ok(Some(png.into_inner()))
    }
}

impl Surface {
    /// Brightness of a place in the view, 0–1.
    fn shade(&self, at: usize) -> f32 {
        let [x, y, up] = self.normals[at];
        let [x, y, up] = if up > 0.0 { [x * STEEPER, y * STEEPER, up] } else { [0.0, 0.0, 1.0] };
        let long = (x * x + y * y + up * up).sqrt();
        let (sin, cos) = ELEVATION_DEG.to_radians().sin_cos();
        let lit: f32 = SIDES
            .iter()
            .map(|(deg, share)| {
                let (dy, dx) = (*deg as f32).to_radians().sin_cos();
                share * ((x * dx + y * dy) * cos + up * sin).max(0.0) / long
            })
            .sum();
        let range = self.range_mm.map_or(1.0, |range| range.value).max(1.0) as f32;
        let depth = (0.5 - self.height_mm[at] / range).clamp(0.0, 1.0);
        (0.75 * lit / sin * (1.0 - DEPTH_SHARE * depth) / (1.0 - DEPTH_SHARE / 2.0)).clamp(0.0, 1.0)
    }
}
