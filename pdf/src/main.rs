//! `rakelight-pdf < page.html > page.pdf`: a page of Rakelight as tagged PDF, laid out by fulgur in our own font, so that it looks the same on every machine.

use std::io::{Read, Write};
use std::process::ExitCode;
use std::sync::Arc;

use base64::Engine as _;
use fulgur::asset::AssetBundle;
use fulgur::config::PageSize;
use fulgur::engine::Engine;
use resvg::usvg::fontdb;
use resvg::{tiny_skia, usvg};

/// Roboto (Apache License 2.0), as most phones have it.
const FONTS: [&[u8]; 2] = [include_bytes!("../fonts/Roboto-Regular.ttf"), include_bytes!("../fonts/Roboto-Bold.ttf")];

type Fault = Box<dyn std::error::Error>;

fn main() -> ExitCode {
    match run() {
        Ok(()) => ExitCode::SUCCESS,
        Err(fault) => {
            eprintln!("rakelight-pdf: {fault}");
            ExitCode::FAILURE
        }
    }
}

fn run() -> Result<(), Fault> {
    let mut html = String::new();
    std::io::stdin().read_to_string(&mut html)?;
    std::io::stdout().write_all(&pdf(&html)?)?;
    Ok(())
}

fn pdf(html: &str) -> Result<Vec<u8>, Fault> {
    let mut assets = AssetBundle::new();
    for font in FONTS {
        assets.add_font_bytes(font.to_vec())?;
    }
    // It calls itself a screen.
    let html = html.replace("@media print", "@media screen");
    let html = with_photographs(&html, &mut assets)?;
    let html = with_drawings(&html, &mut assets)?;
    let title = between(&html, "<title>", "</title>").map(plain).unwrap_or_default();
    let language = between(&html, "<html lang=\"", "\"").unwrap_or("en");
    let engine = Engine::builder().page_size(PageSize::A4).lang(language).title(title).assets(assets);
    // Tagged, but without a claim to PDF/UA: text in tables isn't tagged, nor are lines and grounds marked as nothing to read.
    Ok(engine.tagged(true).bookmarks(true).build().render(&html)?)
}

/// Photographs lie beside the page, since none is read that is written into it; what is drawn over one becomes a part of it.
fn with_photographs(html: &str, assets: &mut AssetBundle) -> Result<String, Fault> {
    let options = lettered();
    let mut parts = html.split("src=\"data:image/jpeg;base64,");
    let mut page = parts.next().unwrap_or_default().to_owned();
    for (i, part) in parts.enumerate() {
        let (encoded, rest) = part.split_once('"').unwrap_or((part, ""));
        let mut photograph = base64::engine::general_purpose::STANDARD.decode(encoded)?;
        let (tag, mut rest) = rest.split_once('>').unwrap_or((rest, ""));
        if let Some((drawing, after)) = rest.strip_prefix("<svg").and_then(|rest| rest.split_once("</svg>")) {
            photograph = drawn_over(&photograph, &usvg::Tree::from_str(&format!("<svg{drawing}</svg>"), &options)?)?;
            rest = after;
        }
        let name = format!("photograph-{i}.jpg");
        page += &format!("src=\"{name}\"{tag}>{rest}");
        assets.add_image(name, photograph);
    }
    Ok(page)
}

fn drawn_over(jpeg: &[u8], drawing: &usvg::Tree) -> Result<Vec<u8>, Fault> {
    let mut photograph = image::load_from_memory(jpeg)?.into_rgba8();
    let over = painted(drawing, photograph.width() as f32)?;
    image::imageops::overlay(&mut photograph, &over, 0, 0);
    let mut jpeg = Vec::new();
    let photograph = image::DynamicImage::ImageRgba8(photograph).into_rgb8();
    image::codecs::jpeg::JpegEncoder::new_with_quality(&mut jpeg, 88).encode_image(&photograph)?;
    Ok(jpeg)
}

/// Drawings become pictures that say what they show: of a drawing in the page no lettering is drawn, and nothing is read aloud.
fn with_drawings(html: &str, assets: &mut AssetBundle) -> Result<String, Fault> {
    let options = lettered();
    let mut parts = html.split("<svg");
    let mut page = parts.next().unwrap_or_default().to_owned();
    for (i, part) in parts.enumerate() {
        let (drawing, rest) = part.split_once("</svg>").unwrap_or((part, ""));
        let tree = usvg::Tree::from_str(&format!("<svg{drawing}</svg>"), &options)?;
        let (name, label) = (format!("drawing-{i}.png"), attribute(drawing, "aria-label").unwrap_or_default());
        let (width, height) = (tree.size().width(), tree.size().height());
        page += &format!(
            r#"<div class="picture" style="aspect-ratio:{width}/{height}"><img src="{name}" alt="{label}"></div>{rest}"#
        );
        let mut png = std::io::Cursor::new(Vec::new());
        painted(&tree, WIDTH_PX)?.write_to(&mut png, image::ImageFormat::Png)?;
        assets.add_image(name, png.into_inner());
    }
    Ok(page)
}

/// As wide as a page at 300 dots an inch.
const WIDTH_PX: f32 = 2100.0;

/// A drawing, its ground left clear.
fn painted(drawing: &usvg::Tree, width_px: f32) -> Result<image::RgbaImage, Fault> {
    let scale = width_px / drawing.size().width();
    let canvas = tiny_skia::Pixmap::new(width_px as u32, (drawing.size().height() * scale).ceil() as u32);
    let mut canvas = canvas.ok_or("a drawing is too high")?;
    resvg::render(drawing, tiny_skia::Transform::from_scale(scale, scale), &mut canvas.as_mut());
    let pixels = canvas.pixels().iter().map(|pixel| pixel.demultiply());
    let rgba = pixels.flat_map(|p| [p.red(), p.green(), p.blue(), p.alpha()]).collect();
    Ok(image::RgbaImage::from_raw(canvas.width(), canvas.height(), rgba).ok_or("a drawing lost its size")?)
}

fn lettered() -> usvg::Options<'static> {
    let mut known = fontdb::Database::new();
    FONTS.iter().for_each(|font| known.load_font_data(font.to_vec()));
    known.set_sans_serif_family("Roboto");
    usvg::Options { font_family: "Roboto".into(), fontdb: Arc::new(known), ..usvg::Options::default() }
}

/// An attribute of a tag's beginning, escaped as it stands there.
fn attribute<'a>(tag: &'a str, name: &str) -> Option<&'a str> {
    between(tag.split_once('>')?.0, &format!(" {name}=\""), "\"")
}

fn between<'a>(text: &'a str, before: &str, after: &str) -> Option<&'a str> {
    Some(text.split_once(before)?.1.split_once(after)?.0)
}

fn plain(escaped: &str) -> String {
    [("&lt;", "<"), ("&gt;", ">"), ("&quot;", "\""), ("&#x27;", "'"), ("&#x2f;", "/"), ("&amp;", "&")]
        .iter()
        .fold(escaped.to_owned(), |text, (escape, character)| text.replace(escape, character))
}
