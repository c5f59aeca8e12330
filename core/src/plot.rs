//! The common hand of all plots (`look.md`): ink on foam, lamp for what was measured, mud for ground, readable in black and white.
//!
//! A plot is drawn on a [`sheet`] and comes as SVG; [`crate::raster::png`] makes a PNG of it.

use plotters::coord::Shift;
use plotters::element::PathElement;
use plotters::prelude::{DrawingArea, IntoDrawingArea, RGBColor, SVGBackend, ShapeStyle, TextStyle};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{Color, FontFamily, FontStyle, IntoFont};

/// Ground.
pub const FOAM: RGBColor = RGBColor(0xF7, 0xF5, 0xEF);
/// Text and lines.
pub const INK: RGBColor = RGBColor(0x14, 0x22, 0x2B);
/// Water.
pub const TIDE: RGBColor = RGBColor(0x0B, 0x55, 0x63);
/// Ground in a plot, secondary text.
pub const MUD: RGBColor = RGBColor(0x55, 0x45, 0x3A);
/// What was measured, always with ink beside it.
pub const LAMP: RGBColor = RGBColor(0xF4, 0xB4, 0x00);
/// Tide and danger.
pub const ALARM: RGBColor = RGBColor(0x9B, 0x1C, 0x12);
/// Panels, and the lines of a grid.
pub const PAPER: RGBColor = RGBColor(0xEA, 0xE6, 0xDA);

/// As wide as a phone's screen and the trail's drawing, px.
pub const WIDTH: u32 = 720;
/// What stays free on every side, px.
pub const MARGIN: u32 = 36;
/// A drawn line, px.
pub const LINE: u32 = 3;
/// An axis or a line beside the matter, px.
pub const FINE: u32 = 2;
/// Lettering, px.
pub const TEXT: u32 = 26;
/// Lettering of axes and notes, px.
pub const SMALL: u32 = 22;

/// Where a plot is drawn.
pub type Sheet<'a> = DrawingArea<SVGBackend<'a>, Shift>;

/// Why a plot can't be drawn: a fault of the program.
#[derive(Debug, thiserror::Error)]
#[error("the plot can't be drawn: {0}")]
pub struct PlotError(String);

impl<E: std::error::Error + Send + Sync> From<plotters::drawing::DrawingAreaErrorKind<E>> for PlotError {
    fn from(error: plotters::drawing::DrawingAreaErrorKind<E>) -> Self {
        Self(error.to_string())
    }
}

/// An SVG of this height on foam, with what `draw` draws.
///
/// ```
/// use rakelight_core::plot::{INK, LINE, SMALL, left, line, sheet};
/// let svg = sheet(120, |sheet| {
///     sheet.draw(&line(vec![(10, 20), (90, 20)], INK, LINE))?;
///     sheet.draw_text("632 mm", &left(SMALL, INK), (10, 60))?;
///     Ok(())
/// })?;
/// assert!(svg.contains("632 mm") && svg.contains("#14222B"));
/// # Ok::<(), rakelight_core::plot::PlotError>(())
/// ```
///
/// # Errors
/// What `draw` fails with.
pub fn sheet(height: u32, draw: impl FnOnce(&Sheet) -> Result<(), PlotError>) -> Result<String, PlotError> {
    let mut svg = String::new();
    {
        let sheet = SVGBackend::with_string(&mut svg, (WIDTH, height)).into_drawing_area();
        sheet.fill(&FOAM)?;
        draw(&sheet)?;
        sheet.present()?;
    }
    Ok(svg)
}

/// A line through these points.
pub fn line<P>(points: Vec<P>, colour: RGBColor, width: u32) -> PathElement<P> {
    PathElement::new(points, stroke(colour, width))
}

/// How a line is drawn.
pub fn stroke(colour: RGBColor, width: u32) -> ShapeStyle {
    colour.stroke_width(width)
}

/// Lettering that begins at its place and stands in the middle of its height.
pub fn left(px: u32, colour: RGBColor) -> TextStyle<'static> {
    lettering(px, colour, HPos::Left)
}

/// Lettering around its place.
pub fn centred(px: u32, colour: RGBColor) -> TextStyle<'static> {
    lettering(px, colour, HPos::Center)
}

/// Lettering that ends at its place.
pub fn right(px: u32, colour: RGBColor) -> TextStyle<'static> {
    lettering(px, colour, HPos::Right)
}

/// plotters writes letters 1.24 times smaller than it is told.
fn lettering(px: u32, colour: RGBColor, across: HPos) -> TextStyle<'static> {
    let font = (FontFamily::SansSerif, f64::from(px) * 1.24, FontStyle::Normal).into_font();
    TextStyle { font, color: colour.to_backend_color(), pos: Pos::new(across, VPos::Center) }
}
