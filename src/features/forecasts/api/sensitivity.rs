//! What widens a vessel's dates, and what would narrow them. Computes only; keeps nothing.

use std::sync::LazyLock;

use actix_web::{HttpResponse, get};
use serde::Serialize;
use utoipa::ToSchema;

use super::PLACES;
use crate::error::{Error, Result};
use crate::features::forecasts::store;
use crate::http::problem::ReadProblems;
use crate::http::{App, At, Outcome, Permit};
use crate::ids::VesselId;
use crate::permissions::Read;
use crate::science::forecast::dates::Basis;
use crate::science::forecast::ensemble::Ensemble;
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
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub hull: HullSensitivity,
}

/// Tells for each date of a vessel which uncertain quantity widens it most, by its share of the variance, and which
/// measurement would narrow it most. By the priors, with 1,024 members: its dates may differ from those kept by some days.
#[utoipa::path(tag = "forecasts", security(("bearer" = [])),
    params(("id" = VesselId, Path, description = "The vessel")),
    responses((status = 200, description = "Quantities and measurements of each date", body = SensitivityView),
        (status = 422, description = "The vessel's facts allow no forecast; the error says which to correct", body = crate::http::problem::Problem, content_type = "application/problem+json"),
        ReadProblems))]
#[get("/v1/vessels/{id}/sensitivity")]
pub async fn read_sensitivity(app: App, permit: Permit<Read>, id: At<VesselId>) -> Outcome {
    let subject = app
        .read(&permit, move |tx| {
            store::subjects(tx, &[id.0], None)?.pop().ok_or_else(|| Error::not_found("vessel"))
        })
        .await?;
    let view: Result<SensitivityView> = PLACES
        .run(move || {
            let hull = hull_sensitivity(&subject.facts, &ENSEMBLE)?;
            Ok(SensitivityView { vessel_id: id.0, basis: Basis::Prior, hull })
        })
        .await;
    Ok(HttpResponse::Ok().json(view?))
}
