//! `rakelight`: the command line for the team at base.
//!
//! Exit codes: 0 done, 1 a fault of the machine (disk, network), 2 bad input.

mod command;
mod failure;
mod page;
mod service;
mod transport;

use std::process::ExitCode;

use clap::Parser;

/// Reads the tracks and signs of mammals: photographs in, measures, identifications and a summary out.
#[derive(Parser)]
#[command(name = "rakelight", version, about)]
struct Arguments {
    /// The language of texts for people: en, de, fr, es or pl.
    #[arg(long, global = true, default_value = "en")]
    lang: String,
    #[command(subcommand)]
    command: command::Command,
}

fn main() -> ExitCode {
    end_quietly_where_nobody_reads_on();
    let arguments = Arguments::parse();
    match command::run(arguments.command, &arguments.lang) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            eprintln!("rakelight: {failure}");
            failure.exit_code()
        }
    }
}

/// `rakelight … | head` closes the pipe after its lines; printing then fails, which is no fault of ours.
fn end_quietly_where_nobody_reads_on() {
    let usual = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        if panic.payload_as_str().is_some_and(|text| text.contains("Broken pipe")) {
            std::process::exit(0);
        }
        usual(panic);
    }));
}
