//! The archive's tables: what each is called, what its columns mean, what stands in its rows.

use std::borrow::Cow;

use crate::export::columns::{self, AT_THE_END, Cells, OF_EVENT, OF_OCCURRENCE};
use crate::export::leaving::{EventKind, Leaving, local};
use crate::export::photos::Copied;
use crate::export::{About, ExportError};

const DWC: &str = "http://rs.tdwg.org/dwc/terms/";
const DCTERMS: &str = "http://purl.org/dc/terms/";
const ECO: &str = "http://rs.tdwg.org/eco/terms/";

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Table {
    Events,
    Occurrences,
    Measures,
    Surveys,
    Pictures,
}

/// Takes a row's cells.
pub(super) type TakeRow<'a> = &'a mut dyn FnMut(&[Cow<str>]) -> Result<(), ExportError>;

/// Of the Humboldt extension.
const OF_SURVEY: [&str; 24] = [
    "inventoryTypes",
    "protocolNames",
    "protocolReferences",
    "isSamplingEffortReported",
    "samplingEffortProtocol",
    "samplingEffortValue",
    "samplingEffortUnit",
    "eventDurationValue",
    "eventDurationUnit",
    "targetTaxonomicScope",
    "isTaxonomicScopeFullyReported",
    "taxonCompletenessReported",
    "isAbsenceReported",
    "absentTaxa",
    "hasNonTargetTaxa",
    "nonTargetTaxa",
    "areNonTargetTaxaFullyReported",
    "isAbundanceReported",
    "hasVouchers",
    "hasMaterialSamples",
    "materialSampleTypes",
    "samplingPerformedBy",
    "reportedWeather",
    "reportedExtremeConditions",
];

/// Of the Audiovisual extension, with the names that it borrows.
const OF_PICTURE: [&str; 16] = [
    "http://purl.org/dc/terms/identifier",
    "http://purl.org/dc/elements/1.1/type",
    "http://purl.org/dc/elements/1.1/format",
    "http://rs.tdwg.org/ac/terms/accessURI",
    "http://rs.tdwg.org/ac/terms/variantLiteral",
    "http://rs.tdwg.org/ac/terms/hashFunction",
    "http://rs.tdwg.org/ac/terms/hashValue",
    "http://ns.adobe.com/exif/1.0/PixelXDimension",
    "http://ns.adobe.com/exif/1.0/PixelYDimension",
    "http://rs.tdwg.org/ac/terms/resourceCreationTechnique",
    "http://ns.adobe.com/xap/1.0/CreateDate",
    "http://rs.tdwg.org/ac/terms/subjectPartLiteral",
    "http://rs.tdwg.org/ac/terms/associatedObservationReference",
    "http://ns.adobe.com/xap/1.0/rights/UsageTerms",
    "http://ns.adobe.com/xap/1.0/rights/WebStatement",
    "http://purl.org/dc/terms/creator",
];

const OF_MEASURE: [&str; 8] = [
    "measurementID",
    "occurrenceID",
    "measurementType",
    "measurementValue",
    "measurementAccuracy",
    "measurementUnit",
    "measurementMethod",
    "measurementRemarks",
];

impl Table {
    /// The core first.
    pub const ALL: [Self; 5] = [Self::Events, Self::Occurrences, Self::Measures, Self::Surveys, Self::Pictures];

    pub fn file(self) -> &'static str {
        match self {
            Self::Events => "event.csv",
            Self::Occurrences => "occurrence.csv",
            Self::Measures => "extendedmeasurementorfact.csv",
            Self::Surveys => "humboldt.csv",
            Self::Pictures => "multimedia.csv",
        }
    }

    pub fn row_type(self) -> &'static str {
        match self {
            Self::Events => "http://rs.tdwg.org/dwc/terms/Event",
            Self::Occurrences => "http://rs.tdwg.org/dwc/terms/Occurrence",
            Self::Measures => "http://rs.iobis.org/obis/terms/ExtendedMeasurementOrFact",
            Self::Surveys => "http://rs.tdwg.org/eco/terms/Event",
            Self::Pictures => "http://rs.tdwg.org/ac/terms/Multimedia",
        }
    }

    /// What each column means. The first is the event's identifier, the core's own or the one that an extension's row hangs on.
    pub fn terms(self) -> Vec<String> {
        let dwc = |name: &&str| match *name {
            "license" | "language" => format!("{DCTERMS}{name}"),
            name => format!("{DWC}{name}"),
        };
        let event_id = [format!("{DWC}eventID")];
        let rest: Vec<String> = match self {
            Self::Events => {
                OF_EVENT[1..].iter().chain(&["footprintWKT", "footprintSRS"]).chain(&AT_THE_END).map(dwc).collect()
            }
            Self::Occurrences => OF_OCCURRENCE.iter().chain(&AT_THE_END[..2]).map(dwc).collect(),
            Self::Measures => OF_MEASURE.iter().map(dwc).collect(),
            Self::Surveys => OF_SURVEY.iter().map(|name| format!("{ECO}{name}")).collect(),
            Self::Pictures => OF_PICTURE.map(str::to_owned).to_vec(),
        };
        event_id.into_iter().chain(rest).collect()
    }

    /// A term's name without where it is from.
    pub fn local(term: &str) -> &str {
        term.rsplit('/').next().unwrap_or(term)
    }

    /// Hands over a visit's rows.
    pub fn rows(self, leaving: &Leaving, about: &About, row: TakeRow) -> Result<(), ExportError> {
        match self {
            Self::Events => leaving.events.iter().try_for_each(|event| {
                let mut cells = Cells::with_capacity(24);
                columns::of_event(event, &mut cells);
                let line = event.line.as_ref().map(|line| wkt(line));
                cells.push(line.clone().unwrap_or_default().into());
                cells.push(if line.is_some() { "EPSG:4326".into() } else { "".into() });
                columns::at_the_end(leaving, about, &mut cells);
                row(&cells)
            }),
            Self::Occurrences => leaving.occurrences.iter().enumerate().try_for_each(|(index, occurrence)| {
                let mut cells = Cells::with_capacity(26);
                cells.push(leaving.event_of(occurrence).id.as_str().into());
                columns::of_occurrence(leaving, index, occurrence, about, &mut cells);
                cells.extend([Cow::Borrowed(leaving.generalised.as_str()), leaving.withheld.as_str().into()]);
                row(&cells)
            }),
            Self::Measures => leaving.occurrences.iter().try_for_each(|occurrence| {
                let event = &leaving.event_of(occurrence).id;
                occurrence.measures.iter().try_for_each(|measure| {
                    row(&[
                        event.as_str().into(),
                        measure.id.as_str().into(),
                        occurrence.id.as_str().into(),
                        measure.what.as_str().into(),
                        measure.value().into(),
                        measure.accuracy().into(),
                        "mm".into(),
                        measure.method.as_str().into(),
                        about.words.say("export.convention").into(),
                    ])
                })
            }),
            Self::Surveys => row(&survey(leaving, about)),
            Self::Pictures => leaving.photos.iter().try_for_each(|picture| {
                let first = picture.of.first().map(|i| &leaving.occurrences[*i]);
                let Some(occurrence) = first else { return Ok(()) };
                let copy = about.copies.as_ref().and_then(|copies| copies.get(&picture.file()));
                let of_copy = |told: fn(&Copied) -> String| copy.map(told).unwrap_or_default().into();
                row(&[
                    leaving.event_of(occurrence).id.as_str().into(),
                    picture.id.as_str().into(),
                    "StillImage".into(),
                    "image/jpeg".into(),
                    about.photo_address(&picture.file()).unwrap_or_default().into(),
                    "Good Quality".into(),
                    of_copy(|_| "SHA-256".into()),
                    of_copy(|copy| copy.sha256.clone()),
                    of_copy(|copy| copy.width_px.to_string()),
                    of_copy(|copy| copy.height_px.to_string()),
                    about.words.say("export.copy").into(),
                    picture.taken.map(local).unwrap_or_default().into(),
                    picture.shows.as_deref().unwrap_or_default().into(),
                    occurrence.id.as_str().into(),
                    about.asked.licence.name.as_str().into(),
                    about.asked.licence.url.as_str().into(),
                    about.team().into(),
                ])
            }),
        }
    }
}

/// What was looked for, how, and what wasn't found. An empty visit isn't an absence: that is said only of what `absentTaxa` names.
fn survey<'a>(leaving: &'a Leaving, about: &'a About) -> Cells<'a> {
    let (survey, visit) = (&leaving.survey, leaving.visit());
    let yes = |holds: bool| Cow::Borrowed(if holds { "true" } else { "false" });
    let with = |holds: bool, text: &'a str| Cow::Borrowed(if holds { text } else { "" });
    let searched = survey.searched_m.filter(|metres| *metres > 0.0);
    let signs = leaving.events.iter().any(|event| event.kind == EventKind::Sign);
    vec![
        visit.id.as_str().into(),
        "restrictedSearch".into(),
        visit.protocol.as_str().into(),
        survey.protocol_source.as_deref().unwrap_or_default().into(),
        yes(searched.is_some()),
        with(searched.is_some(), about.words.say("export.effort_protocol")),
        searched.map(|metres| format!("{metres:.0}")).unwrap_or_default().into(),
        with(searched.is_some(), "metre"),
        survey.minutes.map(|minutes| minutes.to_string()).unwrap_or_default().into(),
        with(survey.minutes.is_some(), "minute"),
        survey.targets.join(" | ").into(),
        yes(true),
        "notReported".into(),
        yes(!survey.absent.is_empty()),
        survey.absent.join(" | ").into(),
        yes(signs && !survey.others.is_empty()),
        survey.others.join(" | ").into(),
        yes(false),
        yes(false),
        yes(false),
        yes(survey.samples),
        with(survey.samples, "dropping or hair"),
        survey.people.as_deref().unwrap_or_default().into(),
        survey.weather.as_deref().unwrap_or_default().into(),
        survey.extreme.as_deref().unwrap_or_default().into(),
    ]
}

/// A line as well-known text.
fn wkt(line: &[[f64; 2]]) -> String {
    let points = line.iter().map(|[lon, lat]| format!("{lon:.7} {lat:.7}"));
    format!("LINESTRING ({})", points.collect::<Vec<_>>().join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_term_is_one_of_its_standard() {
        let known = include_str!("../../../../fixtures/reference/darwin_core_terms.txt");
        let pictures = include_str!("../../../../fixtures/reference/audiovisual_terms.txt");
        for term in Table::ALL.into_iter().flat_map(Table::terms) {
            assert!(known.lines().chain(pictures.lines()).any(|line| line == term), "{term}");
        }
    }
}
