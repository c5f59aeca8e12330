//! A base, as processes of their own beside a benchmark.

use std::error::Error;
use std::io::{BufRead, BufReader};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};

use serde_json::Value;

use crate::repository;

type Outcome<T> = Result<T, Box<dyn Error>>;

/// Where a base is kept.
pub enum Kept {
    /// In this folder.
    Folder(PathBuf),
    /// In PostgreSQL at `postgres://…`, with photographs in `s3://bucket/prefix`.
    Postgres {
        /// The database.
        database: String,
        /// The bucket.
        photographs: String,
    },
}

impl Kept {
    fn command(&self, name: &str) -> Command {
        let mut command = Command::new(program());
        command.args([name, "--json"]);
        match self {
            Self::Folder(dir) => command.arg("--store").arg(dir),
            Self::Postgres { database, .. } => command.args(["--database", database]),
        };
        command
    }

    /// Invites a field worker to the base that answers at this address (`https://host:port`); gives the invitation's text.
    ///
    /// # Errors
    /// The program isn't built, or it refuses.
    pub fn invite(&self, name: &str, address: &str) -> Outcome<String> {
        let mut command = self.command("invite");
        command.args(["--role", "field_worker", "--name", name, "--address", address]);
        let output = command.stderr(Stdio::inherit()).output()?;
        let said: Value = serde_json::from_slice(&output.stdout)?;
        Ok(said["invitation"].as_str().ok_or("no invitation")?.to_owned())
    }
}

/// One process of the service. It ends, as if it were killed, when this goes out of use.
pub struct Service {
    process: Child,
    address: String,
}

impl Service {
    /// Starts one on a free port of the loopback; `log` is where it says what it did.
    ///
    /// # Errors
    /// The program isn't built, or it doesn't start.
    pub fn start(kept: &Kept, log: Stdio) -> Outcome<Self> {
        let mut command = kept.command("serve");
        if let Kept::Postgres { photographs, .. } = kept {
            command.args(["--photos", photographs]);
        }
        command.args(["--listen", "127.0.0.1:0"]).stdout(Stdio::piped()).stderr(log);
        let mut process = command.spawn()?;
        let mut said = Vec::new();
        let mut out = BufReader::new(process.stdout.take().ok_or("no output")?);
        while !said.ends_with(b"}\n") && out.read_until(b'\n', &mut said)? > 0 {}
        let mut service = Self { process, address: String::new() };
        let said: Value = serde_json::from_slice(&said).map_err(|_| "the service didn't start")?;
        service.address = said["address"].as_str().ok_or("no address")?.to_owned();
        Ok(service)
    }

    /// `https://127.0.0.1:port`.
    pub fn address(&self) -> &str {
        &self.address
    }

    /// Its port on the loopback.
    ///
    /// # Errors
    /// It hasn't said any.
    pub fn port(&self) -> Outcome<u16> {
        Ok(self.address.rsplit_once(':').ok_or("no port")?.1.parse()?)
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        _ = self.process.kill();
        _ = self.process.wait();
    }
}

/// The program `rakelight`, where it is built.
pub fn program() -> PathBuf {
    repository("target/release/rakelight")
}
