//! What the database knows of photographs; their bytes are elsewhere.

use super::{Database, DatabaseError, bytes};
use crate::service::state::UploadId;
use crate::service::{Id, ServiceError};

/// The names of an upload's pieces, in their order.
type Pieces = Vec<Vec<u8>>;

impl Database {
    /// The length in bytes and the ending of a photograph that is here.
    pub fn photograph(&self, sha256: &Id) -> Result<Option<(u64, String)>, DatabaseError> {
        self.run(|client| {
            let row = client.query_opt("SELECT bytes, ending FROM photographs WHERE sha256 = $1", &[&&sha256[..]])?;
            Ok(row.map(|row| (row.get::<_, i64>(0).unsigned_abs(), row.get(1))))
        })
    }

    /// A photograph is here now, and isn't wanted any more.
    pub fn add_photograph(&self, sha256: &Id, length: u64, ending: &str) -> Result<(), ServiceError> {
        Ok(self.write(|transaction| {
            let sql = "INSERT INTO photographs (sha256, bytes, ending) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING";
            transaction.execute(sql, &[&&sha256[..], &length.cast_signed(), &ending])?;
            transaction.execute("DELETE FROM wanted_photographs WHERE sha256 = $1", &[&&sha256[..]])?;
            transaction.execute("DELETE FROM erased_photographs WHERE sha256 = $1", &[&&sha256[..]])?;
            Ok(())
        })?)
    }

    /// Photographs whose bytes are still to be erased: their digests and endings.
    pub fn erased(&self) -> Result<Vec<(Id, String)>, DatabaseError> {
        self.run(|client| {
            let rows = client.query("SELECT sha256, ending FROM erased_photographs", &[])?;
            rows.iter().map(|row| Ok((bytes(row, 0)?, row.get(1)))).collect()
        })
    }

    /// A photograph's bytes are gone.
    pub fn has_gone(&self, sha256: &Id) -> Result<(), DatabaseError> {
        let sql = "DELETE FROM erased_photographs WHERE sha256 = $1";
        self.run(|client| Ok(client.execute(sql, &[&&sha256[..]]).map(drop)?))
    }

    /// How much of an upload has arrived, and the names of its pieces in their order; `None` where it was dropped.
    pub fn pieces(&self, id: &UploadId) -> Result<Option<(u64, Pieces)>, DatabaseError> {
        self.run(|client| {
            let row = client.query_opt("SELECT arrived, pieces FROM uploads WHERE id = $1", &[&&id[..]])?;
            Ok(row.map(|row| (row.get::<_, i64>(0).unsigned_abs(), row.get(1))))
        })
    }

    /// An upload has a piece more, where `offset` bytes had arrived until now and it isn't in so many pieces already. Says whether it was so: of two
    /// requests at once only one goes on.
    pub fn add_piece(
        &self,
        id: &UploadId,
        offset: u64,
        arrived: u64,
        piece: &[u8],
        most: i32,
    ) -> Result<bool, DatabaseError> {
        let sql = "UPDATE uploads SET arrived = $3, pieces = array_append(pieces, $4)
                   WHERE id = $1 AND arrived = $2 AND NOT done AND cardinality(pieces) < $5";
        self.run(|client| {
            let (offset, arrived) = (offset.cast_signed(), arrived.cast_signed());
            Ok(client.execute(sql, &[&&id[..], &offset, &arrived, &piece, &most])? > 0)
        })
    }
}
