//! The queue of work, for who administers: what waits, what could not be done, and trying it again.

pub mod api;

use utoipa_actix_web::service_config::ServiceConfig;

/// Registers the endpoints.
pub fn register(config: &mut ServiceConfig<'_>) {
    config.service(api::list_jobs).service(api::retry_job);
}
