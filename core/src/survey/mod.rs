//! The records and rules of a survey: visit, stretch, sign, effort, finding.

mod absence;
mod assemble;
mod cautions;
mod checking;
mod document;
mod finding;
mod folder;
mod freshness;
mod later;
mod lots;
mod map;
mod measures;
mod protocol;
mod record;
mod recording;
mod searched;
pub(crate) mod season;
mod visit;
mod visit_file;

pub use crate::time::{parse_time, utc_text};
pub use absence::{Absence, AbsenceError, Chance, Detection, Lowers, Missed, absence};
pub use cautions::{Caution, Occasion, caution_texts, cautions};
pub use checking::{Found, Opinion, Stage, ToCheck, to_check, was_there};
pub use document::document;
pub use finding::{Effort, Finding, Grade, StretchEffort, absence_texts, effort, findings};
pub use folder::{FolderError, FolderVisit, LeftOut, Progress, read_folder};
pub use freshness::{FreshnessClass, classes, younger_than_h};
pub use later::{Check, Correction, LandownerConsent, Note, Verdict, Withdrawal};
pub use lots::{Candidate, Draw, DrawError, Drawn, Square, draw};
pub use map::{LineKind, Map, MapLine, MapMark, MapOf, MarkKind};
pub use protocol::{
    Banks, End, Length, Places, Protocol, ProtocolError, Season, Sourced, Stop, Visits, Weather, Which,
};
pub use record::{
    Bank, Clock, Closed, Conditions, Consent, Identified, Opened, Person, PhotoAttached, PlacedBy, PrintMeasured,
    Record, SampleTaken, SignKind, SignNoted, StretchWalked, TrackPiece, TrailMeasured,
};
pub use recording::{Recording, RecordingError, Step, Taken};
pub use searched::{OnStretch, Repairs, Searched, SearchedError, TimedPlace, along, searched};
pub use season::{
    MayEnter, Permission, PlaceGiven, PlacePlanned, SeasonError, SeasonPlan, SpotPlanned, State, Task, Walk, name_key,
    same_name, walks,
};
pub use visit::Visit;
pub use visit_file::{VisitFile, VisitFileError};
