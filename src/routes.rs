//! The only file that lists the capabilities.

use std::sync::Arc;

use utoipa_actix_web::service_config::ServiceConfig;

use crate::db::{Actor, Db};
use crate::error::Result;
use crate::features::{
    accounts, attachments, audit, batches, calculators, calibrations, climate, coats, dossier, due, events,
    forecasts, grants, haulouts, hindcasts, imports, jobs, pages, policies, products, reports, sites,
    statistics, surveys, treatments, vessels,
};
use crate::http::guards::Guards;
use crate::http::health;
use crate::ids::{Id, OrgId, RequestId};
use crate::jobs::queue::{AUDIT_HEAD, DELIVERY, DIGEST, DRYING, FORECAST, LEARNING};
use crate::jobs::{Job, Workers};

/// Who works at which kind of job. What a handler needs beyond the database (the post, the keys) is with the guards.
#[must_use]
pub fn workers(_guards: &Arc<Guards>) -> Workers {
    Workers::of(FORECAST, forecasts::job::handle)
        .and(DRYING, treatments::job::tell_drying)
        .and(AUDIT_HEAD, events::job::tell_audit_head)
}

/// Who learns from the fleets' records: apart from the others, since a fit may take a minute.
#[must_use]
pub fn learners() -> Workers {
    Workers::of(LEARNING, statistics::job::handle).one_at_a_time()
}

/// Who sends events to subscriptions, and letters to members.
#[must_use]
pub fn senders(guards: &Arc<Guards>) -> Workers {
    let (guards, post) = (guards.clone(), guards.clone());
    Workers::of(DELIVERY, move |db: &Db, org_id: OrgId, jobs: &[Job]| {
        events::job::deliver(db, org_id, jobs, &guards.sealing, &guards.sender)
    })
    .and(DIGEST, move |db: &Db, org_id: OrgId, jobs: &[Job]| {
        reports::job::send(db, org_id, jobs, post.mail.as_ref())
    })
    .one_at_a_time()
}

/// Lets recur for an organisation what recurs for each: learning, the head of the audit, the letters that are wanted. What
/// is set already stays.
///
/// # Errors
/// Those of the database.
pub fn recur(db: &Db, org_id: OrgId) -> Result<()> {
    db.write(&Actor::service(org_id, RequestId::fresh()), |tx| {
        events::job::recur(tx)?;
        reports::job::recur_all(tx)?;
        statistics::job::recur(tx)
    })
}

/// Registers every capability's endpoints, and with them their documentation.
pub fn configure(config: &mut ServiceConfig<'_>) {
    config.service(health::read_liveness).service(health::read_readiness);
    audit::register(config);
    jobs::register(config);
    accounts::register(config);
    sites::register(config);
    vessels::register(config);
    grants::register(config);
    products::register(config);
    haulouts::register(config, treatments::api::launch::warnings);
    surveys::register(config);
    climate::register(config);
    coats::register(config);
    treatments::register(config);
    policies::register(config);
    calibrations::register(config);
    forecasts::register(config);
    due::register(config);
    statistics::register(config);
    hindcasts::register(config);
    events::register(config);
    attachments::register(config);
    reports::register(config);
    dossier::register(config);
    calculators::register(config);
    imports::register(config);
    batches::register(config);
    pages::register(config);
}
