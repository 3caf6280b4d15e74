//! The endpoint of hindcasts. Computes only; keeps nothing.

use std::time::{Duration, Instant};

use actix_web::{HttpRequest, HttpResponse, get};
use chrono::Datelike;
use serde::Deserialize;
use utoipa::IntoParams;

use super::model::{Asked, HindcastView, JudgedCase, LEAD_MONTHS};
use super::store;
use crate::codes;
use crate::error::Result;
use crate::features::due::api::list::organisation_today;
use crate::http::accept::FigureForm;
use crate::http::csv::{harmless, lines, whole};
use crate::http::problem::{ListProblems, Problem};
use crate::http::{App, Outcome, Params, Permit};
use crate::permissions::Read;

/// The longest one may take, less than a request may.
const LONGEST: Duration = Duration::from_secs(45);

/// The years looked back on, unless told otherwise.
pub const YEARS: i32 = 10;

/// Which surveys, and from how long before.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct HindcastQuery {
    /// Surveys from the first of January of this year on; of the last ten years if left out.
    #[param(nullable = false)]
    pub from_year: Option<i32>,
    /// Months from a forecast to its survey; 12 if left out. It is made on the day of the last look where that is later.
    #[param(nullable = false, minimum = 1, maximum = 120)]
    pub lead_months: Option<u32>,
    /// `csv` for every survey as CSV; without it, `Accept` decides.
    #[param(nullable = false, inline)]
    pub format: Option<FigureForm>,
}

/// Holds past surveys against the forecasts of then; who finds another at work waits so long for it.
///
/// # Errors
/// Invalid; unavailable, where no place came free or it took too long; those of the database.
pub async fn hindcast(
    app: &App,
    permit: &Permit<Read>,
    asked: Asked,
    longest: Duration,
) -> Result<(HindcastView, Vec<JudgedCase>)> {
    let asked = asked.checked(app.read(permit, organisation_today).await?)?;
    let (db, actor) = (app.db.clone(), permit.actor().clone());
    app.guards
        .gates
        .hindcasts
        .run_within(longest, move || store::hindcast(&db, &actor, asked, Some(Instant::now() + LONGEST)))
        .await
}

/// Holds past surveys against the forecasts that were possible before them, from what was known then: scores against a
/// calendar rule and the fleet mean, how often the onset lay within its range, chances and how often they came true.
///
/// As CSV: a line a survey, with what was said of it. Computed for this answer; one at a time.
#[utoipa::path(tag = "hindcasts", params(HindcastQuery), security(("bearer" = [])),
    responses(
        (status = 200, description = "The scores, or every survey as CSV",
            content((HindcastView = "application/json"), (String = "text/csv"))),
        (status = 406, description = "Neither JSON nor CSV was asked for", body = Problem, content_type = "application/problem+json"),
        ListProblems))]
#[get("/v1/hindcast")]
pub async fn read_hindcast(
    app: App,
    permit: Permit<Read>,
    request: HttpRequest,
    query: Params<HindcastQuery>,
) -> Outcome {
    let query = query.0;
    let form = FigureForm::asked(query.format, &request)?;
    let today = app.read(&permit, organisation_today).await?;
    let lead_months = query.lead_months.unwrap_or(LEAD_MONTHS);
    let from_year = query.from_year.unwrap_or(today.year() - YEARS);
    let asked = Asked { from_year, lead_months };
    let (view, cases) = hindcast(&app, &permit, asked, Duration::ZERO).await?;
    Ok(match form {
        FigureForm::Json => HttpResponse::Ok().json(view),
        FigureForm::Csv => whole("hindcast.csv", csv(&cases)?),
    })
}

const HEADER: [&str; 12] = [
    "vessel_id",
    "vessel_name",
    "as_of",
    "surveyed_on",
    "life",
    "life_years",
    "basis",
    "found_probability",
    "calendar_rule_probability",
    "fleet_mean_probability",
    "found",
    "transform",
];

/// The surveys as CSV; `transform` is a range, its two ends joined by "..".
///
/// # Errors
/// Internal, a defect.
pub fn csv(cases: &[JudgedCase]) -> Result<Vec<u8>> {
    let mut rows = vec![HEADER.map(str::to_owned).to_vec()];
    for judged in cases {
        let case = &judged.case;
        rows.push(vec![
            case.vessel_id.to_string(),
            harmless(&case.vessel_name).into_owned(),
            case.as_of.to_string(),
            case.surveyed_on.to_string(),
            (case.life + 1).to_string(),
            format!("{:.2}", case.life_years),
            codes::to_text(&case.basis)?,
            format!("{:.6}", case.found_probability),
            format!("{:.6}", judged.calendar_rule_probability),
            format!("{:.6}", judged.fleet_mean_probability),
            case.found.to_string(),
            format!("{:.6}..{:.6}", case.transform.0, case.transform.1),
        ]);
    }
    lines(rows)
}
