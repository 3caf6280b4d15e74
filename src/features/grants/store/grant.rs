//! Rows of grants: those an organisation gave, and those it holds.

use chrono::{DateTime, Utc};
use diesel::prelude::*;

use crate::codes;
use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::db::schema::{due, grants, organisations, vessels};
use crate::error::{Code, Error, Result};
use crate::features::grants::model::{GrantFields, GrantState};
use crate::ids::{GrantId, OrgId, VesselId};

/// A grant as stored.
#[derive(Debug, Clone)]
pub struct Grant {
    /// Its id.
    pub id: GrantId,
    /// Whose vessel it is.
    pub org_id: OrgId,
    /// The name of the other side: of the one that holds it for the one that gave it, and the other way about.
    pub partner_name: String,
    /// The vessel's name, where it may be read.
    pub vessel_name: Option<String>,
    /// Its fields.
    pub fields: GrantFields,
    /// When it was revoked.
    pub revoked_at: Option<DateTime<Utc>>,
    /// How it stands now.
    pub state: GrantState,
    /// Its version.
    pub version: i32,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
}

/// Which grants to list.
#[derive(Debug, Clone, Copy, Default)]
pub struct GrantFilter {
    /// Those on this vessel.
    pub vessel_id: Option<VesselId>,
    /// Those that hold now.
    pub live: Option<bool>,
    /// Those changed at or after this time.
    pub updated_since: Option<DateTime<Utc>>,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = grants)]
struct GrantRow {
    org_id: OrgId,
    id: GrantId,
    vessel_id: VesselId,
    grantee_org_id: OrgId,
    scope: String,
    from_at: DateTime<Utc>,
    until_at: Option<DateTime<Utc>>,
    revoked_at: Option<DateTime<Utc>>,
    note: Option<String>,
    version: i32,
    created_at: DateTime<Utc>,
    updated_at: DateTime<Utc>,
}

impl GrantRow {
    fn grant(self, partner_name: String, vessel_name: Option<String>, now: DateTime<Utc>) -> Result<Grant> {
        Ok(Grant {
            id: self.id,
            org_id: self.org_id,
            partner_name,
            vessel_name,
            fields: GrantFields {
                vessel_id: self.vessel_id,
                grantee_org_id: self.grantee_org_id,
                scope: codes::from_text(&self.scope)?,
                from_at: Some(self.from_at),
                until_at: self.until_at,
                note: self.note,
            },
            revoked_at: self.revoked_at,
            state: GrantState::at(now, self.from_at, self.until_at, self.revoked_at),
            version: self.version,
            created_at: self.created_at,
            updated_at: self.updated_at,
        })
    }
}

/// Grants with the names beside them; `$partner` is the column that says who the other side is.
macro_rules! named {
    ($partner:ident) => {
        grants::table
            .inner_join(organisations::table.on(organisations::org_id.eq(grants::$partner)))
            .left_join(
                vessels::table.on(vessels::org_id.eq(grants::org_id).and(vessels::id.eq(grants::vessel_id))),
            )
            // One that came with a vessel to the organisation that held it says nothing any more.
            .filter(grants::org_id.ne(grants::grantee_org_id))
            .select((GrantRow::as_select(), organisations::name, vessels::name.nullable()))
            .into_boxed()
    };
}

/// A query with the conditions of a filter and the place where the page begins.
macro_rules! filtered {
    ($query:expr, $filter:expr, $page:expr, $now:expr) => {{
        let (mut query, filter, now) = ($query, $filter, $now);
        if let Some(vessel_id) = filter.vessel_id {
            query = query.filter(grants::vessel_id.eq(vessel_id));
        }
        if let Some(live) = filter.live {
            let holds = grants::revoked_at
                .is_null()
                .and(grants::from_at.le(now))
                .and(grants::until_at.is_null().or(grants::until_at.gt(now).assume_not_null()));
            query = if live { query.filter(holds) } else { query.filter(diesel::dsl::not(holds)) };
        }
        if let Some(since) = filter.updated_since {
            query = query.filter(grants::updated_at.ge(since));
        }
        if let Some((time, id)) = $page.after_time() {
            let id = GrantId::from(id);
            query = query
                .filter(grants::updated_at.gt(time).or(grants::updated_at.eq(time).and(grants::id.gt(id))));
        }
        query.order((grants::updated_at, grants::id)).limit($page.fetch())
    }};
}

type Named = (GrantRow, String, Option<String>);

fn page_of(tx: &Tx<'_>, page: &PageRequest, rows: Vec<Named>) -> Result<Slice<Grant>> {
    let now = tx.now();
    let found = rows
        .into_iter()
        .map(|(row, partner, vessel)| row.grant(partner, vessel, now))
        .collect::<Result<Vec<_>>>()?;
    Ok(page.slice(found, |grant| Position::at(grant.updated_at, grant.id)))
}

/// Makes a grant.
///
/// # Errors
/// A vessel or an organisation that there is not; one of its kind at this time already; those of the database.
pub fn insert(tx: &mut Tx<'_>, id: GrantId, fields: &GrantFields) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    diesel::insert_into(grants::table)
        .values((
            grants::org_id.eq(org_id),
            grants::id.eq(id),
            grants::vessel_id.eq(fields.vessel_id),
            grants::grantee_org_id.eq(fields.grantee_org_id),
            grants::scope.eq(codes::to_text(&fields.scope)?),
            grants::from_at.eq(fields.from_at.unwrap_or(now)),
            grants::until_at.eq(fields.until_at),
            grants::note.eq(&fields.note),
            grants::created_at.eq(now),
            grants::updated_at.eq(now),
        ))
        .execute(tx.conn())?;
    Ok(())
}

/// Changes a grant from `version` to the next: its end, its note, its revocation.
///
/// # Errors
/// Stale, when it is no longer at `version`.
pub fn update(
    tx: &mut Tx<'_>,
    id: GrantId,
    fields: &GrantFields,
    revoked_at: Option<DateTime<Utc>>,
    version: i32,
) -> Result<()> {
    let now = tx.now();
    let changed = diesel::update(grants::table.find((tx.org_id(), id)).filter(grants::version.eq(version)))
        .set((
            grants::until_at.eq(fields.until_at),
            grants::note.eq(&fields.note),
            grants::revoked_at.eq(revoked_at),
            grants::version.eq(version + 1),
            grants::updated_at.eq(now),
        ))
        .execute(tx.conn())?;
    if changed == 0 {
        return Err(Error::new(
            Code::Stale,
            "The grant changed since you read it. Read it again and repeat your change.",
        ));
    }
    Ok(())
}

/// One grant that the organisation gave.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: GrantId) -> Result<Grant> {
    let row: Option<Named> = named!(grantee_org_id)
        .filter(grants::org_id.eq(tx.org_id()).and(grants::id.eq(id)))
        .first(tx.conn())
        .optional()?;
    let (row, partner, vessel) = row.ok_or_else(|| Error::not_found("grant"))?;
    row.grant(partner, vessel, tx.now())
}

/// The grants that the organisation gave, by last change.
///
/// # Errors
/// Those of the database.
pub fn list(tx: &mut Tx<'_>, filter: GrantFilter, page: PageRequest) -> Result<Slice<Grant>> {
    let of_own = named!(grantee_org_id).filter(grants::org_id.eq(tx.acting_org_id()));
    let rows = filtered!(of_own, filter, page, tx.now()).load(tx.conn())?;
    page_of(tx, &page, rows)
}

/// The grants that the organisation holds, by last change.
///
/// # Errors
/// Those of the database.
pub fn list_held(tx: &mut Tx<'_>, filter: GrantFilter, page: PageRequest) -> Result<Slice<Grant>> {
    let held = named!(org_id).filter(grants::grantee_org_id.eq(tx.acting_org_id()));
    let rows = filtered!(held, filter, page, tx.now()).load(tx.conn())?;
    page_of(tx, &page, rows)
}

/// The other organisations that see the due rows of some vessels: those with a grant that holds or is yet to begin.
///
/// # Errors
/// Those of the database.
pub fn viewers(tx: &mut Tx<'_>, vessel_ids: &[VesselId]) -> Result<Vec<(VesselId, OrgId)>> {
    let now = tx.now();
    Ok(grants::table
        .filter(grants::org_id.eq(tx.org_id()).and(grants::vessel_id.eq_any(vessel_ids)))
        .filter(grants::revoked_at.is_null())
        .filter(grants::until_at.is_null().or(grants::until_at.gt(now).assume_not_null()))
        .select((grants::vessel_id, grants::grantee_org_id))
        .distinct()
        .load(tx.conn())?)
}

/// Takes the vessel off the due list of a former guest, unless another grant of it goes on.
///
/// # Errors
/// Those of the database.
pub fn end_viewing(tx: &mut Tx<'_>, vessel_id: VesselId, grantee: OrgId) -> Result<()> {
    if viewers(tx, &[vessel_id])?.contains(&(vessel_id, grantee)) {
        return Ok(());
    }
    let of_guest = due::viewer_org_id.eq(grantee).and(due::org_id.eq(tx.org_id()));
    diesel::delete(due::table.filter(of_guest.and(due::vessel_id.eq(vessel_id)))).execute(tx.conn())?;
    Ok(())
}
