//! Rows of stations.

use chrono::{DateTime, Utc};
use diesel::prelude::*;

use crate::codes;
use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::db::schema::stations;
use crate::error::{Code, Error, Result};
use crate::features::surveys::model::station::StationFields;
use crate::ids::{OrgId, StationId, VesselId};

/// A station as stored.
#[derive(Debug, Clone)]
pub struct Station {
    /// Its id.
    pub id: StationId,
    /// Its fields.
    pub fields: StationFields,
    /// Its version.
    pub version: i32,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
    /// The organisation that recorded it.
    pub author_org_id: OrgId,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = stations)]
struct StationRow {
    id: StationId,
    vessel_id: VesselId,
    code: String,
    hull: String,
    side: String,
    zone: String,
    x_m: Option<f64>,
    girth_m: Option<f64>,
    version: i32,
    created_at: DateTime<Utc>,
    updated_at: DateTime<Utc>,
    author_org_id: OrgId,
}

impl TryFrom<StationRow> for Station {
    type Error = Error;

    fn try_from(row: StationRow) -> Result<Self> {
        let fields = StationFields {
            vessel_id: row.vessel_id,
            code: row.code,
            hull: codes::from_text(&row.hull)?,
            side: codes::from_text(&row.side)?,
            zone: codes::from_text(&row.zone)?,
            x_m: row.x_m,
            girth_m: row.girth_m,
        };
        Ok(Self {
            id: row.id,
            fields,
            version: row.version,
            created_at: row.created_at,
            updated_at: row.updated_at,
            author_org_id: row.author_org_id,
        })
    }
}

/// Makes a station.
///
/// # Errors
/// A foreign vessel, a code that the vessel has already; those of the database.
pub fn insert(tx: &mut Tx<'_>, id: StationId, fields: &StationFields) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    diesel::insert_into(stations::table)
        .values((
            stations::org_id.eq(org_id),
            stations::id.eq(id),
            stations::vessel_id.eq(fields.vessel_id),
            stations::code.eq(&fields.code),
            stations::hull.eq(codes::to_text(&fields.hull)?),
            stations::side.eq(codes::to_text(&fields.side)?),
            stations::zone.eq(codes::to_text(&fields.zone)?),
            stations::x_m.eq(fields.x_m),
            stations::girth_m.eq(fields.girth_m),
            stations::created_at.eq(now),
            stations::updated_at.eq(now),
        ))
        .execute(tx.conn())?;
    Ok(())
}

/// Changes a station from `version` to the next.
///
/// # Errors
/// Stale, when it is no longer at `version`; duplicate, when the vessel has one of this code.
pub fn update(tx: &mut Tx<'_>, id: StationId, fields: &StationFields, version: i32) -> Result<()> {
    let now = tx.now();
    let changed =
        diesel::update(stations::table.find((tx.org_id(), id)).filter(stations::version.eq(version)))
            .set((
                stations::code.eq(&fields.code),
                stations::hull.eq(codes::to_text(&fields.hull)?),
                stations::side.eq(codes::to_text(&fields.side)?),
                stations::zone.eq(codes::to_text(&fields.zone)?),
                stations::x_m.eq(fields.x_m),
                stations::girth_m.eq(fields.girth_m),
                stations::version.eq(version + 1),
                stations::updated_at.eq(now),
            ))
            .execute(tx.conn())?;
    if changed == 0 {
        return Err(Error::new(
            Code::Stale,
            "The station changed since you read it. Read it again and repeat your change.",
        ));
    }
    Ok(())
}

/// One station.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: StationId) -> Result<Station> {
    let row: Option<StationRow> = stations::table
        .find((tx.org_id(), id))
        .select(StationRow::as_select())
        .first(tx.conn())
        .optional()?;
    row.ok_or_else(|| Error::not_found("station"))?.try_into()
}

/// Which of these stations are the vessel's.
///
/// # Errors
/// Those of the database.
pub fn of_vessel_among(tx: &mut Tx<'_>, vessel_id: VesselId, ids: &[StationId]) -> Result<Vec<StationId>> {
    let among =
        stations::org_id.eq(tx.org_id()).and(stations::vessel_id.eq(vessel_id)).and(stations::id.eq_any(ids));
    Ok(stations::table.filter(among).select(stations::id).load(tx.conn())?)
}

/// Stations by last change, of one vessel or all.
///
/// # Errors
/// Those of the database.
pub fn list(
    tx: &mut Tx<'_>,
    vessel_id: Option<VesselId>,
    updated_since: Option<DateTime<Utc>>,
    page: PageRequest,
) -> Result<Slice<Station>> {
    let mut query = stations::table.filter(stations::org_id.eq(tx.org_id())).into_boxed();
    if let Some(vessel_id) = vessel_id {
        query = query.filter(stations::vessel_id.eq(vessel_id));
    }
    if let Some(since) = updated_since {
        query = query.filter(stations::updated_at.ge(since));
    }
    if let Some((time, id)) = page.after_time() {
        let id = StationId::from(id);
        query = query
            .filter(stations::updated_at.gt(time).or(stations::updated_at.eq(time).and(stations::id.gt(id))));
    }
    let rows: Vec<StationRow> = query
        .order((stations::updated_at, stations::id))
        .limit(page.fetch())
        .select(StationRow::as_select())
        .load(tx.conn())?;
    let found = rows.into_iter().map(Station::try_from).collect::<Result<Vec<_>>>()?;
    Ok(page.slice(found, |station| Position::at(station.updated_at, station.id)))
}
