//! The team's base as an HTTP service. What is said: `rakelight_core::exchange::wire`, and `openapi.json` beside this file.

mod around;
mod bodies;
pub mod codes;
pub mod digests;
mod exchange;
mod health;
mod identity;
mod joining;
pub mod kept;
mod limits;
mod listen;
mod log;
mod metrics;
mod pages;
mod photographs;
mod picture;
pub mod postgres;
mod problem;
pub mod qr;
mod records;
mod seals;
mod session;
pub mod state;
mod uploads;

#[cfg(test)]
mod tests;

use std::fs::OpenOptions;
use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use axum::http::StatusCode;
use axum::routing::{get, patch, post};
use axum::{Router, middleware};
use rakelight_core::exchange::wire::Role;
use rakelight_core::store::StoreError;

pub use identity::{Identity, IdentityError};
pub use listen::run;
pub use pages::Tiles;
pub use records::{Folder, Records};
pub use state::{Sqlite, State};

use kept::{Files, Kept, Objects, ObjectsError};
use limits::Limit;
use metrics::Counts;
use pages::Pages;
use postgres::{Database, DatabaseError};
use problem::Problem;
use seals::Seals;

/// A device id, or a photograph's SHA-256.
pub type Id = [u8; 32];

/// Why there is no service.
#[derive(Debug, thiserror::Error)]
pub enum ServiceError {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error(transparent)]
    State(#[from] state::StateError),
    #[error(transparent)]
    Database(#[from] DatabaseError),
    #[error(transparent)]
    Objects(#[from] ObjectsError),
    #[error(transparent)]
    Identity(#[from] IdentityError),
    #[error("the setting device_key isn't a key: bring the database back from a backup")]
    DeviceKey,
    #[error("{path}: {source}; check the disk and the rights of the folder", path = .path.display())]
    File { path: PathBuf, source: std::io::Error },
    #[error("the system gives no random bytes: try again")]
    Randomness,
    #[error("the pages can't be made: {0}")]
    Pages(String),
}

/// What makes a base, wherever it is kept.
pub struct Base {
    pub records: Arc<dyn Records>,
    pub state: Arc<dyn State>,
    pub identity: Identity,
}

impl Base {
    /// In the store's folder, made where there is none, and beside it.
    pub fn in_folder(dir: &Path) -> Result<Self, ServiceError> {
        Self::of_folder(dir, Arc::new(Folder::open(dir)?), Arc::new(Sqlite::open(dir)?))
    }

    fn of_folder(dir: &Path, records: Arc<Folder>, state: Arc<Sqlite>) -> Result<Self, ServiceError> {
        let folder = dir.join("service");
        ensure_folder(&folder)?;
        Ok(Self { records, state, identity: Identity::open(&folder)? })
    }

    /// In PostgreSQL; whoever comes second where two programs start at once takes the first one's certificate.
    pub fn in_postgres(address: &str) -> Result<Self, ServiceError> {
        let database = Arc::new(Database::open(address)?);
        Self::of_database(&database)
    }

    fn of_database(database: &Arc<Database>) -> Result<Self, ServiceError> {
        let identity = Identity::of_pem(&database.setting("identity", Identity::new_pem()?.as_bytes())?)?;
        Ok(Self { records: database.clone(), state: database.clone(), identity })
    }

    /// Tells the store whose withdrawals hold: the base's own and coordinators'. To be done whenever members change.
    pub fn spread_trust(&self) -> Result<(), ServiceError> {
        self.records.trust(&trusted(&*self.state)?)
    }
}

/// All that requests need.
pub struct Service {
    pub base: Base,
    kept: Box<dyn Kept>,
    /// The base's own device id.
    device: String,
    seals: Seals,
    counts: Counts,
    requests_by_address: Limit<IpAddr>,
    requests_by_device: Limit<Id>,
    wrong_codes_by_address: Limit<IpAddr>,
    wrong_codes: Limit<()>,
    /// Pages for people; there are none where the base is kept in PostgreSQL.
    pages: Option<Arc<Pages>>,
}

type App = Arc<Service>;

impl Service {
    /// Opens the store in the folder `dir` and what belongs to the service beside it; makes both where there are none.
    pub fn in_folder(dir: &Path, requests_per_second: u32, tiles: Option<Tiles>) -> Result<Self, ServiceError> {
        let (records, state) = (Arc::new(Folder::open(dir)?), Arc::new(Sqlite::open(dir)?));
        let base = Base::of_folder(dir, records.clone(), state.clone())?;
        let mut service = Self::open(base, Box::new(Files::open(dir)?), requests_per_second)?;
        let secret = service.base.state.setting("secret", &[])?;
        service.pages = Some(Arc::new(Pages::new(records, state, &secret, &service.base.identity, tiles)?));
        Ok(service)
    }

    /// Opens the base in PostgreSQL, with photographs in a bucket (`s3://bucket/prefix`) or a folder. To be called where a runtime is at hand.
    pub fn in_postgres(address: &str, photographs: &str, requests_per_second: u32) -> Result<Self, ServiceError> {
        let database = Arc::new(Database::open(address)?);
        let kept = Objects::open(photographs, database.clone())?;
        Self::open(Base::of_database(&database)?, Box::new(kept), requests_per_second)
    }

    fn open(base: Base, kept: Box<dyn Kept>, requests_per_second: u32) -> Result<Self, ServiceError> {
        let device = base.records.device()?;
        // A base that was restored has another id; what the old one wrote is the base's own all the same.
        if let Some(id) = id_of(&device).filter(|id| base.state.member(id).is_ok_and(|member| member.is_none())) {
            base.state.admit(&id, "Base", Role::Coordinator, now_ms())?;
        }
        let per_second = i64::from(requests_per_second.max(1));
        let fresh: [u8; 32] = random().map_err(|_| ServiceError::Randomness)?;
        let service = Self {
            device,
            seals: Seals::new(&base.state.setting("secret", &fresh)?),
            counts: Counts::default(),
            // A phone that hands over a hundred photographs asks three times for each.
            requests_by_address: Limit::new(10 * per_second, 1_000_000 / per_second),
            requests_by_device: Limit::new(5 * per_second, 2_000_000 / per_second),
            wrong_codes_by_address: Limit::new(10, 30_000_000),
            wrong_codes: Limit::new(60, 1_000_000),
            base,
            kept,
            pages: None,
        };
        uploads::drop_old(&service, now_ms())?;
        service.base.spread_trust()?;
        Ok(service)
    }

    fn router(self: Arc<Self>) -> Router {
        let uploads = Router::new()
            .route("/v1/uploads", post(uploads::create).options(uploads::options))
            .route(
                "/v1/uploads/{id}",
                patch(uploads::append).head(uploads::offset).delete(uploads::end).options(uploads::options),
            )
            .layer(middleware::from_fn(uploads::speak_tus));
        let pages = self.pages.clone().map_or_else(Router::new, Pages::router);
        Router::new()
            .route("/v1/challenge", get(joining::challenge))
            .route("/v1/join", post(joining::join))
            .route("/v1/session", post(joining::session))
            .route("/v1/heads", get(exchange::heads))
            .route("/v1/entries/lacking", post(exchange::lacking))
            .route("/v1/entries", post(exchange::entries))
            .route("/v1/photographs/wanted", get(exchange::wanted))
            .route("/v1/photographs/{sha256}", get(photographs::photograph))
            .merge(uploads)
            .route("/health", get(health::health))
            .route("/metrics", get(health::metrics))
            .route("/openapi.json", get(health::openapi))
            .fallback(async || Problem::not_found("nothing is here: GET /openapi.json says what there is"))
            .method_not_allowed_fallback(async || {
                Problem::new(StatusCode::METHOD_NOT_ALLOWED, "this can't be done here: Allow says what can")
            })
            .with_state(self.clone())
            .merge(pages)
            .layer(middleware::from_fn_with_state(self, around::around))
    }
}

/// Whose entries a base takes; `None` where the store in `dir` isn't a base's.
pub fn admissions_of_base(dir: &Path) -> Result<Option<exchange::Admissions>, ServiceError> {
    if !dir.join(state::FILE).is_file() {
        return Ok(None);
    }
    exchange::admissions(&Sqlite::open(dir)?).map(Some)
}

/// Coordinators, of which the base is one.
fn trusted(state: &dyn State) -> Result<Vec<String>, ServiceError> {
    let coordinators = state.members()?.into_iter().filter(|member| member.role == Role::Coordinator && !member.barred);
    Ok(coordinators.map(|member| hex::encode(member.device)).collect())
}

/// The 32 bytes that 64 hexadecimal digits stand for.
pub fn id_of(text: &str) -> Option<Id> {
    hex::decode(text).ok()?.try_into().ok()
}

/// Milliseconds since 1970.
pub fn now_ms() -> i64 {
    chrono::Utc::now().timestamp_millis()
}

/// Bytes of the system's randomness.
pub fn random<const N: usize>() -> Result<[u8; N], ring::error::Unspecified>
where
    [u8; N]: ring::rand::RandomlyConstructable,
{
    Ok(ring::rand::generate(&ring::rand::SystemRandom::new())?.expose())
}

fn ensure_folder(path: &Path) -> Result<(), ServiceError> {
    std::fs::create_dir_all(path).map_err(|source| ServiceError::File { path: path.to_owned(), source })
}

/// What is written is its owner's alone: names, keys, photographs of places of protected animals.
fn private() -> OpenOptions {
    let mut options = OpenOptions::new();
    options.write(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    options
}

/// Work that waits for a disk, off the threads that answer.
async fn blocking<T: Send + 'static>(
    app: &App,
    work: impl FnOnce(&Service) -> Result<T, Problem> + Send + 'static,
) -> Result<T, Problem> {
    let app = app.clone();
    tokio::task::spawn_blocking(move || work(&app)).await.map_err(Problem::machine)?
}
