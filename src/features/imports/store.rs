//! What imports ask the database: which records carry the names of a file, in a query each.

use std::collections::HashMap;

use chrono::{DateTime, NaiveDate, Utc};
use diesel::connection::{AnsiTransactionManager, TransactionManager};
use diesel::prelude::*;
use diesel::sql_types::Bool;
use serde_json::{Map, Value};

use super::model::identity::Known;
use crate::db::Tx;
use crate::db::schema::{haul_outs, products, sites, stations, vessels};
use crate::db::views::{current_coats, current_readings, current_surveys};
use crate::error::{Code, Error, Result};
use crate::features::surveys::model::reading::ReadingFields;
use crate::ids::{CoatId, HaulOutId, ProductId, ReadingId, SiteId, StationId, SurveyId, VesselId};

#[derive(QueryableByName)]
struct Locked {
    #[diesel(sql_type = Bool)]
    locked: bool,
}

/// Holds the organisation's imports until the end of this transaction, so that two never interleave.
///
/// # Errors
/// Unavailable, when another import of the organisation is running.
pub fn hold_imports(tx: &mut Tx<'_>) -> Result<()> {
    // An advisory lock is named by a number: a digest of the purpose and the organisation.
    let org_id = tx.org_id();
    let held: Locked = diesel::sql_query(
        "SELECT pg_try_advisory_xact_lock(hashtextextended('imports ' || $1::text, 0)) AS locked",
    )
    .bind::<diesel::sql_types::Uuid, _>(org_id)
    .get_result(tx.conn())?;
    if held.locked {
        Ok(())
    } else {
        Err(Error::new(
            Code::Unavailable,
            "Another import of your organisation is running. Try again when it has ended.",
        ))
    }
}

/// Runs `f` so that its refusal takes back what it wrote and nothing else.
///
/// # Errors
/// Those of `f`, and of the database.
pub fn attempt<T>(tx: &mut Tx<'_>, f: impl FnOnce(&mut Tx<'_>) -> Result<T>) -> Result<T> {
    AnsiTransactionManager::begin_transaction(tx.conn())?;
    match f(tx) {
        Ok(value) => {
            AnsiTransactionManager::commit_transaction(tx.conn())?;
            Ok(value)
        }
        Err(error) => {
            AnsiTransactionManager::rollback_transaction(tx.conn())?;
            Err(error)
        }
    }
}

/// A vessel's names.
#[derive(Debug, Clone, Queryable)]
pub struct VesselName {
    /// Its id.
    pub id: VesselId,
    /// Its reference.
    pub r#ref: Option<String>,
    /// Its craft identification number.
    pub hull_id_number: Option<String>,
}

/// The vessels with these references or numbers.
///
/// # Errors
/// Those of the database.
pub fn vessels_named(tx: &mut Tx<'_>, refs: &[&str], numbers: &[String]) -> Result<Vec<VesselName>> {
    let named = vessels::ref_.eq_any(refs).or(vessels::hull_id_number.eq_any(numbers));
    Ok(vessels::table
        .filter(vessels::org_id.eq(tx.org_id()).and(named))
        .select((vessels::id, vessels::ref_, vessels::hull_id_number))
        .load(tx.conn())?)
}

/// The sites with these references or names: id, reference, name.
///
/// # Errors
/// Those of the database.
pub fn sites_named(
    tx: &mut Tx<'_>,
    refs: &[&str],
    names: &[&str],
) -> Result<Vec<(SiteId, Option<String>, String)>> {
    let asked_for = sites::ref_.eq_any(refs).or(sites::name.eq_any(names));
    Ok(sites::table
        .filter(sites::org_id.eq(tx.org_id()).and(asked_for))
        .select((sites::id, sites::ref_, sites::name))
        .load(tx.conn())?)
}

/// The haul-outs with these references or of these vessels.
///
/// # Errors
/// Those of the database.
pub fn haul_outs_named(
    tx: &mut Tx<'_>,
    refs: &[&str],
    vessel_ids: &[VesselId],
) -> Result<Vec<Known<HaulOutId>>> {
    let named = haul_outs::ref_.eq_any(refs).or(haul_outs::vessel_id.eq_any(vessel_ids));
    let rows: Vec<(HaulOutId, Option<String>, VesselId, NaiveDate)> = haul_outs::table
        .filter(haul_outs::org_id.eq(tx.org_id()).and(named))
        .order(haul_outs::id)
        .select((haul_outs::id, haul_outs::ref_, haul_outs::vessel_id, haul_outs::lifted_on))
        .load(tx.conn())?;
    let known = |(id, r#ref, vessel_id, lifted_on)| Known {
        id,
        r#ref,
        key: Some(format!("{vessel_id} {lifted_on}")),
        withdrawn: false,
    };
    Ok(rows.into_iter().map(known).collect())
}

/// The ids of the haul-outs with these references.
///
/// # Errors
/// Those of the database.
pub fn haul_out_ids(tx: &mut Tx<'_>, refs: &[&str]) -> Result<HashMap<String, HaulOutId>> {
    let rows: Vec<(Option<String>, HaulOutId)> = haul_outs::table
        .filter(haul_outs::org_id.eq(tx.org_id()).and(haul_outs::ref_.eq_any(refs)))
        .select((haul_outs::ref_, haul_outs::id))
        .load(tx.conn())?;
    Ok(rows.into_iter().filter_map(|(reference, id)| reference.map(|reference| (reference, id))).collect())
}

/// The products with these references.
///
/// # Errors
/// Those of the database.
pub fn product_ids(tx: &mut Tx<'_>, refs: &[&str]) -> Result<HashMap<String, ProductId>> {
    let rows: Vec<(Option<String>, ProductId)> = products::table
        .filter(products::org_id.eq(tx.org_id()).and(products::ref_.eq_any(refs)))
        .select((products::ref_, products::id))
        .load(tx.conn())?;
    Ok(rows.into_iter().filter_map(|(reference, id)| reference.map(|reference| (reference, id))).collect())
}

/// The coats with these references or of these vessels, withdrawn ones too.
///
/// # Errors
/// Those of the database.
pub fn coats_named(tx: &mut Tx<'_>, refs: &[&str], vessel_ids: &[VesselId]) -> Result<Vec<Known<CoatId>>> {
    let named = current_coats::ref_.eq_any(refs).or(current_coats::vessel_id.eq_any(vessel_ids));
    let rows: Vec<(CoatId, Option<String>, VesselId, NaiveDate, i32, bool)> = current_coats::table
        .filter(current_coats::org_id.eq(tx.org_id()).and(named))
        .order(current_coats::coat_id)
        .select((
            current_coats::coat_id,
            current_coats::ref_,
            current_coats::vessel_id,
            current_coats::applied_on,
            current_coats::sequence,
            current_coats::withdrawn,
        ))
        .load(tx.conn())?;
    let known = |(id, r#ref, vessel_id, applied_on, sequence, withdrawn)| Known {
        id,
        r#ref,
        key: Some(format!("{vessel_id} {applied_on} {sequence}")),
        withdrawn,
    };
    Ok(rows.into_iter().map(known).collect())
}

/// Makes whoever else writes surveys or readings of these vessels wait for this transaction.
///
/// # Errors
/// Those of the database.
pub fn lock_vessels(tx: &mut Tx<'_>, ids: &[VesselId]) -> Result<()> {
    // In the order of their ids, so that two who lock several wait for each other and do not lock up.
    vessels::table
        .filter(vessels::org_id.eq(tx.org_id()).and(vessels::id.eq_any(ids)))
        .order(vessels::id)
        .select(vessels::id)
        .for_no_key_update()
        .load::<VesselId>(tx.conn())?;
    Ok(())
}

/// A survey, as far as its readings ask.
#[derive(Debug, Clone)]
pub struct SurveyHere {
    /// Its id.
    pub id: SurveyId,
    /// Its reference.
    pub r#ref: Option<String>,
    /// Its vessel.
    pub vessel_id: VesselId,
    /// Its day.
    pub surveyed_on: NaiveDate,
    /// The scale of readings that name none.
    pub meter_scale: Option<String>,
    /// Whether its current version is signed.
    pub signed: bool,
    /// Whether it is withdrawn: a file can still name it, by its reference.
    pub withdrawn: bool,
}

/// The surveys with these references, withdrawn ones too, or of these vessels on these days.
///
/// # Errors
/// Those of the database.
pub fn surveys_named(
    tx: &mut Tx<'_>,
    refs: &[&str],
    vessel_ids: &[VesselId],
    days: &[NaiveDate],
) -> Result<Vec<SurveyHere>> {
    use current_surveys as s;
    type Row = (SurveyId, Option<String>, VesselId, NaiveDate, Option<String>, Option<DateTime<Utc>>, bool);
    let withdrawn = || {
        diesel::dsl::sql::<Bool>(
            "EXISTS (SELECT FROM withdrawn_surveys w
                WHERE w.org_id = current_surveys.org_id AND w.survey_id = current_surveys.survey_id)",
        )
    };
    let of_days =
        s::vessel_id.eq_any(vessel_ids).and(s::surveyed_on.eq_any(days)).and(diesel::dsl::not(withdrawn()));
    let named = s::ref_.assume_not_null().eq_any(refs).or(of_days);
    let rows: Vec<Row> = s::table
        .filter(s::org_id.eq(tx.org_id()).and(named))
        .order(s::survey_id)
        .select((
            s::survey_id,
            s::ref_,
            s::vessel_id,
            s::surveyed_on,
            s::meter_scale,
            s::signed_at,
            withdrawn(),
        ))
        .load(tx.conn())?;
    let here = |(id, r#ref, vessel_id, surveyed_on, meter_scale, signed_at, withdrawn): Row| SurveyHere {
        id,
        r#ref,
        vessel_id,
        surveyed_on,
        meter_scale,
        signed: signed_at.is_some(),
        withdrawn,
    };
    Ok(rows.into_iter().map(here).collect())
}

/// A station, with its particulars as they stand in JSON.
#[derive(Debug, Clone)]
pub struct StationHere {
    /// Its id.
    pub id: StationId,
    /// Its vessel.
    pub vessel_id: VesselId,
    /// What it is called.
    pub code: String,
    /// Where it is: hull, side, zone, `x_m`, `girth_m`.
    pub particulars: Map<String, Value>,
}

/// The stations of these vessels.
///
/// # Errors
/// Those of the database.
pub fn stations_of(tx: &mut Tx<'_>, vessel_ids: &[VesselId]) -> Result<Vec<StationHere>> {
    use stations as s;
    type Row = (StationId, VesselId, String, String, String, String, Option<f64>, Option<f64>);
    let rows: Vec<Row> = s::table
        .filter(s::org_id.eq(tx.org_id()).and(s::vessel_id.eq_any(vessel_ids)))
        .select((s::id, s::vessel_id, s::code, s::hull, s::side, s::zone, s::x_m, s::girth_m))
        .load(tx.conn())?;
    let here = |(id, vessel_id, code, hull, side, zone, x_m, girth_m): Row| StationHere {
        id,
        vessel_id,
        code,
        particulars: [
            ("hull", Value::from(hull)),
            ("side", Value::from(side)),
            ("zone", Value::from(zone)),
            ("x_m", Value::from(x_m)),
            ("girth_m", Value::from(girth_m)),
        ]
        .into_iter()
        .map(|(name, value)| (name.to_owned(), value))
        .collect(),
    };
    Ok(rows.into_iter().map(here).collect())
}

/// A reading as it is kept.
#[derive(Debug, Clone)]
pub struct ReadingHere {
    /// Its id.
    pub id: ReadingId,
    /// Its version.
    pub version: i32,
    /// Its vessel.
    pub vessel_id: VesselId,
    /// Its fields, without the reason of its last correction.
    pub fields: ReadingFields,
}

impl ReadingHere {
    /// As rows can name it.
    #[must_use]
    pub fn known(&self) -> Known<ReadingId> {
        Known {
            id: self.id,
            r#ref: self.fields.r#ref.clone(),
            key: Some(place_of(&self.fields)),
            withdrawn: self.fields.withdrawn,
        }
    }
}

/// What tells a reading where no reference does.
#[must_use]
pub fn place_of(fields: &ReadingFields) -> String {
    let scale = fields.scale.as_deref().unwrap_or_default();
    format!("{} {} {} {scale}", fields.survey_id, fields.station_id, fields.sequence)
}

/// The readings with these references, or of these surveys; withdrawn ones too.
///
/// # Errors
/// Those of the database.
pub fn readings_named(tx: &mut Tx<'_>, refs: &[&str], survey_ids: &[SurveyId]) -> Result<Vec<ReadingHere>> {
    use current_readings as r;
    #[derive(Queryable)]
    struct Row {
        id: ReadingId,
        version: i32,
        r#ref: Option<String>,
        vessel_id: VesselId,
        survey_id: SurveyId,
        station_id: StationId,
        scale: String,
        sequence: i32,
        value: f64,
        taken_at: Option<DateTime<Utc>>,
        note: Option<String>,
        withdrawn: bool,
    }
    let named = r::ref_.assume_not_null().eq_any(refs).or(r::survey_id.eq_any(survey_ids));
    let rows: Vec<Row> = r::table
        .filter(r::org_id.eq(tx.org_id()).and(named))
        .select((
            r::id,
            r::version,
            r::ref_,
            r::vessel_id,
            r::survey_id,
            r::station_id,
            r::scale,
            r::sequence,
            r::value,
            r::taken_at,
            r::note,
            r::withdrawn,
        ))
        .load(tx.conn())?;
    let here = |row: Row| ReadingHere {
        id: row.id,
        version: row.version,
        vessel_id: row.vessel_id,
        fields: ReadingFields {
            r#ref: row.r#ref,
            survey_id: row.survey_id,
            station_id: row.station_id,
            scale: Some(row.scale),
            sequence: row.sequence,
            value: row.value,
            taken_at: row.taken_at,
            note: row.note,
            withdrawn: row.withdrawn,
            correction_reason: None,
        },
    };
    Ok(rows.into_iter().map(here).collect())
}
