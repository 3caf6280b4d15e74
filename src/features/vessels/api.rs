//! The endpoints of vessels.

use actix_web::{HttpResponse, get, patch, post};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use super::model::hull_id::HullIdNumber;
use super::model::{LaminateClass, VesselFields};
use super::store::{self, Retirement, Vessel, VesselFilter};
use crate::db::Tx;
use crate::error::{Error, Result};
use crate::features::audit::{self, Act};
use crate::features::sites;
use crate::http::creation::Creation;
use crate::http::paging::ListQuery;
use crate::http::preconditions::kept;
use crate::http::problem::{ChangeProblems, CreateProblems, ListProblems, ReadProblems};
use crate::http::{App, At, IfMatch, Kept, New, Outcome, Page, Params, Patch, Permit, RetryKey};
use crate::ids::{OrgId, SiteId, VesselId};
use crate::jobs::queue::request_forecast;
use crate::permissions::{KeepRegister, Read};

/// A vessel.
#[derive(Debug, Serialize, ToSchema)]
pub struct VesselView {
    /// Its id.
    pub id: VesselId,
    /// The organisation it belongs to: yours, or one that granted it to yours.
    pub org_id: OrgId,
    /// Its version, also the `ETag`.
    pub version: i32,
    /// When it was entered.
    pub created_at: DateTime<Utc>,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub fields: VesselFields,
}

impl Kept for VesselView {
    fn id(&self) -> Uuid {
        self.id.into()
    }
    fn version(&self) -> i32 {
        self.version
    }
}

impl From<Vessel> for VesselView {
    fn from(vessel: Vessel) -> Self {
        Self {
            id: vessel.id,
            org_id: vessel.org_id,
            version: vessel.version,
            created_at: vessel.created_at,
            updated_at: vessel.updated_at,
            fields: vessel.fields,
        }
    }
}

/// Whether retired vessels are wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum RetiredFilter {
    /// Only those not retired as of today (UTC).
    False,
    /// Only those retired as of today (UTC).
    True,
    /// All.
    Any,
}

/// Which vessels.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct VesselQuery {
    /// `true`: those that other organisations granted to yours. Left out, your own.
    #[param(nullable = false)]
    pub granted: Option<bool>,
    /// Only those lying at this site.
    #[param(nullable = false)]
    pub site_id: Option<SiteId>,
    /// Only those of this laminate class.
    #[param(nullable = false)]
    pub laminate_class: Option<LaminateClass>,
    /// Retired ones or not; `false` when left out. To keep a copy of the register up to date, ask for `any`.
    #[param(nullable = false, inline)]
    pub retired: Option<RetiredFilter>,
    /// The one with this reference of yours.
    #[param(nullable = false)]
    pub r#ref: Option<String>,
    /// The one with this craft identification number (ISO 10087).
    #[param(nullable = false)]
    pub hull_id_number: Option<String>,
    /// Only those whose name holds this text, in capitals or not.
    #[param(nullable = false)]
    pub name: Option<String>,
    /// Only those changed at or after this time.
    #[param(nullable = false)]
    pub updated_since: Option<DateTime<Utc>>,
    /// Rows a page, 1 to 200.
    #[param(nullable = false, minimum = 1, maximum = 200)]
    pub limit: Option<u32>,
    /// Where the page before ended.
    #[param(nullable = false)]
    pub cursor: Option<String>,
}
crate::list_query!(VesselQuery, "list_vessels");

impl VesselQuery {
    fn filter(&self, now: DateTime<Utc>) -> Result<VesselFilter> {
        let today = now.date_naive();
        let number = self
            .hull_id_number
            .as_deref()
            .map(HullIdNumber::read)
            .transpose()
            .map_err(|fault| Error::field("hull_id_number", "hull_id_number", fault.to_string()))?;
        Ok(VesselFilter {
            granted: self.granted.unwrap_or(false),
            site_id: self.site_id,
            laminate_class: self.laminate_class,
            retirement: match self.retired {
                None | Some(RetiredFilter::False) => Retirement::InServiceOn(today),
                Some(RetiredFilter::True) => Retirement::RetiredBy(today),
                Some(RetiredFilter::Any) => Retirement::Any,
            },
            r#ref: self.r#ref.clone(),
            hull_id_number: number.map(|number| number.to_string()),
            name: self.name.clone(),
            updated_since: self.updated_since,
        })
    }
}

/// Enters a vessel within a transaction.
///
/// # Errors
/// Invalid fields; those of the database.
pub fn create(tx: &mut Tx<'_>, id: VesselId, fields: VesselFields) -> Result<VesselView> {
    let fields = fields.checked()?;
    hold_site(tx, &fields)?;
    store::insert(tx, id, &fields)?;
    audit::record(
        tx,
        &Act {
            action: "create_vessel",
            entity: "vessel",
            entity_id: id.into(),
            before: None,
            after: Some(&fields),
        },
    )?;
    request_forecast(tx, id)?;
    read(tx, id)
}

/// Changes a vessel as it was read within this transaction to these fields.
///
/// # Errors
/// Invalid fields; stale; those of the database.
pub fn change(tx: &mut Tx<'_>, before: &Vessel, after: VesselFields) -> Result<VesselView> {
    let after = after.checked()?;
    hold_site(tx, &after)?;
    store::update(tx, before.id, &after, before.version)?;
    audit::record(
        tx,
        &Act {
            action: "change_vessel",
            entity: "vessel",
            entity_id: before.id.into(),
            before: Some(&before.fields),
            after: Some(&after),
        },
    )?;
    if after.bears_on_dates_unlike(&before.fields) {
        request_forecast(tx, before.id)?;
    }
    read(tx, before.id)
}

/// Reads a vessel within a transaction.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: VesselId) -> Result<VesselView> {
    store::read(tx, id).map(VesselView::from)
}

/// Keeps the vessel's site as it is until the commit: a change of its months at the same moment either sees
/// this vessel and asks for its forecast, or is seen by the forecast asked for here.
fn hold_site(tx: &mut Tx<'_>, fields: &VesselFields) -> Result<()> {
    match fields.site_id {
        Some(site_id) => sites::store::hold(tx, site_id),
        None => Ok(()),
    }
}

/// Lists the vessels.
#[utoipa::path(tag = "vessels", security(("bearer" = [])), params(VesselQuery),
    responses((status = 200, description = "A page of vessels", body = Page<VesselView>), ListProblems))]
#[get("/v1/vessels")]
pub async fn list_vessels(app: App, permit: Permit<Read>, query: Params<VesselQuery>) -> Outcome {
    let query = query.0;
    let (page, filter) = (query.page()?, query.filter(app.clock.now())?);
    let slice = app.read(&permit, move |tx| store::list(tx, &filter, page)).await?;
    Ok(HttpResponse::from(query.answer(slice, VesselView::from)))
}

/// Enters a vessel. Only name, form and length are required.
#[utoipa::path(tag = "vessels", security(("bearer" = [])), request_body = New<VesselFields>,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry answer as the first time", nullable = false)),
    responses((status = 201, description = "Entered", body = VesselView), (status = 200, description = "The same request had entered it", body = VesselView), CreateProblems))]
#[post("/v1/vessels")]
pub async fn create_vessel(
    app: App,
    permit: Permit<KeepRegister>,
    key: RetryKey,
    new: New<VesselFields>,
) -> Outcome {
    let creation = Creation { operation: "create_vessel", key, new };
    let made = app.write(&permit, move |tx| creation.once(tx, create, read)).await?;
    Ok(made.answer("/v1/vessels"))
}

/// Reads a vessel.
#[utoipa::path(tag = "vessels", security(("bearer" = [])), params(("id" = VesselId, Path, description = "The vessel")),
    responses((status = 200, description = "The vessel", body = VesselView), ReadProblems))]
#[get("/v1/vessels/{id}")]
pub async fn read_vessel(app: App, permit: Permit<Read>, id: At<VesselId>) -> Outcome {
    app.read(&permit, move |tx| read(tx, id.0)).await.map(kept)
}

/// Changes a vessel. `zones`, where given, replaces all of them.
#[utoipa::path(tag = "vessels", security(("bearer" = [])), request_body = Patch<VesselFields>,
    params(("id" = VesselId, Path, description = "The vessel"), ("If-Match" = String, Header, description = "The ETag the change is made on")),
    responses((status = 200, description = "As it stands now", body = VesselView), ChangeProblems))]
#[patch("/v1/vessels/{id}")]
pub async fn change_vessel(
    app: App,
    permit: Permit<KeepRegister>,
    id: At<VesselId>,
    if_match: IfMatch,
    patch: Patch<VesselFields>,
) -> Outcome {
    let changed = app.write(&permit, move |tx| {
        let before = store::read(tx, id.0)?;
        if_match.check(before.version)?;
        let after = patch.apply(&before.fields)?;
        change(tx, &before, after)
    });
    changed.await.map(kept)
}
