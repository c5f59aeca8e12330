//! `rakelight summary`: the landowner's page of a visit in a store, as HTML or PDF.

use std::path::PathBuf;

use chrono::Utc;
use clap::Args;
use rakelight_core::store::Store;
use rakelight_core::summary::{self, Besides};
use rakelight_core::words::Words;

use super::print_table;
use super::visit::store_failure;
use crate::failure::Failure;
use crate::page;

/// Which visit, and where the page goes.
#[derive(Args)]
pub struct Arguments {
    /// The store that holds the visit.
    #[arg(long, value_name = "DIR")]
    store: PathBuf,
    /// The visit's id, or the beginning of it; without it the store's only visit, or a list of them.
    #[arg(long, value_name = "ID")]
    visit: Option<String>,
    /// Where the page goes: FILE.html or FILE.pdf.
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// As the coordinator: show exact places, where the landowner agreed to that on their own land.
    #[arg(long)]
    exact_places: bool,
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    let store = Store::open(&arguments.store).map_err(store_failure)?;
    let ids = store.visits().map_err(store_failure)?;
    let Some(id) = chosen(&ids, arguments.visit.as_deref())? else { return list(&store, arguments, words) };
    let out =
        arguments.out.as_ref().ok_or_else(|| Failure::input("say where the page goes: --out FILE.html or FILE.pdf"))?;
    let visit = store.visit(id).map_err(store_failure)?;
    let visit = visit.ok_or_else(|| {
        Failure::input(format!("the visit {id} has no head yet: exchange with the device that opened it"))
    })?;
    let plans = store.all_seasons().map_err(store_failure)?;
    let besides = Besides {
        back: summary::back(&plans, &visit, Utc::now().date_naive()),
        exact_places: arguments.exact_places,
        ..Besides::default()
    };
    let photo_path = |sha256: &str| store.photo_path(sha256).ok().flatten();
    let html = summary::html_with(&visit, &besides, words, photo_path).map_err(|e| Failure::Machine(e.to_string()))?;
    page::write(out, &html)
}

/// `None` where there are several and none was named.
fn chosen<'a>(ids: &'a [String], named: Option<&str>) -> Result<Option<&'a String>, Failure> {
    match (named, ids) {
        (_, []) => Err(Failure::input("there is no visit in the store")),
        (None, [only]) => Ok(Some(only)),
        (None, _) => Ok(None),
        (Some(named), _) => {
            let matching: Vec<&String> = ids.iter().filter(|id| id.starts_with(named)).collect();
            match matching[..] {
                [one] => Ok(Some(one)),
                [] => {
                    Err(Failure::input(format!("no visit's id begins with {named}: without --visit they are listed")))
                }
                _ => Err(Failure::input(format!("{} visits' ids begin with {named}: give more of it", matching.len()))),
            }
        }
    }
}

fn list(store: &Store, arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    let lines = store.latest_visits(usize::MAX >> 1, None).map_err(store_failure)?;
    let rows = lines.into_iter().filter_map(|line| store.visit(&line.visit).transpose()).map(|visit| {
        let visit = visit.map_err(store_failure)?;
        let day = visit.opened.start.date_naive().to_string();
        Ok([visit.id, day, visit.opened.place_name, visit.signs.len().to_string()])
    });
    let rows: Vec<[String; 4]> = rows.collect::<Result<_, Failure>>()?;
    let heads = ["--visit", words.say("plan.head.date"), words.say("plan.head.place"), words.say("visit.signs")];
    print_table(&heads.map(str::to_owned), &rows);
    match arguments.out {
        Some(_) => Err(Failure::input("there are several visits: name one with --visit")),
        None => Ok(()),
    }
}
