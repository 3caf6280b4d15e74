//! The endpoints of policies.

use actix_web::{get, patch};
use chrono::{DateTime, Utc};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use super::model::PolicyLimits;
use super::store::{self, Setting};
use crate::db::Tx;
use crate::error::Result;
use crate::features::audit::{self, Act};
use crate::features::vessels;
use crate::http::preconditions::kept;
use crate::http::problem::{ChangeProblems, ReadProblems};
use crate::http::{App, At, IfMatch, Kept, Outcome, Patch, Permit};
use crate::ids::VesselId;
use crate::jobs::queue::{request_all_forecasts, request_forecast};
use crate::permissions::{Read, SetPolicy};
use crate::science::forecast::policy::Policy;

/// The limits the dates follow, of the organisation or of one vessel.
#[derive(Debug, Serialize, ToSchema)]
pub struct PolicyView {
    /// The vessel; null for the organisation's.
    pub vessel_id: Option<VesselId>,
    /// Its version, also the `ETag`; 0 while nothing was ever set here.
    pub version: i32,
    /// When it last changed; null while nothing was ever set here.
    pub updated_at: Option<DateTime<Utc>>,
    /// What is set here.
    pub limits: PolicyLimits,
    /// What holds where nothing is set here: the defaults, or for a vessel the organisation's limits.
    pub inherited: Policy,
    /// What holds.
    pub effective: Policy,
    #[serde(skip)]
    #[allow(missing_docs, reason = "for the headers only")]
    pub id: Uuid,
}

impl Kept for PolicyView {
    fn id(&self) -> Uuid {
        self.id
    }
    fn version(&self) -> i32 {
        self.version
    }
}

/// What holds where a place sets nothing.
fn inherited(tx: &mut Tx<'_>, vessel_id: Option<VesselId>) -> Result<Policy> {
    match vessel_id {
        None => Ok(Policy::default()),
        Some(id) => {
            vessels::store::read(tx, id)?;
            store::read(tx, None)?.limits.upon(&Policy::default())
        }
    }
}

/// The limits of the organisation, or of a vessel.
///
/// # Errors
/// Not found; those of the database.
pub fn read(tx: &mut Tx<'_>, vessel_id: Option<VesselId>) -> Result<PolicyView> {
    let inherited = inherited(tx, vessel_id)?;
    let Setting { limits, version, updated_at } = store::read(tx, vessel_id)?;
    let effective = limits.upon(&inherited)?;
    let id = vessel_id.map_or_else(|| tx.org_id().into(), Uuid::from);
    Ok(PolicyView { vessel_id, version, updated_at, limits, inherited, effective, id })
}

/// Changes them; the dates that follow them are asked for again.
///
/// # Errors
/// Not found; stale; invalid; those of the database.
pub fn change(
    tx: &mut Tx<'_>,
    vessel_id: Option<VesselId>,
    if_match: IfMatch,
    patch: &Patch<PolicyLimits>,
) -> Result<PolicyView> {
    let before = read(tx, vessel_id)?;
    if_match.check(before.version)?;
    let after = patch.apply(&before.limits)?;
    let effective = after.upon(&before.inherited)?;
    store::write(tx, vessel_id, &after, before.version)?;
    let act = Act {
        action: if vessel_id.is_some() { "change_vessel_policy" } else { "change_policy" },
        entity: if vessel_id.is_some() { "vessel" } else { "organisation" },
        entity_id: before.id,
        before: Some(&before.limits),
        after: Some(&after),
    };
    audit::record(tx, &act)?;
    if let Some(id) = vessel_id {
        request_forecast(tx, id)?;
    } else {
        refuse_contradicted(tx, &effective)?;
        request_all_forecasts(tx)?;
    }
    read(tx, vessel_id)
}

/// The organisation's limits must leave those of single vessels possible.
fn refuse_contradicted(tx: &mut Tx<'_>, organisation: &Policy) -> Result<()> {
    for (vessel_id, limits) in store::read_all(tx)?.1 {
        if let Err(mut error) = limits.upon(organisation) {
            let name = vessels::store::read(tx, vessel_id)?.fields.name;
            for field in &mut error.fields {
                field.detail = format!(
                    "of the vessel {name} ({vessel_id}) would no longer fit: {}. Change the vessel's policy first.",
                    field.detail
                );
            }
            return Err(crate::error::Error::invalid(error.fields));
        }
    }
    Ok(())
}

/// Reads your organisation's limits.
#[utoipa::path(tag = "policies", security(("bearer" = [])),
    responses((status = 200, description = "The limits", body = PolicyView), ReadProblems))]
#[get("/v1/policy")]
pub async fn read_policy(app: App, permit: Permit<Read>) -> Outcome {
    app.read(&permit, |tx| read(tx, None)).await.map(kept)
}

/// Changes your organisation's limits: null takes one back to its default. All dates are computed again.
#[utoipa::path(tag = "policies", security(("bearer" = [])), request_body = Patch<PolicyLimits>,
    params(("If-Match" = String, Header, description = "The ETag the change is made on; \"0\" while nothing was ever set")),
    responses((status = 200, description = "As they stand now", body = PolicyView), ChangeProblems))]
#[patch("/v1/policy")]
pub async fn change_policy(
    app: App,
    permit: Permit<SetPolicy>,
    if_match: IfMatch,
    patch: Patch<PolicyLimits>,
) -> Outcome {
    app.write(&permit, move |tx| change(tx, None, if_match, &patch)).await.map(kept)
}

/// Reads a vessel's limits.
#[utoipa::path(tag = "policies", security(("bearer" = [])), params(("id" = VesselId, Path, description = "The vessel")),
    responses((status = 200, description = "The limits", body = PolicyView), ReadProblems))]
#[get("/v1/vessels/{id}/policy")]
pub async fn read_vessel_policy(app: App, permit: Permit<Read>, id: At<VesselId>) -> Outcome {
    app.read(&permit, move |tx| read(tx, Some(id.0))).await.map(kept)
}

/// Changes a vessel's limits: null takes one back to the organisation's. Its dates are computed again.
#[utoipa::path(tag = "policies", security(("bearer" = [])), request_body = Patch<PolicyLimits>,
    params(("id" = VesselId, Path, description = "The vessel"),
        ("If-Match" = String, Header, description = "The ETag the change is made on; \"0\" while nothing was ever set")),
    responses((status = 200, description = "As they stand now", body = PolicyView), ChangeProblems))]
#[patch("/v1/vessels/{id}/policy")]
pub async fn change_vessel_policy(
    app: App,
    permit: Permit<SetPolicy>,
    id: At<VesselId>,
    if_match: IfMatch,
    patch: Patch<PolicyLimits>,
) -> Outcome {
    app.write(&permit, move |tx| change(tx, Some(id.0), if_match, &patch)).await.map(kept)
}
