//! The team's entries: what requests ask of them, wherever they are kept.

mod folder;

use rakelight_core::exchange::wire::Accepted;
use rakelight_core::store::{Admission, Heads};

use super::ServiceError;

pub use folder::Folder;

/// See [`rakelight_core::store::Store`], whose methods of the same names say what is meant.
pub trait Records: Send + Sync {
    /// The base's own device id.
    fn device(&self) -> Result<String, ServiceError>;

    fn heads(&self) -> Result<Heads, ServiceError>;

    fn lacking(&self, theirs: &Heads, limit: usize) -> Result<Vec<u8>, ServiceError>;

    fn accept(&self, entries: &[u8], may_write: &dyn Fn(&str) -> Admission) -> Result<Accepted, ServiceError>;

    /// Photographs that entries speak of and that aren't there, at most so many.
    fn wanted(&self, limit: usize) -> Result<Vec<String>, ServiceError>;

    /// Whether entries speak of this photograph while it isn't there.
    fn wants(&self, sha256: &str) -> Result<bool, ServiceError>;

    /// Whose withdrawals of others' entries hold.
    fn trust(&self, devices: &[String]) -> Result<(), ServiceError>;

    /// Devices whose log forked.
    fn forks(&self) -> Result<Vec<String>, ServiceError>;

    /// Whether they can be read now.
    fn check(&self) -> Result<(), ServiceError>;
}
