//! What the dates would be under other conditions. Computes only; keeps nothing.

use actix_web::{HttpResponse, post};

use crate::error::{Error, Result};
use crate::features::calibrations;
use crate::features::calibrations::model::{Followed, ensemble};
use crate::features::forecasts::model::what_if::{WhatIf, WhatIfAnswer};
use crate::features::forecasts::store::{self, Subject};
use crate::features::sites;
use crate::http::problem::CreateProblems;
use crate::http::{App, At, Outcome, Permit, Plain};
use crate::ids::VesselId;
use crate::permissions::Read;
use crate::science::climate::MonthNormals;
use crate::science::forecast::facts::HullFacts;

/// Tells what a vessel's dates would be, were its bilge, season ashore, skin or site other from today on, beside
/// what they are now. Keeps nothing.
#[utoipa::path(tag = "forecasts", security(("bearer" = [])), request_body = WhatIf,
    params(("id" = VesselId, Path, description = "The vessel")),
    responses((status = 200, description = "The dates now, then, and the difference", body = WhatIfAnswer), CreateProblems))]
#[post("/v1/vessels/{id}/what-if")]
pub async fn calculate_what_if(
    app: App,
    permit: Permit<Read>,
    id: At<VesselId>,
    question: Plain<WhatIf>,
) -> Outcome {
    Ok(HttpResponse::Ok().json(considered(&app, &permit, id.0, question.0).await?.answer))
}

/// A question about a vessel, answered.
pub struct Considered {
    /// The dates now, then, and the difference.
    pub answer: WhatIfAnswer,
    /// The facts as they would be.
    pub changed: HullFacts,
    /// The calibration both were made by.
    pub followed: Option<Followed>,
}

/// The answer to a question about a vessel.
///
/// # Errors
/// Invalid questions; not found; those of the database; busy.
pub async fn considered(
    app: &App,
    permit: &Permit<Read>,
    id: VesselId,
    question: WhatIf,
) -> Result<Considered> {
    question.checked()?;
    let climate = question.climate_months()?;
    let site_id = question.site_id;
    let (subject, months, followed) = app
        .read(permit, move |tx| -> Result<(Subject, Option<[MonthNormals; 12]>, Option<Followed>)> {
            let followed = calibrations::store::in_use(tx)?;
            let subject =
                store::subjects(tx, &[id], None)?.pop().ok_or_else(|| Error::not_found("vessel"))?;
            let Some(site_id) = site_id else { return Ok((subject, climate, followed)) };
            let site = sites::store::read_many(tx, &[site_id])?.pop().ok_or_else(|| {
                Error::field(
                    "/site_id",
                    "unknown",
                    "is not a site of your organisation. Create the site or correct the id.",
                )
            })?;
            Ok((subject, site.fields.normals(), followed))
        })
        .await?;
    app.guards
        .gates
        .forecasts
        .run(move || {
            let ensemble = ensemble(followed.as_ref());
            let answer = question.answer(id, &subject.facts, months.as_ref(), &ensemble);
            let changed = question.changed(&subject.facts, months.as_ref());
            Ok(Considered { answer, changed, followed })
        })
        .await
}
