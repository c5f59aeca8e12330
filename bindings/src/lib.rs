//! What the phone may call, and nothing else (UniFFI).
//!
//! One [`Workspace`] lives as long as the app. A call is one step of the job: it takes paths and records, does the step in the core,
//! writes what came of it to the store, and returns a record; no pixels cross. Errors are [`ShellError`], by what the shell does about
//! them. Every call may take long: call from a background thread.

mod choices;
mod connection;
mod day;
#[cfg(test)]
mod demo;
mod drafts;
mod error;
mod exchange;
mod ground;
mod key;
mod maker;
mod map;
mod picture;
mod preview;
mod prints;
mod records;
mod sign;
mod trail;
mod visit;
mod walk;
mod workspace;

pub use choices::{Choice, Choices};
pub use connection::{Connections, HttpHeader, HttpRequest, HttpResponse, KnownBase, Transport, TransportFailure};
pub use day::{DayWithout, DaysAsked, DaysPlanned, PlaceGiven, ShoreAsked, SunNow, TideTurn, WindowPlanned};
pub use error::ShellError;
pub use exchange::{ExchangeOutcome, ExchangeProgress, ExchangeStep, RefusedEntries, RefusedPhotograph, RefusedReason};
pub use ground::{GroundLook, Light, PadProposal};
pub use key::{KeyError, KeyWrapping};
pub use maker::{Answer, Candidate, Look, PrintSeen, Seen};
pub use map::{LineKind, MapDrawn, MapLine, MapMark, MapPoint, MarkKind};
pub use preview::{PreviewSeen, PreviewWord, look_at_preview, read_code};
pub use prints::{Mark, Marks, PhotoAdded, PrintReading, Scale, ScaleBy};
pub use records::{
    Arrangement, Consent, Content, Dropping, Feature, Foot, Form, Grade, Length, MeasureName, Moment, PadKind, Pattern,
    Place, Point, Remains, Setting, Side, SignKind, Smell, Standing, TrailFit, Travel, Vegetation,
};
pub use sign::{Sample, SignForm, SignLine};
pub use trail::{
    NamedPrint, PatternShare, PrintInTrail, PublishedTrail, TrailAnswer, TrailMark, TrailMarks, TrailPicture,
    TrailPictures, TrailSection, TrailValue,
};
pub use visit::{Finding, VisitHead, VisitLine, Weather};
pub use walk::{
    Bank, Fix, FixKept, LonLat, ShoreNow, ShoreState, Span, StretchNow, StretchPlanned, StretchSearched, Walking,
};
pub use workspace::{Stored, Workspace};

uniffi::setup_scaffolding!("rakelight");
