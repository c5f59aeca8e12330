//! `rakelight serve`: the base on the network.

use std::io::Write;
use std::net::SocketAddr;
use std::path::PathBuf;

use clap::Args;
use rakelight_core::words::Words;
use tokio::net::TcpListener;

use super::print_json;
use crate::failure::Failure;
use crate::service::{self, Service, ServiceError};

/// Where the base's store is, and where it listens.
#[derive(Args)]
pub struct Arguments {
    /// The base's store; it is made where it isn't there.
    #[arg(long, value_name = "DIR")]
    store: PathBuf,
    /// Address and port. 0.0.0.0:8443 listens on every network the machine is in.
    #[arg(long, default_value = "127.0.0.1:8443", value_name = "ADDRESS:PORT")]
    listen: SocketAddr,
    /// Print address and certificate as JSON.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    let service = Service::open(&arguments.store).map_err(failure)?;
    let fingerprint = hex::encode(service.identity.fingerprint());
    let machine = |error: std::io::Error| Failure::Machine(format!("the service can't run: {error}"));
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().map_err(machine)?;
    runtime.block_on(async {
        let listener = TcpListener::bind(arguments.listen).await.map_err(|error| {
            Failure::Machine(format!(
                "{} can't be listened on: {error}; give another address or port with --listen",
                arguments.listen
            ))
        })?;
        let address = listener.local_addr().map_err(machine)?;
        service.state.set_listen(&address.to_string()).map_err(|error| failure(error.into()))?;
        if arguments.json {
            print_json(&serde_json::json!({ "address": format!("https://{address}"), "certificate": fingerprint }));
        } else {
            println!("{}", words.fill("serve.listening", &[("address", &format!("https://{address}"))]));
            println!("{}", words.fill("serve.certificate", &[("sha256", &fingerprint)]));
        }
        _ = std::io::stdout().flush();
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
