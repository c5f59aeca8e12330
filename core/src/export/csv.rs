//! One table of occurrences with their events. A cell that a spreadsheet would take for a formula gets an apostrophe before it.

use std::fs::File;
use std::io::BufWriter;
use std::path::Path;

use super::{About, ExportError, Visits, columns, text};

pub(super) fn write(out: &Path, file: &mut File, visits: &mut Visits, about: &About) -> Result<(), ExportError> {
    let failed = |error: csv::Error| ExportError::Disk { path: out.to_owned(), source: error.into() };
    let mut table = csv::Writer::from_writer(BufWriter::new(file));
    table.write_record(columns::flat_columns()).map_err(failed)?;
    for leaving in visits {
        let leaving = leaving?;
        for index in 0..leaving.occurrences.len() {
            for cell in columns::flat(&leaving, index, about) {
                table.write_field(&*text::cell(&cell)).map_err(failed)?;
            }
            table.write_record(None::<&[u8]>).map_err(failed)?;
        }
    }
    table.flush().map_err(|source| ExportError::Disk { path: out.to_owned(), source })
}
