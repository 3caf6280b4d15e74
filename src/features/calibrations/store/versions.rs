//! Rows of calibrations and of their previews.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::upsert::excluded;
use serde_json::Value;

use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::db::schema::{calibration_previews, calibrations};
use crate::error::{Error, Result};
use crate::features::calibrations::model::Followed;
use crate::ids::CalibrationId;
use crate::science::learning::calibration::Calibration;
use crate::science::learning::skin_systems::SkinComparison;

/// A fit to keep.
#[derive(Debug, Clone)]
pub struct NewCalibration {
    /// Its id.
    pub id: CalibrationId,
    /// What was learned.
    pub calibration: Calibration,
    /// Skins compared.
    pub skins: Vec<SkinComparison>,
    /// Other organisations whose sums moved the prior.
    pub peers: i32,
    /// SHA-256 of what went in.
    pub inputs_sha256: Vec<u8>,
}

/// A calibration as stored.
#[derive(Debug, Clone)]
pub struct StoredCalibration {
    /// What the forecasts need of it.
    pub followed: Followed,
    /// Skins compared.
    pub skins: Vec<SkinComparison>,
    /// Other organisations whose sums moved the prior.
    pub peers: i32,
    /// SHA-256 of what went in.
    pub inputs_sha256: Vec<u8>,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = calibrations)]
struct CalibrationRow {
    id: CalibrationId,
    fitted_at: DateTime<Utc>,
    peers: i32,
    inputs_sha256: Vec<u8>,
    fit: Value,
    skins: Value,
}

impl CalibrationRow {
    fn stored(self) -> Result<StoredCalibration> {
        let calibration: Calibration = serde_json::from_value(self.fit).map_err(Error::internal)?;
        Ok(StoredCalibration {
            followed: Followed { id: self.id, fitted_at: self.fitted_at, calibration },
            skins: serde_json::from_value(self.skins).map_err(Error::internal)?,
            peers: self.peers,
            inputs_sha256: self.inputs_sha256,
        })
    }
}

fn count(count: u32) -> i32 {
    i32::try_from(count).unwrap_or(i32::MAX)
}

/// Keeps a fit.
///
/// # Errors
/// Those of the database.
pub fn insert(tx: &mut Tx<'_>, new: &NewCalibration) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    diesel::insert_into(calibrations::table)
        .values((
            calibrations::org_id.eq(org_id),
            calibrations::id.eq(new.id),
            calibrations::fitted_at.eq(now),
            calibrations::model.eq(&new.calibration.model),
            calibrations::hulls.eq(count(new.calibration.hulls)),
            calibrations::lives.eq(count(new.calibration.lives)),
            calibrations::events.eq(count(new.calibration.events)),
            calibrations::peers.eq(new.peers),
            calibrations::inputs_sha256.eq(&new.inputs_sha256),
            calibrations::fit.eq(serde_json::to_value(&new.calibration).map_err(Error::internal)?),
            calibrations::skins.eq(serde_json::to_value(&new.skins).map_err(Error::internal)?),
        ))
        .execute(tx.conn())?;
    Ok(())
}

/// One calibration.
///
/// # Errors
/// Not found; those of the database.
pub fn read(tx: &mut Tx<'_>, id: CalibrationId) -> Result<StoredCalibration> {
    calibrations::table
        .find((tx.org_id(), id))
        .select(CalibrationRow::as_select())
        .first(tx.conn())
        .optional()?
        .ok_or_else(|| Error::not_found("calibration"))?
        .stored()
}

/// The calibration fitted last.
///
/// # Errors
/// Those of the database.
pub fn latest(tx: &mut Tx<'_>) -> Result<Option<StoredCalibration>> {
    let row: Option<CalibrationRow> = calibrations::table
        .filter(calibrations::org_id.eq(tx.org_id()))
        .order((calibrations::fitted_at.desc(), calibrations::id.desc()))
        .select(CalibrationRow::as_select())
        .first(tx.conn())
        .optional()?;
    row.map(CalibrationRow::stored).transpose()
}

/// Calibrations by when they were fitted.
///
/// # Errors
/// Those of the database.
pub fn list(tx: &mut Tx<'_>, page: PageRequest) -> Result<Slice<StoredCalibration>> {
    let mut query = calibrations::table.filter(calibrations::org_id.eq(tx.org_id())).into_boxed();
    if let Some((time, id)) = page.after_time() {
        let after = calibrations::fitted_at.eq(time).and(calibrations::id.gt(CalibrationId::from(id)));
        query = query.filter(calibrations::fitted_at.gt(time).or(after));
    }
    let rows: Vec<CalibrationRow> = query
        .order((calibrations::fitted_at, calibrations::id))
        .limit(page.fetch())
        .select(CalibrationRow::as_select())
        .load(tx.conn())?;
    let found = rows.into_iter().map(CalibrationRow::stored).collect::<Result<Vec<_>>>()?;
    Ok(page.slice(found, |row| Position::at(row.followed.fitted_at, row.followed.id)))
}

/// How the dates would move, as last computed.
#[derive(Debug, Clone)]
pub struct StoredPreview {
    /// What the dates were compared with; none for the priors.
    pub compared_with_id: Option<CalibrationId>,
    /// When.
    pub computed_at: DateTime<Utc>,
    /// The moves.
    pub preview: Value,
}

/// Keeps how the dates would move from what they follow to a calibration, in the place of what was computed before.
///
/// # Errors
/// Those of the database.
pub fn save_preview(
    tx: &mut Tx<'_>,
    id: CalibrationId,
    compared_with_id: Option<CalibrationId>,
    preview: &Value,
) -> Result<()> {
    use calibration_previews as p;
    let (org_id, now) = (tx.org_id(), tx.now());
    diesel::insert_into(p::table)
        .values((
            p::org_id.eq(org_id),
            p::calibration_id.eq(id),
            p::compared_with_id.eq(compared_with_id),
            p::computed_at.eq(now),
            p::preview.eq(preview),
        ))
        .on_conflict((p::org_id, p::calibration_id))
        .do_update()
        .set((
            p::compared_with_id.eq(excluded(p::compared_with_id)),
            p::computed_at.eq(excluded(p::computed_at)),
            p::preview.eq(excluded(p::preview)),
        ))
        .execute(tx.conn())?;
    Ok(())
}

/// How the dates would move to a calibration, as last computed.
///
/// # Errors
/// Those of the database.
pub fn preview(tx: &mut Tx<'_>, id: CalibrationId) -> Result<Option<StoredPreview>> {
    use calibration_previews as p;
    let row: Option<(Option<CalibrationId>, DateTime<Utc>, Value)> = p::table
        .find((tx.org_id(), id))
        .select((p::compared_with_id, p::computed_at, p::preview))
        .first(tx.conn())
        .optional()?;
    Ok(row.map(|(compared_with_id, computed_at, preview)| StoredPreview {
        compared_with_id,
        computed_at,
        preview,
    }))
}
