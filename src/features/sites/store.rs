//! Rows of sites and their months.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use diesel::prelude::*;

use super::model::{SiteFields, SiteMonth};
use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::db::schema::{site_months, sites};
use crate::error::{Code, Error, Result};
use crate::ids::SiteId;

/// A site as stored.
#[derive(Debug, Clone)]
pub struct Site {
    /// Its id.
    pub id: SiteId,
    /// Its fields.
    pub fields: SiteFields,
    /// Its version.
    pub version: i32,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = sites)]
struct SiteRow {
    id: SiteId,
    ref_: Option<String>,
    name: String,
    time_zone: String,
    climate: Option<String>,
    note: Option<String>,
    version: i32,
    created_at: DateTime<Utc>,
    updated_at: DateTime<Utc>,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = site_months)]
struct MonthRow {
    site_id: SiteId,
    month: i16,
    water_temperature_c: f64,
    salinity_g_kg: f64,
    air_temperature_c: f64,
    relative_humidity_pct: f64,
}

impl SiteRow {
    fn with(self, months: Vec<SiteMonth>) -> Site {
        let fields = SiteFields {
            r#ref: self.ref_,
            name: self.name,
            time_zone: self.time_zone,
            climate: self.climate,
            months,
            note: self.note,
        };
        Site {
            id: self.id,
            fields,
            version: self.version,
            created_at: self.created_at,
            updated_at: self.updated_at,
        }
    }
}

/// The months of several sites in one query, in order.
fn months(tx: &mut Tx<'_>, ids: &[SiteId]) -> Result<HashMap<SiteId, Vec<SiteMonth>>> {
    let rows: Vec<MonthRow> = site_months::table
        .filter(site_months::org_id.eq(tx.org_id()).and(site_months::site_id.eq_any(ids)))
        .order((site_months::site_id, site_months::month))
        .select(MonthRow::as_select())
        .load(tx.conn())?;
    let mut by_site: HashMap<SiteId, Vec<SiteMonth>> = HashMap::new();
    for row in rows {
        by_site.entry(row.site_id).or_default().push(SiteMonth {
            month: row.month,
            water_temperature_c: row.water_temperature_c,
            salinity_g_kg: row.salinity_g_kg,
            air_temperature_c: row.air_temperature_c,
            relative_humidity_pct: row.relative_humidity_pct,
        });
    }
    Ok(by_site)
}

fn completed(tx: &mut Tx<'_>, rows: Vec<SiteRow>) -> Result<Vec<Site>> {
    let ids: Vec<SiteId> = rows.iter().map(|row| row.id).collect();
    let mut months = months(tx, &ids)?;
    Ok(rows
        .into_iter()
        .map(|row| {
            let found = months.remove(&row.id).unwrap_or_default();
            row.with(found)
        })
        .collect())
}

/// Makes a site.
///
/// # Errors
/// Those of the database.
pub fn insert(tx: &mut Tx<'_>, id: SiteId, fields: &SiteFields) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    diesel::insert_into(sites::table)
        .values((
            sites::org_id.eq(org_id),
            sites::id.eq(id),
            sites::ref_.eq(&fields.r#ref),
            sites::name.eq(&fields.name),
            sites::time_zone.eq(&fields.time_zone),
            sites::climate.eq(&fields.climate),
            sites::note.eq(&fields.note),
            sites::created_at.eq(now),
            sites::updated_at.eq(now),
        ))
        .execute(tx.conn())?;
    write_months(tx, id, &fields.months)
}

fn write_months(tx: &mut Tx<'_>, id: SiteId, months: &[SiteMonth]) -> Result<()> {
    use diesel::upsert::excluded;
    let org_id = tx.org_id();
    let rows: Vec<_> = months
        .iter()
        .map(|m| {
            (
                site_months::org_id.eq(org_id),
                site_months::site_id.eq(id),
                site_months::month.eq(m.month),
                site_months::water_temperature_c.eq(m.water_temperature_c),
                site_months::salinity_g_kg.eq(m.salinity_g_kg),
                site_months::air_temperature_c.eq(m.air_temperature_c),
                site_months::relative_humidity_pct.eq(m.relative_humidity_pct),
            )
        })
        .collect();
    diesel::insert_into(site_months::table)
        .values(rows)
        .on_conflict((site_months::org_id, site_months::site_id, site_months::month))
        .do_update()
        .set((
            site_months::water_temperature_c.eq(excluded(site_months::water_temperature_c)),
            site_months::salinity_g_kg.eq(excluded(site_months::salinity_g_kg)),
            site_months::air_temperature_c.eq(excluded(site_months::air_temperature_c)),
            site_months::relative_humidity_pct.eq(excluded(site_months::relative_humidity_pct)),
        ))
        .execute(tx.conn())?;
    Ok(())
}

/// Changes a site from `version` to the next.
///
/// # Errors
/// Stale, when it is no longer at `version`.
pub fn update(tx: &mut Tx<'_>, id: SiteId, fields: &SiteFields, version: i32) -> Result<()> {
    let now = tx.now();
    let changed = diesel::update(sites::table.find((tx.org_id(), id)).filter(sites::version.eq(version)))
        .set((
            sites::ref_.eq(&fields.r#ref),
            sites::name.eq(&fields.name),
            sites::time_zone.eq(&fields.time_zone),
            sites::climate.eq(&fields.climate),
            sites::note.eq(&fields.note),
            sites::version.eq(version + 1),
            sites::updated_at.eq(now),
        ))
        .execute(tx.conn())?;
    if changed == 0 {
        return Err(Error::new(
            Code::Stale,
            "The site changed since you read it. Read it again and repeat your change.",
        ));
    }
    write_months(tx, id, &fields.months)
}

/// One site.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: SiteId) -> Result<Site> {
    let row =
        sites::table.find((tx.org_id(), id)).select(SiteRow::as_select()).first(tx.conn()).optional()?;
    let row = row.ok_or_else(|| Error::not_found("site"))?;
    let found = months(tx, &[id])?.remove(&id).unwrap_or_default();
    Ok(row.with(found))
}

/// Keeps a site as it is until the commit, for a record that is about to name it.
///
/// # Errors
/// Invalid at `/site_id`, when it is not a site of the organisation.
pub fn hold(tx: &mut Tx<'_>, id: SiteId) -> Result<()> {
    let held: Option<SiteId> =
        sites::table.find((tx.org_id(), id)).select(sites::id).for_share().first(tx.conn()).optional()?;
    held.map(|_| ()).ok_or_else(|| {
        Error::field(
            "/site_id",
            "unknown",
            "is not a site of your organisation. Create the site or correct the id.",
        )
    })
}

/// Several sites by id, those that exist.
///
/// # Errors
/// Those of the database.
pub fn read_many(tx: &mut Tx<'_>, ids: &[SiteId]) -> Result<Vec<Site>> {
    let rows = sites::table
        .filter(sites::org_id.eq(tx.org_id()).and(sites::id.eq_any(ids)))
        .select(SiteRow::as_select())
        .load(tx.conn())?;
    completed(tx, rows)
}

/// All sites by name, for choosing one.
///
/// # Errors
/// Those of the database.
pub fn names(tx: &mut Tx<'_>) -> Result<Vec<(SiteId, String)>> {
    let named = sites::table.filter(sites::org_id.eq(tx.org_id())).select((sites::id, sites::name));
    Ok(named.order((sites::name, sites::id)).load(tx.conn())?)
}

/// Sites by last change.
///
/// # Errors
/// Those of the database.
pub fn list(tx: &mut Tx<'_>, updated_since: Option<DateTime<Utc>>, page: PageRequest) -> Result<Slice<Site>> {
    let mut query = sites::table.filter(sites::org_id.eq(tx.org_id())).into_boxed();
    if let Some(since) = updated_since {
        query = query.filter(sites::updated_at.ge(since));
    }
    if let Some((time, id)) = page.after_time() {
        query = query.filter(
            sites::updated_at.gt(time).or(sites::updated_at.eq(time).and(sites::id.gt(SiteId::from(id)))),
        );
    }
    let rows = query
        .order((sites::updated_at, sites::id))
        .limit(page.fetch())
        .select(SiteRow::as_select())
        .load(tx.conn())?;
    let found = completed(tx, rows)?;
    Ok(page.slice(found, |site| Position::at(site.updated_at, site.id)))
}
