//! A page for people as a file: HTML as it is, or PDF by `rakelight-pdf`, a program beside this one.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use crate::failure::{self, Failure};

/// Writes a page in the format of its file's name.
pub fn write(path: &Path, html: &str) -> Result<(), Failure> {
    match path.extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase).as_deref() {
        Some("html" | "htm") => failure::write(path, html),
        Some("pdf") => failure::write(path, pdf(html)?),
        _ => Err(Failure::input(format!("{} must end in .html or .pdf", path.display()))),
    }
}

/// A page as tagged PDF.
///
/// # Errors
/// The program that makes it isn't there, which the user can mend, or failed.
pub fn pdf(html: &str) -> Result<Vec<u8>, Failure> {
    let fault = |what: String| Failure::Machine(format!("the PDF can't be made: {what}"));
    let mut program = Command::new(beside()).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().map_err(
        |error| match error.kind() {
            std::io::ErrorKind::NotFound => Failure::input(
                "rakelight-pdf, which makes PDF, isn't installed beside rakelight: write FILE.html and print it from a browser, or build it \
                 (cargo build --release --manifest-path pdf/Cargo.toml --target-dir target)",
            ),
            _ => fault(error.to_string()),
        },
    )?;
    // It reads all of the page before it writes anything, so neither waits for the other.
    let written = program.stdin.take().map_or(Ok(()), |mut stdin| stdin.write_all(html.as_bytes()));
    let done = program.wait_with_output().map_err(|error| fault(error.to_string()))?;
    if done.status.success() {
        written.map_err(|error| fault(error.to_string()))?;
        Ok(done.stdout)
    } else {
        Err(fault(String::from_utf8_lossy(&done.stderr).trim().to_owned()))
    }
}

/// In this program's folder, or wherever programs are found.
fn beside() -> PathBuf {
    let name = format!("rakelight-pdf{}", std::env::consts::EXE_SUFFIX);
    let here = std::env::current_exe().ok().map(|program| program.with_file_name(&name));
    here.filter(|path| path.is_file()).unwrap_or_else(|| name.into())
}
