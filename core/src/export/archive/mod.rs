//! Darwin Core Archive (TDWG Darwin Core text guide, 2023-09-13): a table of events with tables of occurrences, measures, surveys and pictures that hang on
//! them, `meta.xml` that says which column is what, `eml.xml` that says what the whole is.

mod eml;
mod meta;
mod tables;

use std::fs::{self, File};
use std::io::{self, BufReader, BufWriter, Seek, Write};
use std::path::{Path, PathBuf};

use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

use self::eml::Coverage;
use self::tables::Table;
use super::leaving::Leaving;
use super::{About, ExportError, Visits, text};
use crate::store::files;

/// How hard the tables are packed: the lightest packing makes an archive of records a tenth of their size already.
const PACKING: i64 = 1;

pub(super) fn write(out: &Path, file: &mut File, visits: &mut Visits, about: &About) -> Result<(), ExportError> {
    let folder = Folder::beside(out)?;
    let failed = |source| ExportError::Disk { path: out.to_owned(), source };
    let mut coverage = Coverage::default();
    write_tables(&folder, visits, about, &mut coverage)?;
    let mut archive = ZipWriter::new(BufWriter::new(file));
    add(&mut archive, "meta.xml", &mut meta::meta().as_bytes()).map_err(failed)?;
    add(&mut archive, "eml.xml", &mut eml::eml(&coverage, about).as_bytes()).map_err(failed)?;
    for table in Table::ALL {
        let mut rows = BufReader::new(File::open(folder.0.join(table.file())).map_err(failed)?);
        add(&mut archive, table.file(), &mut rows).map_err(failed)?;
    }
    archive.finish().map_err(io::Error::other).and_then(|mut file| file.flush()).map_err(failed)
}

fn add<W: Write + Seek>(archive: &mut ZipWriter<W>, name: &str, from: &mut impl io::Read) -> io::Result<()> {
    let packed = SimpleFileOptions::default()
        .compression_method(CompressionMethod::Deflated)
        .compression_level(Some(PACKING))
        .large_file(true);
    archive.start_file(name, packed).map_err(io::Error::other)?;
    io::copy(from, archive).map(drop)
}

/// The tables as files of their own, since an archive takes one after the other.
fn write_tables(
    folder: &Folder,
    visits: &mut Visits,
    about: &About,
    coverage: &mut Coverage,
) -> Result<(), ExportError> {
    let begin = |table: Table| Ok((table, Rows::begin(&folder.0, table)?));
    let mut tables = Table::ALL.into_iter().map(begin).collect::<Result<Vec<_>, ExportError>>()?;
    for leaving in visits {
        let leaving = leaving?;
        coverage.take(&leaving);
        for (table, rows) in &mut tables {
            rows.add(*table, &leaving, about)?;
        }
    }
    tables.into_iter().try_for_each(|(_, rows)| rows.end())
}

/// A table that is being written.
struct Rows {
    path: PathBuf,
    to: csv::Writer<BufWriter<File>>,
}

impl Rows {
    fn begin(folder: &Path, table: Table) -> Result<Self, ExportError> {
        let path = folder.join(table.file());
        let file = files::private()
            .truncate(true)
            .open(&path)
            .map_err(|source| ExportError::Disk { path: path.clone(), source })?;
        let mut rows = Self { path, to: csv::Writer::from_writer(BufWriter::new(file)) };
        rows.row(table.terms().iter().map(|term| Table::local(term)))?;
        Ok(rows)
    }

    fn add(&mut self, table: Table, leaving: &Leaving, about: &About) -> Result<(), ExportError> {
        table.rows(leaving, about, &mut |cells| self.row(cells.iter().map(|cell| &**cell)))
    }

    fn row<'a>(&mut self, cells: impl Iterator<Item = &'a str>) -> Result<(), ExportError> {
        let write = || {
            for cell in cells {
                self.to.write_field(&*text::cell(cell))?;
            }
            self.to.write_record(None::<&[u8]>)
        };
        let written: Result<(), csv::Error> = write();
        written.map_err(|error| ExportError::Disk { path: self.path.clone(), source: error.into() })
    }

    fn end(mut self) -> Result<(), ExportError> {
        self.to.flush().map_err(|source| ExportError::Disk { path: self.path, source })
    }
}

/// A folder beside the archive that is gone with this value.
struct Folder(PathBuf);

impl Folder {
    fn beside(out: &Path) -> Result<Self, ExportError> {
        let mut name = files::with_part(out).into_os_string();
        name.push("s");
        let path = PathBuf::from(name);
        // What a killed export left.
        let cleared = if path.is_dir() { fs::remove_dir_all(&path) } else { Ok(()) };
        let made = cleared.and_then(|()| fs::create_dir(&path));
        made.map_err(|source| ExportError::Disk { path: path.clone(), source })?;
        Ok(Self(path))
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        _ = fs::remove_dir_all(&self.0);
    }
}
