//! What the phone may call, and nothing else (UniFFI).
//!
//! One [`Workspace`] lives as long as the app. A call is one step of the job: it takes paths and records, does the step in the core,
//! writes what came of it to the store, and returns a record; no pixels cross. Errors are [`ShellError`], by what the shell does about
//! them. Every call may take long: call from a background thread.

mod connection;
mod day;
mod error;
mod exchange;
mod ground;
mod key;
mod maker;
mod picture;
mod preview;
mod prints;
mod records;
mod trail;
mod visit;
mod workspace;

pub use connection::{Connections, HttpHeader, HttpRequest, HttpResponse, KnownBase, Transport, TransportFailure};
pub use day::{DayWithout, DaysAsked, DaysPlanned, PlaceGiven, ShoreAsked, SunNow, TideTurn, WindowPlanned};
pub use error::ShellError;
pub use exchange::{ExchangeOutcome, ExchangeProgress, ExchangeStep, RefusedEntries, RefusedPhotograph, RefusedReason};
pub use ground::{GroundLook, Light, PadProposal};
pub use key::{KeyError, KeyWrapping};
pub use maker::{Answer, Candidate, Features, Finding, Look};
pub use preview::{PreviewSeen, PreviewWord, look_at_preview, read_code};
pub use prints::{Mark, Marks, PhotoAdded, PrintReading, Scale};
pub use records::{
    Arrangement, Consent, Content, Dropping, Feature, Foot, Form, Grade, Length, MeasureName, Moment, PadKind, Pattern,
    Point, Remains, Setting, Side, SignKind, Smell, Standing, TrailFit, Travel, Vegetation,
};
pub use trail::{
    NamedPrint, PatternShare, PrintInTrail, PublishedTrail, TrailAnswer, TrailMark, TrailMarks, TrailPicture,
    TrailPictures, TrailSection, TrailValue,
};
pub use visit::VisitHead;
pub use workspace::Workspace;

uniffi::setup_scaffolding!("rakelight");
