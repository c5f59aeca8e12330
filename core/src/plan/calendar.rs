//! Windows for a calendar (RFC 5545).

use chrono::{DateTime, Utc};
use icalendar::{Calendar, Component, Event, EventLike};

use super::{Asked, Plan};
use crate::time::utc_text;
use crate::words::Words;

/// An `.ics` file with an event for each window; the same window has the same UID every time. `now` is its stamp.
pub fn calendar(plan: &Plan, asked: &Asked, now: DateTime<Utc>, words: &Words) -> String {
    let mut calendar = Calendar::new();
    for window in &plan.windows {
        let place = format!("{:.5},{:.5}", asked.place.lat, asked.place.lon);
        let mut description = window.why(asked.zone, words);
        description += &format!("\n{}", words.say("plan.angles_only"));
        if window.tide.is_some() {
            description += &format!("\n{}\n{}", words.say("plan.tide_caution"), words.say("caution.falling_tide"));
        }
        let event = Event::new()
            .uid(&format!("{}-{place}@rakelight", utc_text(window.span.start)))
            .timestamp(now)
            .starts(window.span.start)
            .ends(window.span.end)
            .summary(words.say(if window.tide.is_some() { "plan.event_shore" } else { "plan.event" }))
            .description(&description)
            .location(&place)
            .done();
        calendar.push(event);
    }
    calendar.to_string()
}
