//! Who this device is to others, and whom it trusts.

use ed25519_dalek::SigningKey;

use super::encoding::{is_signed, sign};
use super::read::id_of;
use super::{Store, StoreError, device, insert::erase_withdrawn};

/// Keeps a proof from being taken for a signature over anything else.
const SESSION_DOMAIN: &[u8] = b"rakelight session 1\0";

impl Store {
    /// This device's id. A store without a key gets one.
    ///
    /// # Errors
    /// The key can't be read or made.
    pub fn device(&mut self) -> Result<String, StoreError> {
        self.write(|_, dir| Ok(hex::encode(device::key_of(dir)?.verifying_key().to_bytes())))
    }

    /// What shows others that this device has its key.
    ///
    /// # Errors
    /// The key can't be read or made.
    pub fn prover(&mut self) -> Result<Prover, StoreError> {
        self.write(|_, dir| Ok(Prover(device::key_of(dir)?)))
    }

    /// From now on takes withdrawals of others' entries by these devices as well: the base and the coordinators. What they withdrew before is erased now.
    /// Trust isn't taken back: what was erased on its ground would come back from other stores.
    ///
    /// # Errors
    /// One isn't a device id, or the store can't be written.
    pub fn trust(&mut self, devices: &[String]) -> Result<(), StoreError> {
        let ids = devices.iter().map(|device| id_of(device)).collect::<Result<Vec<_>, _>>()?;
        self.write(|transaction, dir| {
            let mut new = 0;
            for id in ids {
                new += transaction.execute("INSERT OR IGNORE INTO trusted VALUES (?1)", [id])?;
            }
            if new > 0 { erase_withdrawn(transaction, dir) } else { Ok(0) }
        })
        .map(drop)
    }
}

/// Shows that a device has its key.
pub struct Prover(SigningKey);

impl Prover {
    /// The device's id, and its signature over a base's challenge and the SHA-256 of the certificate under which the base answered, so that nobody between the two can pass it
    /// on; 128 hexadecimal digits. [`proof_holds`] checks it.
    pub fn prove(&self, challenge: &[u8], certificate: &[u8; 32]) -> (String, String) {
        let signature = sign(&self.0, &proof(challenge, certificate));
        (hex::encode(self.0.verifying_key().to_bytes()), hex::encode(signature))
    }
}

/// Whether a device's [`Prover::prove`] over this challenge and certificate is its own.
pub fn proof_holds(device: &str, challenge: &[u8], certificate: &[u8; 32], signature: &str) -> bool {
    let (Ok(device), Ok(signature)) = (id_of(device), hex::decode(signature)) else { return false };
    is_signed(&device, &proof(challenge, certificate), &signature)
}

fn proof(challenge: &[u8], certificate: &[u8; 32]) -> Vec<u8> {
    [SESSION_DOMAIN, certificate, challenge].concat()
}
