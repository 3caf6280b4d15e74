//! Rows of vessels and their zones.
#![allow(
    clippy::ref_option_ref,
    reason = "what diesel derives refers to each optional text of a row to write"
)]

mod by_name;

use std::collections::HashMap;

use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;

use super::model::{LaminateClass, VesselFields, VesselZone};
use crate::codes;
use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::db::schema::{grants, vessel_zones, vessels};
use crate::error::{Code, Error, Result};
use crate::ids::{OrgId, SiteId, VesselId};

pub use by_name::{by_name, counts_by_site};

/// A vessel as stored.
#[derive(Debug, Clone)]
pub struct Vessel {
    /// Its id.
    pub id: VesselId,
    /// Whose it is.
    pub org_id: OrgId,
    /// Its fields, zones included.
    pub fields: VesselFields,
    /// Its version.
    pub version: i32,
    /// When it was entered.
    pub created_at: DateTime<Utc>,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
}

/// Whether retired vessels are wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Retirement {
    /// Only those that are not retired on this day.
    InServiceOn(NaiveDate),
    /// Only those retired on or before this day.
    RetiredBy(NaiveDate),
    /// All.
    Any,
}

/// Which vessels to list.
#[derive(Debug, Clone)]
pub struct VesselFilter {
    /// Those that other organisations granted to this one, in the place of its own.
    pub granted: bool,
    /// Those lying at this site.
    pub site_id: Option<SiteId>,
    /// Those of this laminate class.
    pub laminate_class: Option<LaminateClass>,
    /// Retired or not.
    pub retirement: Retirement,
    /// The one with this reference.
    pub r#ref: Option<String>,
    /// The one with this hull number, in its one spelling.
    pub hull_id_number: Option<String>,
    /// Those whose name holds this text, capitals or not.
    pub name: Option<String>,
    /// Those changed at or after this time.
    pub updated_since: Option<DateTime<Utc>>,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = vessels)]
struct VesselRow {
    org_id: OrgId,
    id: VesselId,
    ref_: Option<String>,
    name: String,
    form: String,
    length_m: f64,
    lwl_m: Option<f64>,
    beam_m: Option<f64>,
    draft_m: Option<f64>,
    displacement_kg: Option<f64>,
    sling_forward_m: Option<f64>,
    sling_aft_m: Option<f64>,
    hull_id_number: Option<String>,
    built_year: Option<i32>,
    launched_on: Option<NaiveDate>,
    laminate_class: Option<String>,
    bilge: Option<String>,
    ashore_from_month: Option<i32>,
    ashore_until_month: Option<i32>,
    site_id: Option<SiteId>,
    berth: Option<String>,
    owner_name: Option<String>,
    owner_phone: Option<String>,
    owner_email: Option<String>,
    note: Option<String>,
    retired_on: Option<NaiveDate>,
    version: i32,
    created_at: DateTime<Utc>,
    updated_at: DateTime<Utc>,
}

/// What an insert and an update write alike.
#[derive(Insertable, AsChangeset)]
#[diesel(table_name = vessels, treat_none_as_null = true)]
struct VesselValues<'a> {
    ref_: Option<&'a str>,
    name: &'a str,
    form: String,
    length_m: f64,
    lwl_m: Option<f64>,
    beam_m: Option<f64>,
    draft_m: Option<f64>,
    displacement_kg: Option<f64>,
    sling_forward_m: Option<f64>,
    sling_aft_m: Option<f64>,
    hull_id_number: Option<&'a str>,
    built_year: Option<i32>,
    launched_on: Option<NaiveDate>,
    laminate_class: Option<String>,
    bilge: Option<String>,
    ashore_from_month: Option<i32>,
    ashore_until_month: Option<i32>,
    site_id: Option<SiteId>,
    berth: Option<&'a str>,
    owner_name: Option<&'a str>,
    owner_phone: Option<&'a str>,
    owner_email: Option<&'a str>,
    note: Option<&'a str>,
    retired_on: Option<NaiveDate>,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = vessel_zones)]
struct ZoneRow {
    org_id: OrgId,
    vessel_id: VesselId,
    zone: String,
    laminate_thickness_mm: Option<f64>,
    cored: bool,
    gelcoat_thickness_um: Option<f64>,
}

impl VesselRow {
    fn with(self, zones: Vec<VesselZone>) -> Result<Vessel> {
        let fields = VesselFields {
            r#ref: self.ref_,
            name: self.name,
            form: codes::from_text(&self.form)?,
            length_m: self.length_m,
            lwl_m: self.lwl_m,
            beam_m: self.beam_m,
            draft_m: self.draft_m,
            displacement_kg: self.displacement_kg,
            sling_forward_m: self.sling_forward_m,
            sling_aft_m: self.sling_aft_m,
            hull_id_number: self.hull_id_number,
            built_year: self.built_year,
            launched_on: self.launched_on,
            laminate_class: self.laminate_class.as_deref().map(codes::from_text).transpose()?,
            bilge: self.bilge.as_deref().map(codes::from_text).transpose()?,
            ashore_from_month: self.ashore_from_month,
            ashore_until_month: self.ashore_until_month,
            site_id: self.site_id,
            berth: self.berth,
            owner_name: self.owner_name,
            owner_phone: self.owner_phone,
            owner_email: self.owner_email,
            note: self.note,
            retired_on: self.retired_on,
            zones,
        };
        Ok(Vessel {
            id: self.id,
            org_id: self.org_id,
            fields,
            version: self.version,
            created_at: self.created_at,
            updated_at: self.updated_at,
        })
    }
}

impl<'a> VesselValues<'a> {
    fn of(fields: &'a VesselFields) -> Result<Self> {
        Ok(Self {
            ref_: fields.r#ref.as_deref(),
            name: &fields.name,
            form: codes::to_text(&fields.form)?,
            length_m: fields.length_m,
            lwl_m: fields.lwl_m,
            beam_m: fields.beam_m,
            draft_m: fields.draft_m,
            displacement_kg: fields.displacement_kg,
            sling_forward_m: fields.sling_forward_m,
            sling_aft_m: fields.sling_aft_m,
            hull_id_number: fields.hull_id_number.as_deref(),
            built_year: fields.built_year,
            launched_on: fields.launched_on,
            laminate_class: fields.laminate_class.as_ref().map(codes::to_text).transpose()?,
            bilge: fields.bilge.as_ref().map(codes::to_text).transpose()?,
            ashore_from_month: fields.ashore_from_month,
            ashore_until_month: fields.ashore_until_month,
            site_id: fields.site_id,
            berth: fields.berth.as_deref(),
            owner_name: fields.owner_name.as_deref(),
            owner_phone: fields.owner_phone.as_deref(),
            owner_email: fields.owner_email.as_deref(),
            note: fields.note.as_deref(),
            retired_on: fields.retired_on,
        })
    }
}

/// The zones of several vessels in one query, in order.
fn zones(
    tx: &mut Tx<'_>,
    org_ids: &[OrgId],
    ids: &[VesselId],
) -> Result<HashMap<(OrgId, VesselId), Vec<VesselZone>>> {
    let rows: Vec<ZoneRow> = vessel_zones::table
        .filter(vessel_zones::org_id.eq_any(org_ids).and(vessel_zones::vessel_id.eq_any(ids)))
        .select(ZoneRow::as_select())
        .load(tx.conn())?;
    let mut by_vessel: HashMap<(OrgId, VesselId), Vec<VesselZone>> = HashMap::new();
    for row in rows {
        by_vessel.entry((row.org_id, row.vessel_id)).or_default().push(VesselZone {
            zone: codes::from_text(&row.zone)?,
            laminate_thickness_mm: row.laminate_thickness_mm,
            cored: row.cored,
            gelcoat_thickness_um: row.gelcoat_thickness_um,
        });
    }
    for zones in by_vessel.values_mut() {
        zones.sort_by_key(|zone| zone.zone);
    }
    Ok(by_vessel)
}

fn completed(tx: &mut Tx<'_>, rows: Vec<VesselRow>) -> Result<Vec<Vessel>> {
    if rows.is_empty() {
        return Ok(Vec::new());
    }
    let ids: Vec<VesselId> = rows.iter().map(|row| row.id).collect();
    let mut org_ids: Vec<OrgId> = rows.iter().map(|row| row.org_id).collect();
    org_ids.sort_unstable();
    org_ids.dedup();
    let mut zones = zones(tx, &org_ids, &ids)?;
    rows.into_iter()
        .map(|row| {
            let found = zones.remove(&(row.org_id, row.id)).unwrap_or_default();
            row.with(found)
        })
        .collect()
}

/// Enters a vessel.
///
/// # Errors
/// Those of the database.
pub fn insert(tx: &mut Tx<'_>, id: VesselId, fields: &VesselFields) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    diesel::insert_into(vessels::table)
        .values((
            vessels::org_id.eq(org_id),
            vessels::id.eq(id),
            VesselValues::of(fields)?,
            vessels::created_at.eq(now),
            vessels::updated_at.eq(now),
        ))
        .execute(tx.conn())?;
    insert_zones(tx, id, &fields.zones)
}

fn insert_zones(tx: &mut Tx<'_>, id: VesselId, zones: &[VesselZone]) -> Result<()> {
    if zones.is_empty() {
        return Ok(());
    }
    let org_id = tx.org_id();
    let rows = zones
        .iter()
        .map(|zone| {
            Ok((
                vessel_zones::org_id.eq(org_id),
                vessel_zones::vessel_id.eq(id),
                vessel_zones::zone.eq(codes::to_text(&zone.zone)?),
                vessel_zones::laminate_thickness_mm.eq(zone.laminate_thickness_mm),
                vessel_zones::cored.eq(zone.cored),
                vessel_zones::gelcoat_thickness_um.eq(zone.gelcoat_thickness_um),
            ))
        })
        .collect::<Result<Vec<_>>>()?;
    diesel::insert_into(vessel_zones::table).values(rows).execute(tx.conn())?;
    Ok(())
}

/// Changes a vessel from `version` to the next.
///
/// # Errors
/// Stale, when it is no longer at `version`.
pub fn update(tx: &mut Tx<'_>, id: VesselId, fields: &VesselFields, version: i32) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    let changed = diesel::update(vessels::table.find((org_id, id)).filter(vessels::version.eq(version)))
        .set((VesselValues::of(fields)?, vessels::version.eq(version + 1), vessels::updated_at.eq(now)))
        .execute(tx.conn())?;
    if changed == 0 {
        return Err(Error::new(
            Code::Stale,
            "The vessel changed since you read it. Read it again and repeat your change.",
        ));
    }
    diesel::delete(
        vessel_zones::table.filter(vessel_zones::org_id.eq(org_id).and(vessel_zones::vessel_id.eq(id))),
    )
    .execute(tx.conn())?;
    insert_zones(tx, id, &fields.zones)
}

/// One vessel.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: VesselId) -> Result<Vessel> {
    read_many(tx, &[id])?.pop().ok_or_else(|| Error::not_found("vessel"))
}

/// Several vessels by id, those that exist.
///
/// # Errors
/// Those of the database.
pub fn read_many(tx: &mut Tx<'_>, ids: &[VesselId]) -> Result<Vec<Vessel>> {
    let org_id = tx.org_id();
    read_among(tx, &[org_id], ids)
}

/// Several vessels by id, those of these organisations that exist and may be read.
///
/// # Errors
/// Those of the database.
pub fn read_among(tx: &mut Tx<'_>, org_ids: &[OrgId], ids: &[VesselId]) -> Result<Vec<Vessel>> {
    let rows = vessels::table
        .filter(vessels::org_id.eq_any(org_ids).and(vessels::id.eq_any(ids)))
        .select(VesselRow::as_select())
        .load(tx.conn())?;
    completed(tx, rows)
}

/// The ids of all vessels of the organisation, retired ones too, in order.
///
/// # Errors
/// Those of the database.
pub fn ids_of_org(tx: &mut Tx<'_>) -> Result<Vec<VesselId>> {
    Ok(vessels::table
        .filter(vessels::org_id.eq(tx.org_id()))
        .order(vessels::id)
        .select(vessels::id)
        .load(tx.conn())?)
}

/// Whether the organisation has any vessel, a retired one too.
///
/// # Errors
/// Those of the database.
pub fn is_any(tx: &mut Tx<'_>) -> Result<bool> {
    let own = vessels::table.filter(vessels::org_id.eq(tx.org_id()));
    Ok(diesel::select(diesel::dsl::exists(own)).get_result(tx.conn())?)
}

/// Vessels by last change.
///
/// # Errors
/// Those of the database.
pub fn list(tx: &mut Tx<'_>, filter: &VesselFilter, page: PageRequest) -> Result<Slice<Vessel>> {
    let mut query = vessels::table.into_boxed();
    if filter.granted {
        let held = grants::table
            .filter(grants::grantee_org_id.eq(tx.acting_org_id()))
            .filter(grants::org_id.eq(vessels::org_id).and(grants::vessel_id.eq(vessels::id)));
        // The organisations first, so that the vessels are found by their key; the policy keeps to what is live.
        let givers: Vec<OrgId> = grants::table
            .filter(grants::grantee_org_id.eq(tx.acting_org_id()))
            .select(grants::org_id)
            .distinct()
            .load(tx.conn())?;
        query = query.filter(vessels::org_id.eq_any(givers)).filter(diesel::dsl::exists(held));
    } else {
        query = query.filter(vessels::org_id.eq(tx.org_id()));
    }
    if let Some(site_id) = filter.site_id {
        query = query.filter(vessels::site_id.eq(site_id));
    }
    if let Some(class) = &filter.laminate_class {
        query = query.filter(vessels::laminate_class.eq(codes::to_text(class)?));
    }
    query = match filter.retirement {
        Retirement::InServiceOn(day) => {
            query.filter(vessels::retired_on.is_null().or(vessels::retired_on.gt(day)))
        }
        Retirement::RetiredBy(day) => query.filter(vessels::retired_on.le(day)),
        Retirement::Any => query,
    };
    if let Some(reference) = &filter.r#ref {
        query = query.filter(vessels::ref_.eq(reference));
    }
    if let Some(number) = &filter.hull_id_number {
        query = query.filter(vessels::hull_id_number.eq(number));
    }
    if let Some(part) = &filter.name {
        query = query.filter(vessels::name.ilike(containing(part)));
    }
    if let Some(since) = filter.updated_since {
        query = query.filter(vessels::updated_at.ge(since));
    }
    if let Some((time, id)) = page.after_time() {
        let id = VesselId::from(id);
        query = query
            .filter(vessels::updated_at.gt(time).or(vessels::updated_at.eq(time).and(vessels::id.gt(id))));
    }
    let rows = query
        .order((vessels::updated_at, vessels::id))
        .limit(page.fetch())
        .select(VesselRow::as_select())
        .load(tx.conn())?;
    let found = completed(tx, rows)?;
    Ok(page.slice(found, |vessel| Position::at(vessel.updated_at, vessel.id)))
}

/// The LIKE pattern of texts that hold `part` as it stands.
fn containing(part: &str) -> String {
    let mut pattern = String::with_capacity(part.len() + 2);
    pattern.push('%');
    for c in part.chars() {
        if matches!(c, '%' | '_' | '\\') {
            pattern.push('\\');
        }
        pattern.push(c);
    }
    pattern.push('%');
    pattern
}
