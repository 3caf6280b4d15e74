//! Statements on due rows. The rows are written by the forecasts; here they are read, joined with what a yard
//! needs beside them.

use chrono::{DateTime, Datelike, NaiveDate, Utc};
use diesel::dsl::{count_star, min, sql};
use diesel::prelude::*;
use diesel::sql_types::{Bool, Jsonb, Nullable, Timestamptz, Uuid as SqlUuid};
use serde_json::Value;

use super::model::DueFilter;
use crate::codes;
use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::db::schema::{due, forecasts, organisations, sites, vessels};
use crate::error::{Code, Error, Result};
use crate::features::forecasts::model::DateFields;
use crate::features::forecasts::store::DateRow;
use crate::ids::{CalibrationId, DueId, OrgId, SiteId, VesselId};
use crate::science::forecast::Onset;
use crate::science::forecast::dates::{DueKind, DueStatus};

/// A row of the due list.
#[derive(Debug, Clone)]
pub struct DueRow {
    /// Its id.
    pub id: DueId,
    /// What is due, and why.
    pub date: DateFields,
    /// The vessel's laminate class as stored.
    pub laminate_class: Option<String>,
    /// Name and version of the model.
    pub model: String,
    /// SHA-256 (hex) of what went in.
    pub inputs_hash: String,
    /// When it was computed.
    pub computed_at: DateTime<Utc>,
    /// Whether its vessel's forecast waits to be computed again.
    pub stale: bool,
    /// The calibration it was made by, where its basis is `learned`.
    pub calibration_id: Option<CalibrationId>,
    /// When blistering begins, if that is forecast.
    pub onset: Option<Onset>,
    /// The vessel.
    pub vessel: DueVessel,
    /// Where it comes in the list.
    sort_on: NaiveDate,
}

/// What a due row says of its vessel.
#[derive(Debug, Clone, Queryable)]
pub struct DueVessel {
    /// Its id.
    pub id: VesselId,
    /// Whose it is.
    pub org_id: OrgId,
    /// The name of that organisation.
    pub org_name: String,
    /// Its reference.
    pub r#ref: Option<String>,
    /// Its name.
    pub name: String,
    /// Where it lies.
    pub site_id: Option<SiteId>,
    /// The site's name.
    pub site_name: Option<String>,
    /// The berth.
    pub berth: Option<String>,
    /// Its owner's name.
    pub owner_name: Option<String>,
    /// Its owner's telephone.
    pub owner_phone: Option<String>,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = due)]
struct OwnColumns {
    id: DueId,
    laminate_class: Option<String>,
    model: String,
    inputs_hash: String,
    computed_at: DateTime<Utc>,
    sort_on: NaiveDate,
}

type JoinedRow = (OwnColumns, DateRow, DueVessel, Option<Value>, Option<CalibrationId>, bool);

fn due_row((own, date, vessel, onset, calibration_id, stale): JoinedRow) -> Result<DueRow> {
    Ok(DueRow {
        id: own.id,
        date: date.fields()?,
        laminate_class: own.laminate_class,
        model: own.model,
        inputs_hash: own.inputs_hash,
        computed_at: own.computed_at,
        stale,
        calibration_id,
        onset: onset.map(serde_json::from_value).transpose().map_err(Error::internal)?.flatten(),
        vessel,
        sort_on: own.sort_on,
    })
}

/// A query with the conditions of a filter.
macro_rules! filtered {
    ($query:expr, $filter:expr) => {{
        let (mut query, filter) = ($query, $filter);
        if let Some(org_id) = filter.org_id {
            query = query.filter(due::org_id.eq(org_id));
        }
        if let Some(site_id) = filter.site_id {
            query = query.filter(due::site_id.eq(site_id));
        }
        if let Some(vessel_id) = filter.vessel_id {
            query = query.filter(due::vessel_id.eq(vessel_id));
        }
        if let Some(kind) = &filter.kind {
            query = query.filter(due::kind.eq(codes::to_text(kind)?));
        }
        if let Some(status) = &filter.status {
            query = query.filter(due::status.eq(codes::to_text(status)?));
        }
        if let Some(class) = filter.laminate_class {
            let class = class.class().as_ref().map(codes::to_text).transpose()?;
            query = query.filter(due::laminate_class.is_not_distinct_from(class));
        }
        if let Some(before) = filter.before {
            query = query.filter(due::due_on.lt(before));
        }
        if let Some(not_before) = filter.not_before {
            query = query.filter(due::due_on.ge(not_before));
        }
        if let Some(since) = filter.updated_since {
            query = query.filter(due::computed_at.ge(since));
        }
        query
    }};
}

/// Due rows with what stands beside them, as one query; the conditions are to be added.
macro_rules! joined {
    ($tx:expr) => {{
        let (viewer, now) = ($tx.acting_org_id(), $tx.now());
        due::table
            .inner_join(organisations::table.on(organisations::org_id.eq(due::org_id)))
            .inner_join(
                vessels::table.on(vessels::org_id.eq(due::org_id).and(vessels::id.eq(due::vessel_id))),
            )
            .left_join(
                sites::table.on(sites::org_id.eq(due::org_id).and(sites::id.nullable().eq(due::site_id))),
            )
            .left_join(
                forecasts::table
                    .on(forecasts::org_id.eq(due::org_id).and(forecasts::vessel_id.eq(due::vessel_id))),
            )
            .filter(due::viewer_org_id.eq(viewer))
            .select((
                OwnColumns::as_select(),
                DateRow::as_select(),
                (
                    vessels::id,
                    due::org_id,
                    organisations::name,
                    vessels::ref_,
                    vessels::name,
                    due::site_id,
                    sites::name.nullable(),
                    vessels::berth,
                    vessels::owner_name,
                    vessels::owner_phone,
                ),
                sql::<Nullable<Jsonb>>("forecasts.result -> 'onset'"),
                sql::<Nullable<SqlUuid>>(
                    "CASE WHEN due.basis = 'learned' THEN (forecasts.result ->> 'calibration_id')::uuid END",
                ),
                sql::<Bool>(
                    "EXISTS (SELECT FROM jobs WHERE jobs.org_id = due.org_id AND jobs.kind = 'forecast' \
                     AND jobs.subject_id = due.vessel_id AND jobs.requested_at <= ",
                )
                .bind::<Timestamptz, _>(now)
                .sql(")"),
            ))
            .into_boxed()
    }};
}

/// The day a sort key stands for; a key that no day has comes from a cursor that was tampered with.
fn day_of(key: i64) -> Result<NaiveDate> {
    i32::try_from(key)
        .ok()
        .and_then(NaiveDate::from_num_days_from_ce_opt)
        .filter(|day| (1..=9999).contains(&day.year()))
        .ok_or_else(|| {
            Error::new(Code::Malformed, "The cursor is not one of this list. Start again without it.")
        })
}

/// Due rows by date, those without one last.
///
/// # Errors
/// Those of the database.
pub fn list(tx: &mut Tx<'_>, filter: &DueFilter, page: PageRequest) -> Result<Slice<DueRow>> {
    let mut query = filtered!(joined!(tx), filter);
    if let Some(Position { key, id }) = page.after {
        let (day, id) = (day_of(key)?, DueId::from(id));
        // Said twice: the first is where the index begins to be read.
        query = query.filter(due::sort_on.ge(day)).filter(due::sort_on.gt(day).or(due::id.gt(id)));
    }
    let rows: Vec<JoinedRow> = query.order((due::sort_on, due::id)).limit(page.fetch()).load(tx.conn())?;
    let rows = rows.into_iter().map(due_row).collect::<Result<Vec<_>>>()?;
    Ok(page.slice(rows, |row| Position { key: row.sort_on.num_days_from_ce().into(), id: row.id.into() }))
}

/// How many due rows there are of each date and status, those that the filter chooses.
///
/// # Errors
/// Those of the database.
pub fn counts(tx: &mut Tx<'_>, filter: &DueFilter) -> Result<Vec<(Option<NaiveDate>, DueStatus, i64)>> {
    let query = due::table
        .group_by((due::due_on, due::status))
        .filter(due::viewer_org_id.eq(tx.acting_org_id()))
        .select((due::due_on, due::status, count_star()))
        .into_boxed();
    let rows: Vec<(Option<NaiveDate>, String, i64)> = filtered!(query, filter).load(tx.conn())?;
    rows.into_iter().map(|(day, status, rows)| Ok((day, codes::from_text(&status)?, rows))).collect()
}

/// A date as the list has it now.
#[derive(Debug, Clone)]
pub struct StandingDate {
    /// The vessel.
    pub vessel_id: VesselId,
    /// Its name.
    pub vessel_name: String,
    /// What falls due.
    pub kind: DueKind,
    /// When; none without a date.
    pub due_on: Option<NaiveDate>,
}

/// Every date of the list, with nothing beside it.
///
/// # Errors
/// Those of the database.
pub fn standing_dates(tx: &mut Tx<'_>) -> Result<Vec<StandingDate>> {
    let rows: Vec<(VesselId, String, String, Option<NaiveDate>)> = due::table
        .inner_join(vessels::table.on(vessels::org_id.eq(due::org_id).and(vessels::id.eq(due::vessel_id))))
        .filter(due::viewer_org_id.eq(tx.org_id()).and(due::org_id.eq(tx.org_id())))
        .select((due::vessel_id, vessels::name, due::kind, due::due_on))
        .load(tx.conn())?;
    rows.into_iter()
        .map(|(vessel_id, vessel_name, kind, due_on)| {
            Ok(StandingDate { vessel_id, vessel_name, kind: codes::from_text(&kind)?, due_on })
        })
        .collect()
}

/// A vessel's next lift.
#[derive(Debug, Clone, Copy, Queryable)]
pub struct Lift {
    /// Whose it is.
    pub org_id: OrgId,
    /// The vessel.
    pub vessel_id: VesselId,
    /// The earliest date among the rows asked for.
    pub lift_by: NaiveDate,
}

/// Vessels with a date among the rows asked for, by the earliest of them.
///
/// # Errors
/// Those of the database.
pub fn lifts(tx: &mut Tx<'_>, filter: &DueFilter, page: PageRequest) -> Result<Slice<Lift>> {
    let query = due::table
        .group_by((due::org_id, due::vessel_id))
        .filter(due::viewer_org_id.eq(tx.acting_org_id()).and(due::due_on.is_not_null()))
        .select((due::org_id, due::vessel_id, min(due::due_on).assume_not_null()))
        .into_boxed();
    let mut query = filtered!(query, filter);
    if let Some(Position { key, id }) = page.after {
        let (day, id) = (day_of(key)?, VesselId::from(id));
        let earliest = || min(due::due_on);
        query = query.having(earliest().gt(day).or(earliest().eq(day).and(due::vessel_id.gt(id))));
    }
    let rows: Vec<Lift> =
        query.order((min(due::due_on), due::vessel_id)).limit(page.fetch()).load(tx.conn())?;
    Ok(page
        .slice(rows, |row| Position { key: row.lift_by.num_days_from_ce().into(), id: row.vessel_id.into() }))
}

/// All due rows of some vessels, by date; a vessel has at most one of a kind.
///
/// # Errors
/// Those of the database.
pub fn of_vessels(tx: &mut Tx<'_>, vessel_ids: &[VesselId]) -> Result<Vec<DueRow>> {
    let rows: Vec<JoinedRow> = joined!(tx)
        .filter(due::vessel_id.eq_any(vessel_ids))
        .order((due::sort_on, due::id))
        .load(tx.conn())?;
    rows.into_iter().map(due_row).collect()
}
