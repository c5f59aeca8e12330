//! What belongs to the service alone: members, invitations, uploads, settings.

mod passkeys;
mod people;
mod sqlite;

use rakelight_core::exchange::wire::Role;

use super::{Id, ServiceError};

pub use passkeys::Passkey;
pub use people::{Person, PersonId, SummaryLink};
pub use sqlite::{FILE, Sqlite, StateError};

/// A random name of 128 bits.
pub type UploadId = [u8; 16];

/// A device that may exchange.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Member {
    pub device: Id,
    pub name: String,
    pub role: Role,
    pub barred: bool,
    pub joined_ms: i64,
    pub last_exchange_ms: Option<i64>,
}

/// Who may join with a code.
pub struct Invited {
    pub code_sha256: Id,
    pub name: String,
    pub role: Role,
    pub expires_ms: i64,
}

/// What became of an invitation's code.
#[derive(Debug, PartialEq, Eq)]
pub enum Joined {
    Member(Member),
    Barred,
    NoSuchCode,
    Used,
    Expired,
}

/// A photograph that is on its way.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Upload {
    pub id: UploadId,
    pub sha256: Id,
    pub bytes: u64,
    pub device: Id,
    pub begun_ms: i64,
    /// The photograph is in the store.
    pub done: bool,
}

/// Whether an upload was begun.
pub enum Begun {
    /// In place of this one.
    InPlaceOf(Option<UploadId>),
    /// The device has to finish others first.
    TooMany,
}

/// Where it is kept. Several processes may use it.
pub trait State: Send + Sync {
    /// A setting's value; `new` makes it where there is none.
    fn setting(&self, name: &str, new: &[u8]) -> Result<Vec<u8>, ServiceError>;

    /// Where the service was last started, as it was given.
    fn set_listen(&self, address: &str) -> Result<(), ServiceError>;

    /// See [`State::set_listen`].
    fn listen(&self) -> Result<Option<String>, ServiceError>;

    /// Keeps an invitation, and forgets those that ended [a while](REMEMBERED_MS) ago.
    fn invite(&self, invited: &Invited, now_ms: i64) -> Result<(), ServiceError>;

    /// A device joins with a code. A device that asks again, because the answer was lost, gets the same answer.
    fn join(&self, code_sha256: &Id, device: &Id, now_ms: i64) -> Result<Joined, ServiceError>;

    /// Makes a device a member, or gives it another name and role. One that is barred stays barred.
    fn admit(&self, device: &Id, name: &str, role: Role, now_ms: i64) -> Result<(), ServiceError>;

    /// The member with this device.
    fn member(&self, device: &Id) -> Result<Option<Member>, ServiceError>;

    /// All members by name.
    fn members(&self) -> Result<Vec<Member>, ServiceError>;

    /// Bars a member or lets it in again; whether there is such a one.
    fn set_barred(&self, device: &Id, barred: bool) -> Result<bool, ServiceError>;

    /// Gives a member another role; whether there is such a one.
    fn set_role(&self, device: &Id, role: Role) -> Result<bool, ServiceError>;

    /// A member exchanged now.
    fn exchanged(&self, device: &Id, now_ms: i64) -> Result<(), ServiceError>;

    /// Begins an upload in place of one of the same device and photograph, unless the device has `most` others that aren't done.
    fn begin(&self, upload: &Upload, most: u32) -> Result<Begun, ServiceError>;

    /// The upload with this id.
    fn upload(&self, id: &UploadId) -> Result<Option<Upload>, ServiceError>;

    /// The upload's photograph is in the store.
    fn done(&self, id: &UploadId) -> Result<(), ServiceError>;

    /// Forgets an upload.
    fn forget(&self, id: &UploadId) -> Result<(), ServiceError>;

    /// Forgets uploads that began before a time; their ids.
    fn forget_before(&self, begun_ms: i64) -> Result<Vec<UploadId>, ServiceError>;
}

/// Invitations are remembered for so long after their end.
pub const REMEMBERED_MS: i64 = 30 * 24 * 3_600_000;

/// What becomes of a code that these members of a base hold: who used the invitation, when it ends, and the member that this device is.
pub fn refusal(
    device: &Id,
    used_by: Option<Id>,
    expires_ms: i64,
    known: Option<Member>,
    now_ms: i64,
) -> Option<Joined> {
    match (used_by, known) {
        (_, Some(known)) if known.barred => Some(Joined::Barred),
        (Some(by), Some(known)) if by == *device => Some(Joined::Member(known)),
        (Some(_), _) => Some(Joined::Used),
        (None, _) if expires_ms <= now_ms => Some(Joined::Expired),
        (None, _) => None,
    }
}

/// A role as it is written everywhere.
pub fn role_name(role: Role) -> &'static str {
    match role {
        Role::FieldWorker => "field_worker",
        Role::Checker => "checker",
        Role::Coordinator => "coordinator",
    }
}

/// The role of this name.
pub fn role_of(name: &str) -> Option<Role> {
    [Role::FieldWorker, Role::Checker, Role::Coordinator].into_iter().find(|role| role_name(*role) == name)
}
