//! The readings that drying is followed by: those of the surveys of the treatment's haul-out.

use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;

use crate::codes;
use crate::db::Tx;
use crate::db::schema::{readings as reading_rows, stations, surveys, told_drying};
use crate::db::views::{current_readings, current_surveys};
use crate::error::Result;
use crate::features::treatments::model::drying::{FixedStation, SeriesReading};
use crate::features::treatments::model::record::ReadingVersion;
use crate::ids::{HaulOutId, PersonId, ReadingId, StationId, SurveyId, TreatmentId, VesselId};

#[derive(Queryable)]
struct Row {
    id: ReadingId,
    version: i32,
    station_id: StationId,
    code: String,
    zone: String,
    scale: String,
    value: f64,
    taken_at: Option<DateTime<Utc>>,
    surveyed_on: NaiveDate,
    meter: Option<String>,
    meter_serial: Option<String>,
    recorded_by: Option<PersonId>,
    recorded_at: DateTime<Utc>,
}

/// Of which surveys, drafts too.
#[derive(Debug, Clone, Copy)]
pub enum ReadingsOf {
    /// Those of a haul-out.
    HaulOut(HaulOutId),
    /// One.
    Survey(SurveyId),
}

/// The current readings of some surveys by station and time.
///
/// # Errors
/// Those of the database.
pub fn readings(tx: &mut Tx<'_>, of: ReadingsOf) -> Result<Vec<SeriesReading>> {
    use {current_readings as r, current_surveys as s};
    let mut query = r::table
        .inner_join(s::table.on(s::org_id.eq(r::org_id).and(s::survey_id.eq(r::survey_id))))
        .inner_join(stations::table.on(stations::org_id.eq(r::org_id).and(stations::id.eq(r::station_id))))
        .filter(r::org_id.eq(tx.org_id()).and(r::withdrawn.eq(false)))
        .into_boxed();
    query = match of {
        ReadingsOf::HaulOut(id) => query.filter(s::haul_out_id.eq(id)),
        ReadingsOf::Survey(id) => query.filter(s::survey_id.eq(id)),
    };
    let rows: Vec<Row> = query
        .order((stations::code, r::station_id, r::id))
        .select((
            r::id,
            r::version,
            r::station_id,
            stations::code,
            stations::zone,
            r::scale,
            r::value,
            r::taken_at,
            s::surveyed_on,
            s::meter,
            s::meter_serial,
            r::recorded_by,
            r::recorded_at,
        ))
        .load(tx.conn())?;
    let mut readings = Vec::new();
    for row in rows {
        let noon = row.surveyed_on.and_hms_opt(12, 0, 0).map(|noon| noon.and_utc());
        readings.push(SeriesReading {
            id: row.id,
            version: row.version,
            station_id: row.station_id,
            station_code: row.code,
            zone: codes::from_text(&row.zone)?,
            scale: row.scale,
            value: row.value,
            taken_at: row.taken_at.or(noon).unwrap_or(row.recorded_at),
            meter: row.meter_serial.or(row.meter),
            recorded_by: row.recorded_by,
            recorded_at: row.recorded_at,
        });
    }
    readings.sort_by(|a, b| (&a.station_code, a.taken_at).cmp(&(&b.station_code, b.taken_at)));
    Ok(readings)
}

/// The stations of a vessel that were there by a time, by code.
///
/// # Errors
/// Those of the database.
pub fn fixed_stations(tx: &mut Tx<'_>, vessel_id: VesselId, by: DateTime<Utc>) -> Result<Vec<FixedStation>> {
    use stations as s;
    let rows: Vec<(StationId, String, String)> = s::table
        .filter(s::org_id.eq(tx.org_id()).and(s::vessel_id.eq(vessel_id)).and(s::created_at.le(by)))
        .order((s::code, s::id))
        .select((s::id, s::code, s::zone))
        .load(tx.conn())?;
    let fixed =
        |(id, code, zone): (_, _, String)| Ok(FixedStation { id, code, zone: codes::from_text(&zone)? });
    rows.into_iter().map(fixed).collect()
}

/// Keeps how a treatment's hull dries, as a word; what was kept before.
///
/// # Errors
/// Those of the database.
pub fn keep_told(tx: &mut Tx<'_>, id: TreatmentId, status: &str) -> Result<Option<String>> {
    let org_id = tx.org_id();
    let before: Option<String> =
        told_drying::table.find((org_id, id)).select(told_drying::status).first(tx.conn()).optional()?;
    if before.as_deref() != Some(status) {
        diesel::insert_into(told_drying::table)
            .values((
                told_drying::org_id.eq(org_id),
                told_drying::treatment_id.eq(id),
                told_drying::status.eq(status),
            ))
            .on_conflict((told_drying::org_id, told_drying::treatment_id))
            .do_update()
            .set(told_drying::status.eq(status))
            .execute(tx.conn())?;
    }
    Ok(before)
}

/// How the hulls of some treatments dry, as was told last.
///
/// # Errors
/// Those of the database.
pub fn told(tx: &mut Tx<'_>, ids: &[TreatmentId]) -> Result<Vec<(TreatmentId, String)>> {
    Ok(told_drying::table
        .filter(told_drying::org_id.eq(tx.org_id()).and(told_drying::treatment_id.eq_any(ids)))
        .select((told_drying::treatment_id, told_drying::status))
        .load(tx.conn())?)
}

#[derive(Queryable)]
struct VersionRow {
    id: ReadingId,
    survey_id: SurveyId,
    version: i32,
    code: String,
    scale: String,
    value: f64,
    taken_at: Option<DateTime<Utc>>,
    withdrawn: bool,
    correction_reason: Option<String>,
    recorded_at: DateTime<Utc>,
    recorded_by: Option<PersonId>,
    of_withdrawn_survey: bool,
}

/// Every version of every reading of a haul-out's surveys, by station, reading and version.
///
/// # Errors
/// Those of the database.
pub fn reading_versions(tx: &mut Tx<'_>, haul_out_id: HaulOutId) -> Result<Vec<ReadingVersion>> {
    use {reading_rows as r, surveys as s};
    let rows: Vec<VersionRow> = r::table
        .inner_join(s::table.on(s::org_id.eq(r::org_id).and(s::id.eq(r::survey_id))))
        .inner_join(stations::table.on(stations::org_id.eq(r::org_id).and(stations::id.eq(r::station_id))))
        .filter(r::org_id.eq(tx.org_id()).and(s::haul_out_id.eq(haul_out_id)))
        .order((stations::code, r::id, r::version))
        .select((
            r::id,
            r::survey_id,
            r::version,
            stations::code,
            r::scale,
            r::value,
            r::taken_at,
            r::withdrawn,
            r::correction_reason,
            r::recorded_at,
            r::recorded_by,
            diesel::dsl::sql::<diesel::sql_types::Bool>(
                "EXISTS (SELECT FROM withdrawn_surveys w
                    WHERE w.org_id = surveys.org_id AND w.survey_id = surveys.id)",
            ),
        ))
        .load(tx.conn())?;
    let later: std::collections::HashSet<(ReadingId, i32)> =
        rows.iter().map(|row| (row.id, row.version)).collect();
    let version = |row: VersionRow| ReadingVersion {
        superseded: later.contains(&(row.id, row.version + 1)),
        id: row.id,
        survey_id: row.survey_id,
        version: row.version,
        station_code: row.code,
        scale: row.scale,
        value: row.value,
        taken_at: row.taken_at,
        withdrawn: row.withdrawn || row.of_withdrawn_survey,
        correction_reason: row.correction_reason,
        recorded_at: row.recorded_at,
        recorded_by: row.recorded_by,
    };
    Ok(rows.into_iter().map(version).collect())
}
