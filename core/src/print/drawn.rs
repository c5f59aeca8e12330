//! What a drawing over a measured photograph shows: which lines, with which measure, and how long a scale bar is.

use serde_json::Value;

use super::PrintMarks;
use crate::measured::Measured;
use crate::words::Words;

/// The scale bar's length, mm.
pub const BAR_MM: f64 = 50.0;

/// The measured lines of a print: from, to (px), and the measure's name in the document of `rakelight measure`.
pub fn measured_lines(marks: &PrintMarks) -> Vec<([f64; 2], [f64; 2], &'static str)> {
    let point = |name: &str| marks.points.get(name).copied();
    let width = point("widest_left").zip(point("widest_right")).map(|(a, b)| (a, b, "width_mm"));
    let heel = point("heel_rear").map(|rear| (rear, "length_with_heel_mm"));
    let rear = heel.or_else(|| point("pad_rear").map(|rear| (rear, "length_without_heel_mm")));
    let length = rear.and_then(|(rear, name)| Some((marks.foremost_tip(rear)?, rear, name)));
    width.into_iter().chain(length).collect()
}

/// A print in the document of `rakelight measure`, by its id; `null` where it isn't there.
pub fn print_in<'d>(measurement: &'d Value, id: &str) -> &'d Value {
    let prints = measurement["prints"].as_array();
    prints.into_iter().flatten().find(|print| print["id"] == id).unwrap_or(&Value::Null)
}

/// A measure of such a print, by its name.
///
/// ```
/// use rakelight_core::print::measure_in;
/// let print = serde_json::json!({ "width_mm": 60.1, "u_width_mm": 0.9 });
/// assert_eq!(measure_in(&print, "width_mm").map(|mm| (mm.value, mm.u)), Some((60.1, 0.9)));
/// assert!(measure_in(&print, "length_with_heel_mm").is_none());
/// ```
pub fn measure_in(print: &Value, name: &str) -> Option<Measured> {
    Measured::new(print[name].as_f64()?, print[format!("u_{name}")].as_f64()?)
}

/// A measure with its 95 % half width, as the look asks: `60.1 mm ±1.8`.
pub fn measure_text(mm: Measured, words: &Words) -> String {
    format!("{} mm ±{}", words.number(mm.value, 1), words.number(mm.half_width_95(), 1))
}

/// How long the scale bar is where these two points of the photograph lie, px; `None` where the document has no plane.
pub fn bar_px(measurement: &Value, [a, b]: [[f64; 2]; 2]) -> Option<f64> {
    let rows = measurement["px_to_mm"].as_array()?;
    let m: Vec<f64> = rows.iter().flat_map(|row| row.as_array()).flatten().filter_map(Value::as_f64).collect();
    if m.len() != 9 {
        return None;
    }
    let mm = |[x, y]: [f64; 2]| {
        let w = m[6] * x + m[7] * y + m[8];
        [(m[0] * x + m[1] * y + m[2]) / w, (m[3] * x + m[4] * y + m[5]) / w]
    };
    let apart = |a: [f64; 2], b: [f64; 2]| (a[0] - b[0]).hypot(a[1] - b[1]);
    let px = apart(a, b) * BAR_MM / apart(mm(a), mm(b));
    px.is_finite().then_some(px)
}
