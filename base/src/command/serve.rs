//! `rakelight serve`: the base on the network.

use std::io::Write;
use std::net::{SocketAddr, TcpListener};
use std::path::{Path, PathBuf};

use clap::Args;
use rakelight_core::store::Store;
use rakelight_core::words::Words;

use super::print_json;
use crate::failure::Failure;
use crate::service::kept::ObjectsError;
use crate::service::postgres::DatabaseError;
use crate::service::{self, Base, Service, ServiceError, Tiles};

/// Where the base is, and where it listens.
#[derive(Args)]
pub struct Arguments {
    #[command(flatten)]
    place: Place,
    /// With --database: where photographs are, as s3://bucket/prefix (and the usual AWS_… variables) or a folder that all processes share.
    #[arg(long, value_name = "BUCKET|DIR", conflicts_with = "store", required_unless_present = "store")]
    photos: Option<String>,
    /// Address and port. 0.0.0.0:8443 listens on every network the machine is in.
    #[arg(long, default_value = "127.0.0.1:8443", value_name = "ADDRESS:PORT")]
    listen: SocketAddr,
    /// So many requests a second are answered to one address, half as many to one device; ten seconds' worth may come in a rush. More is needed behind a proxy, which
    /// makes all devices one address.
    #[arg(long, default_value_t = 200, value_name = "N")]
    requests_per_second: u32,
    /// Where the pages' maps may take tiles from, with {z}, {x} and {y} in it; without it nothing is asked of the internet.
    #[arg(long, value_name = "URL", requires = "tiles_credit")]
    tiles: Option<String>,
    /// What the maker of the tiles asks to be written beside them.
    #[arg(long, value_name = "TEXT", requires = "tiles")]
    tiles_credit: Option<String>,
    /// Print address and certificate as JSON.
    #[arg(long)]
    json: bool,
}

impl Arguments {
    fn tiles(&self) -> Result<Option<Tiles>, Failure> {
        let (Some(address), Some(credit)) = (&self.tiles, &self.tiles_credit) else { return Ok(None) };
        let fine = ["https://", "http://"].iter().any(|scheme| address.starts_with(scheme));
        if !fine || !["{z}", "{x}", "{y}"].iter().all(|part| address.contains(part)) {
            let why = "isn't an address of map tiles, such as https://tiles.example/{z}/{x}/{y}.png";
            return Err(Failure::input(format!("--tiles {address:?} {why}")));
        }
        Ok(Some(Tiles { address: address.clone(), credit: credit.clone() }))
    }
}

/// Where a base keeps what it has.
#[derive(Args)]
#[group(required = true, multiple = false)]
pub struct Place {
    /// The base's store.
    #[arg(long, value_name = "DIR")]
    store: Option<PathBuf>,
    /// Instead of a store, a database of PostgreSQL: postgres://user@host:5432/name, the password in PGPASSWORD.
    #[arg(long, value_name = "URL")]
    database: Option<String>,
}

impl Place {
    /// The base that is there; a store must be there already.
    pub fn base(&self) -> Result<Base, Failure> {
        match self.is()? {
            Is::Store(dir) => {
                Store::open(dir).map_err(super::visit::store_failure)?;
                Base::in_folder(dir)
            }
            Is::Database(address) => Base::in_postgres(address),
        }
        .map_err(failure)
    }

    /// The store's folder; people's links are kept beside it.
    pub fn folder(&self) -> Result<&Path, Failure> {
        match self.is()? {
            Is::Store(dir) => Ok(dir),
            Is::Database(_) => Err(Failure::input(
                "a base in PostgreSQL has no pages: exchange its records into a store with `rakelight exchange`, and serve that",
            )),
        }
    }

    fn is(&self) -> Result<Is<'_>, Failure> {
        match (&self.store, &self.database) {
            (Some(dir), None) => Ok(Is::Store(dir)),
            (None, Some(address)) => Ok(Is::Database(address)),
            _ => Err(Failure::input("give either --store or --database")),
        }
    }
}

enum Is<'p> {
    Store(&'p Path),
    Database(&'p str),
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    let machine = |error: std::io::Error| Failure::Machine(format!("the service can't run: {error}"));
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().map_err(machine)?;
    let service = {
        let _at_hand = runtime.enter();
        match (arguments.place.is()?, &arguments.photos) {
            (Is::Store(dir), _) => Service::in_folder(dir, arguments.requests_per_second, arguments.tiles()?),
            (Is::Database(address), Some(photos)) => {
                Service::in_postgres(address, photos, arguments.requests_per_second)
            }
            (Is::Database(_), None) => return Err(Failure::input("give --photos with --database")),
        }
        .map_err(failure)?
    };
    let fingerprint = hex::encode(service.base.identity.fingerprint());
    let listener = TcpListener::bind(arguments.listen).map_err(|error| {
        Failure::Machine(format!(
            "{} can't be listened on: {error}; give another address or port with --listen",
            arguments.listen
        ))
    })?;
    listener.set_nonblocking(true).map_err(machine)?;
    let address = listener.local_addr().map_err(machine)?;
    service.base.state.set_listen(&address.to_string()).map_err(failure)?;
    if arguments.json {
        print_json(&serde_json::json!({ "address": format!("https://{address}"), "certificate": fingerprint }));
    } else {
        println!("{}", words.fill("serve.listening", &[("address", &format!("https://{address}"))]));
        println!("{}", words.fill("serve.certificate", &[("sha256", &fingerprint)]));
    }
    _ = std::io::stdout().flush();
    runtime.block_on(async {
        let listener = tokio::net::TcpListener::from_std(listener).map_err(machine)?;
        service::run(service, listener, stopped()).await.map_err(failure)
    })?;
    // Work that waits for a disk beyond the grace isn't waited for.
    runtime.shutdown_background();
    Ok(())
}

/// What went wrong, by who has to act.
pub fn failure(error: ServiceError) -> Failure {
    match error {
        ServiceError::Store(error) => super::visit::store_failure(error),
        ServiceError::Database(DatabaseError::Address(_)) | ServiceError::Objects(ObjectsError::NoPlace(_)) => {
            Failure::input(error)
        }
        error => Failure::Machine(error.to_string()),
    }
}

/// Until the machine or the person at it says stop.
async fn stopped() {
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        if let Ok(mut terminate) = signal(SignalKind::terminate()) {
            tokio::select! {
                _ = terminate.recv() => {}
                _ = tokio::signal::ctrl_c() => {}
            }
            return;
        }
    }
    _ = tokio::signal::ctrl_c().await;
}
