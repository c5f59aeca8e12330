//! Counts for whoever watches the base (Prometheus text format 0.0.4). Nothing of the records: no names, places or devices.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};

/// Since the start.
#[derive(Default)]
pub struct Counts {
    /// By method, route and status.
    requests: Mutex<BTreeMap<(&'static str, String, u16), u64>>,
    pub entries_taken: AtomicU64,
    pub photographs_taken: AtomicU64,
    pub photograph_bytes_taken: AtomicU64,
    pub codes_refused: AtomicU64,
}

impl Counts {
    pub fn request(&self, method: &'static str, route: &str, status: u16) {
        let mut requests = self.requests.lock().unwrap_or_else(PoisonError::into_inner);
        *requests.entry((method, route.to_owned(), status)).or_default() += 1;
    }

    /// The page.
    pub fn page(&self) -> String {
        let head = |name: &str, help: &str| {
            format!("# HELP rakelight_{name}_total {help}\n# TYPE rakelight_{name}_total counter\n")
        };
        let mut page = head("requests", "Requests by route and status.");
        for ((method, route, status), n) in &*self.requests.lock().unwrap_or_else(PoisonError::into_inner) {
            let labels = format!("method=\"{method}\",route=\"{route}\",status=\"{status}\"");
            _ = writeln!(page, "rakelight_requests_total{{{labels}}} {n}");
        }
        for (name, help, count) in [
            ("entries_taken", "Entries taken in.", &self.entries_taken),
            ("photographs_taken", "Photographs taken in.", &self.photographs_taken),
            ("photograph_bytes_taken", "Bytes of the photographs taken in.", &self.photograph_bytes_taken),
            ("codes_refused", "Invitation codes that nobody was given.", &self.codes_refused),
        ] {
            page += &head(name, help);
            _ = writeln!(page, "rakelight_{name}_total {}", count.load(Ordering::Relaxed));
        }
        page
    }
}
