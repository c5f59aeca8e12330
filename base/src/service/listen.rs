//! Taking connections: TLS, and limits on what a stranger may hold up.

use std::collections::HashMap;
use std::io;
use std::net::IpAddr;
use std::pin::pin;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use axum::{Extension, Router};
use hyper::server::conn::http1;
use hyper::service::{Service as _, service_fn};
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::server::graceful::{GracefulShutdown, Watcher};
use hyper_util::service::TowerToHyperService;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Semaphore;
use tokio::time::{sleep, timeout};
use tokio_rustls::TlsAcceptor;

use super::limits::network;
use super::{Service, ServiceError, log, uploads};

/// For the handshake, and for a request's head; a connection that nothing is asked of ends after it too.
const HEAD: Duration = Duration::from_secs(15);
/// A connection ends after this time, whatever goes on: who reads too slowly goes on with `Range`.
const CONNECTION: Duration = Duration::from_secs(1_800);
/// So many connections at once; the others wait.
const CONNECTIONS: usize = 256;
/// So many of them from one network: nobody alone can shut out the others.
const CONNECTIONS_EACH: usize = 64;
/// Requests that run when the service is stopped have so long.
const GRACE: Duration = Duration::from_secs(10);

/// Serves until `stop`, then finishes what runs.
pub async fn run(service: Service, listener: TcpListener, stop: impl Future<Output = ()>) -> Result<(), ServiceError> {
    let acceptor = TlsAcceptor::from(Arc::new(service.base.identity.tls()?));
    if let Some(pages) = service.pages.clone() {
        drop(tokio::task::spawn_blocking(move || pages.read_lists()));
    }
    let router = Arc::new(service).router();
    let (places, running) = (Arc::new(Semaphore::new(CONNECTIONS)), GracefulShutdown::new());
    let held = Held::default();
    let mut stop = pin!(stop);
    loop {
        let next = async {
            let place = places.clone().acquire_owned().await;
            (place, listener.accept().await)
        };
        let (place, accepted) = tokio::select! {
            next = next => next,
            () = &mut stop => break,
        };
        match accepted {
            Ok((stream, address)) => {
                let client = network(address.ip());
                let Some(hold) = held.hold(client) else { continue };
                let talk = talk(acceptor.clone(), stream, client, router.clone(), running.watcher());
                tokio::spawn(async move {
                    // Whatever breaks off a connection is the other side's or the network's.
                    _ = timeout(CONNECTION, talk).await;
                    drop((place, hold));
                });
            }
            // No more files may be opened, or the like: it passes.
            Err(error) => {
                log::log(format_args!("rakelight: a connection can't be taken: {error}"));
                sleep(Duration::from_millis(100)).await;
            }
        }
    }
    drop(listener);
    _ = timeout(GRACE, running.shutdown()).await;
    log::finish();
    Ok(())
}

async fn talk(
    acceptor: TlsAcceptor,
    stream: TcpStream,
    client: IpAddr,
    router: Router,
    running: Watcher,
) -> io::Result<()> {
    stream.set_nodelay(true)?;
    let stream = timeout(HEAD, acceptor.accept(stream)).await??;
    let router = router.layer(Extension(client)).into_service::<hyper::body::Incoming>();
    let router = TowerToHyperService::new(router);
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD)
        .serve_connection(TokioIo::new(stream), service_fn(|request| router.call(uploads::as_meant(request))));
    running.watch(connection).await.map_err(io::Error::other)
}

/// How many connections each network holds.
#[derive(Clone, Default)]
struct Held(Arc<Mutex<HashMap<IpAddr, usize>>>);

impl Held {
    /// Until the returned value is dropped; `None` where the network holds enough.
    fn hold(&self, client: IpAddr) -> Option<Hold> {
        let mut held = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let connections = held.entry(client).or_default();
        (*connections < CONNECTIONS_EACH).then(|| *connections += 1)?;
        Some(Hold { held: self.clone(), client })
    }
}

struct Hold {
    held: Held,
    client: IpAddr,
}

impl Drop for Hold {
    fn drop(&mut self) {
        let mut held = self.held.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(connections) = held.get_mut(&self.client) {
            *connections -= 1;
            if *connections == 0 {
                held.remove(&self.client);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_network_holds_so_many_connections_and_gives_them_back() {
        let (held, [here, there]) = (Held::default(), [[192, 0, 2, 1], [192, 0, 2, 2]].map(IpAddr::from));
        let mut holds: Vec<_> = (0..CONNECTIONS_EACH).map(|_| held.hold(here).unwrap()).collect();
        assert!(held.hold(here).is_none() && held.hold(there).is_some());
        holds.pop();
        holds.push(held.hold(here).unwrap());
        drop(holds);
        assert!(held.0.lock().unwrap().is_empty());
    }
}
