//! GeoPackage 1.3 (OGC 12-128r17): layers of visits, stretches and signs, a table of measures. Source of the tables, their definitions and the geometries'
//! head: the standard's annexes, from memory; checked by GDAL's validator.

use std::path::Path;

use chrono::SecondsFormat;
use rusqlite::{Connection, Statement, ToSql, params, params_from_iter};

use super::columns::{self, Cells};
use super::leaving::{Event, EventKind};
use super::text::clean;
use super::{About, ExportError, Visits};

const WGS84: &str = r#"GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563,AUTHORITY["EPSG","7030"]],AUTHORITY["EPSG","6326"]],PRIMEM["Greenwich",0,AUTHORITY["EPSG","8901"]],UNIT["degree",0.0174532925199433,AUTHORITY["EPSG","9122"]],AXIS["Latitude",NORTH],AXIS["Longitude",EAST],AUTHORITY["EPSG","4326"]]"#;

const TABLES: &str = "
PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF;
PRAGMA application_id = 0x47504B47; PRAGMA user_version = 10300;
CREATE TABLE gpkg_spatial_ref_sys (srs_name TEXT NOT NULL, srs_id INTEGER NOT NULL PRIMARY KEY, organization TEXT NOT NULL,
    organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT);
CREATE TABLE gpkg_contents (table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE, description TEXT DEFAULT '',
    last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')), min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER,
    CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE gpkg_geometry_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL, geometry_type_name TEXT NOT NULL, srs_id INTEGER NOT NULL,
    z TINYINT NOT NULL, m TINYINT NOT NULL, CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name), CONSTRAINT uk_gc_table_name UNIQUE (table_name),
    CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name), CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id));
INSERT INTO gpkg_spatial_ref_sys VALUES ('Undefined cartesian SRS', -1, 'NONE', -1, 'undefined', 'undefined cartesian coordinate reference system'),
    ('Undefined geographic SRS', 0, 'NONE', 0, 'undefined', 'undefined geographic coordinate reference system');";

/// The measures' columns.
const MEASURES: [&str; 6] =
    ["measurementID", "occurrenceID", "measurementType", "measurementAccuracy", "measurementUnit", "measurementMethod"];

/// Writes into the empty file at `path`.
pub(super) fn write(path: &Path, visits: &mut Visits, about: &About) -> Result<(), ExportError> {
    let package = Connection::open(path)?;
    package.execute_batch(TABLES)?;
    package.execute("INSERT INTO gpkg_spatial_ref_sys VALUES ('WGS 84 geodetic', 4326, 'EPSG', 4326, ?1, 'longitude and latitude in degrees')", [WGS84])?;
    let layers = [
        Layer { table: "visits", geometry: "POINT", columns: columns::visit_columns() },
        Layer { table: "stretches", geometry: "LINESTRING", columns: columns::OF_EVENT.to_vec() },
        Layer { table: "signs", geometry: "POINT", columns: columns::flat_columns() },
    ];
    layers.iter().try_for_each(|layer| package.execute_batch(&layer.definition()))?;
    let texts = MEASURES.map(|column| format!("\"{column}\" TEXT")).join(", ");
    package.execute_batch(&format!(
        "CREATE TABLE measurements (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, {texts}, \"measurementValue\" REAL)"
    ))?;
    let extents = fill(&package, &layers, visits, about)?;
    for (layer, extent) in layers.iter().zip(extents) {
        register(&package, layer, extent, about)?;
    }
    let now = about.now.to_rfc3339_opts(SecondsFormat::Millis, true);
    package.execute("INSERT INTO gpkg_contents (table_name, data_type, identifier, last_change) VALUES ('measurements', 'attributes', 'measurements', ?1)", [now])?;
    package.close().map_err(|(_, error)| error)?;
    Ok(())
}

fn fill(
    package: &Connection,
    layers: &[Layer; 3],
    visits: &mut Visits,
    about: &About,
) -> Result<[Extent; 3], ExportError> {
    let transaction = package.unchecked_transaction()?;
    let mut extents = [Extent::NONE; 3];
    {
        let [mut of_visit, mut of_stretch, mut of_sign] = [
            package.prepare(&layers[0].insertion())?,
            package.prepare(&layers[1].insertion())?,
            package.prepare(&layers[2].insertion())?,
        ];
        let columns = MEASURES.map(|column| format!("\"{column}\"")).join(", ");
        let mut measure = package.prepare(&format!(
            "INSERT INTO measurements ({columns}, \"measurementValue\") VALUES (?1, ?2, ?3, ?4, 'mm', ?5, ?6)"
        ))?;
        for leaving in visits {
            let leaving = leaving?;
            let visit = leaving.visit();
            layers[0].insert(&mut of_visit, visit, columns::visit(&leaving, about), &mut extents[0])?;
            for stretch in
                leaving.events.iter().filter(|event| event.kind == EventKind::Stretch && event.line.is_some())
            {
                let mut cells = Cells::new();
                columns::of_event(stretch, &mut cells);
                layers[1].insert(&mut of_stretch, stretch, cells, &mut extents[1])?;
            }
            for (index, occurrence) in leaving.occurrences.iter().enumerate() {
                let cells = columns::flat(&leaving, index, about);
                layers[2].insert(&mut of_sign, leaving.event_of(occurrence), cells, &mut extents[2])?;
                for mm in &occurrence.measures {
                    measure.execute(params![mm.id, occurrence.id, mm.what, mm.accuracy(), mm.method, mm.mm.value])?;
                }
            }
        }
    }
    transaction.commit()?;
    Ok(extents)
}

fn register(package: &Connection, layer: &Layer, extent: Extent, about: &About) -> Result<(), ExportError> {
    let now = about.now.to_rfc3339_opts(SecondsFormat::Millis, true);
    let description = format!("{}; {}; {}", about.title(), about.team(), about.asked.licence.id);
    let [min_x, min_y, max_x, max_y] = extent.known();
    package.execute(
        "INSERT INTO gpkg_contents VALUES (?1, 'features', ?1, ?2, ?3, ?4, ?5, ?6, ?7, 4326)",
        params![layer.table, description, now, min_x, min_y, max_x, max_y],
    )?;
    package.execute(
        "INSERT INTO gpkg_geometry_columns VALUES (?1, 'geom', ?2, 4326, 0, 0)",
        [layer.table, layer.geometry],
    )?;
    Ok(())
}

struct Layer {
    table: &'static str,
    geometry: &'static str,
    columns: Vec<&'static str>,
}

impl Layer {
    fn definition(&self) -> String {
        let kind = |column: &str| if columns::is_number(column) { "REAL" } else { "TEXT" };
        let columns: String = self.columns.iter().map(|column| format!(", \"{column}\" {}", kind(column))).collect();
        format!(
            "CREATE TABLE {} (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, geom {}{columns})",
            self.table, self.geometry
        )
    }

    fn insertion(&self) -> String {
        let columns: String = self.columns.iter().map(|column| format!(", \"{column}\"")).collect();
        let values: String = (2..self.columns.len() + 2).map(|i| format!(", ?{i}")).collect();
        format!("INSERT INTO {} (geom{columns}) VALUES (?1{values})", self.table)
    }

    fn insert(
        &self,
        statement: &mut Statement,
        event: &Event,
        cells: Cells,
        extent: &mut Extent,
    ) -> Result<(), ExportError> {
        let points = match (&event.line, event.spot) {
            (Some(line), _) if self.geometry == "LINESTRING" => line.clone(),
            (_, spot) => spot.map(|spot| [spot.lon, spot.lat]).into_iter().collect(),
        };
        points.iter().for_each(|point| extent.take(*point));
        let geometry = (!points.is_empty()).then(|| blob(&points, self.geometry == "LINESTRING"));
        let values = self.columns.iter().zip(&cells).map(|(column, cell)| -> Box<dyn ToSql> {
            match cell.parse::<f64>() {
                _ if cell.is_empty() => Box::new(None::<String>),
                Ok(number) if columns::is_number(column) => Box::new(number),
                _ => Box::new(clean(cell).into_owned()),
            }
        });
        let values = std::iter::once(Box::new(geometry) as Box<dyn ToSql>).chain(values);
        statement.execute(params_from_iter(values))?;
        Ok(())
    }
}

/// A geometry: GeoPackage's head (`GP`, version 0, little-endian without an envelope, EPSG:4326), then well-known binary.
fn blob(points: &[[f64; 2]], is_line: bool) -> Vec<u8> {
    let mut blob = b"GP\x00\x01".to_vec();
    blob.extend(4326_i32.to_le_bytes());
    blob.push(1);
    blob.extend(if is_line { 2_u32 } else { 1 }.to_le_bytes());
    if is_line {
        blob.extend((points.len() as u32).to_le_bytes());
    }
    points.iter().flatten().for_each(|degrees| blob.extend(degrees.to_le_bytes()));
    blob
}

/// West, south, east, north.
#[derive(Clone, Copy)]
struct Extent([f64; 4]);

impl Extent {
    const NONE: Self = Self([f64::MAX, f64::MAX, f64::MIN, f64::MIN]);

    fn take(&mut self, [x, y]: [f64; 2]) {
        let [west, south, east, north] = self.0;
        self.0 = [west.min(x), south.min(y), east.max(x), north.max(y)];
    }

    fn known(&self) -> [Option<f64>; 4] {
        self.0.map(|degrees| (self.0[0] <= self.0[2]).then_some(degrees))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_point_is_the_bytes_that_a_reference_library_writes() {
        // GDAL 3.12.4: point (-2.665, 51.56).
        let expected = "47500001e6100000010100000052b81e85eb5105c048e17a14aec74940";
        assert_eq!(hex::encode(blob(&[[-2.665, 51.56]], false)), expected);
    }
}
