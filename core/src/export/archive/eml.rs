//! `eml.xml` (Ecological Metadata Language 2.2.0): what the records are, whose, under which licence, where and when, how they were made and what was
//! withheld. Elements stand in the schema's order (from memory).

use std::collections::BTreeSet;

use chrono::NaiveDate;

use crate::export::About;
use crate::export::ids;
use crate::export::leaving::{Leaving, Spot};
use crate::export::text::xml;

/// What the records reach over, as they leave: rounded positions.
#[derive(Debug, Default)]
pub(super) struct Coverage {
    /// West, south, east, north.
    bounds: Option<[f64; 4]>,
    days: Option<[NaiveDate; 2]>,
    taxa: BTreeSet<(String, String)>,
    generalised: BTreeSet<String>,
    withheld: BTreeSet<String>,
    protocols: BTreeSet<String>,
}

impl Coverage {
    pub fn take(&mut self, leaving: &Leaving) {
        leaving.events.iter().filter_map(|event| event.spot).for_each(|spot| self.reach(&spot));
        for day in
            [Some(leaving.visit().start), leaving.visit().end].into_iter().flatten().map(|time| time.date_naive())
        {
            let [first, last] = self.days.unwrap_or([day, day]);
            self.days = Some([first.min(day), last.max(day)]);
        }
        let names =
            leaving.occurrences.iter().map(|occurrence| (occurrence.taxon.rank.clone(), occurrence.taxon.name.clone()));
        self.taxa.extend(names);
        self.generalised.insert(leaving.generalised.clone());
        self.withheld.insert(leaving.withheld.clone());
        self.protocols.insert(leaving.visit().protocol.clone());
    }

    fn reach(&mut self, spot: &Spot) {
        let [west, south, east, north] = self.bounds.unwrap_or([spot.lon, spot.lat, spot.lon, spot.lat]);
        self.bounds = Some([west.min(spot.lon), south.min(spot.lat), east.max(spot.lon), north.max(spot.lat)]);
    }

    fn xml(&self, about: &About) -> String {
        let place = self.bounds.map(|[west, south, east, north]| {
            format!(
                "      <geographicCoverage>\n        <geographicDescription>{}</geographicDescription>\n        <boundingCoordinates>\
                 <westBoundingCoordinate>{west}</westBoundingCoordinate><eastBoundingCoordinate>{east}</eastBoundingCoordinate>\
                 <northBoundingCoordinate>{north}</northBoundingCoordinate><southBoundingCoordinate>{south}</southBoundingCoordinate>\
                 </boundingCoordinates>\n      </geographicCoverage>\n",
                xml(about.words.say("export.area")),
            )
        });
        let time = self.days.map(|[first, last]| {
            format!(
                "      <temporalCoverage><rangeOfDates><beginDate><calendarDate>{first}</calendarDate></beginDate>\
                 <endDate><calendarDate>{last}</calendarDate></endDate></rangeOfDates></temporalCoverage>\n"
            )
        });
        let taxa: String = self.taxa.iter().map(|(rank, name)| {
            let rank = if rank.is_empty() { String::new() } else { format!("<taxonRankName>{}</taxonRankName>", xml(rank)) };
            format!("        <taxonomicClassification>{rank}<taxonRankValue>{}</taxonRankValue></taxonomicClassification>\n", xml(name))
        }).collect();
        let taxa = (!taxa.is_empty()).then(|| format!("      <taxonomicCoverage>\n{taxa}      </taxonomicCoverage>\n"));
        let all: String = [place, time, taxa].into_iter().flatten().collect();
        if all.is_empty() { all } else { format!("    <coverage>\n{all}    </coverage>\n") }
    }
}

pub(super) fn eml(coverage: &Coverage, about: &About) -> String {
    let (licence, words) = (&about.asked.licence, about.words);
    let team = format!("<organizationName>{}</organizationName>", xml(&about.team()));
    let paras =
        |texts: &BTreeSet<String>| texts.iter().map(|text| format!("<para>{}</para>", xml(text))).collect::<String>();
    let id = ids::id(&about.id_root, &["records", &about.title()]);
    format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n\
         <eml:eml xmlns:eml=\"https://eml.ecoinformatics.org/eml-2.2.0\" xmlns:xsi=\"http://www.w3.org/2001/XMLSchema-instance\" \
         xsi:schemaLocation=\"https://eml.ecoinformatics.org/eml-2.2.0 https://rs.gbif.org/schema/eml-2.2.0/eml.xsd\" \
         packageId=\"{id}/{day}\" system=\"https://eml.ecoinformatics.org\" scope=\"system\" xml:lang=\"{language}\">\n  <dataset>\n    \
         <alternateIdentifier>{id}</alternateIdentifier>\n    <title xml:lang=\"{language}\">{title}</title>\n    <creator>{team}</creator>\n    \
         <metadataProvider>{team}</metadataProvider>\n    <pubDate>{day}</pubDate>\n    <language>{language}</language>\n    \
         <abstract><para>{abstract_}</para></abstract>\n    \
         <additionalInfo>{generalised}{withheld}</additionalInfo>\n    \
         <intellectualRights><para>{this_work} <ulink url=\"{url}\"><citetitle>{licence_name}</citetitle></ulink>.</para></intellectualRights>\n    \
         <licensed><licenseName>{licence_name}</licenseName><url>{url}</url><identifier>{licence_id}</identifier></licensed>\n{coverage}    \
         <contact>{team}</contact>\n    \
         <methods><methodStep><description>{measuring}</description></methodStep><sampling><studyExtent><description><para>{extent}</para></description>\
         </studyExtent><samplingDescription>{protocols}</samplingDescription></sampling></methods>\n  </dataset>\n</eml:eml>\n",
        day = about.now.date_naive(),
        language = words.language(),
        title = xml(&about.title()),
        abstract_ = xml(words.say("export.abstract")),
        generalised = paras(&coverage.generalised),
        withheld = paras(&coverage.withheld),
        this_work = xml(words.say("export.licensed")),
        url = xml(&licence.url),
        licence_name = xml(&licence.name),
        licence_id = xml(&licence.id),
        coverage = coverage.xml(about),
        measuring = paras(&BTreeSet::from([words.say("export.methods").to_owned()])),
        extent = xml(words.say("export.area")),
        protocols = paras(&coverage.protocols),
    )
}
