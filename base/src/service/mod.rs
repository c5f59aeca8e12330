//! The team's base as an HTTP service. What is said: `rakelight_core::exchange::wire`, and `openapi.json` beside this file.

mod around;
mod bodies;
pub mod codes;
pub mod digests;
mod exchange;
mod health;
mod identity;
mod joining;
mod limits;
mod listen;
mod log;
mod metrics;
mod photographs;
mod picture;
mod problem;
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
pub use records::Records;
pub use state::State;

use limits::Limit;
use metrics::Counts;
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
    Identity(#[from] IdentityError),
    #[error("{path}: {source}; check the disk and the rights of the folder", path = .path.display())]
    File { path: PathBuf, source: std::io::Error },
    #[error("the system gives no random bytes: try again")]
    Randomness,
}

/// All that requests need.
pub struct Service {
    pub records: Records,
    pub state: State,
    pub identity: Identity,
    /// The base's own device id.
    device: String,
    seals: Seals,
    counts: Counts,
    uploads: PathBuf,
    requests_by_address: Limit<IpAddr>,
    requests_by_device: Limit<Id>,
    wrong_codes_by_address: Limit<IpAddr>,
    wrong_codes: Limit<()>,
}

type App = Arc<Service>;

impl Service {
    /// Opens the store in the folder `dir` and what belongs to the service beside it; makes both where there are none.
    pub fn open(dir: &Path) -> Result<Self, ServiceError> {
        let records = Records::open(dir)?;
        let state = State::open(dir)?;
        let identity = open_identity(dir)?;
        let uploads = dir.join("service").join("uploads");
        ensure_folder(&uploads)?;
        let fresh: [u8; 32] = random().map_err(|_| ServiceError::Randomness)?;
        let service = Self {
            device: records.device()?,
            seals: Seals::new(&state.setting("secret", &fresh)?),
            counts: Counts::default(),
            uploads,
            // A phone that hands over a hundred photographs asks three times for each.
            requests_by_address: Limit::new(2_000, 5),
            requests_by_device: Limit::new(1_000, 10),
            wrong_codes_by_address: Limit::new(10, 30_000),
            wrong_codes: Limit::new(60, 1_000),
            records,
            state,
            identity,
        };
        uploads::drop_old(&service, now_ms())?;
        spread_trust(&service.state, &service.records)?;
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
            .layer(middleware::from_fn_with_state(self.clone(), around::around))
            .with_state(self)
    }
}

/// The base's certificate, made where there is none.
pub fn open_identity(dir: &Path) -> Result<Identity, ServiceError> {
    let folder = dir.join("service");
    ensure_folder(&folder)?;
    Ok(Identity::open(&folder)?)
}

/// Tells the store whose withdrawals hold: the base's own and coordinators'. To be done whenever members change.
pub fn spread_trust(state: &State, records: &Records) -> Result<(), ServiceError> {
    Ok(records.trust(&trusted(state, records.device()?)?)?)
}

/// Whose entries a base takes; `None` where the store in `dir` isn't a base's.
pub fn admissions_of_base(dir: &Path) -> Result<Option<exchange::Admissions>, ServiceError> {
    if !dir.join(state::FILE).is_file() {
        return Ok(None);
    }
    Ok(Some(exchange::admissions_by(&State::open(dir)?, &Records::open(dir)?.device()?)?))
}

fn trusted(state: &State, base: String) -> Result<Vec<String>, state::StateError> {
    let coordinators = state.members()?.into_iter().filter(|member| member.role == Role::Coordinator && !member.barred);
    Ok(std::iter::once(base).chain(coordinators.map(|member| hex::encode(member.device))).collect())
}

/// The 32 bytes that 64 hexadecimal digits stand for.
pub fn id_of(text: &str) -> Option<Id> {
    hex::decode(text).ok()?.try_into().ok()
}

/// Milliseconds since 1970.
pub fn now_ms() -> i64 {
    chrono::Utc::now().timestamp_millis()
}

fn random<const N: usize>() -> Result<[u8; N], ring::error::Unspecified>
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
