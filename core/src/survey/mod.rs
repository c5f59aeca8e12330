//! The records and rules of a survey: visit, stretch, sign, effort, finding.

mod assemble;
mod document;
mod finding;
mod folder;
mod later;
mod measures;
mod record;
mod time;
mod visit;
mod visit_file;

pub use document::document;
pub use finding::{Effort, Finding, Grade, StretchEffort, effort, findings};
pub use folder::{FolderError, FolderVisit, LeftOut, Progress, read_folder};
pub use later::{Check, Correction, LandownerConsent, Note, Verdict, Withdrawal};
pub use record::{
    Bank, Clock, Closed, Conditions, Consent, Identified, Opened, Person, PhotoAttached, PlacedBy, PrintMeasured,
    Record, SignKind, SignNoted, StretchWalked, TrackPiece, TrailMeasured,
};
pub use time::{parse_time, utc_text};
pub use visit::Visit;
pub use visit_file::{VisitFile, VisitFileError};
