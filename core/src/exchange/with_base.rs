//! The whole exchange with a base: beginning a session, learning whom it trusts, then entries and photographs.

use std::path::Path;

use super::{Base, ExchangeError, Exchanged, Going, HttpPeer, Invitation, Photographs, Transport, exchange};
use crate::store::{Admission, Store};

/// The base that is meant: one that this device has joined, or is invited to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Meant {
    /// Where it is, and by what it is known.
    pub base: Base,
    /// The code of the invitation; none where the device has joined.
    pub code: Option<String>,
}

impl Meant {
    /// The base at this address (`https://host:port`), which the store in `dir` has joined.
    ///
    /// # Errors
    /// It hasn't, or what it has joined can't be read.
    pub fn joined(address: &str, dir: &Path) -> Result<Self, ExchangeError> {
        let address = address.trim_end_matches('/');
        let base = Base::all(dir)?.into_iter().find(|base| base.address == address);
        let unknown = || ExchangeError::NotJoined { address: address.to_owned(), dir: dir.to_owned() };
        Ok(Self { base: base.ok_or_else(unknown)?, code: None })
    }
}

impl From<Invitation> for Meant {
    fn from(Invitation { address, certificate, code }: Invitation) -> Self {
        Self { base: Base { address, certificate }, code: Some(code) }
    }
}

/// Joins the base where there is an invitation, remembers it beside the store, and exchanges as [`exchange`] does. `transport` leads to that base.
///
/// # Errors
/// See [`ExchangeError`].
pub fn exchange_with_base(
    store: &mut Store,
    meant: &Meant,
    transport: &dyn Transport,
    photographs: Photographs,
    admission: &dyn Fn(&str) -> Admission,
    going: &mut Going,
) -> Result<Exchanged, ExchangeError> {
    let (prover, leaving) = (store.prover()?, store.dir().join("leaving"));
    let mut peer = HttpPeer::open(transport, meant, prover, &leaving)?;
    meant.base.remember(store.dir())?;
    store.trust(&peer.session().trusted)?;
    exchange(store, &mut peer, photographs, admission, going)
}
