//! Signs of one kind of animal, with what may tell two animals apart.

use chrono::NaiveDate;

use crate::analysis::{NumbersError, Table, TableError};
use crate::identify::{Foot, PrintEvidence};
use crate::measured::Measured;

/// A sign: whatever one animal left at one time.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Sign {
    /// Its name, for people.
    pub id: String,
    /// Signs of the same trail are one animal's.
    pub trail: Option<String>,
    /// What the prints lie in: a name of `substrates.toml`; not known where there is none.
    pub substrate: Option<String>,
    /// What was measured of its prints.
    pub prints: Vec<Size>,
    /// The night in which it was made, by the day on which that began; only for fresh signs.
    pub fresh_night: Option<NaiveDate>,
    /// WGS84 latitude and longitude, degrees.
    pub place: Option<[f64; 2]>,
}

/// A size of a print.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Size {
    /// Fore or hind.
    pub foot: Foot,
    /// Of what, by which convention.
    pub of: SizeOf,
    /// mm.
    pub mm: Measured,
}

/// What of a print was measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs, reason = "as in PrintEvidence")]
pub enum SizeOf {
    WidthMm,
    LengthWithoutHeelMm,
    LengthWithHeelMm,
}

impl SizeOf {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::WidthMm, Self::LengthWithoutHeelMm, Self::LengthWithHeelMm];

    /// Its column, and the key of its words under `measure`.
    pub fn name(self) -> &'static str {
        match self {
            Self::WidthMm => "width_mm",
            Self::LengthWithoutHeelMm => "length_without_heel_mm",
            Self::LengthWithHeelMm => "length_with_heel_mm",
        }
    }
}

/// Why signs can't be used.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[allow(missing_docs, reason = "the messages say it")]
pub enum SignsError {
    #[error(transparent)]
    Table(#[from] TableError),
    #[error(
        "line {line}: {column} has no uncertainty: fill in u_{column}, what you would bet on two times out of three"
    )]
    NoUncertainty { line: u64, column: &'static str },
    #[error("line {line}: the sign {sign:?} was said to have another {column} before: the rows of one sign must agree")]
    Disagree { line: u64, sign: String, column: &'static str },
    #[error(
        "the substrate {substrate:?} of the sign {sign:?} isn't known; see core/data/substrates.toml, or leave it empty"
    )]
    Substrate { sign: String, substrate: String },
    #[error(transparent)]
    Numbers(NumbersError),
    #[error("the species facts can't be read: {0}")]
    Facts(String),
}

/// The sizes of a print that have their uncertainty, of a foot that is known.
pub fn sizes(print: &PrintEvidence) -> Vec<Size> {
    let sizes = [
        (SizeOf::WidthMm, print.width_mm, print.u_width_mm),
        (SizeOf::LengthWithoutHeelMm, print.length_without_heel_mm, print.u_length_without_heel_mm),
        (SizeOf::LengthWithHeelMm, print.length_with_heel_mm, print.u_length_with_heel_mm),
    ];
    let known =
        sizes.into_iter().filter_map(|(of, mm, u)| Some((of, Measured::new(mm?, u?).filter(|mm| mm.value > 0.0)?)));
    known.filter(|_| print.foot != Foot::Unknown).map(|(of, mm)| Size { foot: print.foot, of, mm }).collect()
}

/// From CSV, a row for each print (or sign without prints): the column `sign` (rows of the same sign are one animal's), and of these what there is:
/// `trail`, `substrate`, `foot` (fore, hind, unknown), `width_mm`, `length_without_heel_mm`, `length_with_heel_mm`, each with its `u_…`,
/// `fresh_night` (the day on which the night began, only where the sign is fresh), `lat` and `lon`.
///
/// # Errors
/// See [`SignsError`].
pub fn from_csv(text: &str) -> Result<Vec<Sign>, SignsError> {
    let table = Table::from_csv(text)?;
    let sign = table.column("sign")?;
    let mut signs: Vec<Sign> = Vec::new();
    for (i, row) in table.some_rows("print")?.iter().enumerate() {
        let id = table.text(i, sign);
        if id.is_empty() {
            return Err(table.wrong(i, sign, "the sign's name").into());
        }
        let read = read_row(&table, i)?;
        match signs.iter_mut().find(|known| known.id == id) {
            None => signs.push(Sign { id: id.into(), ..read }),
            Some(known) => {
                let column = [
                    ("trail", known.trail != read.trail),
                    ("substrate", known.substrate != read.substrate),
                    ("fresh_night", known.fresh_night != read.fresh_night),
                    ("lat or lon", known.place != read.place),
                ];
                if let Some((column, _)) = column.into_iter().find(|(_, differs)| *differs) {
                    return Err(SignsError::Disagree { line: row.line, sign: id.into(), column });
                }
                known.prints.extend(read.prints);
            }
        }
    }
    Ok(signs)
}

fn read_row(table: &Table, row: usize) -> Result<Sign, SignsError> {
    let text = |name: &str| table.find(name).map(|column| table.text(row, column)).filter(|text| !text.is_empty());
    let number = |name: &str| table.find(name).map_or(Ok(None), |column| table.number(row, column));
    let wrong = |name: &str, wanted: &str| -> SignsError {
        table.find(name).map_or_else(
            || TableError::NoColumn { name: name.into(), known: table.columns().join(", ") }.into(),
            |column| table.wrong(row, column, wanted).into(),
        )
    };
    let foot = match text("foot") {
        None | Some("unknown") => Foot::Unknown,
        Some("fore") => Foot::Fore,
        Some("hind") => Foot::Hind,
        Some(_) => return Err(wrong("foot", "fore, hind or unknown")),
    };
    let mut prints = Vec::new();
    for of in SizeOf::ALL {
        let (name, u_name) = (of.name(), format!("u_{}", of.name()));
        let Some(mm) = number(name)? else { continue };
        let line = table.rows()[row].line;
        let u = number(&u_name)?.ok_or(SignsError::NoUncertainty { line, column: name })?;
        if mm <= 0.0 {
            return Err(wrong(name, "a size above zero"));
        }
        let mm = Measured::new(mm, u).ok_or_else(|| wrong(&u_name, "an uncertainty above zero"))?;
        prints.push(Size { foot, of, mm });
    }
    prints.retain(|size| size.foot != Foot::Unknown);
    let fresh_night = match text("fresh_night") {
        None => None,
        Some(day) => Some(day.parse().map_err(|_| wrong("fresh_night", "a day as 2026-10-03"))?),
    };
    let place = match (number("lat")?, number("lon")?) {
        (Some(lat), Some(lon)) if lat.abs() <= 90.0 && lon.abs() <= 180.0 => Some([lat, lon]),
        (None, None) => None,
        (Some(_), Some(_)) => return Err(wrong("lat", "degrees: a latitude up to 90, a longitude up to 180")),
        (None, Some(_)) => return Err(wrong("lat", "a latitude beside the longitude")),
        (Some(_), None) => return Err(wrong("lon", "a longitude beside the latitude")),
    };
    let owned = |name: &str| text(name).map(str::to_owned);
    Ok(Sign { id: String::new(), trail: owned("trail"), substrate: owned("substrate"), prints, fresh_night, place })
}
