//! Rows of haul-outs.

use chrono::{DateTime, NaiveDate, Utc};
use diesel::dsl::sql;
use diesel::prelude::*;
use diesel::sql_types::{Bool, Date, Nullable};

use super::model::HaulOutFields;
use crate::codes;
use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::db::schema::haul_outs;
use crate::error::{Code, Error, Result};
use crate::ids::{HaulOutId, OrgId, VesselId};

/// A haul-out as stored.
#[derive(Debug, Clone)]
pub struct HaulOut {
    /// Its id.
    pub id: HaulOutId,
    /// Its fields, the vessel's id included.
    pub fields: HaulOutFields,
    /// Its version.
    pub version: i32,
    /// When it was recorded.
    pub created_at: DateTime<Utc>,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
    /// The organisation that recorded it.
    pub author_org_id: OrgId,
}

/// Which haul-outs to list.
#[derive(Debug, Clone, Copy)]
pub struct HaulOutFilter {
    /// Those of this vessel.
    pub vessel_id: Option<VesselId>,
    /// Those not relaunched, or those relaunched.
    pub open: Option<bool>,
    /// Those changed at or after this time.
    pub updated_since: Option<DateTime<Utc>>,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = haul_outs)]
struct HaulOutRow {
    id: HaulOutId,
    ref_: Option<String>,
    vessel_id: VesselId,
    lifted_on: NaiveDate,
    relaunched_on: Option<NaiveDate>,
    reason: String,
    note: Option<String>,
    version: i32,
    created_at: DateTime<Utc>,
    updated_at: DateTime<Utc>,
    author_org_id: OrgId,
}

impl HaulOutRow {
    fn into_haul_out(self) -> Result<HaulOut> {
        let fields = HaulOutFields {
            r#ref: self.ref_,
            vessel_id: self.vessel_id,
            lifted_on: self.lifted_on,
            relaunched_on: self.relaunched_on,
            reason: codes::from_text(&self.reason)?,
            note: self.note,
        };
        Ok(HaulOut {
            id: self.id,
            fields,
            version: self.version,
            created_at: self.created_at,
            updated_at: self.updated_at,
            author_org_id: self.author_org_id,
        })
    }
}

fn into_haul_outs(rows: Vec<HaulOutRow>) -> Result<Vec<HaulOut>> {
    rows.into_iter().map(HaulOutRow::into_haul_out).collect()
}

/// Records a haul-out.
///
/// # Errors
/// Those of the database.
pub fn insert(tx: &mut Tx<'_>, id: HaulOutId, fields: &HaulOutFields) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    diesel::insert_into(haul_outs::table)
        .values((
            haul_outs::org_id.eq(org_id),
            haul_outs::id.eq(id),
            haul_outs::ref_.eq(&fields.r#ref),
            haul_outs::vessel_id.eq(fields.vessel_id),
            haul_outs::lifted_on.eq(fields.lifted_on),
            haul_outs::relaunched_on.eq(fields.relaunched_on),
            haul_outs::reason.eq(codes::to_text(&fields.reason)?),
            haul_outs::note.eq(&fields.note),
            haul_outs::created_at.eq(now),
            haul_outs::updated_at.eq(now),
        ))
        .execute(tx.conn())?;
    Ok(())
}

/// Changes a haul-out from `version` to the next; its vessel stays.
///
/// # Errors
/// Stale, when it is no longer at `version`.
pub fn update(tx: &mut Tx<'_>, id: HaulOutId, fields: &HaulOutFields, version: i32) -> Result<()> {
    let now = tx.now();
    let changed =
        diesel::update(haul_outs::table.find((tx.org_id(), id)).filter(haul_outs::version.eq(version)))
            .set((
                haul_outs::ref_.eq(&fields.r#ref),
                haul_outs::lifted_on.eq(fields.lifted_on),
                haul_outs::relaunched_on.eq(fields.relaunched_on),
                haul_outs::reason.eq(codes::to_text(&fields.reason)?),
                haul_outs::note.eq(&fields.note),
                haul_outs::version.eq(version + 1),
                haul_outs::updated_at.eq(now),
            ))
            .execute(tx.conn())?;
    if changed == 1 {
        Ok(())
    } else {
        Err(Error::new(
            Code::Stale,
            "The haul-out changed since you read it. Read it again and repeat your change.",
        ))
    }
}

/// One haul-out.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: HaulOutId) -> Result<HaulOut> {
    haul_outs::table
        .find((tx.org_id(), id))
        .select(HaulOutRow::as_select())
        .first(tx.conn())
        .optional()?
        .map_or_else(|| Err(Error::not_found("haul-out")), HaulOutRow::into_haul_out)
}

/// The haul-outs of a vessel, by lift.
///
/// # Errors
/// Those of the database.
pub fn of_vessel(tx: &mut Tx<'_>, vessel_id: VesselId) -> Result<Vec<HaulOut>> {
    of_vessels(tx, &[vessel_id])
}

/// The haul-outs of several vessels in one query, by vessel and lift.
///
/// # Errors
/// Those of the database.
pub fn of_vessels(tx: &mut Tx<'_>, vessel_ids: &[VesselId]) -> Result<Vec<HaulOut>> {
    let rows = haul_outs::table
        .filter(haul_outs::org_id.eq(tx.org_id()).and(haul_outs::vessel_id.eq_any(vessel_ids)))
        .order((haul_outs::vessel_id, haul_outs::lifted_on, haul_outs::relaunched_on, haul_outs::id))
        .select(HaulOutRow::as_select())
        .load(tx.conn())?;
    into_haul_outs(rows)
}

/// The first other haul-out of the vessel that shares a day ashore with these fields.
///
/// # Errors
/// Those of the database.
pub fn overlapping(tx: &mut Tx<'_>, id: HaulOutId, fields: &HaulOutFields) -> Result<Option<HaulOutFields>> {
    let (from, until) = fields.days_ashore();
    // The same range as in the constraint haul_outs_no_overlap, which decides when two come at once.
    let shares_a_day = sql::<Bool>("days_ashore(lifted_on, relaunched_on) && daterange(")
        .bind::<Date, _>(from)
        .sql(", ")
        .bind::<Nullable<Date>, _>(until)
        .sql(")");
    let row = haul_outs::table
        .filter(haul_outs::org_id.eq(tx.org_id()).and(haul_outs::vessel_id.eq(fields.vessel_id)))
        .filter(haul_outs::id.ne(id))
        .filter(shares_a_day)
        .order((haul_outs::lifted_on, haul_outs::id))
        .select(HaulOutRow::as_select())
        .first(tx.conn())
        .optional()?;
    row.map(|row| row.into_haul_out().map(|other| other.fields)).transpose()
}

/// Haul-outs by last change.
///
/// # Errors
/// Those of the database.
pub fn list(tx: &mut Tx<'_>, filter: HaulOutFilter, page: PageRequest) -> Result<Slice<HaulOut>> {
    let mut query = haul_outs::table.filter(haul_outs::org_id.eq(tx.org_id())).into_boxed();
    if let Some(vessel_id) = filter.vessel_id {
        query = query.filter(haul_outs::vessel_id.eq(vessel_id));
    }
    query = match filter.open {
        Some(true) => query.filter(haul_outs::relaunched_on.is_null()),
        Some(false) => query.filter(haul_outs::relaunched_on.is_not_null()),
        None => query,
    };
    if let Some(since) = filter.updated_since {
        query = query.filter(haul_outs::updated_at.ge(since));
    }
    if let Some((time, id)) = page.after_time() {
        let id = HaulOutId::from(id);
        query = query.filter(
            haul_outs::updated_at.gt(time).or(haul_outs::updated_at.eq(time).and(haul_outs::id.gt(id))),
        );
    }
    let rows = query
        .order((haul_outs::updated_at, haul_outs::id))
        .limit(page.fetch())
        .select(HaulOutRow::as_select())
        .load(tx.conn())?;
    let found = into_haul_outs(rows)?;
    Ok(page.slice(found, |haul_out| Position::at(haul_out.updated_at, haul_out.id)))
}
