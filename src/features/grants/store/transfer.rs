//! Rows of transfers, and the one statement that moves a vessel with all under it.

use chrono::{DateTime, Utc};
use diesel::connection::SimpleConnection;
use diesel::prelude::*;
use diesel::sql_types::{Nullable, Text, Timestamptz, Uuid as SqlUuid};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::codes;
use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::db::schema::{due, grants, organisations, told_dates, transfers, vessels};
use crate::error::{Code, Error, Result};
use crate::features::grants::model::TransferState;
use crate::ids::{GrantId, Id, OrgId, ProductId, SiteId, TransferId, VesselId};

/// A transfer as stored.
#[derive(Debug, Clone)]
pub struct Transfer {
    /// Its id.
    pub id: TransferId,
    /// Who offers.
    pub org_id: OrgId,
    /// Its name.
    pub org_name: String,
    /// To whom.
    pub to_org_id: OrgId,
    /// Its name.
    pub to_org_name: String,
    /// The vessel.
    pub vessel_id: VesselId,
    /// Its name when it was offered.
    pub vessel_name: String,
    /// A note to the other side.
    pub note: Option<String>,
    /// How it stands.
    pub state: TransferState,
    /// Its version.
    pub version: i32,
    /// When it was offered.
    pub created_at: DateTime<Utc>,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = transfers)]
struct TransferRow {
    org_id: OrgId,
    id: TransferId,
    vessel_id: VesselId,
    vessel_name: String,
    to_org_id: OrgId,
    note: Option<String>,
    state: String,
    version: i32,
    created_at: DateTime<Utc>,
    updated_at: DateTime<Utc>,
}

type Named = (TransferRow, String, String);

fn transfer((row, org_name, to_org_name): Named) -> Result<Transfer> {
    Ok(Transfer {
        id: row.id,
        org_id: row.org_id,
        org_name,
        to_org_id: row.to_org_id,
        to_org_name,
        vessel_id: row.vessel_id,
        vessel_name: row.vessel_name,
        note: row.note,
        state: codes::from_text(&row.state)?,
        version: row.version,
        created_at: row.created_at,
        updated_at: row.updated_at,
    })
}

/// The same table once more, for the other side's name.
mod sides {
    use crate::db::schema::organisations;
    diesel::alias!(organisations as receivers: Receivers);
}

/// Transfers with the names of both sides.
macro_rules! named {
    () => {
        transfers::table
            .inner_join(organisations::table.on(organisations::org_id.eq(transfers::org_id)))
            .inner_join(
                sides::receivers.on(sides::receivers.field(organisations::org_id).eq(transfers::to_org_id)),
            )
            .select((
                TransferRow::as_select(),
                organisations::name,
                sides::receivers.field(organisations::name),
            ))
            .into_boxed()
    };
}

/// Offers the vessel to an organisation.
///
/// # Errors
/// An organisation that there is not; a vessel that is on offer already; those of the database.
pub fn insert(
    tx: &mut Tx<'_>,
    id: TransferId,
    vessel: (VesselId, &str),
    to_org_id: OrgId,
    note: Option<&str>,
) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    diesel::insert_into(transfers::table)
        .values((
            transfers::org_id.eq(org_id),
            transfers::id.eq(id),
            transfers::vessel_id.eq(vessel.0),
            transfers::vessel_name.eq(vessel.1),
            transfers::to_org_id.eq(to_org_id),
            transfers::note.eq(note),
            transfers::state.eq(codes::to_text(&TransferState::Offered)?),
            transfers::created_at.eq(now),
            transfers::updated_at.eq(now),
        ))
        .execute(tx.conn())?;
    Ok(())
}

/// One transfer, that the organisation offered or that was offered to it.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: TransferId) -> Result<Transfer> {
    let own = tx.acting_org_id();
    let row: Option<Named> = named!()
        .filter(transfers::id.eq(id).and(transfers::org_id.eq(own).or(transfers::to_org_id.eq(own))))
        .first(tx.conn())
        .optional()?;
    transfer(row.ok_or_else(|| Error::not_found("transfer"))?)
}

/// The transfers that the organisation offered, or those offered to it, by last change.
///
/// # Errors
/// Those of the database.
pub fn list(
    tx: &mut Tx<'_>,
    received: bool,
    updated_since: Option<DateTime<Utc>>,
    page: PageRequest,
) -> Result<Slice<Transfer>> {
    let own = tx.acting_org_id();
    let mut query = if received {
        named!().filter(transfers::to_org_id.eq(own))
    } else {
        named!().filter(transfers::org_id.eq(own))
    };
    if let Some(since) = updated_since {
        query = query.filter(transfers::updated_at.ge(since));
    }
    if let Some((time, id)) = page.after_time() {
        let id = TransferId::from(id);
        query = query.filter(
            transfers::updated_at.gt(time).or(transfers::updated_at.eq(time).and(transfers::id.gt(id))),
        );
    }
    let rows: Vec<Named> =
        query.order((transfers::updated_at, transfers::id)).limit(page.fetch()).load(tx.conn())?;
    let found = rows.into_iter().map(transfer).collect::<Result<Vec<_>>>()?;
    Ok(page.slice(found, |transfer| Position::at(transfer.updated_at, transfer.id)))
}

/// Settles a transfer that is offered.
///
/// # Errors
/// A conflict, when it is settled already.
pub fn settle(tx: &mut Tx<'_>, transfer: &Transfer, state: TransferState) -> Result<()> {
    let now = tx.now();
    let offered = codes::to_text(&TransferState::Offered)?;
    let changed = diesel::update(
        transfers::table.find((transfer.org_id, transfer.id)).filter(transfers::state.eq(offered)),
    )
    .set((
        transfers::state.eq(codes::to_text(&state)?),
        transfers::version.eq(transfers::version + 1),
        transfers::updated_at.eq(now),
    ))
    .execute(tx.conn())?;
    if changed == 0 {
        return Err(Error::new(Code::Conflict, "The transfer is settled already. Read it again."));
    }
    Ok(())
}

/// A reference that was left behind, since the new organisation calls another record so.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
pub struct LeftRef {
    /// The kind of record, as its collection is called.
    pub records: String,
    /// The record.
    pub id: Uuid,
    /// What its old organisation called it.
    pub r#ref: String,
}

/// What came with a vessel, and what did not.
#[derive(Debug, Clone)]
pub struct Moved {
    /// The products its coats and plans name that were copied.
    pub products: Vec<ProductId>,
    /// References that were left behind.
    pub refs_left: Vec<LeftRef>,
    /// The guests whose grants ended.
    pub guests: Vec<OrgId>,
}

#[derive(QueryableByName)]
struct Left {
    #[diesel(sql_type = Nullable<Text>)]
    refs: Option<String>,
}

#[derive(QueryableByName)]
struct Copied {
    #[diesel(sql_type = SqlUuid)]
    id: ProductId,
}

/// Makes the vessel, with all that is recorded of it, the acting organisation's. References under it are checked when
/// all has moved.
///
/// # Errors
/// A conflict, when the vessel is not the other's any more, or its craft identification number is in the register already;
/// a site that there is not; those of the database.
pub fn take(tx: &mut Tx<'_>, transfer: &Transfer, site_id: Option<SiteId>) -> Result<Moved> {
    let (own, now, vessel_id) = (tx.acting_org_id(), tx.now(), transfer.vessel_id);
    tx.join(transfer.org_id)?;
    tx.conn().batch_execute("SET CONSTRAINTS ALL DEFERRED")?;
    let taken = diesel::update(vessels::table.find((transfer.org_id, vessel_id)))
        .set((
            vessels::org_id.eq(own),
            vessels::site_id.eq(site_id),
            vessels::version.eq(vessels::version + 1),
            vessels::updated_at.eq(now),
        ))
        .execute(tx.conn())?;
    if taken == 0 {
        return Err(Error::new(
            Code::Conflict,
            "The vessel is no longer of the organisation that offered it.",
        ));
    }
    let products = copy_products(tx, transfer)?;
    diesel::delete(due::table.filter(due::org_id.eq(own).and(due::vessel_id.eq(vessel_id))))
        .execute(tx.conn())?;
    // What was told, was told to the other organisation.
    diesel::delete(
        told_dates::table.filter(told_dates::org_id.eq(own).and(told_dates::vessel_id.eq(vessel_id))),
    )
    .execute(tx.conn())?;
    let guests = end_grants(tx, transfer)?;
    // What does not hold together is told here and not at the commit; the audit's chain goes on waiting for that.
    tx.conn().batch_execute("SET CONSTRAINTS ALL IMMEDIATE; SET CONSTRAINTS audit_chained DEFERRED")?;
    let left: Left =
        diesel::sql_query("SELECT current_setting('app.refs_left', true) AS refs").get_result(tx.conn())?;
    let refs = left.refs.filter(|refs| !refs.is_empty());
    let mut refs_left: Vec<LeftRef> = refs
        .map(|refs| serde_json::from_str(&refs))
        .transpose()
        .map_err(Error::internal)?
        .unwrap_or_default();
    refs_left.sort_unstable();
    refs_left.dedup();
    Ok(Moved { products, refs_left, guests })
}

/// Copies the products that the vessel's coats and plans name, those that are not there, under the same ids.
fn copy_products(tx: &mut Tx<'_>, transfer: &Transfer) -> Result<Vec<ProductId>> {
    let own = tx.acting_org_id();
    let copied: Vec<Copied> = diesel::sql_query(
        "INSERT INTO products
         SELECT (jsonb_populate_record(NULL::products, to_jsonb(p) || jsonb_build_object('org_id', $1::uuid, 'ref',
             CASE WHEN EXISTS (SELECT FROM products o WHERE o.org_id = $1 AND o.ref = p.ref) THEN NULL ELSE p.ref END))).*
         FROM products p WHERE p.org_id = $2 AND p.id IN (
             SELECT v.product_id FROM coat_versions v WHERE v.org_id = $1 AND v.vessel_id = $3
             UNION ALL SELECT (named #>> '{}')::uuid FROM treatment_plan_versions v,
                 jsonb_path_query(v.plan, '$.**.product_id ? (@ != null)') AS named
                 WHERE v.org_id = $1 AND v.vessel_id = $3)
         ON CONFLICT (org_id, id) DO NOTHING RETURNING id",
    )
    .bind::<SqlUuid, _>(own)
    .bind::<SqlUuid, _>(transfer.org_id)
    .bind::<SqlUuid, _>(transfer.vessel_id)
    .load(tx.conn())?;
    Ok(copied.into_iter().map(|product| product.id).collect())
}

/// Ends the grants that came with the vessel, and leaves its old organisation one that has ended, by which it finds what
/// it recorded. Tells whose ended.
fn end_grants(tx: &mut Tx<'_>, transfer: &Transfer) -> Result<Vec<OrgId>> {
    let (own, now) = (tx.acting_org_id(), tx.now());
    let of_vessel = grants::org_id.eq(own).and(grants::vessel_id.eq(transfer.vessel_id));
    let mut guests: Vec<OrgId> =
        diesel::update(grants::table.filter(of_vessel.and(grants::revoked_at.is_null())))
            .set((
                grants::revoked_at.eq(now),
                grants::version.eq(grants::version + 1),
                grants::updated_at.eq(now),
            ))
            .returning(grants::grantee_org_id)
            .get_results(tx.conn())?;
    guests.retain(|guest| *guest != own);
    guests.sort_unstable();
    guests.dedup();
    diesel::sql_query(
        "INSERT INTO grants (org_id, id, vessel_id, grantee_org_id, scope, from_at, revoked_at, created_at, updated_at)
         VALUES ($1, $2, $3, $4, 'read', $5, $5, $5, $5)",
    )
    .bind::<SqlUuid, _>(own)
    .bind::<SqlUuid, _>(GrantId::fresh())
    .bind::<SqlUuid, _>(transfer.vessel_id)
    .bind::<SqlUuid, _>(transfer.org_id)
    .bind::<Timestamptz, _>(now)
    .execute(tx.conn())?;
    Ok(guests)
}
