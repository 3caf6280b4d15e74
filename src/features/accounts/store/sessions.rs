//! Rows of passwords and sessions, in the sign-in role.

use chrono::{DateTime, Utc};
use diesel::prelude::*;

use crate::codes;
use crate::db::schema::{members, organisations, passwords, people, refresh_families, refresh_tokens};
use crate::error::Result;
use crate::ids::{FamilyId, OrgId, PersonId};
use crate::permissions::Role;

/// A person who wants to sign in.
#[derive(Debug, Queryable)]
pub struct Candidate {
    /// The person.
    pub person_id: PersonId,
    /// The argon2id hash, as a PHC string.
    pub password_hash: String,
    /// The sealed secret of the second factor, if there is one.
    pub second_factor_sealed: Option<Vec<u8>>,
    /// Whether the second factor is asked for.
    pub second_factor_confirmed: bool,
}

/// The person of an address, with the password's hash. In the sign-in role.
///
/// # Errors
/// Those of the database.
pub fn candidate(conn: &mut PgConnection, email: &str) -> Result<Option<Candidate>> {
    Ok(people::table
        .inner_join(passwords::table)
        .filter(people::email.eq(email.trim().to_lowercase()))
        .select((
            people::person_id,
            passwords::password_hash,
            passwords::second_factor_sealed,
            passwords::second_factor_confirmed,
        ))
        .first(conn)
        .optional()?)
}

/// The address of a person.
///
/// # Errors
/// Those of the database.
pub fn address_of(conn: &mut PgConnection, person_id: PersonId) -> Result<String> {
    Ok(people::table.find(person_id).select(people::email).first(conn)?)
}

/// Ends all sessions of a person.
///
/// # Errors
/// Those of the database.
pub fn revoke_all(conn: &mut PgConnection, person_id: PersonId, now: DateTime<Utc>) -> Result<()> {
    diesel::update(refresh_families::table)
        .filter(refresh_families::person_id.eq(person_id).and(refresh_families::revoked_at.is_null()))
        .set(refresh_families::revoked_at.eq(now))
        .execute(conn)?;
    Ok(())
}

/// The organisations a person is a member of now, with the role and the name, oldest membership first.
///
/// # Errors
/// Those of the database.
pub fn memberships(conn: &mut PgConnection, person_id: PersonId) -> Result<Vec<(OrgId, String, Role)>> {
    let rows: Vec<(OrgId, String, String)> = members::table
        .inner_join(organisations::table)
        .filter(members::person_id.eq(person_id).and(members::ended_at.is_null()))
        .order((members::created_at, members::org_id))
        .select((members::org_id, organisations::name, members::role))
        .load(conn)?;
    rows.into_iter().map(|(org, name, role)| Ok((org, name, codes::from_text(&role)?))).collect()
}

/// Opens a session.
///
/// # Errors
/// Those of the database.
pub fn insert_family(
    conn: &mut PgConnection,
    family_id: FamilyId,
    person_id: PersonId,
    org_id: OrgId,
    now: DateTime<Utc>,
    expires_at: DateTime<Utc>,
) -> Result<()> {
    diesel::insert_into(refresh_families::table)
        .values((
            refresh_families::family_id.eq(family_id),
            refresh_families::person_id.eq(person_id),
            refresh_families::org_id.eq(org_id),
            refresh_families::created_at.eq(now),
            refresh_families::expires_at.eq(expires_at),
        ))
        .execute(conn)?;
    Ok(())
}

/// Adds a refresh token to a session, by its SHA-256, after the one it replaces.
///
/// # Errors
/// Those of the database.
pub fn insert_refresh_token(
    conn: &mut PgConnection,
    token_sha256: &[u8],
    family_id: FamilyId,
    follows_sha256: Option<&[u8]>,
    now: DateTime<Utc>,
) -> Result<()> {
    diesel::insert_into(refresh_tokens::table)
        .values((
            refresh_tokens::token_sha256.eq(token_sha256),
            refresh_tokens::family_id.eq(family_id),
            refresh_tokens::issued_at.eq(now),
            refresh_tokens::follows_sha256.eq(follows_sha256),
        ))
        .execute(conn)?;
    Ok(())
}

/// A presented refresh token, its row locked until the commit.
#[derive(Debug, Queryable)]
pub struct Presented {
    /// The session.
    pub family_id: FamilyId,
    /// When it was given.
    pub issued_at: DateTime<Utc>,
    /// When a browser first presented it, if it did.
    pub seen_at: Option<DateTime<Utc>>,
    /// When it was used, if it was.
    pub used_at: Option<DateTime<Utc>>,
    /// Whose session.
    pub person_id: PersonId,
    /// In which organisation.
    pub org_id: OrgId,
    /// When the session ends.
    pub expires_at: DateTime<Utc>,
    /// When it was revoked, if it was.
    pub revoked_at: Option<DateTime<Utc>>,
}

/// Finds a presented refresh token.
///
/// # Errors
/// Those of the database.
pub fn presented(conn: &mut PgConnection, token_sha256: &[u8]) -> Result<Option<Presented>> {
    Ok(refresh_tokens::table
        .inner_join(refresh_families::table)
        .filter(refresh_tokens::token_sha256.eq(token_sha256))
        .select((
            refresh_tokens::family_id,
            refresh_tokens::issued_at,
            refresh_tokens::seen_at,
            refresh_tokens::used_at,
            refresh_families::person_id,
            refresh_families::org_id,
            refresh_families::expires_at,
            refresh_families::revoked_at,
        ))
        .for_update()
        .first(conn)
        .optional()?)
}

/// Marks a refresh token as used.
///
/// # Errors
/// Those of the database.
pub fn use_refresh_token(conn: &mut PgConnection, token_sha256: &[u8], now: DateTime<Utc>) -> Result<()> {
    diesel::update(refresh_tokens::table.find(token_sha256))
        .set(refresh_tokens::used_at.eq(now))
        .execute(conn)?;
    Ok(())
}

/// Notes that a browser has a refresh token.
///
/// # Errors
/// Those of the database.
pub fn see_refresh_token(conn: &mut PgConnection, token_sha256: &[u8], now: DateTime<Utc>) -> Result<()> {
    diesel::update(refresh_tokens::table.find(token_sha256))
        .set(refresh_tokens::seen_at.eq(now))
        .execute(conn)?;
    Ok(())
}

/// Voids the token that followed this one, if nobody has presented it; whether there was one.
///
/// # Errors
/// Those of the database.
pub fn void_unseen_successor(
    conn: &mut PgConnection,
    token_sha256: &[u8],
    now: DateTime<Utc>,
) -> Result<bool> {
    let unseen = refresh_tokens::seen_at.is_null().and(refresh_tokens::used_at.is_null());
    let voided = diesel::update(refresh_tokens::table)
        .filter(refresh_tokens::follows_sha256.eq(token_sha256).and(unseen))
        .set(refresh_tokens::used_at.eq(now))
        .execute(conn)?;
    Ok(voided > 0)
}

/// Ends a session and every token of it.
///
/// # Errors
/// Those of the database.
pub fn revoke_family(conn: &mut PgConnection, family_id: FamilyId, now: DateTime<Utc>) -> Result<()> {
    diesel::update(refresh_families::table.find(family_id))
        .set(refresh_families::revoked_at.eq(now))
        .execute(conn)?;
    Ok(())
}
