//! When a forecast of the caller's lets a coat be put on. Computes only; keeps nothing.

use actix_web::{HttpResponse, post};
use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::error::{Error, Result};
use crate::features::climate::model::file;
use crate::features::climate::model::window::{
    ClimateMoment, CoatingWindow, MAX_GAP_H, WindowRefusal, coating_windows,
};
use crate::features::haulouts::store as haulouts;
use crate::features::products::store as products;
use crate::http::problem::CreateProblems;
use crate::http::{App, At, Outcome, Permit, Plain};
use crate::ids::{HaulOutId, ProductId};
use crate::permissions::RecordReadings;
use crate::science::cautions::{Work, cautions};
use crate::science::moist_air::CoatingLimits;

/// What is to be put on, and the weather expected.
#[derive(Debug, Clone, Deserialize, Validate, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CoatingWindowsQuestion {
    /// The product, whose sheet gives the limits.
    #[garde(skip)]
    pub product_id: Option<ProductId>,
    /// The limits, instead of a product.
    #[garde(skip)]
    pub limits: Option<CoatingLimits>,
    /// The forecast in order of time, an hour or so apart.
    #[garde(length(max = 1000))]
    #[schema(max_items = 1000)]
    pub forecast: Option<Vec<ClimateMoment>>,
    /// The forecast as a file like a logger's, instead.
    #[garde(length(max = 200_000))]
    #[schema(max_length = 200_000)]
    pub forecast_csv: Option<String>,
    /// How long the application takes.
    #[garde(range(min = 0.0, max = 1000.0))]
    #[schema(minimum = 0, maximum = 1000)]
    pub application_h: f64,
    /// How long after it the coat still asks for the same climate.
    #[garde(range(min = 0.0, max = 1000.0))]
    #[schema(minimum = 0, maximum = 1000)]
    pub cure_h: f64,
    /// The longest time between two values for which the climate between them counts as known; 3 when left out.
    #[garde(range(min = 0.1, max = 48.0))]
    #[schema(minimum = 0.1, maximum = 48)]
    pub max_gap_h: Option<f64>,
}

/// When the coat may be put on.
#[derive(Debug, Serialize, ToSchema)]
pub struct CoatingWindowsAnswer {
    /// The limits that were asked for.
    pub limits: CoatingLimits,
    /// The windows in order of time; none when the forecast has none.
    pub windows: Vec<CoatingWindow>,
    /// What closes the time between them.
    pub refusals: Vec<WindowRefusal>,
    /// What to mind.
    pub cautions: Vec<&'static str>,
}

/// Calculates when a forecast lets a coat be put on and cure. Keeps nothing.
#[utoipa::path(tag = "climate", security(("bearer" = [])), request_body = CoatingWindowsQuestion,
    params(("id" = HaulOutId, Path, description = "The haul-out")),
    responses((status = 200, description = "The windows", body = CoatingWindowsAnswer), CreateProblems))]
#[post("/v1/haul-outs/{id}/coating-windows")]
pub async fn calculate_coating_windows(
    app: App,
    permit: Permit<RecordReadings>,
    id: At<HaulOutId>,
    question: Plain<CoatingWindowsQuestion>,
) -> Outcome {
    let question = question.0;
    let (product_id, given) = (question.product_id, question.limits);
    let limits = app.read(&permit, move |tx| {
        haulouts::read(tx, id.0)?;
        match (product_id, given) {
            (Some(id), None) => Ok(products::named(tx, id)?.fields.limits()),
            (None, Some(limits)) => Ok(limits),
            (Some(_), Some(_)) => {
                Err(Error::field("/limits", "doubled", "comes beside a product. Give one of them."))
            }
            (None, None) => Err(Error::field(
                "/product_id",
                "missing",
                "is missing. Name the product, or give limits ({} for the usual ones).",
            )),
        }
    });
    let limits = limits.await?;
    let forecast = expected(question.forecast, question.forecast_csv.as_deref())?;
    let (windows, refusals) = coating_windows(
        &limits,
        &forecast,
        question.application_h + question.cure_h,
        question.max_gap_h.unwrap_or(MAX_GAP_H),
    )?;
    let cautions = cautions([Work::EpoxyCoating, Work::ConfinedSpace, Work::TentHeating]);
    Ok(HttpResponse::Ok().json(CoatingWindowsAnswer { limits, windows, refusals, cautions }))
}

fn expected(given: Option<Vec<ClimateMoment>>, csv: Option<&str>) -> Result<Vec<ClimateMoment>> {
    let forecast = match (given, csv) {
        (Some(forecast), None) => forecast,
        (None, Some(text)) => file::read(text, None)?
            .into_iter()
            .map(|line| {
                let surface_temperature_c = line.surface_temperature_c.ok_or_else(|| {
                    Error::field(
                        format!("line {}, column surface_temperature_c", line.number),
                        "missing",
                        "is required of a forecast: the hull is not as warm as the air. Enter what you expect of it.",
                    )
                })?;
                Ok(ClimateMoment {
                    at: line.at,
                    air_temperature_c: line.air_temperature_c,
                    relative_humidity_pct: line.relative_humidity_pct,
                    surface_temperature_c,
                })
            })
            .collect::<Result<Vec<_>>>()?,
        (Some(_), Some(_)) => {
            return Err(Error::field("/forecast_csv", "doubled", "comes beside a forecast. Give one of them."));
        }
        (None, None) => {
            return Err(Error::field(
                "/forecast",
                "missing",
                "is missing. Give the hours to come, or a file as forecast_csv.",
            ));
        }
    };
    if forecast.is_empty() {
        return Err(Error::field("/forecast", "empty", "is empty. Give the hours to come."));
    }
    let disorder = forecast.iter().zip(forecast.iter().skip(1)).position(|(a, b)| b.at <= a.at);
    match disorder {
        Some(n) => Err(Error::field(
            format!("/forecast/{}/at", n + 1),
            "order",
            "is not after the one before. Put the forecast in order of time.",
        )),
        None => Ok(forecast),
    }
}
