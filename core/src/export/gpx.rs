//! GPX 1.1: a waypoint a sign, a route a stretch where exact positions leave. Elements stand in the schema's order. Not the worker's track.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::Path;

use super::leaving::{Event, Leaving, Occurrence};
use super::text::xml;
use super::{About, ExportError, Visits};
use crate::survey::utc_text;

pub(super) fn write(out: &Path, file: &mut File, visits: &mut Visits, about: &About) -> Result<(), ExportError> {
    let failed = |source| ExportError::Disk { path: out.to_owned(), source };
    let mut to = BufWriter::new(file);
    head(&mut to, about).map_err(failed)?;
    // All waypoints come before the first route; routes are few and short, so they wait.
    let mut routes = String::new();
    for leaving in visits {
        let leaving = leaving?;
        for occurrence in leaving.occurrences.iter().filter(|occurrence| occurrence.found) {
            waypoint(&mut to, &leaving, occurrence).map_err(failed)?;
        }
        leaving.events.iter().for_each(|event| route(&mut routes, event));
    }
    writeln!(to, "{routes}</gpx>").and_then(|()| to.flush()).map_err(failed)
}

fn head(to: &mut impl Write, about: &About) -> io::Result<()> {
    let licence = &about.asked.licence.url;
    writeln!(
        to,
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<gpx version=\"1.1\" creator=\"Rakelight {}\" xmlns=\"http://www.topografix.com/GPX/1/1\">\n\
         <metadata><name>{}</name><copyright author=\"{}\"><license>{}</license></copyright><time>{}</time></metadata>",
        env!("CARGO_PKG_VERSION"),
        xml(&about.title()),
        xml(&about.team()),
        xml(licence),
        utc_text(about.now),
    )
}

fn waypoint(to: &mut impl Write, leaving: &Leaving, occurrence: &Occurrence) -> io::Result<()> {
    let event = leaving.event_of(occurrence);
    let Some(spot) = event.spot else { return Ok(()) };
    let [lat, lon] = spot.degrees();
    let name = occurrence.verbatim.as_deref().unwrap_or(&occurrence.name);
    let told = occurrence
        .qualifier
        .iter()
        .chain(&occurrence.sign)
        .cloned()
        .chain([format!("± {:.0} m", spot.uncertainty_m), leaving.generalised.clone()]);
    writeln!(
        to,
        "<wpt lat=\"{lat}\" lon=\"{lon}\"><time>{}</time><name>{}</name><desc>{}</desc><src>{}</src><type>{}</type></wpt>",
        utc_text(event.start),
        xml(name),
        xml(&told.collect::<Vec<_>>().join("; ")),
        xml(&occurrence.id),
        xml(&occurrence.taxon.name),
    )
}

fn route(routes: &mut String, event: &Event) {
    let Some(line) = &event.line else { return };
    let points = line.iter().map(|[lon, lat]| format!("<rtept lat=\"{lat:.7}\" lon=\"{lon:.7}\"/>"));
    let name = event.locality.as_deref().map(xml).unwrap_or_default();
    routes.push_str(&format!("<rte><name>{name}</name>{}</rte>\n", points.collect::<String>()));
}
