//! Whether the service lives, and whether it can work.

use actix_web::{HttpResponse, get};
use serde::Serialize;
use utoipa::ToSchema;

use crate::http::state::blocking;
use crate::http::{App, Outcome};

/// A sign of life.
#[derive(Debug, Serialize, ToSchema)]
pub struct Health {
    /// Always `ok`; anything else comes as a problem.
    pub status: &'static str,
}

/// Answers as long as the process lives.
#[utoipa::path(tag = "health", responses((status = 200, description = "It lives", body = Health)))]
#[get("/health/live")]
pub async fn read_liveness() -> HttpResponse {
    HttpResponse::Ok().json(Health { status: "ok" })
}

/// Answers 200 when the database can be reached, 503 when not.
#[utoipa::path(tag = "health", responses((status = 200, description = "It can work", body = Health),
    (status = 503, description = "The database is out of reach", body = crate::http::problem::Problem, content_type = "application/problem+json")))]
#[get("/health/ready")]
pub async fn read_readiness(app: App) -> Outcome {
    blocking(move || app.db.ping()).await?;
    Ok(HttpResponse::Ok().json(Health { status: "ok" }))
}
