//! Rows of coats: an identity and its versions.

pub mod film;

use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;

use crate::codes;
use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::db::schema::{coat_versions, coats};
use crate::db::views::current_coats;
use crate::error::{Error, Result};
use crate::features::coats::model::CoatFields;
use crate::features::products::model::CoatRole;
use crate::features::vessels::model::Zone;
use crate::ids::{CoatId, HaulOutId, OrgId, PersonId, ProductId, VesselId};

/// A version of a coat as stored.
#[derive(Debug, Clone)]
pub struct Coat {
    /// Its id.
    pub id: CoatId,
    /// The version.
    pub version: i32,
    /// Its fields.
    pub fields: CoatFields,
    /// When this version was recorded.
    pub recorded_at: DateTime<Utc>,
    /// By whom.
    pub recorded_by: Option<PersonId>,
    /// The organisation that recorded it first: only it corrects it.
    pub author_org_id: OrgId,
}

/// Which coats.
#[derive(Debug, Clone, Copy, Default)]
pub struct CoatFilter {
    /// Of this vessel.
    pub vessel_id: Option<VesselId>,
    /// Of this role.
    pub role: Option<CoatRole>,
    /// On this zone.
    pub zone: Option<Zone>,
    /// Changed at or after.
    pub updated_since: Option<DateTime<Utc>>,
    /// Those withdrawn too.
    pub withdrawn: bool,
}

#[derive(Queryable)]
struct CoatRow {
    id: CoatId,
    version: i32,
    ref_: Option<String>,
    vessel_id: VesselId,
    haul_out_id: Option<HaulOutId>,
    role: String,
    zone: String,
    applied_on: NaiveDate,
    sequence: i32,
    product: Option<String>,
    colour: Option<String>,
    dry_film_um: Option<f64>,
    film_measured: bool,
    permeability_kg_m_s: Option<f64>,
    wear_um_per_month_15c: Option<f64>,
    season_limit_months: Option<i32>,
    max_days_dry: Option<i32>,
    removed_on: Option<NaiveDate>,
    note: Option<String>,
    withdrawn: bool,
    correction_reason: Option<String>,
    recorded_at: DateTime<Utc>,
    recorded_by: Option<PersonId>,
    author_org_id: OrgId,
    product_id: Option<ProductId>,
    batch_number: Option<String>,
    litres: Option<f64>,
    area_m2: Option<f64>,
    wet_film_um: Option<f64>,
    started_at: Option<DateTime<Utc>>,
    finished_at: Option<DateTime<Utc>>,
}

/// The columns of a row, the identity's from one table or view and the version's from another or the same.
macro_rules! columns {
    ($identity:ident, $version:ident) => {
        (
            $version::coat_id,
            $version::version,
            $identity::ref_,
            $identity::vessel_id,
            $identity::haul_out_id,
            $version::role,
            $version::zone,
            $version::applied_on,
            $version::sequence,
            $version::product,
            $version::colour,
            $version::dry_film_um,
            $version::film_measured,
            $version::permeability_kg_m_s,
            $version::wear_um_per_month_15c,
            $version::season_limit_months,
            $version::max_days_dry,
            $version::removed_on,
            $version::note,
            $version::withdrawn,
            $version::correction_reason,
            $version::recorded_at,
            $version::recorded_by,
            diesel::dsl::sql::<diesel::sql_types::Uuid>(concat!(
                "(SELECT i.author_org_id FROM coats i WHERE i.org_id = ",
                stringify!($version),
                ".org_id AND i.id = ",
                stringify!($version),
                ".coat_id)"
            )),
            $version::product_id,
            $version::batch_number,
            $version::litres,
            $version::area_m2,
            $version::wet_film_um,
            $version::started_at,
            $version::finished_at,
        )
    };
}

impl CoatRow {
    fn coat(self) -> Result<Coat> {
        let fields = CoatFields {
            r#ref: self.ref_,
            vessel_id: self.vessel_id,
            haul_out_id: self.haul_out_id,
            role: codes::from_text(&self.role)?,
            zone: codes::from_text(&self.zone)?,
            applied_on: self.applied_on,
            sequence: Some(self.sequence),
            product: self.product,
            colour: self.colour,
            dry_film_um: self.dry_film_um,
            film_measured: self.film_measured,
            permeability_kg_m_s: self.permeability_kg_m_s,
            wear_um_per_month_15c: self.wear_um_per_month_15c,
            season_limit_months: self.season_limit_months,
            max_days_dry: self.max_days_dry,
            removed_on: self.removed_on,
            note: self.note,
            withdrawn: self.withdrawn,
            correction_reason: self.correction_reason,
            product_id: self.product_id,
            batch_number: self.batch_number,
            litres: self.litres,
            area_m2: self.area_m2,
            wet_film_um: self.wet_film_um,
            started_at: self.started_at,
            finished_at: self.finished_at,
        };
        Ok(Coat {
            id: self.id,
            version: self.version,
            fields,
            recorded_at: self.recorded_at,
            recorded_by: self.recorded_by,
            author_org_id: self.author_org_id,
        })
    }
}

/// Makes a coat: its identity and first version.
///
/// # Errors
/// A foreign vessel or haul-out, a reference that is taken; those of the database.
pub fn insert(tx: &mut Tx<'_>, id: CoatId, fields: &CoatFields) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    diesel::insert_into(coats::table)
        .values((
            coats::org_id.eq(org_id),
            coats::id.eq(id),
            coats::ref_.eq(&fields.r#ref),
            coats::vessel_id.eq(fields.vessel_id),
            coats::haul_out_id.eq(fields.haul_out_id),
            coats::created_at.eq(now),
        ))
        .execute(tx.conn())?;
    insert_version(tx, id, 1, fields)
}

/// Adds a version to a coat.
///
/// # Errors
/// Stale, when the version is there already; those of the database.
pub fn insert_version(tx: &mut Tx<'_>, id: CoatId, version: i32, fields: &CoatFields) -> Result<()> {
    use coat_versions as v;
    let (org_id, now, person) = (tx.org_id(), tx.now(), tx.person_id());
    diesel::insert_into(v::table)
        .values((
            v::org_id.eq(org_id),
            v::coat_id.eq(id),
            v::version.eq(version),
            v::role.eq(codes::to_text(&fields.role)?),
            v::zone.eq(codes::to_text(&fields.zone)?),
            v::applied_on.eq(fields.applied_on),
            v::sequence.eq(fields.sequence.unwrap_or(1)),
            v::product.eq(&fields.product),
            v::colour.eq(&fields.colour),
            v::dry_film_um.eq(fields.dry_film_um),
            v::film_measured.eq(fields.film_measured),
            v::permeability_kg_m_s.eq(fields.permeability_kg_m_s),
            v::wear_um_per_month_15c.eq(fields.wear_um_per_month_15c),
            v::season_limit_months.eq(fields.season_limit_months),
            v::max_days_dry.eq(fields.max_days_dry),
            v::removed_on.eq(fields.removed_on),
            v::note.eq(&fields.note),
            v::withdrawn.eq(fields.withdrawn),
            v::correction_reason.eq(&fields.correction_reason),
            v::recorded_at.eq(now),
            v::recorded_by.eq(person),
            v::product_id.eq(fields.product_id),
            v::batch_number.eq(&fields.batch_number),
            v::litres.eq(fields.litres),
            v::area_m2.eq(fields.area_m2),
            v::wet_film_um.eq(fields.wet_film_um),
            v::started_at.eq(fields.started_at),
            v::finished_at.eq(fields.finished_at),
        ))
        .execute(tx.conn())?;
    Ok(())
}

/// One coat, its current version.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: CoatId) -> Result<Coat> {
    let row: Option<CoatRow> = current_coats::table
        .find((tx.org_id(), id))
        .select(columns!(current_coats, current_coats))
        .first(tx.conn())
        .optional()?;
    row.ok_or_else(|| Error::not_found("coat"))?.coat()
}

/// Coats by last change.
///
/// # Errors
/// Those of the database.
pub fn list(tx: &mut Tx<'_>, filter: CoatFilter, page: PageRequest) -> Result<Slice<Coat>> {
    use current_coats as c;
    let mut query = c::table.filter(c::org_id.eq(tx.org_id())).into_boxed();
    if let Some(vessel_id) = filter.vessel_id {
        query = query.filter(c::vessel_id.eq(vessel_id));
    }
    if let Some(role) = filter.role {
        query = query.filter(c::role.eq(codes::to_text(&role)?));
    }
    if let Some(zone) = filter.zone {
        query = query.filter(c::zone.eq(codes::to_text(&zone)?));
    }
    if let Some(since) = filter.updated_since {
        query = query.filter(c::recorded_at.ge(since));
    }
    if !filter.withdrawn {
        query = query.filter(c::withdrawn.eq(false));
    }
    if let Some((time, id)) = page.after_time() {
        let id = CoatId::from(id);
        query = query.filter(c::recorded_at.gt(time).or(c::recorded_at.eq(time).and(c::coat_id.gt(id))));
    }
    let rows: Vec<CoatRow> = query
        .order((c::recorded_at, c::coat_id))
        .limit(page.fetch())
        .select(columns!(current_coats, current_coats))
        .load(tx.conn())?;
    let found = rows.into_iter().map(CoatRow::coat).collect::<Result<Vec<_>>>()?;
    Ok(page.slice(found, |coat| Position::at(coat.recorded_at, coat.id)))
}

/// The versions of a coat, oldest first.
///
/// # Errors
/// Not found.
pub fn versions(tx: &mut Tx<'_>, id: CoatId, page: PageRequest) -> Result<Slice<Coat>> {
    read(tx, id)?;
    let after = page.after.and_then(|after| i32::try_from(after.key).ok()).unwrap_or(0);
    let of_coat = coats::org_id.eq(coat_versions::org_id).and(coats::id.eq(coat_versions::coat_id));
    let rows: Vec<CoatRow> = coat_versions::table
        .inner_join(coats::table.on(of_coat))
        .filter(coat_versions::org_id.eq(tx.org_id()).and(coat_versions::coat_id.eq(id)))
        .filter(coat_versions::version.gt(after))
        .order(coat_versions::version)
        .limit(page.fetch())
        .select(columns!(coats, coat_versions))
        .load(tx.conn())?;
    let found = rows.into_iter().map(CoatRow::coat).collect::<Result<Vec<_>>>()?;
    Ok(page.slice(found, |coat| Position { key: i64::from(coat.version), id: coat.id.into() }))
}

/// The coats of several vessels, by vessel and day and sequence, without those withdrawn.
///
/// # Errors
/// Those of the database.
pub fn of_vessels(tx: &mut Tx<'_>, vessel_ids: &[VesselId]) -> Result<Vec<Coat>> {
    use current_coats as c;
    let rows: Vec<CoatRow> = c::table
        .filter(c::org_id.eq(tx.org_id()).and(c::vessel_id.eq_any(vessel_ids)).and(c::withdrawn.eq(false)))
        .order((c::vessel_id, c::applied_on, c::sequence, c::coat_id))
        .select(columns!(current_coats, current_coats))
        .load(tx.conn())?;
    rows.into_iter().map(CoatRow::coat).collect()
}

/// All versions of the coats of several vessels, a coat's oldest first, those withdrawn too.
///
/// # Errors
/// Those of the database.
pub fn versions_of_vessels(tx: &mut Tx<'_>, vessel_ids: &[VesselId]) -> Result<Vec<Coat>> {
    let of_coat = coats::org_id.eq(coat_versions::org_id).and(coats::id.eq(coat_versions::coat_id));
    let rows: Vec<CoatRow> = coat_versions::table
        .inner_join(coats::table.on(of_coat))
        .filter(coat_versions::org_id.eq(tx.org_id()).and(coats::vessel_id.eq_any(vessel_ids)))
        .order((coats::vessel_id, coat_versions::coat_id, coat_versions::version))
        .select(columns!(coats, coat_versions))
        .load(tx.conn())?;
    rows.into_iter().map(CoatRow::coat).collect()
}

/// The coats of a haul-out in the order they went on, without those withdrawn. For a coat that names no time, its day
/// and place tell the order.
///
/// # Errors
/// Those of the database.
pub fn of_haul_out(tx: &mut Tx<'_>, haul_out_id: HaulOutId) -> Result<Vec<Coat>> {
    use current_coats as c;
    let rows: Vec<CoatRow> = c::table
        .filter(c::org_id.eq(tx.org_id()).and(c::haul_out_id.eq(haul_out_id)).and(c::withdrawn.eq(false)))
        .order((c::applied_on, c::sequence, c::coat_id))
        .select(columns!(current_coats, current_coats))
        .load(tx.conn())?;
    rows.into_iter().map(CoatRow::coat).collect()
}

/// The place after the last among the other coats of a vessel and day.
///
/// # Errors
/// Those of the database.
pub fn next_sequence(tx: &mut Tx<'_>, id: CoatId, vessel_id: VesselId, applied_on: NaiveDate) -> Result<i32> {
    use current_coats as c;
    let last: Option<i32> = c::table
        .filter(c::org_id.eq(tx.org_id()).and(c::vessel_id.eq(vessel_id)).and(c::applied_on.eq(applied_on)))
        .filter(c::coat_id.ne(id))
        .select(diesel::dsl::max(c::sequence))
        .first(tx.conn())?;
    Ok(last.unwrap_or(0) + 1)
}

/// The other coat, not withdrawn, that has this place on a vessel and day, if there is one.
///
/// # Errors
/// Those of the database.
pub fn at_place(
    tx: &mut Tx<'_>,
    id: CoatId,
    vessel_id: VesselId,
    applied_on: NaiveDate,
    sequence: i32,
) -> Result<Option<CoatId>> {
    use current_coats as c;
    let there = c::table
        .filter(c::org_id.eq(tx.org_id()).and(c::vessel_id.eq(vessel_id)).and(c::applied_on.eq(applied_on)))
        .filter(c::sequence.eq(sequence).and(c::withdrawn.eq(false)).and(c::coat_id.ne(id)))
        .select(c::coat_id)
        .first(tx.conn())
        .optional()?;
    Ok(there)
}
