//! A record as one row, for the formats that have one table or one list: the names are Darwin Core's.

use std::borrow::Cow;

use super::About;
use super::leaving::{Event, Leaving, Occurrence};

/// What an event says.
pub(super) const OF_EVENT: [&str; 17] = [
    "eventID",
    "parentEventID",
    "eventType",
    "eventDate",
    "samplingProtocol",
    "sampleSizeValue",
    "sampleSizeUnit",
    "samplingEffort",
    "locationID",
    "locality",
    "habitat",
    "decimalLatitude",
    "decimalLongitude",
    "geodeticDatum",
    "coordinateUncertaintyInMeters",
    "coordinatePrecision",
    "eventRemarks",
];

/// What an occurrence says.
pub(super) const OF_OCCURRENCE: [&str; 21] = [
    "occurrenceID",
    "basisOfRecord",
    "occurrenceStatus",
    "scientificName",
    "taxonRank",
    "kingdom",
    "class",
    "order",
    "family",
    "vernacularName",
    "verbatimIdentification",
    "identificationQualifier",
    "identifiedBy",
    "dateIdentified",
    "identificationVerificationStatus",
    "identificationRemarks",
    "organismQuantity",
    "organismQuantityType",
    "recordedBy",
    "associatedMedia",
    "occurrenceRemarks",
];

/// What both say at the end.
pub(super) const AT_THE_END: [&str; 4] = ["dataGeneralizations", "informationWithheld", "license", "language"];

/// Those of the above that are numbers.
const NUMBERS: [&str; 6] = [
    "sampleSizeValue",
    "decimalLatitude",
    "decimalLongitude",
    "coordinateUncertaintyInMeters",
    "coordinatePrecision",
    "organismQuantity",
];

pub(super) fn is_number(column: &str) -> bool {
    NUMBERS.contains(&column)
}

/// Cells of a row, in the order of the columns.
pub(super) type Cells<'a> = Vec<Cow<'a, str>>;

fn maybe(text: &Option<String>) -> Cow<'_, str> {
    Cow::Borrowed(text.as_deref().unwrap_or_default())
}

pub(super) fn of_event<'a>(event: &'a Event, into: &mut Cells<'a>) {
    let [lat, lon] = event.spot.map(|spot| spot.degrees()).unwrap_or_default();
    let searched = event.searched_m.filter(|metres| *metres > 0.0).map(|metres| format!("{metres:.0}"));
    let with_place = |text: &'static str| Cow::Borrowed(if event.spot.is_some() { text } else { "" });
    into.extend([
        Cow::Borrowed(event.id.as_str()),
        maybe(&event.parent),
        event.kind.term().into(),
        event.date().into(),
        event.protocol.as_str().into(),
        Cow::Owned(searched.clone().unwrap_or_default()),
        Cow::Borrowed(if searched.is_some() { "metre" } else { "" }),
        maybe(&event.effort),
        maybe(&event.location),
        maybe(&event.locality),
        maybe(&event.habitat),
        lat.into(),
        lon.into(),
        with_place("EPSG:4326"),
        event.spot.map(|spot| format!("{:.0}", spot.uncertainty_m)).unwrap_or_default().into(),
        event.spot.map(|spot| spot.precision()).unwrap_or_default().into(),
        maybe(&event.remarks),
    ]);
}

pub(super) fn of_occurrence<'a>(
    leaving: &'a Leaving,
    index: usize,
    occurrence: &'a Occurrence,
    about: &'a About,
    into: &mut Cells<'a>,
) {
    let (quantity, quantity_type) = occurrence.quantity.map_or((String::new(), ""), |(n, what)| (n.to_string(), what));
    let pictures = leaving.photos.iter().filter(|picture| picture.of.contains(&index));
    let media: Vec<String> = pictures.filter_map(|picture| about.photo_address(&picture.file())).collect();
    let taxon = &occurrence.taxon;
    into.extend([
        Cow::Borrowed(occurrence.id.as_str()),
        "HumanObservation".into(),
        about.asked.vocabulary.status(occurrence.found).into(),
        taxon.name.as_str().into(),
        taxon.rank.as_str().into(),
        "Animalia".into(),
        taxon.class.as_str().into(),
        taxon.order.as_str().into(),
        taxon.family.as_str().into(),
        occurrence.name.as_str().into(),
        maybe(&occurrence.verbatim),
        maybe(&occurrence.qualifier),
        maybe(&occurrence.identified_by),
        occurrence.identified_on.map(|day| day.date_naive().to_string()).unwrap_or_default().into(),
        occurrence.verification.into(),
        maybe(&occurrence.remarks),
        quantity.into(),
        quantity_type.into(),
        maybe(&occurrence.people),
        media.join(" | ").into(),
        maybe(&occurrence.sign),
    ]);
}

pub(super) fn at_the_end<'a>(leaving: &'a Leaving, about: &'a About, into: &mut Cells<'a>) {
    into.extend([
        Cow::Borrowed(leaving.generalised.as_str()),
        leaving.withheld.as_str().into(),
        about.asked.licence.url.as_str().into(),
        about.words.language().into(),
    ]);
}

/// The columns of a table of occurrences with their events.
pub(super) fn flat_columns() -> Vec<&'static str> {
    OF_OCCURRENCE.into_iter().chain(OF_EVENT).chain(AT_THE_END).collect()
}

/// An occurrence with its event.
pub(super) fn flat<'a>(leaving: &'a Leaving, index: usize, about: &'a About) -> Cells<'a> {
    let occurrence = &leaving.occurrences[index];
    let mut cells = Cells::with_capacity(48);
    of_occurrence(leaving, index, occurrence, about, &mut cells);
    of_event(leaving.event_of(occurrence), &mut cells);
    at_the_end(leaving, about, &mut cells);
    cells
}

/// A visit: its event, what was looked for and what wasn't found.
pub(super) fn visit_columns() -> Vec<&'static str> {
    OF_EVENT.into_iter().chain(["targetTaxonomicScope", "absentTaxa"]).chain(AT_THE_END).collect()
}

pub(super) fn visit<'a>(leaving: &'a Leaving, about: &'a About) -> Cells<'a> {
    let mut cells = Cells::with_capacity(24);
    of_event(leaving.visit(), &mut cells);
    cells.extend([leaving.survey.targets.join(" | ").into(), leaving.survey.absent.join(" | ").into()]);
    at_the_end(leaving, about, &mut cells);
    cells
}
