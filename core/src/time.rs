//! Times as people and programs write them.

use chrono::{DateTime, FixedOffset, NaiveDateTime, SecondsFormat, Utc};

/// RFC 3339, with `T` or a blank between date and time; without an offset it is UTC.
///
/// ```
/// use rakelight_core::time::parse_time;
/// let same = ["2026-10-03T07:41:10+02:00", "2026-10-03 05:41:10Z", "2026-10-03 05:41:10", "2026-10-03T05:41:10"];
/// assert!(same.iter().all(|text| parse_time(text) == parse_time(same[0]) && parse_time(text).is_some()));
/// assert!(parse_time("2026-10-03 05:41Z") == parse_time("2026-10-03T07:41+02:00") && parse_time("2026-10-03T05:41Z").is_some());
/// assert!(parse_time("yesterday").is_none());
/// ```
pub fn parse_time(text: &str) -> Option<DateTime<FixedOffset>> {
    let text = text.trim().replacen(' ', "T", 1);
    let local =
        || ["%Y-%m-%dT%H:%M:%S%.f", "%Y-%m-%dT%H:%M"].iter().find_map(|f| NaiveDateTime::parse_from_str(&text, f).ok());
    // RFC 3339 asks for seconds; people leave them out.
    let to_the_minute = || DateTime::parse_from_str(&text.replace('Z', "+00:00"), "%Y-%m-%dT%H:%M%:z").ok();
    DateTime::parse_from_rfc3339(&text)
        .ok()
        .or_else(to_the_minute)
        .or_else(|| local().map(|time| time.and_utc().fixed_offset()))
}

/// `YYYY-MM-DDTHH:MM:SSZ`.
pub fn utc_text(time: DateTime<impl chrono::TimeZone>) -> String {
    time.with_timezone(&Utc).to_rfc3339_opts(SecondsFormat::Secs, true)
}

/// For serde's `serialize_with`: `YYYY-MM-DDTHH:MM:SSZ`.
pub(crate) fn as_utc<S: serde::Serializer>(time: &DateTime<Utc>, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(&utc_text(*time))
}

/// For serde's `serialize_with`: a list of such times.
pub(crate) fn all_as_utc<S: serde::Serializer>(times: &[DateTime<Utc>], serializer: S) -> Result<S::Ok, S::Error> {
    serializer.collect_seq(times.iter().map(|time| utc_text(*time)))
}
