//! From landmarks on a print to its dimensions, each with its uncertainty.
//!
//! Conventions (species-neutral; Svenska Jägareförbundet and Länsstyrelsen Västerbotten for the claws and the rear end; Polish track
//! key, ed. Kurek & Orysiak, Warsaw 2005, for the width): claws don't count; width is the greatest distance between the outer
//! edges of the toe pads; length without heel runs from the foremost toe tip to the rear edge of the middle pad, with heel to the
//! rear edge of the heel pad. All at the minimum outline, where the pad's floor turns up (Fjelline & Mansfield 1989).

mod dimensions;
mod drawn;
mod feet;
mod landmarks;
mod light;
mod measure;
mod places;
mod proposed;
mod seen;
mod stated;
mod together;

pub use dimensions::{Dimension, Floor, Parts, PointMeasure, PrintMeasure};
pub use drawn::{BAR_MM, bar_px, measure_in, measure_text, measured_lines, print_in};
pub use feet::{FootMeasure, Mean, feet};
pub use landmarks::{Foot, LandmarkError, Landmarks, Marking, PhotoPoints, PrintMarks, Side};
pub use light::{Ground, Light, PadEdge, PadProposal};
pub use measure::{Distance, MOST_TILT_DEG, MeasureError, Measurement, Request, Warning, measure};
pub use places::{Places, places};
pub use proposed::proposed_landmarks;
pub use seen::ScaleKind;
pub use stated::{SheetCorners, StatedScale};
pub use together::{Camera, measure_together};
