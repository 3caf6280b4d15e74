//! The only file that lists the capabilities.

use utoipa_actix_web::service_config::ServiceConfig;

use crate::features::{
    accounts, audit, calculators, coats, due, forecasts, haulouts, policies, sites, surveys, treatments,
    vessels,
};

/// Registers every capability's endpoints, and with them their documentation.
pub fn configure(config: &mut ServiceConfig<'_>) {
    audit::register(config);
    accounts::register(config);
    sites::register(config);
    vessels::register(config);
    haulouts::register(config);
    surveys::register(config);
    coats::register(config);
    treatments::register(config);
    policies::register(config);
    forecasts::register(config);
    due::register(config);
    calculators::register(config);
}
