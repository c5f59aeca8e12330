//! `rakelight report`: a season's report for the team, as HTML or PDF.

use std::path::PathBuf;

use chrono::{NaiveDate, Utc};
use clap::Args;
use rakelight_core::report::{self, ReportError, Season};
use rakelight_core::store::Store;
use rakelight_core::words::Words;

use super::visit::store_failure;
use crate::failure::Failure;
use crate::page;

/// Which days of which store.
#[derive(Args)]
pub struct Arguments {
    /// The store.
    #[arg(long, value_name = "DIR")]
    store: PathBuf,
    /// The first day (by the clock of the place).
    #[arg(long, value_name = "DATE")]
    from: NaiveDate,
    /// The last day.
    #[arg(long, value_name = "DATE")]
    to: NaiveDate,
    /// Where the report goes: FILE.html or FILE.pdf.
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    let store = Store::open(&arguments.store).map_err(store_failure)?;
    let visits = store.all_visits().map_err(store_failure)?;
    let plans = store.all_seasons().map_err(store_failure)?;
    let (from, to, today) = (arguments.from, arguments.to, Utc::now().date_naive());
    let season = Season { visits: &visits, plans: &plans, from, to, today };
    let html = report::html(&season, words).map_err(|error| match error {
        ReportError::Days { .. } => Failure::input(error),
        error => Failure::Machine(error.to_string()),
    })?;
    page::write(&arguments.out, &html)
}
