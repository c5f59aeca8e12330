//! Members, invitations, uploads, settings.

use postgres::{GenericClient, Row, Transaction};
use rakelight_core::exchange::wire::Role;

use super::{Database, Failure, bytes};
use crate::service::state::{
    Begun, Invited, Joined, Member, REMEMBERED_MS, State, Upload, UploadId, refusal, role_name, role_of,
};
use crate::service::{Id, ServiceError};

impl State for Database {
    fn setting(&self, name: &str, new: &[u8]) -> Result<Vec<u8>, ServiceError> {
        Ok(self.write(|transaction| {
            let sql = "INSERT INTO settings (name, value) VALUES ($1, $2) ON CONFLICT DO NOTHING";
            transaction.execute(sql, &[&name, &new])?;
            Ok(transaction.query_one("SELECT value FROM settings WHERE name = $1", &[&name])?.get(0))
        })?)
    }

    fn set_listen(&self, address: &str) -> Result<(), ServiceError> {
        let sql = "INSERT INTO settings (name, value) VALUES ('listen', $1)
                   ON CONFLICT (name) DO UPDATE SET value = excluded.value";
        Ok(self.run(|client| Ok(client.execute(sql, &[&address.as_bytes()]).map(drop)?))?)
    }

    fn listen(&self) -> Result<Option<String>, ServiceError> {
        let row = self.run(|client| Ok(client.query_opt("SELECT value FROM settings WHERE name = 'listen'", &[])?))?;
        Ok(row.and_then(|row| String::from_utf8(row.get(0)).ok()))
    }

    fn invite(&self, invited: &Invited, now_ms: i64) -> Result<(), ServiceError> {
        let Invited { code_sha256, name, role, expires_ms } = invited;
        Ok(self.write(|transaction| {
            let old = now_ms - REMEMBERED_MS;
            transaction.execute("DELETE FROM invitations WHERE expires_ms < $1", &[&old])?;
            let sql = "INSERT INTO invitations (code_sha256, name, role, expires_ms) VALUES ($1, $2, $3, $4)
                       ON CONFLICT DO NOTHING";
            transaction.execute(sql, &[&&code_sha256[..], name, &role_name(*role), expires_ms])?;
            Ok(())
        })?)
    }

    fn join(&self, code_sha256: &Id, device: &Id, now_ms: i64) -> Result<Joined, ServiceError> {
        Ok(self.write(|transaction| {
            let sql = "SELECT name, role, expires_ms, used_by FROM invitations WHERE code_sha256 = $1";
            let Some(row) = transaction.query_opt(sql, &[&&code_sha256[..]])? else { return Ok(Joined::NoSuchCode) };
            let used_by = row.get::<_, Option<&[u8]>>(3).map(|_| bytes(&row, 3)).transpose()?;
            let known = member(transaction, device)?;
            if let Some(answer) = refusal(device, used_by, row.get(2), known, now_ms) {
                return Ok(answer);
            }
            admit(transaction, device, row.get(0), role_in(&row, 1)?, now_ms)?;
            let sql = "UPDATE invitations SET used_by = $2 WHERE code_sha256 = $1";
            transaction.execute(sql, &[&&code_sha256[..], &&device[..]])?;
            Ok(member(transaction, device)?.map_or(Joined::NoSuchCode, Joined::Member))
        })?)
    }

    fn admit(&self, device: &Id, name: &str, role: Role, now_ms: i64) -> Result<(), ServiceError> {
        Ok(self.write(|transaction| admit(transaction, device, name, role, now_ms))?)
    }

    fn member(&self, device: &Id) -> Result<Option<Member>, ServiceError> {
        Ok(self.run(|client| member(client, device))?)
    }

    fn members(&self) -> Result<Vec<Member>, ServiceError> {
        Ok(self.run(|client| client.query(MEMBERS, &[])?.iter().map(member_in).collect())?)
    }

    fn set_barred(&self, device: &Id, barred: bool) -> Result<bool, ServiceError> {
        let sql = "UPDATE members SET barred = $2 WHERE device = $1";
        Ok(self.run(|client| Ok(client.execute(sql, &[&&device[..], &barred])? > 0))?)
    }

    fn set_role(&self, device: &Id, role: Role) -> Result<bool, ServiceError> {
        let sql = "UPDATE members SET role = $2 WHERE device = $1";
        Ok(self.run(|client| Ok(client.execute(sql, &[&&device[..], &role_name(role)])? > 0))?)
    }

    fn exchanged(&self, device: &Id, now_ms: i64) -> Result<(), ServiceError> {
        // Within a minute it is the same exchange: nothing is written again.
        let sql = "UPDATE members SET last_exchange_ms = $2::bigint WHERE device = $1 AND coalesce(last_exchange_ms, 0) < $2::bigint - 60000";
        Ok(self.run(|client| Ok(client.execute(sql, &[&&device[..], &now_ms]).map(drop)?))?)
    }

    fn begin(&self, upload: &Upload, most: u32) -> Result<Begun, ServiceError> {
        let Upload { id, sha256, bytes: length, device, begun_ms, .. } = upload;
        let (sha256, device) = (&sha256[..], &device[..]);
        Ok(self.write(|transaction| {
            let sql = "SELECT count(*) FROM uploads WHERE device = $1 AND sha256 <> $2 AND NOT done";
            if transaction.query_one(sql, &[&device, &sha256])?.get::<_, i64>(0) >= i64::from(most) {
                return Ok(Begun::TooMany);
            }
            let sql = "DELETE FROM uploads WHERE device = $1 AND sha256 = $2 RETURNING id";
            let before = transaction.query_opt(sql, &[&device, &sha256])?;
            let sql = "INSERT INTO uploads (id, sha256, bytes, device, begun_ms) VALUES ($1, $2, $3, $4, $5)";
            transaction.execute(sql, &[&&id[..], &sha256, &length.cast_signed(), &device, begun_ms])?;
            Ok(Begun::InPlaceOf(before.map(|row| bytes(&row, 0)).transpose()?))
        })?)
    }

    fn upload(&self, id: &UploadId) -> Result<Option<Upload>, ServiceError> {
        let sql = "SELECT sha256, bytes, device, begun_ms, done FROM uploads WHERE id = $1";
        Ok(self.run(|client| {
            let Some(row) = client.query_opt(sql, &[&&id[..]])? else { return Ok(None) };
            let length = row.get::<_, i64>(1).unsigned_abs();
            let (sha256, device) = (bytes(&row, 0)?, bytes(&row, 2)?);
            Ok(Some(Upload { id: *id, sha256, bytes: length, device, begun_ms: row.get(3), done: row.get(4) }))
        })?)
    }

    fn done(&self, id: &UploadId) -> Result<(), ServiceError> {
        let sql = "UPDATE uploads SET done = true, pieces = '{}' WHERE id = $1";
        Ok(self.run(|client| Ok(client.execute(sql, &[&&id[..]]).map(drop)?))?)
    }

    fn forget(&self, id: &UploadId) -> Result<(), ServiceError> {
        let sql = "DELETE FROM uploads WHERE id = $1";
        Ok(self.run(|client| Ok(client.execute(sql, &[&&id[..]]).map(drop)?))?)
    }

    fn forget_before(&self, begun_ms: i64) -> Result<Vec<UploadId>, ServiceError> {
        let sql = "DELETE FROM uploads WHERE begun_ms < $1 RETURNING id";
        Ok(self.run(|client| client.query(sql, &[&begun_ms])?.iter().map(|row| bytes(row, 0)).collect())?)
    }
}

const MEMBERS: &str =
    "SELECT device, name, role, barred, joined_ms, last_exchange_ms FROM members ORDER BY name, device";

fn member(client: &mut impl GenericClient, device: &Id) -> Result<Option<Member>, Failure> {
    let sql = "SELECT device, name, role, barred, joined_ms, last_exchange_ms FROM members WHERE device = $1";
    client.query_opt(sql, &[&&device[..]])?.as_ref().map(member_in).transpose()
}

fn member_in(row: &Row) -> Result<Member, Failure> {
    Ok(Member {
        device: bytes(row, 0)?,
        name: row.get(1),
        role: role_in(row, 2)?,
        barred: row.get(3),
        joined_ms: row.get(4),
        last_exchange_ms: row.get(5),
    })
}

fn admit(transaction: &mut Transaction, device: &Id, name: &str, role: Role, now_ms: i64) -> Result<(), Failure> {
    let sql = "INSERT INTO members (device, name, role, joined_ms) VALUES ($1, $2, $3, $4)
               ON CONFLICT (device) DO UPDATE SET name = excluded.name, role = excluded.role";
    Ok(transaction.execute(sql, &[&&device[..], &name, &role_name(role), &now_ms]).map(drop)?)
}

fn role_in(row: &Row, column: usize) -> Result<Role, Failure> {
    role_of(row.get(column)).ok_or(Failure::Foreign("a role that isn't known"))
}
