//! `rakelight`: the command line for the team at base.
//!
//! Exit codes: 0 done, 1 a fault of the machine (disk, network), 2 bad input.

mod command;
mod failure;

use std::process::ExitCode;

use clap::Parser;

/// Reads the tracks and signs of mammals: photographs in, measures, identifications and a summary out.
#[derive(Parser)]
#[command(name = "rakelight", version, about)]
struct Arguments {
    /// The language of texts for people: en or de.
    #[arg(long, global = true, default_value = "en")]
    lang: String,
    #[command(subcommand)]
    command: command::Command,
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    match command::run(arguments.command, &arguments.lang) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            eprintln!("rakelight: {failure}");
            failure.exit_code()
        }
    }
}
