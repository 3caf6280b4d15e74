//! Taking a person's fields out, in the sign-in role. The id stays: what was recorded and the audit's chain go on to
//! say that it was one and the same person, and no longer who.

use chrono::{DateTime, Utc};
use diesel::prelude::*;

use crate::db::schema::{
    audit, invitations, members, organisations, passwords, people, refresh_families, refresh_tokens,
};
use crate::error::{Code, Error, Result};
use crate::ids::{AuditId, Id, OrgId, PersonId, RequestId};

/// The name of somebody whose name is gone.
pub const ERASED_NAME: &str = "(erased)";

/// An address at which nobody is (RFC 2606, section 2: `.invalid`).
#[must_use]
pub fn erased_address(person_id: PersonId) -> String {
    format!("{person_id}@erased.invalid")
}

/// Erases a person: address, name, password, second factor and sessions go, memberships end. The organisations the
/// person was a member of.
///
/// # Errors
/// A conflict, when an organisation would be left without an administrator.
pub fn erase_person(
    conn: &mut PgConnection,
    person_id: PersonId,
    request_id: RequestId,
    now: DateTime<Utc>,
) -> Result<Vec<OrgId>> {
    let address: String = people::table
        .find(person_id)
        .select(people::email)
        .for_update()
        .first(conn)
        .optional()?
        .ok_or_else(|| Error::not_found("person"))?;
    let of: Vec<(OrgId, String, bool)> = members::table
        .inner_join(organisations::table)
        .filter(members::person_id.eq(person_id))
        .order(members::org_id)
        .select((
            members::org_id,
            organisations::name,
            members::role.eq("administrator").and(members::ended_at.is_null()),
        ))
        .load(conn)?;
    for (org_id, name, administrates) in &of {
        // Locked, so that two last ones do not leave at the same time.
        let others: Vec<PersonId> = members::table
            .filter(members::org_id.eq(org_id).and(members::person_id.ne(person_id)))
            .filter(members::role.eq("administrator").and(members::ended_at.is_null()))
            .select(members::person_id)
            .for_update()
            .load(conn)?;
        if *administrates && others.is_empty() {
            return Err(Error::new(
                Code::Conflict,
                format!(
                    "{name} would be left without an administrator. Make another member one first, or erase the organisation."
                ),
            ));
        }
    }
    diesel::update(people::table.find(person_id))
        .set((
            people::email.eq(erased_address(person_id)),
            people::display_name.eq(ERASED_NAME),
            people::erased_at.eq(now),
        ))
        .execute(conn)?;
    diesel::delete(passwords::table.find(person_id)).execute(conn)?;
    let families = refresh_families::table
        .filter(refresh_families::person_id.eq(person_id))
        .select(refresh_families::family_id);
    diesel::delete(refresh_tokens::table.filter(refresh_tokens::family_id.eq_any(families))).execute(conn)?;
    diesel::delete(refresh_families::table.filter(refresh_families::person_id.eq(person_id)))
        .execute(conn)?;
    diesel::update(members::table.filter(members::person_id.eq(person_id).and(members::ended_at.is_null())))
        .set((
            members::ended_at.eq(now),
            members::version.eq(members::version + 1),
            members::updated_at.eq(now),
        ))
        .execute(conn)?;
    diesel::update(invitations::table.filter(invitations::email.eq(&address)))
        .set((invitations::email.eq(None::<String>), invitations::withdrawn_at.eq(now)))
        .execute(conn)?;
    for (org_id, ..) in &of {
        diesel::insert_into(audit::table)
            .values((
                audit::org_id.eq(org_id),
                audit::id.eq(AuditId::fresh()),
                audit::recorded_at.eq(now),
                audit::request_id.eq(request_id.to_string()),
                audit::action.eq("erase_person"),
                audit::entity.eq("person"),
                audit::entity_id.eq(uuid::Uuid::from(person_id)),
            ))
            .execute(conn)?;
    }
    Ok(of.into_iter().map(|(org_id, ..)| org_id).collect())
}

/// The members of an organisation who are members of no other one, ended memberships included.
///
/// # Errors
/// Those of the database.
pub fn members_of_no_other(conn: &mut PgConnection, org_id: OrgId) -> Result<Vec<PersonId>> {
    let here = members::table.filter(members::org_id.eq(org_id)).select(members::person_id);
    let elsewhere: Vec<PersonId> =
        members::table.filter(members::org_id.ne(org_id)).select(members::person_id).load(conn)?;
    let here: Vec<PersonId> = here.load(conn)?;
    Ok(here.into_iter().filter(|person_id| !elsewhere.contains(person_id)).collect())
}

/// The person of an address.
///
/// # Errors
/// Not found.
pub fn person_of(conn: &mut PgConnection, email: &str) -> Result<PersonId> {
    people::table
        .filter(people::email.eq(email.trim().to_lowercase()))
        .select(people::person_id)
        .first(conn)
        .optional()?
        .ok_or_else(|| Error::new(Code::NotFound, format!("Nobody has the address {email}. Check it.")))
}

/// Gives people without a password one that nobody knows, so that they can reset it.
///
/// # Errors
/// Those of the database.
pub fn lock_passwords(conn: &mut PgConnection, password_hash: &str, now: DateTime<Utc>) -> Result<()> {
    let known = passwords::table.select(passwords::person_id);
    let without: Vec<PersonId> = people::table
        .filter(people::person_id.ne_all(known).and(people::erased_at.is_null()))
        .select(people::person_id)
        .load(conn)?;
    for person_id in without {
        diesel::insert_into(passwords::table)
            .values((
                passwords::person_id.eq(person_id),
                passwords::password_hash.eq(password_hash),
                passwords::changed_at.eq(now),
            ))
            .execute(conn)?;
    }
    Ok(())
}
