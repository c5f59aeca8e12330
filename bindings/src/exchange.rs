//! The exchange with a base: what the team wrote comes, what was written here goes.

use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;

use rakelight_core::exchange::wire::Reason;
use rakelight_core::exchange::{
    Base, Exchanged, Invitation, Meant, Photographs, Progress, Step, TransportError, exchange_with_base,
};
use rakelight_core::store::Admission;

use crate::connection::Shells;
use crate::{Connections, KnownBase, ShellError, Workspace};

/// What is under way.
pub type ExchangeStep = Step;

#[uniffi::remote(Enum)]
enum ExchangeStep {
    EntriesIn,
    EntriesOut,
    PhotographsIn,
    PhotographsOut,
}

/// Why an entry can't be taken.
pub type RefusedReason = Reason;

#[uniffi::remote(Enum)]
enum RefusedReason {
    Unreadable,
    NewerFormat,
    TooLarge,
    Changed,
    ChainBroken,
    BadSignature,
    UnknownDevice,
    BarredDevice,
    TooFarAhead,
}

/// Hears how far it is. Implemented by the shell.
#[uniffi::export(with_foreign)]
pub trait ExchangeProgress: Send + Sync {
    /// So many entries, or bytes of photographs, are done in this step. Whether to go on; whatever is thrown stops it too.
    fn at(&self, step: ExchangeStep, done: i64) -> bool;
}

/// Entries that one side couldn't take from the other.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
#[allow(missing_docs)]
pub struct RefusedEntries {
    pub reason: RefusedReason,
    pub entries: i32,
}

/// A photograph that the base doesn't take.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct RefusedPhotograph {
    /// Its name in the store.
    pub sha256: String,
    /// Why, in the base's words.
    pub why: String,
}

/// What an exchange brought.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct ExchangeOutcome {
    /// New here.
    pub entries_in: i32,
    /// New at the base.
    pub entries_out: i32,
    /// New here.
    pub photographs_in: i32,
    /// New at the base.
    pub photographs_out: i32,
    /// Neither here nor at the base; looked for only where photographs were to come.
    pub photographs_missing: i32,
    /// By reason.
    pub refused: Vec<RefusedEntries>,
    /// Each of them.
    pub photographs_refused: Vec<RefusedPhotograph>,
    /// Devices whose log was written on in two places, after a copy: both are kept, the team should know.
    pub forked: Vec<String>,
}

impl From<Exchanged> for ExchangeOutcome {
    fn from(done: Exchanged) -> Self {
        let mut by_reason = BTreeMap::new();
        for refused in &done.refused {
            *by_reason.entry(refused.reason).or_default() += 1;
        }
        let photograph = |(sha256, why)| RefusedPhotograph { sha256, why };
        Self {
            entries_in: done.entries_in as i32,
            entries_out: done.entries_out as i32,
            photographs_in: done.photographs_in as i32,
            photographs_out: done.photographs_out as i32,
            photographs_missing: done.photographs_missing as i32,
            refused: by_reason.into_iter().map(|(reason, entries)| RefusedEntries { reason, entries }).collect(),
            photographs_refused: done.photographs_refused.into_iter().map(photograph).collect(),
            forked: done.forked,
        }
    }
}

#[uniffi::export]
impl Workspace {
    /// Takes an invitation up (`rakelight:join?…`, as its QR code says it), and exchanges with its base.
    #[uniffi::method(default(photographs_in = false))]
    pub fn join(
        &self,
        invitation: String,
        connections: Arc<dyn Connections>,
        progress: Arc<dyn ExchangeProgress>,
        photographs_in: bool,
    ) -> Result<ExchangeOutcome, ShellError> {
        let invitation: Invitation = invitation.parse().map_err(ShellError::input)?;
        self.exchange_with(&invitation.into(), &*connections, &*progress, photographs_in)
    }

    /// Exchanges with a base that this device has joined. The phone's own pictures go, others' come only with `photographs_in`. Records can be
    /// written meanwhile; those may wait for the next exchange.
    #[uniffi::method(default(photographs_in = false))]
    pub fn exchange(
        &self,
        address: String,
        connections: Arc<dyn Connections>,
        progress: Arc<dyn ExchangeProgress>,
        photographs_in: bool,
    ) -> Result<ExchangeOutcome, ShellError> {
        let meant = Meant::joined(&address, self.store().dir())?;
        self.exchange_with(&meant, &*connections, &*progress, photographs_in)
    }

    /// The bases that this device has joined, the latest first.
    pub fn bases(&self) -> Result<Vec<KnownBase>, ShellError> {
        let known = Base::all(self.store().dir())?;
        Ok(known.into_iter().map(KnownBase::from).collect())
    }
}

impl Workspace {
    /// Decision: an exchange takes long on a poor line and has a connection to the store of its own, so that the workspace's lock is free and the
    /// worker records meanwhile. SQLite lets both read and one of them write; the other waits up to five seconds, and then gets
    /// [`ShellError::Busy`] and has lost nothing. No transaction is open while the base is waited for.
    fn exchange_with(
        &self,
        meant: &Meant,
        connections: &dyn Connections,
        progress: &dyn ExchangeProgress,
        photographs_in: bool,
    ) -> Result<ExchangeOutcome, ShellError> {
        let mut store = self.store().again()?;
        let photographs = if photographs_in { Photographs::Both } else { Photographs::OutOnly };
        let transport = connections.to(meant.base.clone().into());
        let transport = transport.map_err(|failure| TransportError::from(failure).at(&meant.base.address))?;
        // A panic here is how UniFFI tells of what the shell threw.
        let mut going = |Progress { step, done }: Progress| match catch_unwind(AssertUnwindSafe(|| {
            progress.at(step, i64::try_from(done).unwrap_or(i64::MAX))
        })) {
            Ok(true) => ControlFlow::Continue(()),
            Ok(false) | Err(_) => ControlFlow::Break(()),
        };
        let welcome = |_: &str| Admission::Welcome;
        let done = exchange_with_base(&mut store, meant, &Shells(transport), photographs, &welcome, &mut going)?;
        Ok(done.into())
    }
}
