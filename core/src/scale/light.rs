//! Brightness as light: edges are found where light is half way, and a file's values are not linear in light.

use std::sync::LazyLock;

use crate::photo::Luma;

/// Linear light (0–1) for each stored value, by the sRGB curve (IEC 61966-2-1).
static LINEAR: LazyLock<[f32; 256]> = LazyLock::new(|| {
    std::array::from_fn(|value| {
        let v = value as f64 / 255.0;
        (if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) }) as f32
    })
});

/// The stored value (0–1) that shows this reflectance, by the sRGB curve.
pub fn encode(reflectance: f64) -> f64 {
    if reflectance <= 0.0031308 { reflectance * 12.92 } else { 1.055 * reflectance.powf(1.0 / 2.4) - 0.055 }
}

/// Linear light at a point between pixels (bilinear); `None` outside the picture.
pub(crate) fn at(luma: &Luma, x: f64, y: f64) -> Option<f64> {
    let inside = x >= 0.0 && y >= 0.0 && x <= (luma.width - 1) as f64 && y <= (luma.height - 1) as f64;
    if !inside {
        return None;
    }
    let (left, top) = ((x as usize).min(luma.width - 2), (y as usize).min(luma.height - 2));
    let (fx, fy) = (x - left as f64, y - top as f64);
    let value = |column: usize, row: usize| f64::from(LINEAR[usize::from(luma.pixels[row * luma.width + column])]);
    let upper = value(left, top) * (1.0 - fx) + value(left + 1, top) * fx;
    let lower = value(left, top + 1) * (1.0 - fx) + value(left + 1, top + 1) * fx;
    Some(upper * (1.0 - fy) + lower * fy)
}
