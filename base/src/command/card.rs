//! `rakelight card`: the scale card to print, or as data.

use std::path::PathBuf;

use clap::{Args, ValueEnum};
use rakelight_core::scale::{card, draw};
use rakelight_core::words::Words;

use super::print_json;
use crate::failure::{self, Failure};

/// Where and how.
#[derive(Args)]
pub struct Arguments {
    /// The file to write: .pdf, .png or .svg.
    #[arg(long)]
    out: Option<PathBuf>,
    /// The card for open ground, or the one for narrow places.
    #[arg(long, value_enum, default_value = "standard")]
    size: Size,
    /// The sheet of paper.
    #[arg(long, value_enum, default_value = "a4")]
    paper: Paper,
    /// Resolution of a PNG, dots an inch.
    #[arg(long, default_value_t = 300)]
    dpi: u32,
    /// Print the card's outline and marker corners (mm) as JSON.
    #[arg(long)]
    json: bool,
}

#[derive(Clone, Copy, ValueEnum)]
enum Size {
    Standard,
    Small,
}

#[derive(Clone, Copy, ValueEnum)]
enum Paper {
    A4,
    Letter,
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    if arguments.out.is_none() && !arguments.json {
        return Err(Failure::input(
            "say where to write the card (--out card.pdf, .png or .svg) or ask for its data (--json)",
        ));
    }
    let paper = match arguments.paper {
        Paper::A4 => draw::Paper::A4,
        Paper::Letter => draw::Paper::Letter,
    };
    let layout = match arguments.size {
        Size::Standard => &card::STANDARD,
        Size::Small => &card::SMALL,
    };
    if let Some(out) = &arguments.out {
        let bytes = match out.extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase).as_deref() {
            Some("pdf") => draw::pdf(layout, paper, words),
            Some("svg") => draw::svg(layout, paper, words).into_bytes(),
            Some("png") => draw::png(layout, paper, arguments.dpi, words).map_err(Failure::input)?,
            _ => return Err(Failure::input(format!("{} must end in .pdf, .png or .svg", out.display()))),
        };
        failure::write(out, bytes)?;
        if !arguments.json {
            println!("{}\n{}\n{}", out.display(), words.say("card.print_true_size"), words.say("card.check"));
        }
    }
    if arguments.json {
        print_json(&serde_json::json!(layout.card()));
    }
    Ok(())
}
