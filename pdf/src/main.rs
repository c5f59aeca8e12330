//! `rakelight-pdf < page.html > page.pdf`: a page of Rakelight as tagged PDF, laid out by fulgur in our own font, so that it looks the same on every machine.

use std::io::{Read, Write};
use std::process::ExitCode;
use std::sync::Arc;

use base64::Engine as _;
use fulgur::asset::AssetBundle;
use fulgur::config::PageSize;
use fulgur::engine::Engine;
use usvg::fontdb;

/// Roboto (Apache License 2.0), as most phones have it.
const FONTS: [&[u8]; 2] =
    [include_bytes!("../fonts/Roboto-Regular.ttf"), include_bytes!("../fonts/Roboto-Bold.ttf")];

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
    Ok(engine.pdf_ua(true).build().render(&html)?)
}

/// Photographs lie beside the page: it reads none that are written into it.
fn with_photographs(html: &str, assets: &mut AssetBundle) -> Result<String, Fault> {
    let mut parts = html.split("src=\"data:image/jpeg;base64,");
    let mut page = parts.next().unwrap_or_default().to_owned();
    for (i, part) in parts.enumerate() {
        let (encoded, rest) = part.split_once('"').unwrap_or((part, ""));
        let name = format!("photograph-{i}.jpg");
        assets.add_image(&name, base64::engine::general_purpose::STANDARD.decode(encoded)?);
        page += &format!("src=\"{name}\"{rest}");
    }
    Ok(page)
}

/// Lettering in drawings becomes outlines: it draws none itself. A drawing that says what it shows becomes a picture, whose text is read aloud; one that
/// lies over a photograph, which says it, stays a drawing.
fn with_drawings(html: &str, assets: &mut AssetBundle) -> Result<String, Fault> {
    let options = lettered();
    let mut parts = html.split("<svg");
    let mut page = parts.next().unwrap_or_default().to_owned();
    for (i, part) in parts.enumerate() {
        let (drawing, rest) = part.split_once("</svg>").unwrap_or((part, ""));
        let outlined = usvg::Tree::from_str(&format!("<svg{drawing}</svg>"), &options)?;
        let outlined = outlined.to_string(&usvg::WriteOptions::default());
        match (attribute(drawing, "aria-label"), attribute(drawing, "viewBox")) {
            (Some(label), Some(view_box)) => {
                let size = view_box.split(' ').skip(2).collect::<Vec<_>>().join("/");
                let name = format!("drawing-{i}.svg");
                page += &format!(
                    r#"<div class="picture" style="aspect-ratio:{size}"><img src="{name}" alt="{label}"></div>"#
                );
                assets.add_image(name, outlined.into_bytes());
            }
            _ => page += &outlined,
        }
        page += rest;
    }
    Ok(page)
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
