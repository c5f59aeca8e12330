//! A view for the eye: shading along the light with its contrast evened, so that faint pads show.

use super::field::Field;
use super::rectify::Rectified;
use super::sun::evened;

/// Finer than this is grain, coarser is the colour of the ground or a larger shadow, mm.
const FINE_MM: f64 = 0.35;
const COARSE_MM: f64 = 16.0;
/// Contrast is evened over this far, mm.
const EVEN_MM: f64 = 22.0;
/// Standard deviations from mid-grey to black or white.
const REACH: f32 = 2.6;

/// The relief view, as wide and high as what it is made from. Where the light's direction is known (degrees clockwise from the
/// plane's +x, its axis is enough), brightness that changes across the light but not along it (wet and dry, stripes of colour) is weakened.
pub fn relief_view(rectified: &Rectified, light_deg: Option<f64>) -> image::GrayImage {
    let px_per_mm = rectified.window.px_per_mm;
    let ground = Field::new(rectified.size, rectified.ground.clone());
    let mut shade = evened(rectified, FINE_MM, COARSE_MM);
    if let Some(deg) = light_deg {
        shade = along_light(&shade, deg - rectified.window.turn_deg, px_per_mm);
    }
    let square = shade.map2(&shade, |a, b| a * b);
    let power = square.blur_within(&ground, EVEN_MM * px_per_mm);
    let overall = power.values.iter().copied().fold(0.0_f32, f32::max).sqrt();
    let [width, height] = rectified.size;
    image::GrayImage::from_fn(width as u32, height as u32, |x, y| {
        let at = y as usize * width + x as usize;
        if rectified.ground[at] == 0.0 {
            return image::Luma([0]);
        }
        // Where nothing is, noise isn't blown up to look like something.
        let deviation = power.values[at].sqrt().max(0.25 * overall).max(1e-6);
        let value = (shade.values[at] / deviation / REACH).clamp(-1.0, 1.0);
        image::Luma([(127.5 + 127.5 * value).round() as u8])
    })
}

/// Takes away half of what a blur along the light leaves: shading has little of it, stripes along the light have much.
fn along_light(shade: &Field, deg: f64, px_per_mm: f64) -> Field {
    let (dy, dx) = deg.to_radians().sin_cos();
    let steps: i32 = 12;
    let stride = px_per_mm;
    let [width, height] = shade.size;
    let mut values = Vec::with_capacity(width * height);
    for row in 0..height {
        for column in 0..width {
            let mean = (-steps..=steps)
                .map(|k| {
                    shade.between([column as f64 + f64::from(k) * stride * dx, row as f64 + f64::from(k) * stride * dy])
                })
                .sum::<f32>()
                / (2 * steps + 1) as f32;
            values.push(shade.values[row * width + column] - 0.5 * mean);
        }
    }
    Field::new(shade.size, values)
}
