//! Rows of the audit.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use serde_json::Value;
use uuid::Uuid;

use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::db::schema::audit;
use crate::error::Result;
use crate::ids::{AuditId, Id, PersonId, ProgramId};

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
}

pub(super) fn insert(
    tx: &mut Tx<'_>,
    action: &str,
    entity: &str,
    entity_id: Uuid,
    before: Option<Value>,
    after: Option<Value>,
) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
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
