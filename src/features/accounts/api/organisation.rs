//! The caller's own organisation.

use actix_web::{get, patch};
use chrono::{DateTime, Utc};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::db::Tx;
use crate::error::Result;
use crate::features::accounts::model::OrganisationFields;
use crate::features::accounts::store;
use crate::features::audit::{self, Act};
use crate::http::preconditions::kept;
use crate::http::problem::{ChangeProblems, ReadProblems};
use crate::http::{App, IfMatch, Kept, Outcome, Patch, Permit};
use crate::ids::OrgId;
use crate::jobs::queue::request_all_forecasts;
use crate::jobs::schedule;
use crate::permissions::{Administer, Read};

/// An organisation.
#[derive(Debug, Serialize, ToSchema)]
pub struct OrganisationView {
    /// Its id.
    pub org_id: OrgId,
    /// Its version, also the `ETag`.
    pub version: i32,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub fields: OrganisationFields,
}

impl Kept for OrganisationView {
    fn id(&self) -> Uuid {
        self.org_id.into()
    }
    fn version(&self) -> i32 {
        self.version
    }
}

fn view(tx: &mut Tx<'_>) -> Result<OrganisationView> {
    let found = store::organisation(tx)?;
    Ok(OrganisationView {
        org_id: found.org_id,
        version: found.version,
        updated_at: found.updated_at,
        fields: found.fields,
    })
}

/// Reads your organisation.
#[utoipa::path(tag = "accounts", security(("bearer" = [])),
    responses((status = 200, description = "Your organisation", body = OrganisationView), ReadProblems))]
#[get("/v1/organisation")]
pub async fn read_organisation(app: App, permit: Permit<Read>) -> Outcome {
    app.read(&permit, view).await.map(kept)
}

/// Changes your organisation.
#[utoipa::path(tag = "accounts", security(("bearer" = [])), request_body = Patch<OrganisationFields>,
    params(("If-Match" = String, Header, description = "The ETag the change is made on")),
    responses((status = 200, description = "As it stands now", body = OrganisationView), ChangeProblems))]
#[patch("/v1/organisation")]
pub async fn change_organisation(
    app: App,
    permit: Permit<Administer>,
    if_match: IfMatch,
    patch: Patch<OrganisationFields>,
) -> Outcome {
    let changed = app.write(&permit, move |tx| {
        let before = store::organisation(tx)?;
        if_match.check(before.version)?;
        let after = patch.apply(&before.fields)?;
        store::update_organisation(tx, &after, before.version)?;
        let act = Act {
            action: "change_organisation",
            entity: "organisation",
            entity_id: before.org_id.into(),
            before: Some(&before.fields),
            after: Some(&after),
        };
        audit::record(tx, &act)?;
        if after.time_zone != before.fields.time_zone
            && let Ok(zone) = after.time_zone.parse()
        {
            schedule::move_to_zone(tx, None, zone)?;
            // Hulls at no site go by the organisation's today.
            request_all_forecasts(tx)?;
        }
        view(tx)
    });
    changed.await.map(kept)
}
