//! Which column of a table means what.

use serde::Serialize;

/// What a column may mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Column {
    /// The day, with a time where there is one.
    Date,
    /// WGS84 latitude, degrees.
    Lat,
    /// WGS84 longitude, degrees.
    Lon,
    /// The place's name.
    Place,
    /// Who was there.
    People,
    /// What kind of sign.
    Kind,
    /// Whose sign it was taken for.
    Maker,
    /// Anything else.
    Note,
}

impl Column {
    /// All, in the order in which they are shown.
    pub const ALL: [Self; 8] =
        [Self::Date, Self::Place, Self::People, Self::Lat, Self::Lon, Self::Kind, Self::Maker, Self::Note];

    /// Its name in the mapping.
    pub fn name(self) -> &'static str {
        match self {
            Self::Date => "date",
            Self::Lat => "lat",
            Self::Lon => "lon",
            Self::Place => "place",
            Self::People => "people",
            Self::Kind => "kind",
            Self::Maker => "maker",
            Self::Note => "note",
        }
    }

    /// Heads under which it is found by itself: Darwin Core's terms, and common words.
    fn known(self) -> &'static [&'static str] {
        match self {
            Self::Date => &["eventdate", "date", "datum", "fecha", "data", "day"],
            Self::Lat => &["decimallatitude", "latitude", "lat"],
            Self::Lon => &["decimallongitude", "longitude", "lon", "lng", "long"],
            Self::Place => &["locality", "place", "site", "location", "ort", "lieu", "lugar", "miejsce"],
            Self::People => &["recordedby", "recorder", "observer", "people", "who"],
            Self::Kind => &["kind", "sign", "signtype", "evidence"],
            Self::Maker => &["scientificname", "species", "maker", "taxon", "vernacularname"],
            Self::Note => &["occurrenceremarks", "remarks", "note", "notes", "comment", "comments"],
        }
    }

    /// Without it a row says nothing.
    fn needed(self) -> bool {
        matches!(self, Self::Date | Self::Place | Self::Maker)
    }
}

/// Which column of a table means what: its place, from 0.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mapping(Vec<(Column, usize)>);

impl Mapping {
    /// As it was said (`date=Tag`), and for the rest by the columns' heads. What is missing, or named and not there, is the error.
    pub(super) fn of(heads: &[String], said: &[(Column, String)]) -> Result<Self, String> {
        let same = |head: &str, name: &str| {
            let plain = |text: &str| {
                text.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_lowercase).collect::<String>()
            };
            plain(head) == plain(name)
        };
        let mut mapping = Vec::new();
        for column in Column::ALL {
            let at = match said.iter().find(|(of, _)| *of == column) {
                Some((_, name)) => {
                    let at = heads.iter().position(|head| head.trim() == name.trim());
                    Some(at.ok_or_else(|| {
                        format!("there is no column {name:?} for {}; there are: {}", column.name(), heads.join(", "))
                    })?)
                }
                None => column.known().iter().find_map(|known| heads.iter().position(|head| same(head, known))),
            };
            mapping.extend(at.map(|at| (column, at)));
        }
        let missing: Vec<&str> = Column::ALL
            .into_iter()
            .filter(|column| column.needed() && !mapping.iter().any(|(of, _)| of == column))
            .map(Column::name)
            .collect();
        match missing[..] {
            [] => Ok(Self(mapping)),
            _ => Err(format!(
                "no column is found for {}; say which it is, such as {}=NAME; there are: {}",
                missing.join(", "),
                missing[0],
                heads.join(", ")
            )),
        }
    }

    pub(super) fn at(&self, column: Column) -> Option<usize> {
        self.0.iter().find(|(of, _)| *of == column).map(|(_, at)| *at)
    }

    /// What each means, with its head.
    pub fn pairs<'a>(&'a self, heads: &'a [String]) -> impl Iterator<Item = (Column, &'a str)> {
        self.0.iter().filter_map(|(column, at)| Some((*column, heads.get(*at)?.as_str())))
    }
}
