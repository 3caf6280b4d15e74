//! Rows of the audit.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use serde_json::Value;
use uuid::Uuid;

use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::db::schema::{audit, audit_chain};
use crate::error::{Error, Result};
use crate::features::audit::model::Link;
use crate::ids::{AuditId, Id, OrgId, PersonId, ProgramId};

#[derive(Queryable, Selectable)]
#[diesel(table_name = audit)]
pub(super) struct AuditRow {
    pub id: AuditId,
    pub recorded_at: DateTime<Utc>,
    pub person_id: Option<PersonId>,
    pub program_id: Option<ProgramId>,
    pub address: Option<String>,
    pub request_id: String,
    pub action: String,
    pub entity: String,
    pub entity_id: Uuid,
    pub before: Option<Value>,
    pub after: Option<Value>,
    pub by_org_id: Option<OrgId>,
}

pub(super) fn insert(
    tx: &mut Tx<'_>,
    org_id: OrgId,
    action: &str,
    entity: &str,
    entity_id: Uuid,
    before: Option<Value>,
    after: Option<Value>,
) -> Result<()> {
    let (acting, now) = (tx.acting_org_id(), tx.now());
    let (person_id, request_id) = (tx.person_id(), tx.actor().request_id.to_string());
    let (program_id, address) =
        (tx.actor().program_id, tx.actor().address.map(|address| address.to_string()));
    diesel::insert_into(audit::table)
        .values((
            audit::org_id.eq(org_id),
            audit::id.eq(AuditId::fresh()),
            audit::recorded_at.eq(now),
            audit::person_id.eq(person_id),
            audit::request_id.eq(request_id),
            audit::action.eq(action),
            audit::entity.eq(entity),
            audit::entity_id.eq(entity_id),
            audit::program_id.eq(program_id),
            audit::address.eq(address),
            audit::before.eq(before),
            audit::after.eq(after),
            audit::by_org_id.eq((acting != org_id).then_some(acting)),
        ))
        .execute(tx.conn())?;
    Ok(())
}

pub(super) fn list(
    tx: &mut Tx<'_>,
    entity_id: Option<Uuid>,
    updated_since: Option<DateTime<Utc>>,
    page: PageRequest,
) -> Result<Slice<AuditRow>> {
    let mut query = audit::table.filter(audit::org_id.eq(tx.org_id())).into_boxed();
    if let Some(entity_id) = entity_id {
        query = query.filter(audit::entity_id.eq(entity_id));
    }
    if let Some(since) = updated_since {
        query = query.filter(audit::recorded_at.ge(since));
    }
    if let Some(after) = page.after {
        query = query.filter(audit::id.gt(AuditId::from(after.id)));
    }
    let rows = query.order(audit::id).limit(page.fetch()).select(AuditRow::as_select()).load(tx.conn())?;
    Ok(page.slice(rows, |row| Position { key: 0, id: row.id.into() }))
}

/// The newest rows first, those before `before`.
pub(super) fn newest(tx: &mut Tx<'_>, before: Option<AuditId>, limit: i64) -> Result<Vec<AuditRow>> {
    let mut query = audit::table.filter(audit::org_id.eq(tx.org_id())).into_boxed();
    if let Some(before) = before {
        query = query.filter(audit::id.lt(before));
    }
    Ok(query.order(audit::id.desc()).limit(limit).select(AuditRow::as_select()).load(tx.conn())?)
}

#[derive(QueryableByName)]
struct ChainRow {
    #[diesel(sql_type = diesel::sql_types::BigInt)]
    sequence: i64,
    #[diesel(sql_type = diesel::sql_types::Binary)]
    previous_sha256: Vec<u8>,
    #[diesel(sql_type = diesel::sql_types::Binary)]
    row_sha256: Vec<u8>,
    #[diesel(sql_type = diesel::sql_types::Jsonb)]
    fields: Value,
}

/// Links of the chain after `sequence`, in their order, with the fields of their rows as text.
pub(super) fn links(tx: &mut Tx<'_>, sequence: i64, limit: i64) -> Result<Vec<Link>> {
    let org_id = tx.org_id();
    let rows: Vec<ChainRow> = diesel::sql_query(
        "SELECT c.sequence, c.previous_sha256, c.row_sha256, to_jsonb(ARRAY[
             a.org_id::text, a.id::text, (extract(epoch FROM a.recorded_at) * 1000000)::bigint::text,
             a.person_id::text, a.program_id::text, a.address, a.request_id, a.action, a.entity, a.entity_id::text,
             a.before::text, a.after::text]
             || CASE WHEN a.by_org_id IS NULL THEN '{}'::text[] ELSE ARRAY[a.by_org_id::text] END) AS fields
         FROM audit_chain c LEFT JOIN audit a ON a.org_id = c.org_id AND a.id = c.audit_id
         WHERE c.org_id = $1 AND c.sequence > $2 ORDER BY c.sequence LIMIT $3",
    )
    .bind::<diesel::sql_types::Uuid, _>(org_id)
    .bind::<diesel::sql_types::BigInt, _>(sequence)
    .bind::<diesel::sql_types::BigInt, _>(limit)
    .load(tx.conn())?;
    rows.into_iter()
        .map(|row| {
            Ok(Link {
                sequence: row.sequence,
                previous_sha256: row.previous_sha256,
                row_sha256: row.row_sha256,
                fields: serde_json::from_value(row.fields).map_err(Error::internal)?,
            })
        })
        .collect()
}

/// How many rows no link names.
pub(super) fn unchained(tx: &mut Tx<'_>) -> Result<i64> {
    let chained =
        audit_chain::table.filter(audit_chain::org_id.eq(tx.org_id())).select(audit_chain::audit_id);
    Ok(audit::table
        .filter(audit::org_id.eq(tx.org_id()).and(audit::id.ne_all(chained)))
        .count()
        .get_result(tx.conn())?)
}

/// The last link.
pub(super) fn head(tx: &mut Tx<'_>) -> Result<Option<(i64, Vec<u8>)>> {
    Ok(audit_chain::table
        .filter(audit_chain::org_id.eq(tx.org_id()))
        .order(audit_chain::sequence.desc())
        .select((audit_chain::sequence, audit_chain::row_sha256))
        .first(tx.conn())
        .optional()?)
}
