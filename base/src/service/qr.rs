//! QR codes as pictures.

use qrcode::{Color, QrCode};

/// Why there is no picture.
#[derive(Debug, thiserror::Error)]
pub enum QrError {
    #[error("no QR code: {0}")]
    Code(#[from] qrcode::types::QrError),
    #[error("no PNG: {0}")]
    Png(#[from] png::EncodingError),
    #[error(transparent)]
    File(#[from] std::io::Error),
}

/// A text's QR code as a PNG file, with eight pixels a module and the quiet zone of four modules that ISO/IEC 18004 asks for.
pub fn png(text: &str) -> Result<Vec<u8>, QrError> {
    const PIXELS: usize = 8;
    const QUIET: usize = 4;
    let code = QrCode::new(text)?;
    let side = (code.width() + 2 * QUIET) * PIXELS;
    let module = |pixel: usize| (pixel / PIXELS).checked_sub(QUIET).filter(|module| *module < code.width());
    let grey = |at: usize| match (module(at % side), module(at / side)) {
        (Some(x), Some(y)) if code[(x, y)] == Color::Dark => 0,
        _ => 255,
    };
    let pixels: Vec<u8> = (0..side * side).map(grey).collect();
    let mut file = Vec::new();
    let mut encoder = png::Encoder::new(&mut file, side as u32, side as u32);
    encoder.set_color(png::ColorType::Grayscale);
    let mut writer = encoder.write_header()?;
    writer.write_image_data(&pixels)?;
    writer.finish()?;
    Ok(file)
}
