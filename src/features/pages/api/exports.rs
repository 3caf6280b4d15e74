//! Whole lists to take away: what falls due and how the fleet stands, as CSV, as a workbook, or made for printing.

use actix_web::http::header::{CACHE_CONTROL, CONTENT_SECURITY_POLICY, CONTENT_TYPE};
use actix_web::{HttpRequest, HttpResponse};
use serde::Deserialize;

use super::due::Asked;
use super::files::address;
use super::form;
use super::session::PagePermit;
use crate::features::due::api::{printed, workbook};
use crate::features::reports::api::fleet;
use crate::features::reports::store::fleet::FleetFilter;
use crate::http::{App, Outcome};
use crate::ids::SiteId;
use crate::permissions::Read;

/// Pages made for printing load their style and nothing else.
const POLICY: &str =
    "default-src 'none'; style-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

fn paper(html: String) -> HttpResponse {
    HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, "text/html; charset=utf-8"))
        .insert_header((CONTENT_SECURITY_POLICY, POLICY))
        .insert_header((CACHE_CONTROL, "no-store"))
        .body(html)
}

/// What falls due, as a workbook.
///
/// # Errors
/// Too many rows; those of the database; invalid parameters.
pub async fn due_workbook(app: App, request: HttpRequest, permit: PagePermit<Read>) -> Outcome {
    let asked: Asked = form::query(&request)?;
    let chosen = asked.in_words();
    workbook::workbook(&app, &permit.0, move |today| asked.filter(today), chosen).await
}

/// What falls due, made for printing.
///
/// # Errors
/// Too many rows; those of the database; invalid parameters.
pub async fn due_printed(app: App, request: HttpRequest, permit: PagePermit<Read>) -> Outcome {
    let asked: Asked = form::query(&request)?;
    let chosen = asked.in_words();
    let sheet = Some(address("list.css"));
    printed::printable(&app, &permit.0, move |today| asked.filter(today), chosen, sheet).await.map(paper)
}

/// Which of the fleet.
#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
struct AskedFleet {
    site_id: Option<SiteId>,
}

fn fleet_filter(request: &HttpRequest) -> crate::error::Result<FleetFilter> {
    let asked: AskedFleet = form::query(request)?;
    Ok(FleetFilter { site_id: asked.site_id, ashore: None })
}

/// How the fleet stands, as CSV.
///
/// # Errors
/// Those of the database; invalid parameters.
pub async fn fleet_csv(app: App, request: HttpRequest, permit: PagePermit<Read>) -> Outcome {
    let filter = fleet_filter(&request)?;
    fleet::csv(app, permit.0, filter).await
}

/// How the fleet stands, as a workbook.
///
/// # Errors
/// Too many rows; those of the database; invalid parameters.
pub async fn fleet_workbook(app: App, request: HttpRequest, permit: PagePermit<Read>) -> Outcome {
    fleet::workbook(&app, &permit.0, fleet_filter(&request)?).await
}

/// How the fleet stands, made for printing.
///
/// # Errors
/// Too many rows; those of the database; invalid parameters.
pub async fn fleet_printed(app: App, request: HttpRequest, permit: PagePermit<Read>) -> Outcome {
    let (filter, sheet) = (fleet_filter(&request)?, Some(address("list.css")));
    fleet::printable(&app, &permit.0, filter, sheet).await.map(paper)
}
