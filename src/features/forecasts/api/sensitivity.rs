//! What widens a vessel's dates, and what would narrow them. Computes only; keeps nothing.

use std::sync::LazyLock;

use actix_web::{HttpResponse, get};
use serde::Serialize;
use utoipa::ToSchema;

use crate::error::{Error, Result};
use crate::features::calibrations;
use crate::features::calibrations::model::{Followed, calibration_of, ensemble};
use crate::features::forecasts::model::compute;
use crate::features::forecasts::store;
use crate::http::problem::ReadProblems;
use crate::http::{App, At, Outcome, Permit};
use crate::ids::{CalibrationId, VesselId};
use crate::permissions::Read;
use crate::science::forecast::dates::Basis;
use crate::science::forecast::ensemble::Ensemble;
use crate::science::forecast::facts::HullFacts;
use crate::science::forecast::priors::Priors;
use crate::science::forecast::sensitivity::{HullSensitivity, hull_sensitivity};

/// Shares take more members than dates do.
static ENSEMBLE: LazyLock<Ensemble> = LazyLock::new(|| Ensemble::draw(1024, 1, Priors::default()));

/// What widens a vessel's dates, and what would narrow them.
#[derive(Debug, Serialize, ToSchema)]
pub struct SensitivityView {
    /// The vessel.
    pub vessel_id: VesselId,
    /// Whether priors or values learned from the fleet were used.
    pub basis: Basis,
    /// The calibration they were learned by; null for the priors.
    pub calibration_id: Option<CalibrationId>,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub hull: HullSensitivity,
}

fn view(vessel_id: VesselId, facts: &HullFacts, followed: Option<&Followed>) -> Result<SensitivityView> {
    let followed = followed.filter(|followed| followed.applied().is_some());
    let learned = followed.and_then(|followed| followed.lives_applied(&ENSEMBLE));
    let mut hull = hull_sensitivity(facts, learned.as_ref().unwrap_or(&ENSEMBLE))?;
    let kept = compute(facts, &ensemble(followed)).dates;
    for date in &mut hull.dates {
        if let Some(kept) = kept.iter().find(|kept| kept.kind == date.kind) {
            date.due_on = kept.due_on;
        }
    }
    Ok(SensitivityView {
        vessel_id,
        basis: if learned.is_some() { Basis::Learned } else { Basis::Prior },
        calibration_id: learned.as_ref().and_then(calibration_of),
        hull,
    })
}

/// Tells for each date of a vessel which uncertain quantity widens it most, by its share of the variance, and which
/// measurement would narrow it most. The dates and the lives of the laminate classes are those that the forecasts follow;
/// the shares are told from 1,024 members, without what a calibration learned of the water.
#[utoipa::path(tag = "forecasts", security(("bearer" = [])),
    params(("id" = VesselId, Path, description = "The vessel")),
    responses((status = 200, description = "Quantities and measurements of each date", body = SensitivityView),
        (status = 422, description = "The vessel's facts allow no forecast; the error says which to correct", body = crate::http::problem::Problem, content_type = "application/problem+json"),
        ReadProblems))]
#[get("/v1/vessels/{id}/sensitivity")]
pub async fn read_sensitivity(app: App, permit: Permit<Read>, id: At<VesselId>) -> Outcome {
    let (subject, followed) = app
        .read(&permit, move |tx| {
            let subject = store::subjects(tx, &[id.0], None)?.pop();
            Ok((subject.ok_or_else(|| Error::not_found("vessel"))?, calibrations::store::in_use(tx)?))
        })
        .await?;
    let view: Result<SensitivityView> =
        app.guards.gates.forecasts.run(move || view(id.0, &subject.facts, followed.as_ref())).await;
    Ok(HttpResponse::Ok().json(view?))
}
