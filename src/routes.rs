//! The only file that lists the capabilities.

use utoipa_actix_web::service_config::ServiceConfig;

use crate::features::{
    accounts, audit, batches, calculators, climate, coats, due, forecasts, grants, haulouts, imports,
    policies, products, reports, sites, surveys, treatments, vessels,
};
use crate::http::health;

/// Registers every capability's endpoints, and with them their documentation.
pub fn configure(config: &mut ServiceConfig<'_>) {
    config.service(health::read_liveness).service(health::read_readiness);
    audit::register(config);
    accounts::register(config);
    sites::register(config);
    vessels::register(config);
    grants::register(config);
    products::register(config);
    haulouts::register(config);
    surveys::register(config);
    climate::register(config);
    coats::register(config);
    treatments::register(config);
    policies::register(config);
    forecasts::register(config);
    due::register(config);
    reports::register(config);
    calculators::register(config);
    imports::register(config);
    batches::register(config);
}
