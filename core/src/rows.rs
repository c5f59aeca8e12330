//! Rows of a CSV with the line that each stands on in its file.

use serde::de::DeserializeOwned;

/// Why a row can't be used.
#[derive(Debug, thiserror::Error)]
pub(crate) enum RowError {
    /// Not a row of this table.
    #[error("line {line}: {wrong}")]
    Line {
        /// Counted from 1, with the header and comments.
        line: u64,
        /// What is wrong.
        wrong: String,
    },
    /// Not a table.
    #[error(transparent)]
    Csv(#[from] csv::Error),
}

/// The rows below a header, each with its line; lines that begin with `#` are comments.
pub(crate) fn rows<T: DeserializeOwned>(
    text: &str,
) -> Result<impl Iterator<Item = Result<(u64, T), RowError>>, csv::Error> {
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).trim(csv::Trim::All).from_reader(text.as_bytes());
    let headers = reader.headers()?.clone();
    let rows = reader.into_records().map(move |record| {
        let record = record?;
        let line = line_of(text, &record);
        let row = record.deserialize(Some(&headers));
        Ok((line, row.map_err(|e| RowError::Line { line, wrong: what_is_wrong(&e) })?))
    });
    Ok(rows)
}

/// A record's line: its position is that of the comments and empty lines before it.
pub(crate) fn line_of(text: &str, record: &csv::StringRecord) -> u64 {
    let Some(position) = record.position() else { return 0 };
    let rest = text.get(position.byte() as usize..).unwrap_or_default();
    let passed_over = rest.lines().take_while(|line| line.trim().is_empty() || line.starts_with('#')).count();
    position.line() + passed_over as u64
}

/// The error without the position, which counts records and not lines.
fn what_is_wrong(error: &csv::Error) -> String {
    match error.kind() {
        csv::ErrorKind::Deserialize { err, .. } => err.to_string(),
        _ => error.to_string(),
    }
}
