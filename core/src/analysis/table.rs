//! Tables as CSV: a header row, comment lines that begin with `#`; every complaint names line and column.

use csv::{ReaderBuilder, Trim};

/// A table's cells as text.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    columns: Vec<String>,
    rows: Vec<Row>,
}

/// One row.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// Its line in the file, from 1.
    pub line: u64,
    cells: Vec<String>,
    /// Of each cell its number, if it is one.
    numbers: Vec<Option<f64>>,
}

/// Why a table can't be used.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[allow(missing_docs, reason = "the messages say it")]
pub enum TableError {
    #[error("this isn't a CSV file: {detail}")]
    NotCsv { detail: String },
    #[error("there are no rows below the header: give one row for each {of}")]
    NoRows { of: &'static str },
    #[error("line {line}: {found} cells where the header has {expected}: a comma too many or too few?")]
    RowLength { line: u64, found: usize, expected: usize },
    #[error("the column {name:?} is there twice: rename one of them")]
    Twice { name: String },
    #[error(
        "there is no column {name:?}; there are: {known}. The first line that isn't a comment must name the columns"
    )]
    NoColumn { name: String, known: String },
    #[error("line {line}, column {column:?}: {found:?} where {wanted} is needed")]
    Cell { line: u64, column: String, found: String, wanted: String },
}

impl Table {
    /// From CSV text.
    ///
    /// ```
    /// use rakelight_core::analysis::Table;
    /// let table = Table::from_csv("# invented\nhistory,bank\n010,1\n")?;
    /// assert_eq!(table.text(0, table.column("bank")?), "1");
    /// assert_eq!(table.rows()[0].line, 3);
    /// assert_eq!(Table::from_csv("history\n# of the mill\n010\n")?.rows()[0].line, 3);
    /// assert!(Table::from_csv("a,a\n1,2\n").unwrap_err().to_string().contains("twice"));
    /// # Ok::<(), rakelight_core::analysis::TableError>(())
    /// ```
    ///
    /// # Errors
    /// It isn't CSV, a column is there twice, a row is too long or too short.
    pub fn from_csv(text: &str) -> Result<Self, TableError> {
        let text = text.trim_start_matches('\u{feff}');
        let mut reader =
            ReaderBuilder::new().comment(Some(b'#')).flexible(true).trim(Trim::All).from_reader(text.as_bytes());
        let not_csv = |e: csv::Error| TableError::NotCsv { detail: e.to_string() };
        let columns: Vec<String> = reader.headers().map_err(not_csv)?.iter().map(str::to_owned).collect();
        if let Some(twice) =
            columns.iter().enumerate().find_map(|(i, name)| columns[..i].contains(name).then_some(name))
        {
            return Err(TableError::Twice { name: twice.clone() });
        }
        let mut rows = Vec::new();
        for record in reader.records() {
            let record = record.map_err(not_csv)?;
            let line = crate::rows::line_of(text, &record);
            if record.len() != columns.len() {
                return Err(TableError::RowLength { line, found: record.len(), expected: columns.len() });
            }
            let number = |cell: &str| cell.parse().ok().filter(|number: &f64| number.is_finite());
            let (cells, numbers) = record.iter().map(|cell| (cell.to_owned(), number(cell))).unzip();
            rows.push(Row { line, cells, numbers });
        }
        Ok(Self { columns, rows })
    }

    /// Its rows, at least one.
    ///
    /// # Errors
    /// There are none; `of` says what a row stands for.
    pub fn some_rows(&self, of: &'static str) -> Result<&[Row], TableError> {
        if self.rows.is_empty() { Err(TableError::NoRows { of }) } else { Ok(&self.rows) }
    }

    /// Its rows.
    pub fn rows(&self) -> &[Row] {
        &self.rows
    }

    /// The names of its columns.
    pub fn columns(&self) -> &[String] {
        &self.columns
    }

    /// Where a column is.
    ///
    /// # Errors
    /// It isn't there.
    pub fn column(&self, name: &str) -> Result<usize, TableError> {
        self.find(name).ok_or_else(|| TableError::NoColumn { name: name.into(), known: self.columns.join(", ") })
    }

    /// Where a column is, if it is there.
    pub fn find(&self, name: &str) -> Option<usize> {
        self.columns.iter().position(|column| column == name)
    }

    /// A cell.
    pub fn text(&self, row: usize, column: usize) -> &str {
        &self.rows[row].cells[column]
    }

    /// A cell's number; `None` where it is empty or `.`.
    ///
    /// # Errors
    /// Something else is in it.
    pub fn number(&self, row: usize, column: usize) -> Result<Option<f64>, TableError> {
        match self.text(row, column) {
            "" | "." => Ok(None),
            _ => {
                let number = self.rows[row].numbers[column];
                number.map(Some).ok_or_else(|| self.wrong(row, column, "a number with a decimal point"))
            }
        }
    }

    /// The complaint that a cell isn't what is needed.
    pub fn wrong(&self, row: usize, column: usize, wanted: impl Into<String>) -> TableError {
        TableError::Cell {
            line: self.rows[row].line,
            column: self.columns[column].clone(),
            found: self.text(row, column).to_owned(),
            wanted: wanted.into(),
        }
    }
}
