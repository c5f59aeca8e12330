//! How much bank was searched, with its uncertainty where a recorded route gave it.

use std::collections::BTreeMap;

use crate::survey::{Visit, Walk, effort};
use crate::words::Words;

/// Length of bank.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct SearchedLength {
    /// By recorded routes, m, and its standard uncertainty.
    by_track_m: f64,
    u_by_track_m: f64,
    /// As those who walked say, m.
    stated_m: f64,
}

/// Of all walks; what several people recorded of one stretch on one walk counts once.
pub(super) fn of_walks(visits: &[&Visit], walks: &[Walk]) -> SearchedLength {
    walks.iter().fold(SearchedLength::default(), |sum, walk| sum.plus(of_walk(visits, walk)))
}

pub(super) fn of_walk(visits: &[&Visit], walk: &Walk) -> SearchedLength {
    let mut stretches: BTreeMap<String, SearchedLength> = BTreeMap::new();
    for visit in visits.iter().filter(|visit| walk.visits.contains(&visit.id)) {
        for stretch in effort(visit).stretches {
            let this = match (stretch.by_track, stretch.searched_m) {
                (Some(track), _) => {
                    SearchedLength { by_track_m: track.covered_m, u_by_track_m: track.u_covered_m, stated_m: 0.0 }
                }
                (None, Some(metres)) => SearchedLength { stated_m: metres, ..SearchedLength::default() },
                (None, None) => continue,
            };
            let known = stretches.entry(stretch.name).or_default();
            if this.total_m() > known.total_m() {
                *known = this;
            }
        }
    }
    stretches.into_values().fold(SearchedLength::default(), SearchedLength::plus)
}

impl SearchedLength {
    fn plus(self, other: Self) -> Self {
        Self {
            by_track_m: self.by_track_m + other.by_track_m,
            u_by_track_m: self.u_by_track_m.hypot(other.u_by_track_m),
            stated_m: self.stated_m + other.stated_m,
        }
    }

    fn total_m(self) -> f64 {
        self.by_track_m + self.stated_m
    }

    /// With its 95 % half-width where a route was recorded, `stated` where not.
    pub fn say(self, words: &Words) -> String {
        let metres = |m: f64| words.number(m, 0);
        let by_track = (self.by_track_m > 0.0)
            .then(|| format!("{}\u{a0}m\u{a0}±{}", metres(self.by_track_m), metres(1.96 * self.u_by_track_m)));
        let stated = (self.stated_m > 0.0).then(|| words.fill("report.stated", &[("m", &metres(self.stated_m))]));
        let parts: Vec<String> = [by_track, stated].into_iter().flatten().collect();
        if parts.is_empty() { words.say("report.not_noted").to_owned() } else { parts.join(", ") }
    }
}
