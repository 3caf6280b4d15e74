//! The only file that lists the capabilities.

use std::sync::Arc;

use utoipa_actix_web::service_config::ServiceConfig;

use crate::features::{
    accounts, audit, batches, calculators, climate, coats, due, forecasts, haulouts, imports, policies,
    products, sites, surveys, treatments, vessels,
};
use crate::http::guards::Guards;
use crate::http::health;
use crate::jobs::Workers;
use crate::jobs::queue::FORECAST;

/// Who works at which kind of job. What a handler needs beyond the database (the post, the keys) is with the guards.
#[must_use]
pub fn workers(_guards: &Arc<Guards>) -> Workers {
    Workers::of(FORECAST, forecasts::job::handle)
}

/// Registers every capability's endpoints, and with them their documentation.
pub fn configure(config: &mut ServiceConfig<'_>) {
    config.service(health::read_liveness).service(health::read_readiness);
    audit::register(config);
    accounts::register(config);
    sites::register(config);
    vessels::register(config);
    products::register(config);
    haulouts::register(config);
    surveys::register(config);
    climate::register(config);
    coats::register(config);
    treatments::register(config);
    policies::register(config);
    forecasts::register(config);
    due::register(config);
    calculators::register(config);
    imports::register(config);
    batches::register(config);
}
