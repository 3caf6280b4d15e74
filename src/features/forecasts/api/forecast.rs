//! A vessel's forecast: the one kept, or one as of an earlier day.

use actix_web::{HttpResponse, get};
use chrono::{DateTime, Datelike, NaiveDate, NaiveTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use crate::db::Tx;
use crate::error::{Error, Result};
use crate::features::calibrations;
use crate::features::calibrations::model::{Followed, ensemble};
use crate::features::forecasts::model::{Computed, DateFields, Outlook, compute};
use crate::features::forecasts::store::{self, Subject};
use crate::features::vessels;
use crate::features::vessels::model::FIRST_YEAR;
use crate::http::problem::ReadProblems;
use crate::http::{App, At, Outcome, Params, Permit};
use crate::ids::VesselId;
use crate::jobs::queue::forecast_is_stale;
use crate::jobs::schedule::first_instant;
use crate::permissions::Read;

/// When a vessel is next due for what, and why.
#[derive(Debug, Serialize, ToSchema)]
pub struct ForecastView {
    /// The vessel.
    pub vessel_id: VesselId,
    /// The day it was made for; null while none was made yet.
    pub as_of: Option<NaiveDate>,
    /// When it was computed; null while none was made yet.
    pub computed_at: Option<DateTime<Utc>>,
    /// Name and version of the model.
    pub model: Option<String>,
    /// SHA-256 (hex) of what went in: the same inputs give the same dates.
    pub inputs_hash: Option<String>,
    /// Whether something it rests on has changed since: it is being computed again.
    pub stale: bool,
    /// The dates, the next first.
    pub dates: Vec<DateFields>,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub outlook: Outlook,
}

impl ForecastView {
    fn of(vessel_id: VesselId, computed: Computed, computed_at: Option<DateTime<Utc>>, stale: bool) -> Self {
        Self {
            vessel_id,
            as_of: Some(computed.as_of),
            computed_at,
            model: Some(computed.model),
            inputs_hash: Some(computed.inputs_hash),
            stale,
            dates: computed.dates,
            outlook: computed.outlook,
        }
    }
}

/// For which day.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ForecastQuery {
    /// An earlier day: the forecast as it would have been made then, from what had happened and, as far as versions are
    /// kept, was recorded by then, and by the calibration in use then. It is computed for this answer and not kept.
    #[param(nullable = false)]
    pub as_of: Option<NaiveDate>,
}

/// Reads a vessel's forecast, or computes it as of an earlier day.
#[utoipa::path(tag = "forecasts", security(("bearer" = [])),
    params(("id" = VesselId, Path, description = "The vessel"), ForecastQuery),
    responses((status = 200, description = "The forecast; without dates while none was made yet", body = ForecastView),
        (status = 422, description = "The day is not one to forecast for", body = crate::http::problem::Problem, content_type = "application/problem+json"),
        ReadProblems))]
#[get("/v1/vessels/{id}/forecast")]
pub async fn read_forecast(
    app: App,
    permit: Permit<Read>,
    id: At<VesselId>,
    query: Params<ForecastQuery>,
) -> Outcome {
    let view = match query.0.as_of {
        None => app.read(&permit, move |tx| kept(tx, id.0)).await?,
        Some(as_of) => {
            let (subject, followed) = app.read(&permit, move |tx| subject_then(tx, id.0, as_of)).await?;
            app.guards
                .gates
                .forecasts
                .run(move || {
                    let computed = compute(&subject.facts, &ensemble(followed.as_ref()));
                    Ok(ForecastView::of(id.0, computed, None, false))
                })
                .await?
        }
    };
    Ok(HttpResponse::Ok().json(view))
}

/// The forecast that is kept of a vessel; without dates while none was made yet.
///
/// # Errors
/// Not found; those of the database.
pub fn kept(tx: &mut Tx<'_>, vessel_id: VesselId) -> Result<ForecastView> {
    vessels::store::read(tx, vessel_id)?;
    let stale = forecast_is_stale(tx, vessel_id)?;
    Ok(match store::read(tx, vessel_id)? {
        Some(stored) => ForecastView::of(vessel_id, stored.computed, Some(stored.computed_at), stale),
        None => ForecastView {
            vessel_id,
            as_of: None,
            computed_at: None,
            model: None,
            inputs_hash: None,
            stale,
            dates: Vec::new(),
            outlook: Outlook::default(),
        },
    })
}

fn subject_then(
    tx: &mut Tx<'_>,
    vessel_id: VesselId,
    as_of: NaiveDate,
) -> Result<(Subject, Option<Followed>)> {
    let past = store::past(tx, &[vessel_id])?.pop().ok_or_else(|| Error::not_found("vessel"))?;
    if as_of > past.subject.facts.as_of {
        return Err(Error::field(
            "as_of",
            "in_future",
            "lies in the future. Ask for today or an earlier day.",
        ));
    }
    if as_of.year() < FIRST_YEAR {
        return Err(Error::field(
            "as_of",
            "out_of_range",
            format!("is before {FIRST_YEAR}, when there were no such hulls. Ask for a later day."),
        ));
    }
    let end = first_instant(past.subject.zone, as_of.succ_opt().unwrap_or(as_of), NaiveTime::MIN);
    let followed = calibrations::store::in_use_at(tx, end)?;
    Ok((past.then(as_of)?, followed))
}
