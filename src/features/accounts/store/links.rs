//! Rows of invitations and password resets. Each is opened by a token that names its row and holds a secret, of
//! which only the SHA-256 is kept.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use uuid::Uuid;

use crate::codes;
use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::db::schema::{invitations, members, passwords, people};
use crate::error::{Code, Error, Result};
use crate::ids::{InvitationId, OrgId, PersonId};
use crate::permissions::Role;

/// An invitation as stored.
#[derive(Debug, Clone)]
pub struct Invitation {
    /// Its id.
    pub id: InvitationId,
    /// Whom it invites; gone once it is settled.
    pub email: Option<String>,
    /// To which role.
    pub role: Role,
    /// Who invited; nobody for the command line.
    pub invited_by: Option<PersonId>,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// Until when it can be accepted.
    pub expires_at: DateTime<Utc>,
    /// When it was accepted.
    pub accepted_at: Option<DateTime<Utc>>,
    /// When it was withdrawn.
    pub withdrawn_at: Option<DateTime<Utc>>,
}

type Row = (
    InvitationId,
    Option<String>,
    String,
    Option<PersonId>,
    DateTime<Utc>,
    DateTime<Utc>,
    Option<DateTime<Utc>>,
    Option<DateTime<Utc>>,
);

const COLUMNS: (
    invitations::id,
    invitations::email,
    invitations::role,
    invitations::invited_by,
    invitations::created_at,
    invitations::expires_at,
    invitations::accepted_at,
    invitations::withdrawn_at,
) = (
    invitations::id,
    invitations::email,
    invitations::role,
    invitations::invited_by,
    invitations::created_at,
    invitations::expires_at,
    invitations::accepted_at,
    invitations::withdrawn_at,
);

fn invitation(
    (id, email, role, invited_by, created_at, expires_at, accepted_at, withdrawn_at): Row,
) -> Result<Invitation> {
    let role = codes::from_text(&role)?;
    Ok(Invitation { id, email, role, invited_by, created_at, expires_at, accepted_at, withdrawn_at })
}

/// Adds an invitation, unless the address is a member's already.
///
/// # Errors
/// Duplicate.
pub fn insert_invitation(
    tx: &mut Tx<'_>,
    id: InvitationId,
    email: &str,
    role: Role,
    secret_sha256: &[u8],
    expires_at: DateTime<Utc>,
) -> Result<()> {
    let member: i64 = members::table
        .inner_join(people::table)
        .filter(members::org_id.eq(tx.org_id()).and(people::email.eq(email)))
        .count()
        .get_result(tx.conn())?;
    if member > 0 {
        return Err(already_member());
    }
    let (org_id, now, person) = (tx.org_id(), tx.now(), tx.person_id());
    diesel::insert_into(invitations::table)
        .values((
            invitations::org_id.eq(org_id),
            invitations::id.eq(id),
            invitations::email.eq(email),
            invitations::role.eq(codes::to_text(&role)?),
            invitations::secret_sha256.eq(secret_sha256),
            invitations::invited_by.eq(person),
            invitations::created_at.eq(now),
            invitations::expires_at.eq(expires_at),
        ))
        .execute(tx.conn())?;
    Ok(())
}

/// A member is changed, not invited again.
#[must_use]
pub fn already_member() -> Error {
    let mut error = Error::field("/email", "duplicate", "is already a member. Change the member instead.");
    error.code = Code::Duplicate;
    error
}

/// One invitation.
///
/// # Errors
/// Not found.
pub fn read_invitation(tx: &mut Tx<'_>, id: InvitationId) -> Result<Invitation> {
    let row: Option<Row> =
        invitations::table.find((tx.org_id(), id)).select(COLUMNS).first(tx.conn()).optional()?;
    row.map_or_else(|| Err(Error::not_found("invitation")), invitation)
}

/// The invitations, in the order they were made.
///
/// # Errors
/// Those of the database.
pub fn list_invitations(tx: &mut Tx<'_>, page: PageRequest) -> Result<Slice<Invitation>> {
    let mut query = invitations::table.filter(invitations::org_id.eq(tx.org_id())).into_boxed();
    if let Some(after) = page.after {
        query = query.filter(invitations::id.gt(InvitationId::from(after.id)));
    }
    let rows: Vec<Row> = query.order(invitations::id).limit(page.fetch()).select(COLUMNS).load(tx.conn())?;
    let found = rows.into_iter().map(invitation).collect::<Result<Vec<_>>>()?;
    Ok(page.slice(found, |i| Position { key: 0, id: i.id.into() }))
}

/// Withdraws an invitation that is open.
///
/// # Errors
/// A conflict, when it is settled.
pub fn withdraw_invitation(tx: &mut Tx<'_>, id: InvitationId) -> Result<()> {
    let now = tx.now();
    let changed = diesel::update(invitations::table.find((tx.org_id(), id)))
        .filter(invitations::accepted_at.is_null().and(invitations::withdrawn_at.is_null()))
        .set((invitations::withdrawn_at.eq(now), invitations::email.eq(None::<String>)))
        .execute(tx.conn())?;
    if changed == 1 {
        Ok(())
    } else {
        Err(Error::new(
            Code::Conflict,
            "The invitation was accepted or withdrawn already. Change the member.",
        ))
    }
}

/// The open invitation that a token opens, its row locked until the commit: the address and the role. In the
/// sign-in role.
///
/// # Errors
/// Those of the database.
pub fn open_invitation(
    conn: &mut PgConnection,
    org_id: OrgId,
    id: InvitationId,
    secret_sha256: &[u8],
    now: DateTime<Utc>,
) -> Result<Option<(String, Role, Option<PersonId>)>> {
    let row: Option<(Option<String>, String, Option<PersonId>)> = invitations::table
        .find((org_id, id))
        .filter(invitations::secret_sha256.eq(secret_sha256).and(invitations::expires_at.gt(now)))
        .filter(invitations::accepted_at.is_null().and(invitations::withdrawn_at.is_null()))
        .select((invitations::email, invitations::role, invitations::invited_by))
        .for_update()
        .first(conn)
        .optional()?;
    match row {
        Some((Some(email), role, invited_by)) => Ok(Some((email, codes::from_text(&role)?, invited_by))),
        _ => Ok(None),
    }
}

/// Settles an invitation. In the sign-in role.
///
/// # Errors
/// Those of the database.
pub fn accept_invitation(
    conn: &mut PgConnection,
    org_id: OrgId,
    id: InvitationId,
    now: DateTime<Utc>,
) -> Result<()> {
    diesel::update(invitations::table.find((org_id, id)))
        .set((invitations::accepted_at.eq(now), invitations::email.eq(None::<String>)))
        .execute(conn)?;
    Ok(())
}

/// Notes that a person's password may be reset with a secret; an earlier one no longer holds. In the sign-in
/// role.
///
/// # Errors
/// Those of the database.
pub fn offer_reset(
    conn: &mut PgConnection,
    person_id: PersonId,
    secret_sha256: &[u8],
    expires_at: DateTime<Utc>,
) -> Result<()> {
    diesel::update(passwords::table.find(person_id))
        .set((passwords::reset_sha256.eq(secret_sha256), passwords::reset_expires_at.eq(expires_at)))
        .execute(conn)?;
    Ok(())
}

/// Sets a new password, if the secret opens the reset; the secret is spent. In the sign-in role.
///
/// # Errors
/// Those of the database.
pub fn reset_password(
    conn: &mut PgConnection,
    person_id: PersonId,
    secret_sha256: &[u8],
    password_hash: &str,
    now: DateTime<Utc>,
) -> Result<bool> {
    let changed = diesel::update(passwords::table.find(person_id))
        .filter(passwords::reset_sha256.eq(secret_sha256).and(passwords::reset_expires_at.gt(now)))
        .set((
            passwords::password_hash.eq(password_hash),
            passwords::changed_at.eq(now),
            passwords::reset_sha256.eq(None::<Vec<u8>>),
            passwords::reset_expires_at.eq(None::<DateTime<Utc>>),
        ))
        .execute(conn)?;
    Ok(changed == 1)
}

/// Sets a new password. In the sign-in role.
///
/// # Errors
/// Those of the database.
pub fn change_password(
    conn: &mut PgConnection,
    person_id: PersonId,
    password_hash: &str,
    now: DateTime<Utc>,
) -> Result<()> {
    diesel::update(passwords::table.find(person_id))
        .set((
            passwords::password_hash.eq(password_hash),
            passwords::changed_at.eq(now),
            passwords::reset_sha256.eq(None::<Vec<u8>>),
            passwords::reset_expires_at.eq(None::<DateTime<Utc>>),
        ))
        .execute(conn)?;
    Ok(())
}

/// Keeps a second factor's sealed secret, confirmed or not yet; none removes it. In the sign-in role.
///
/// # Errors
/// Those of the database.
pub fn keep_second_factor(
    conn: &mut PgConnection,
    person_id: PersonId,
    sealed: Option<&[u8]>,
    confirmed: bool,
) -> Result<()> {
    diesel::update(passwords::table.find(person_id))
        .set((
            passwords::second_factor_sealed.eq(sealed),
            passwords::second_factor_confirmed.eq(confirmed),
            passwords::second_factor_used_at.eq(None::<DateTime<Utc>>),
        ))
        .execute(conn)?;
    Ok(())
}

/// Spends the code of a time step; whether it had not been spent before. In the sign-in role.
///
/// # Errors
/// Those of the database.
pub fn spend_code(conn: &mut PgConnection, person_id: PersonId, step_at: DateTime<Utc>) -> Result<bool> {
    let changed = diesel::update(passwords::table.find(person_id))
        .filter(passwords::second_factor_used_at.is_null().or(passwords::second_factor_used_at.lt(step_at)))
        .set(passwords::second_factor_used_at.eq(step_at))
        .execute(conn)?;
    Ok(changed == 1)
}

/// Bytes of two ids and a secret as they travel in a token.
#[must_use]
pub fn ids_in(bytes: &[u8]) -> Option<(Uuid, &[u8])> {
    let (id, rest) = bytes.split_first_chunk::<16>()?;
    Some((Uuid::from_bytes(*id), rest))
}
