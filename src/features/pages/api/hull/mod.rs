//! The pages of the hulls: their list, each hull's life, water, risk and dates, and what would move them.

pub mod life;
pub mod list;
mod maps;
mod page;
mod particulars;
pub mod what_if;

pub use particulars::month;

use actix_web::http::header::{CACHE_CONTROL, CONTENT_SECURITY_POLICY, CONTENT_TYPE};
use actix_web::{HttpRequest, HttpResponse};

use super::files::address;
use super::form;
use super::session::PagePermit;
use crate::features::dossier::api::page::printable;
use crate::http::{App, At, Outcome};
use crate::ids::VesselId;
use crate::permissions::Read;
use crate::science::forecast::dates::DueKind;

/// The dossier holds its small pictures itself.
const DOSSIER_POLICY: &str = "default-src 'none'; style-src 'self'; img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// A kind in words.
#[must_use]
pub fn kind_words(kind: DueKind) -> &'static str {
    match kind {
        DueKind::Inspection => "Inspection",
        DueKind::Barrier => "Barrier",
        DueKind::Antifouling => "Antifouling",
        DueKind::Repair => "Repair",
        DueKind::Treatment => "Treatment",
    }
}

/// A hull.
///
/// # Errors
/// Not found; those of the database; invalid parameters.
pub async fn show(app: App, request: HttpRequest, permit: PagePermit<Read>, id: At<VesselId>) -> Outcome {
    let asked: page::Asked = form::query(&request)?;
    page::shown(&app, &request, &permit, id.0, asked, None, actix_web::http::StatusCode::OK).await
}

/// The dossier of a hull, for printing.
///
/// # Errors
/// Not found; those of the database.
pub async fn dossier(app: App, permit: PagePermit<Read>, id: At<VesselId>) -> Outcome {
    let page = printable(&app, &permit.0, id.0, Some(address("dossier.css"))).await?;
    Ok(HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, "text/html; charset=utf-8"))
        .insert_header((CONTENT_SECURITY_POLICY, DOSSIER_POLICY))
        .insert_header((CACHE_CONTROL, "no-store"))
        .body(page))
}
