//! What is recorded of signing in: rows in the audit of the person's organisations. In the sign-in role, since an
//! organisation is not known before. An address that is nobody's belongs to no organisation and is in no audit.

use std::net::IpAddr;

use chrono::{DateTime, Utc};
use diesel::prelude::*;

use crate::db::schema::{audit, members, people};
use crate::error::Result;
use crate::ids::{AuditId, Id, OrgId, PersonId, RequestId};

/// Records an act of a person on their own account in the audit of every organisation they are a member of; or of
/// one of them.
///
/// # Errors
/// Those of the database.
pub fn record(
    conn: &mut PgConnection,
    person_id: PersonId,
    only: Option<OrgId>,
    action: &str,
    from: IpAddr,
    now: DateTime<Utc>,
) -> Result<()> {
    let of: Vec<OrgId> = members::table
        .filter(members::person_id.eq(person_id).and(members::ended_at.is_null()))
        .order(members::org_id)
        .select(members::org_id)
        .load(conn)?;
    let request_id = RequestId::fresh().to_string();
    let rows: Vec<_> = of
        .into_iter()
        .filter(|org_id| only.is_none_or(|only| only == *org_id))
        .map(|org_id| {
            (
                audit::org_id.eq(org_id),
                audit::id.eq(AuditId::fresh()),
                audit::recorded_at.eq(now),
                // Who failed to sign in may be anybody.
                audit::person_id.eq((action != REFUSED).then_some(person_id)),
                audit::request_id.eq(&request_id),
                audit::action.eq(action),
                audit::entity.eq("person"),
                audit::entity_id.eq(uuid::Uuid::from(person_id)),
                audit::address.eq(from.to_string()),
            )
        })
        .collect();
    diesel::insert_into(audit::table).values(rows).execute(conn)?;
    Ok(())
}

/// A sign-in that was refused.
pub const REFUSED: &str = "refuse_sign_in";

/// Records a refused sign-in at the account of an address, if there is one.
///
/// # Errors
/// Those of the database.
pub fn record_refusal(conn: &mut PgConnection, email: &str, from: IpAddr, now: DateTime<Utc>) -> Result<()> {
    let known: Option<PersonId> = people::table
        .filter(people::email.eq(email.trim().to_lowercase()))
        .select(people::person_id)
        .first(conn)
        .optional()?;
    known.map_or(Ok(()), |person_id| record(conn, person_id, None, REFUSED, from, now))
}
