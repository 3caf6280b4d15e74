//! Rows of programs and the digests of their secrets.

use chrono::{DateTime, Utc};
use diesel::prelude::*;

use super::one_changed;
use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::db::schema::{program_secrets, programs};
use crate::error::{Error, Result};
use crate::features::accounts::model::ProgramFields;
use crate::ids::{Id, OrgId, ProgramId, SecretId};

/// A program as stored; the scopes as words.
#[derive(Debug, Clone, Queryable, Selectable)]
#[diesel(table_name = programs)]
pub struct Program {
    /// Its id.
    pub id: ProgramId,
    /// Its name.
    pub name: String,
    /// Its scopes, as words with spaces between.
    pub scopes: String,
    /// When it ends by itself.
    pub expires_at: Option<DateTime<Utc>>,
    /// Whether it has ended.
    pub ended: bool,
    /// The version.
    pub version: i32,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
}

/// Adds a program.
///
/// # Errors
/// Those of the database.
pub fn insert_program(tx: &mut Tx<'_>, id: ProgramId, fields: &ProgramFields, scopes: &str) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    diesel::insert_into(programs::table)
        .values((
            programs::org_id.eq(org_id),
            programs::id.eq(id),
            programs::name.eq(&fields.name),
            programs::scopes.eq(scopes),
            programs::expires_at.eq(fields.expires_at),
            programs::ended.eq(fields.ended),
            programs::created_at.eq(now),
            programs::updated_at.eq(now),
        ))
        .execute(tx.conn())?;
    Ok(())
}

/// Changes a program from `version` to the next.
///
/// # Errors
/// Stale.
pub fn update_program(
    tx: &mut Tx<'_>,
    id: ProgramId,
    fields: &ProgramFields,
    scopes: &str,
    version: i32,
) -> Result<()> {
    let now = tx.now();
    let changed =
        diesel::update(programs::table.find((tx.org_id(), id)).filter(programs::version.eq(version)))
            .set((
                programs::name.eq(&fields.name),
                programs::scopes.eq(scopes),
                programs::expires_at.eq(fields.expires_at),
                programs::ended.eq(fields.ended),
                programs::version.eq(version + 1),
                programs::updated_at.eq(now),
            ))
            .execute(tx.conn())?;
    one_changed(changed)
}

/// One program.
///
/// # Errors
/// Not found.
pub fn read_program(tx: &mut Tx<'_>, id: ProgramId) -> Result<Program> {
    programs::table
        .find((tx.org_id(), id))
        .select(Program::as_select())
        .first(tx.conn())
        .optional()?
        .ok_or_else(|| Error::not_found("program"))
}

/// The programs, by last change.
///
/// # Errors
/// Those of the database.
pub fn list_programs(
    tx: &mut Tx<'_>,
    updated_since: Option<DateTime<Utc>>,
    page: PageRequest,
) -> Result<Slice<Program>> {
    let mut query = programs::table.filter(programs::org_id.eq(tx.org_id())).into_boxed();
    if let Some(since) = updated_since {
        query = query.filter(programs::updated_at.ge(since));
    }
    if let Some((time, id)) = page.after_time() {
        let id = ProgramId::from(id);
        query = query
            .filter(programs::updated_at.gt(time).or(programs::updated_at.eq(time).and(programs::id.gt(id))));
    }
    let rows = query
        .order((programs::updated_at, programs::id))
        .limit(page.fetch())
        .select(Program::as_select())
        .load(tx.conn())?;
    Ok(page.slice(rows, |p| Position::at(p.updated_at, p.id)))
}

/// Adds a secret by its digest; those before it end at `earlier_until`, or when they would anyway.
///
/// # Errors
/// Those of the database.
pub fn insert_secret(
    tx: &mut Tx<'_>,
    program_id: ProgramId,
    secret_sha256: &[u8],
    earlier_until: DateTime<Utc>,
) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    diesel::update(program_secrets::table)
        .filter(program_secrets::org_id.eq(org_id).and(program_secrets::program_id.eq(program_id)))
        .filter(program_secrets::expires_at.is_null().or(program_secrets::expires_at.gt(earlier_until)))
        .set(program_secrets::expires_at.eq(earlier_until))
        .execute(tx.conn())?;
    diesel::insert_into(program_secrets::table)
        .values((
            program_secrets::org_id.eq(org_id),
            program_secrets::id.eq(SecretId::fresh()),
            program_secrets::program_id.eq(program_id),
            program_secrets::secret_sha256.eq(secret_sha256),
            program_secrets::created_at.eq(now),
        ))
        .execute(tx.conn())?;
    Ok(())
}

/// The scopes of the program whose secret this is, if both hold now. In the sign-in role.
///
/// # Errors
/// Those of the database.
pub fn scopes_by_secret(
    conn: &mut PgConnection,
    org_id: OrgId,
    program_id: ProgramId,
    secret_sha256: &[u8],
    now: DateTime<Utc>,
) -> Result<Option<String>> {
    Ok(programs::table
        .inner_join(program_secrets::table.on(
            program_secrets::org_id.eq(programs::org_id).and(program_secrets::program_id.eq(programs::id)),
        ))
        .filter(programs::org_id.eq(org_id).and(programs::id.eq(program_id)).and(programs::ended.eq(false)))
        .filter(programs::expires_at.is_null().or(programs::expires_at.gt(now)))
        .filter(program_secrets::secret_sha256.eq(secret_sha256))
        .filter(program_secrets::expires_at.is_null().or(program_secrets::expires_at.gt(now)))
        .select(programs::scopes)
        .first(conn)
        .optional()?)
}
