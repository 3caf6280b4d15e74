//! What a calibration would do to the dates, before it is put to use.

use std::collections::HashMap;

use actix_web::{HttpResponse, get, post};
use chrono::{DateTime, Utc};
use serde::Serialize;
use utoipa::ToSchema;

use crate::db::Tx;
use crate::error::{Error, Result};
use crate::features::calibrations;
use crate::features::calibrations::api::versions::Requested;
use crate::features::statistics::model::moves::Moves;
use crate::features::vessels;
use crate::http::problem::{CreateProblems, ReadProblems};
use crate::http::{App, At, Outcome, Permit};
use crate::ids::{CalibrationId, VesselId};
use crate::jobs::queue::{LEARNING, request};
use crate::permissions::{Read, SetPolicy};

/// How the dates would move to a calibration.
#[derive(Debug, Serialize, ToSchema)]
pub struct PreviewView {
    /// The calibration.
    pub calibration_id: CalibrationId,
    /// What the dates followed when this was computed; null for the priors.
    pub compared_with_id: Option<CalibrationId>,
    /// When it was computed.
    pub computed_at: DateTime<Utc>,
    /// Whether the dates still follow what it compares with. If not, ask for it anew by POST.
    pub current: bool,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub moves: Moves,
}

/// How the dates would move to a calibration, as last computed.
///
/// # Errors
/// Not found; those of the database.
pub fn read(tx: &mut Tx<'_>, id: CalibrationId) -> Result<PreviewView> {
    calibrations::store::read(tx, id)?;
    let stored = calibrations::store::preview(tx, id)?.ok_or_else(|| Error::not_found("preview"))?;
    let mut moves: Moves = serde_json::from_value(stored.preview).map_err(Error::internal)?;
    let ids: Vec<VesselId> = moves.furthest.iter().map(|hull| hull.vessel_id).collect();
    let mut names: HashMap<VesselId, String> = vessels::store::read_many(tx, &ids)?
        .into_iter()
        .map(|vessel| (vessel.id, vessel.fields.name))
        .collect();
    for hull in &mut moves.furthest {
        hull.vessel_name = names.remove(&hull.vessel_id);
    }
    let in_use = calibrations::store::in_use(tx)?.map(|followed| followed.id);
    Ok(PreviewView {
        calibration_id: id,
        compared_with_id: stored.compared_with_id,
        computed_at: stored.computed_at,
        current: in_use == stored.compared_with_id,
        moves,
    })
}

/// Tells how many dates would move to a calibration, by how much, and which hulls move most: as computed with the fit,
/// or since then on request.
#[utoipa::path(tag = "calibrations", security(("bearer" = [])),
    params(("id" = CalibrationId, Path, description = "The calibration")),
    responses((status = 200, description = "How the dates would move", body = PreviewView), ReadProblems))]
#[get("/v1/calibrations/{id}/preview")]
pub async fn read_calibration_preview(app: App, permit: Permit<Read>, id: At<CalibrationId>) -> Outcome {
    let found = app.read(&permit, move |tx| read(tx, id.0)).await?;
    Ok(HttpResponse::Ok().json(found))
}

/// Asks for the preview of a calibration anew, against what the dates follow now and the records as they are.
#[utoipa::path(tag = "calibrations", security(("bearer" = [])),
    params(("id" = CalibrationId, Path, description = "The calibration")),
    responses((status = 202, description = "It will be computed", body = Requested), CreateProblems))]
#[post("/v1/calibrations/{id}/preview")]
pub async fn request_calibration_preview(
    app: App,
    permit: Permit<SetPolicy>,
    id: At<CalibrationId>,
) -> Outcome {
    let requested = app.write(&permit, move |tx| ask(tx, id.0));
    Ok(HttpResponse::Accepted().json(requested.await?))
}

/// Asks for a preview anew.
///
/// # Errors
/// Not found; those of the database.
pub fn ask(tx: &mut Tx<'_>, id: CalibrationId) -> Result<Requested> {
    calibrations::store::read(tx, id)?;
    request(tx, LEARNING, id.into())?;
    Ok(Requested { requested_at: tx.now() })
}
