//! The pages for those who check and coordinate: HTML made here, whole without JavaScript, quicker with it.
//!
//! Every page is asked for by an [`ask::Ask`], which knows who asks; what is changed becomes entries of the base's own log, with their author.

mod ask;
mod drawing;
mod exports;
mod fields;
mod findings;
mod form;
mod list;
mod log_in;
mod passkeys;
mod passwords;
mod people;
mod photographs;
mod places;
mod refusal;
mod samples;
mod sign;
mod statics;
mod summaries;
mod templates;
mod to_check;
mod visits;

#[cfg(test)]
mod tests;

use std::net::IpAddr;
use std::sync::Arc;

use axum::http::{HeaderValue, Response, header};
use axum::routing::{get, post};
use axum::{Router, middleware};
use chrono::Utc;
use rakelight_core::store::Store;
use rakelight_core::survey::{Record, SeasonPlan, Visit};

use super::limits::Limit;
use super::seals::Seals;
use super::{Folder, Id, ServiceError, Sqlite, identity::Identity};
use list::List;
use passkeys::Passkeys;
use photographs::Pictures;
use refusal::Refusal;
use templates::Templates;

/// All that pages need.
pub struct Pages {
    store: Arc<Folder>,
    state: Arc<Sqlite>,
    seals: Seals,
    /// The base's certificate, for invitations.
    certificate: Id,
    list: List,
    pictures: Pictures,
    templates: Templates,
    /// Where map tiles come from, where the team wants any: `https://tiles.example/{z}/{x}/{y}.png`.
    tiles: Option<Tiles>,
    wrong_passwords: Limit<Id>,
    wrong_passwords_by_address: Limit<IpAddr>,
    wrong_links_by_address: Limit<IpAddr>,
    passkeys: Passkeys,
    passkeys_by_address: Limit<IpAddr>,
}

/// Tiles of a map that the team may use.
#[derive(Debug, Clone, serde::Serialize)]
pub struct Tiles {
    /// With `{z}`, `{x}` and `{y}` in it.
    pub address: String,
    /// What their maker asks to be written beside them.
    pub credit: String,
}

type Site = Arc<Pages>;

impl Pages {
    pub fn new(
        store: Arc<Folder>,
        state: Arc<Sqlite>,
        secret: &[u8],
        identity: &Identity,
        tiles: Option<Tiles>,
    ) -> Result<Self, ServiceError> {
        Ok(Self {
            store,
            state,
            seals: Seals::new(secret),
            certificate: identity.fingerprint(),
            list: List::default(),
            pictures: Pictures::default(),
            templates: Templates::load()?,
            tiles,
            wrong_passwords: Limit::new(5, 60_000_000),
            wrong_passwords_by_address: Limit::new(20, 15_000_000),
            wrong_links_by_address: Limit::new(20, 15_000_000),
            passkeys: Passkeys::default(),
            passkeys_by_address: Limit::new(20, 15_000_000),
        })
    }

    /// Reads the store for the lists, so that the first who asks needn't wait.
    pub fn read_lists(&self) {
        drop(self.list.now(&self.store));
    }

    /// Their routes.
    pub fn router(self: Arc<Self>) -> Router {
        let policy = self.policy();
        Router::new()
            .route("/", get(to_check::home))
            .route("/log-in", get(log_in::page).post(log_in::with_password))
            .route("/log-in/passkey/ask", post(passkeys::ask_log_in))
            .route("/log-in/passkey", post(passkeys::log_in))
            .route("/log-in/{token}", get(log_in::link).post(log_in::with_link))
            .route("/log-out", post(log_in::out))
            .route("/me", get(log_in::me).post(log_in::set_password))
            .route("/me/passkeys/ask", post(passkeys::ask_new))
            .route("/me/passkeys", post(passkeys::made))
            .route("/me/passkeys/remove", post(passkeys::remove))
            .route("/to-check", get(to_check::list))
            .route("/visits/{visit}/signs/{sign}", get(sign::page).post(sign::check))
            .route("/visits/{visit}/signs/{sign}/answer", post(sign::answer))
            .route("/photographs/{sha256}/{view}", get(photographs::view))
            .route("/agreement", get(to_check::agreement))
            .route("/places", get(places::list))
            .route("/place", get(places::place))
            .route("/map.json", get(places::map))
            .route("/visits", get(visits::list))
            .route("/visits/{visit}", get(visits::visit))
            .route("/visits/{visit}/consent", post(visits::consent))
            .route("/visits/{visit}/findings", post(visits::show))
            .route("/visits/{visit}/summary", get(summaries::preview).post(summaries::give))
            .route("/visits/{visit}/summary/withdraw", post(summaries::withdraw))
            .route("/summary/{token}", get(summaries::by_link))
            .route("/samples", get(samples::list))
            .route("/samples/contents", post(samples::contents_found))
            .route("/samples/hand-over", post(samples::hand_over))
            .route("/people", get(people::list))
            .route("/people/invite", post(people::invite))
            .route("/people/bar", post(people::bar))
            .route("/form", get(form::paper))
            .route("/type-in", get(form::page).post(form::typed))
            .route("/report", get(summaries::report))
            .route("/export", get(exports::page).post(exports::download))
            .route("/findings", get(findings::page))
            .route("/static/{name}", get(statics::file))
            .layer(middleware::map_response(move |response| guarded(response, policy.clone())))
            .with_state(self)
    }

    /// Nothing but the base's own files, and tiles where the team wants any.
    fn policy(&self) -> HeaderValue {
        let tiles = self.tiles.as_ref().and_then(|tiles| origin(&tiles.address)).unwrap_or_default();
        let policy = format!(
            "default-src 'none'; img-src 'self' data: {tiles}; style-src 'self'; script-src 'self'; connect-src 'self'; \
             form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
        );
        HeaderValue::try_from(policy).unwrap_or(HeaderValue::from_static("default-src 'none'"))
    }

    /// Reads and changes the store.
    fn with_store<T>(
        &self,
        work: impl FnOnce(&mut Store) -> Result<T, rakelight_core::store::StoreError>,
    ) -> Result<T, Refusal> {
        Ok(self.store.with(work)?)
    }

    /// A connection of one's own, for what takes long: others go on with the common one meanwhile.
    fn own_store(&self) -> Result<Store, rakelight_core::store::StoreError> {
        Store::open(self.store.dir())
    }

    /// All visits, which takes long in a large store.
    fn all_visits(&self) -> Result<Vec<Visit>, Refusal> {
        self.own_store().and_then(|store| store.all_visits()).map_err(Refusal::machine)
    }

    /// All seasons that are planned.
    fn plans(&self) -> Result<Vec<SeasonPlan>, Refusal> {
        self.with_store(|store| store.all_seasons())
    }

    /// Writes records of a visit into the base's own log, in a person's name.
    fn write(&self, visit: &str, author: &str, records: &[Record]) -> Result<(), Refusal> {
        self.with_store(|store| store.write_records(visit, author, records, Utc::now()))?;
        Ok(())
    }
}

/// `https://tiles.example` of an address.
fn origin(address: &str) -> Option<String> {
    let (scheme, rest) = address.split_once("://")?;
    let host = rest.split('/').next().filter(|host| !host.is_empty() && !host.contains(['{', ' ', ';', ',']))?;
    matches!(scheme, "https" | "http").then(|| format!("{scheme}://{host}"))
}

/// What is the same for all pages: who may frame them, what they may load, and that no address of them gets out.
async fn guarded<B>(mut response: Response<B>, policy: HeaderValue) -> Response<B> {
    let headers = response.headers_mut();
    headers.entry(header::CONTENT_SECURITY_POLICY).or_insert(policy);
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    headers.insert(header::REFERRER_POLICY, HeaderValue::from_static("no-referrer"));
    headers.insert("cross-origin-opener-policy", HeaderValue::from_static("same-origin"));
    headers.insert("cross-origin-resource-policy", HeaderValue::from_static("same-origin"));
    response
}
