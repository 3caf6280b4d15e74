//! Rows of forecasts, and the due rows they give.

use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::upsert::excluded;
use serde_json::Value;

use super::dates::save_dates;
use super::facts::Subject;
use crate::codes;
use crate::db::Tx;
use crate::db::schema::{due, forecasts};
use crate::error::{Error, Result};
use crate::features::forecasts::model::{Computed, DateFields, Outlook};
use crate::features::grants;
use crate::ids::VesselId;
use crate::science::forecast::dates::DueStatus;
use crate::science::forecast::quantile::DateQuantiles;

/// The columns of a due row that its forecast gave, for the stores of this capability and the due list.
#[derive(Debug, Queryable, Selectable)]
#[diesel(table_name = due)]
pub struct DateRow {
    kind: String,
    status: String,
    due_on: Option<NaiveDate>,
    p10: Option<NaiveDate>,
    p50: Option<NaiveDate>,
    p90: Option<NaiveDate>,
    driver: String,
    reason: String,
    evidence: Value,
    basis: String,
}

impl DateRow {
    /// The fields they stand for.
    ///
    /// # Errors
    /// Internal, for what this version does not know.
    pub fn fields(self) -> Result<DateFields> {
        let status = codes::from_text(&self.status)?;
        let range = DateQuantiles { p10: self.p10, p50: self.p50, p90: self.p90 };
        Ok(DateFields {
            kind: codes::from_text(&self.kind)?,
            status,
            due_on: self.due_on,
            due_range: (status == DueStatus::Due).then_some(range),
            driver: codes::from_text(&self.driver)?,
            reason: self.reason,
            evidence: serde_json::from_value(self.evidence).map_err(Error::internal)?,
            basis: codes::from_text(&self.basis)?,
        })
    }
}

/// A forecast as stored.
#[derive(Debug, Clone)]
pub struct StoredForecast {
    /// What was computed.
    pub computed: Computed,
    /// When.
    pub computed_at: DateTime<Utc>,
}

/// The vessel's latest forecast, if one was made yet.
///
/// # Errors
/// Those of the database.
pub fn read(tx: &mut Tx<'_>, vessel_id: VesselId) -> Result<Option<StoredForecast>> {
    let row: Option<(NaiveDate, DateTime<Utc>, String, String, Value)> = forecasts::table
        .find((tx.org_id(), vessel_id))
        .select((
            forecasts::as_of,
            forecasts::computed_at,
            forecasts::model,
            forecasts::inputs_hash,
            forecasts::result,
        ))
        .first(tx.conn())
        .optional()?;
    let Some((as_of, computed_at, model, inputs_hash, result)) = row else { return Ok(None) };
    let rows: Vec<DateRow> = due::table
        .filter(due::viewer_org_id.eq(tx.acting_org_id()).and(due::org_id.eq(tx.org_id())))
        .filter(due::vessel_id.eq(vessel_id))
        .order((due::sort_on, due::id))
        .select(DateRow::as_select())
        .load(tx.conn())?;
    let dates = rows.into_iter().map(DateRow::fields).collect::<Result<_>>()?;
    let outlook: Outlook = serde_json::from_value(result).map_err(Error::internal)?;
    Ok(Some(StoredForecast { computed: Computed { as_of, model, inputs_hash, dates, outlook }, computed_at }))
}

/// Keeps the forecasts of some vessels in the place of their earlier ones.
///
/// # Errors
/// Those of the database.
pub fn save(tx: &mut Tx<'_>, computed: &[(&Subject, Computed)]) -> Result<()> {
    if computed.is_empty() {
        return Ok(());
    }
    let (org_id, now) = (tx.org_id(), tx.now());
    let rows = computed
        .iter()
        .map(|(subject, computed)| {
            Ok((
                forecasts::org_id.eq(org_id),
                forecasts::vessel_id.eq(subject.vessel_id),
                forecasts::as_of.eq(computed.as_of),
                forecasts::computed_at.eq(now),
                forecasts::model.eq(&computed.model),
                forecasts::inputs_hash.eq(&computed.inputs_hash),
                forecasts::result.eq(serde_json::to_value(&computed.outlook).map_err(Error::internal)?),
            ))
        })
        .collect::<Result<Vec<_>>>()?;
    diesel::insert_into(forecasts::table)
        .values(rows)
        .on_conflict((forecasts::org_id, forecasts::vessel_id))
        .do_update()
        .set((
            forecasts::as_of.eq(excluded(forecasts::as_of)),
            forecasts::computed_at.eq(excluded(forecasts::computed_at)),
            forecasts::model.eq(excluded(forecasts::model)),
            forecasts::inputs_hash.eq(excluded(forecasts::inputs_hash)),
            forecasts::result.eq(excluded(forecasts::result)),
        ))
        .execute(tx.conn())?;
    let vessels: Vec<VesselId> = computed.iter().map(|(subject, _)| subject.vessel_id).collect();
    let guests = grants::store::viewers(tx, &vessels)?;
    let given = save_dates(tx, computed, &guests)?;
    diesel::delete(
        due::table
            .filter(due::org_id.eq(org_id))
            .filter(due::vessel_id.eq_any(vessels).and(due::id.ne_all(given))),
    )
    .execute(tx.conn())?;
    Ok(())
}

/// Removes the forecasts and due rows of vessels that have left for good.
///
/// # Errors
/// Those of the database.
pub fn discard(tx: &mut Tx<'_>, vessel_ids: &[VesselId]) -> Result<()> {
    if vessel_ids.is_empty() {
        return Ok(());
    }
    let org_id = tx.org_id();
    diesel::delete(due::table.filter(due::org_id.eq(org_id).and(due::vessel_id.eq_any(vessel_ids))))
        .execute(tx.conn())?;
    diesel::delete(
        forecasts::table.filter(forecasts::org_id.eq(org_id).and(forecasts::vessel_id.eq_any(vessel_ids))),
    )
    .execute(tx.conn())?;
    Ok(())
}

/// Whether a forecast of the organisation was made by another model than this.
///
/// # Errors
/// Those of the database.
pub fn by_another_model(tx: &mut Tx<'_>, model: &str) -> Result<bool> {
    let other = forecasts::table.filter(forecasts::org_id.eq(tx.org_id()).and(forecasts::model.ne(model)));
    Ok(diesel::select(diesel::dsl::exists(other)).get_result(tx.conn())?)
}
