//! Rows of organisations, people and members; those of sessions, invitations and programs beside it.

pub mod acts;
pub mod erasure;
pub mod links;
pub mod programs;
pub mod sessions;

use chrono::{DateTime, Utc};
use diesel::prelude::*;

use crate::codes;
use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::db::schema::{audit, members, organisations, passwords, people};
use crate::error::{Code, Error, Result};
use crate::features::accounts::model::{MemberFields, NewMemberFields, OrganisationFields};
use crate::ids::{AuditId, Id, OrgId, PersonId, RequestId};

/// An organisation as stored.
#[derive(Debug, Clone)]
pub struct Organisation {
    /// Its id.
    pub org_id: OrgId,
    /// Its fields.
    pub fields: OrganisationFields,
    /// Its version.
    pub version: i32,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
}

/// A member as stored.
#[derive(Debug, Clone)]
pub struct Member {
    /// The person.
    pub person_id: PersonId,
    /// The e-mail address.
    pub email: String,
    /// The name shown.
    pub display_name: String,
    /// Role and whether it ended.
    pub fields: MemberFields,
    /// The version.
    pub version: i32,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
}

type MemberRow = (PersonId, String, String, String, Option<DateTime<Utc>>, i32, DateTime<Utc>);

fn member(
    (person_id, email, display_name, role, ended_at, version, updated_at): MemberRow,
) -> Result<Member> {
    let fields = MemberFields { role: codes::from_text(&role)?, ended: ended_at.is_some() };
    Ok(Member { person_id, email, display_name, fields, version, updated_at })
}

/// The organisation in whose rows the transaction works.
///
/// # Errors
/// Those of the database.
pub fn organisation(tx: &mut Tx<'_>) -> Result<Organisation> {
    let org_id = tx.org_id();
    organisation_of(tx, org_id)
}

/// An organisation: that which acts, or one it has to do with.
///
/// # Errors
/// Not found.
pub fn organisation_of(tx: &mut Tx<'_>, org_id: OrgId) -> Result<Organisation> {
    let (org_id, name, time_zone, version, updated_at) = organisations::table
        .find(org_id)
        .select((
            organisations::org_id,
            organisations::name,
            organisations::time_zone,
            organisations::version,
            organisations::updated_at,
        ))
        .first::<(OrgId, String, String, i32, DateTime<Utc>)>(tx.conn())?;
    Ok(Organisation { org_id, fields: OrganisationFields { name, time_zone }, version, updated_at })
}

/// Changes the current organisation from `version` to the next.
///
/// # Errors
/// Stale, when it is no longer at `version`.
pub fn update_organisation(tx: &mut Tx<'_>, fields: &OrganisationFields, version: i32) -> Result<()> {
    let now = tx.now();
    let changed =
        diesel::update(organisations::table.find(tx.org_id()).filter(organisations::version.eq(version)))
            .set((
                organisations::name.eq(&fields.name),
                organisations::time_zone.eq(&fields.time_zone),
                organisations::version.eq(version + 1),
                organisations::updated_at.eq(now),
            ))
            .execute(tx.conn())?;
    one_changed(changed)
}

/// Refuses an update that hit no row: somebody else's came first.
///
/// # Errors
/// Stale.
pub fn one_changed(changed: usize) -> Result<()> {
    if changed == 1 {
        Ok(())
    } else {
        Err(Error::new(
            Code::Stale,
            "The record changed since you read it. Read it again and repeat your change.",
        ))
    }
}

/// The members, by last change.
///
/// # Errors
/// Those of the database.
pub fn list_members(
    tx: &mut Tx<'_>,
    updated_since: Option<DateTime<Utc>>,
    page: PageRequest,
) -> Result<Slice<Member>> {
    let mut query =
        members::table.inner_join(people::table).filter(members::org_id.eq(tx.org_id())).into_boxed();
    if let Some(since) = updated_since {
        query = query.filter(members::updated_at.ge(since));
    }
    if let Some((time, id)) = page.after_time() {
        let id = PersonId::from(id);
        query = query.filter(
            members::updated_at.gt(time).or(members::updated_at.eq(time).and(members::person_id.gt(id))),
        );
    }
    let rows: Vec<MemberRow> = query
        .order((members::updated_at, members::person_id))
        .limit(page.fetch())
        .select((
            members::person_id,
            people::email,
            people::display_name,
            members::role,
            members::ended_at,
            members::version,
            members::updated_at,
        ))
        .load(tx.conn())?;
    let found = rows.into_iter().map(member).collect::<Result<Vec<_>>>()?;
    Ok(page.slice(found, |m| Position::at(m.updated_at, m.person_id)))
}

/// One member.
///
/// # Errors
/// Not found.
pub fn read_member(tx: &mut Tx<'_>, person_id: PersonId) -> Result<Member> {
    members::table
        .inner_join(people::table)
        .filter(members::org_id.eq(tx.org_id()).and(members::person_id.eq(person_id)))
        .select((
            members::person_id,
            people::email,
            people::display_name,
            members::role,
            members::ended_at,
            members::version,
            members::updated_at,
        ))
        .first::<MemberRow>(tx.conn())
        .optional()?
        .map_or_else(|| Err(Error::not_found("member")), member)
}

/// The names of some members as they are now, those who have left too.
///
/// # Errors
/// Those of the database.
pub fn names_of(tx: &mut Tx<'_>, ids: &[PersonId]) -> Result<Vec<(PersonId, String)>> {
    Ok(members::table
        .inner_join(people::table)
        .filter(members::org_id.eq(tx.org_id()).and(members::person_id.eq_any(ids)))
        .order(members::person_id)
        .select((members::person_id, people::display_name))
        .load(tx.conn())?)
}

/// How many administrators there are besides `person_id`, their rows locked until the commit.
///
/// # Errors
/// Those of the database.
pub fn other_administrators(tx: &mut Tx<'_>, person_id: PersonId) -> Result<i64> {
    let others: Vec<PersonId> = members::table
        .filter(members::org_id.eq(tx.org_id()))
        .filter(
            members::role
                .eq("administrator")
                .and(members::ended_at.is_null())
                .and(members::person_id.ne(person_id)),
        )
        .select(members::person_id)
        .for_update()
        .load(tx.conn())?;
    i64::try_from(others.len()).map_err(Error::internal)
}

/// Changes a member from `version` to the next.
///
/// # Errors
/// Stale, when it is no longer at `version`.
pub fn update_member(
    tx: &mut Tx<'_>,
    person_id: PersonId,
    fields: &MemberFields,
    version: i32,
) -> Result<()> {
    let now = tx.now();
    let changed =
        diesel::update(members::table.find((tx.org_id(), person_id)).filter(members::version.eq(version)))
            .set((
                members::role.eq(codes::to_text(&fields.role)?),
                members::ended_at.eq(fields.ended.then_some(now)),
                members::version.eq(version + 1),
                members::updated_at.eq(now),
            ))
            .execute(tx.conn())?;
    one_changed(changed)
}

/// Takes a person into an organisation, making the person where the address is new. In the sign-in role:
/// people are shared by all organisations.
///
/// # Errors
/// Duplicate, when the person is a member already.
pub fn insert_member(
    conn: &mut PgConnection,
    org_id: OrgId,
    by: Option<(PersonId, RequestId)>,
    new: &NewMemberFields,
    password_hash: &str,
    now: DateTime<Utc>,
) -> Result<PersonId> {
    let email = new.email.trim().to_lowercase();
    let known: Option<PersonId> =
        people::table.filter(people::email.eq(&email)).select(people::person_id).first(conn).optional()?;
    let person_id = match known {
        Some(person_id) => person_id,
        None => insert_person(conn, &email, &new.display_name, password_hash, now)?,
    };
    let role = codes::to_text(&new.role)?;
    let inserted = diesel::insert_into(members::table)
        .values((
            members::org_id.eq(org_id),
            members::person_id.eq(person_id),
            members::role.eq(&role),
            members::created_at.eq(now),
            members::updated_at.eq(now),
        ))
        .on_conflict_do_nothing()
        .execute(conn)?;
    if inserted == 0 {
        return Err(links::already_member());
    }
    diesel::insert_into(audit::table)
        .values((
            audit::org_id.eq(org_id),
            audit::id.eq(AuditId::fresh()),
            audit::recorded_at.eq(now),
            audit::person_id.eq(by.map(|(person, _)| person)),
            audit::request_id.eq(by.map_or_else(RequestId::fresh, |(_, request)| request).to_string()),
            audit::action.eq("create_member"),
            audit::entity.eq("member"),
            audit::entity_id.eq(uuid::Uuid::from(person_id)),
            audit::after.eq(serde_json::json!({ "role": role })),
        ))
        .execute(conn)?;
    Ok(person_id)
}

fn insert_person(
    conn: &mut PgConnection,
    email: &str,
    display_name: &str,
    password_hash: &str,
    now: DateTime<Utc>,
) -> Result<PersonId> {
    let person_id = PersonId::fresh();
    diesel::insert_into(people::table)
        .values((
            people::person_id.eq(person_id),
            people::email.eq(email),
            people::display_name.eq(display_name),
            people::created_at.eq(now),
        ))
        .execute(conn)?;
    diesel::insert_into(passwords::table)
        .values((
            passwords::person_id.eq(person_id),
            passwords::password_hash.eq(password_hash),
            passwords::changed_at.eq(now),
        ))
        .execute(conn)?;
    Ok(person_id)
}

/// Makes an organisation. In the sign-in role.
///
/// # Errors
/// Those of the database.
pub fn insert_organisation(
    conn: &mut PgConnection,
    org_id: OrgId,
    fields: &OrganisationFields,
    now: DateTime<Utc>,
) -> Result<()> {
    diesel::insert_into(organisations::table)
        .values((
            organisations::org_id.eq(org_id),
            organisations::name.eq(&fields.name),
            organisations::time_zone.eq(&fields.time_zone),
            organisations::created_at.eq(now),
            organisations::updated_at.eq(now),
        ))
        .execute(conn)?;
    Ok(())
}

/// All organisations, by name. In the sign-in role, for the command line.
///
/// # Errors
/// Those of the database.
pub fn organisations(conn: &mut PgConnection) -> Result<Vec<(OrgId, String)>> {
    Ok(organisations::table
        .order((organisations::name, organisations::org_id))
        .select((organisations::org_id, organisations::name))
        .load(conn)?)
}
