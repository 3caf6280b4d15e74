//! Transfers: a vessel is offered, and accepted, declined or withdrawn.

use actix_web::{HttpResponse, get, post};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::db::Tx;
use crate::error::{Code, Error, Result};
use crate::features::audit::{self, Act};
use crate::features::grants::model::{OfferFields, TransferAcceptance, TransferState};
use crate::features::grants::store::transfer::{self as store, LeftRef, Transfer};
use crate::features::vessels;
use crate::http::creation::Creation;
use crate::http::paging::ListQuery;
use crate::http::preconditions::kept;
use crate::http::problem::{CreateProblems, ListProblems, ReadProblems};
use crate::http::{App, At, Kept, New, Outcome, Page, Params, Permit, Plain, RetryKey};
use crate::ids::{OrgId, ProductId, SiteId, TransferId, VesselId};
use crate::jobs::queue::request_forecast;
use crate::permissions::{GrantVessels, Read};

/// A transfer, as either side sees it.
#[derive(Debug, Serialize, ToSchema)]
pub struct TransferView {
    /// Its id.
    pub id: TransferId,
    /// Its version, also the `ETag`.
    pub version: i32,
    /// When it was offered.
    pub created_at: DateTime<Utc>,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
    /// Who offers.
    pub org_id: OrgId,
    /// The name of that organisation.
    pub org_name: String,
    /// To whom.
    pub to_org_id: OrgId,
    /// The name of that organisation.
    pub to_org_name: String,
    /// The vessel.
    pub vessel_id: VesselId,
    /// Its name when it was offered.
    pub vessel_name: String,
    /// A note to the other side.
    pub note: Option<String>,
    /// How it stands.
    pub state: TransferState,
}

impl Kept for TransferView {
    fn id(&self) -> Uuid {
        self.id.into()
    }
    fn version(&self) -> i32 {
        self.version
    }
}

impl From<Transfer> for TransferView {
    fn from(transfer: Transfer) -> Self {
        Self {
            id: transfer.id,
            version: transfer.version,
            created_at: transfer.created_at,
            updated_at: transfer.updated_at,
            org_id: transfer.org_id,
            org_name: transfer.org_name,
            to_org_id: transfer.to_org_id,
            to_org_name: transfer.to_org_name,
            vessel_id: transfer.vessel_id,
            vessel_name: transfer.vessel_name,
            note: transfer.note,
            state: transfer.state,
        }
    }
}

/// What came with the vessel, and what did not.
#[derive(Debug, Serialize, ToSchema)]
pub struct TransferredView {
    /// The transfer.
    pub transfer: TransferView,
    /// The site it has now, as you named it; the seller's was left out.
    pub site_id: Option<SiteId>,
    /// Products that its coats and plans name, copied into your list under the same ids.
    pub products_copied: Vec<ProductId>,
    /// References left behind, since you call other records so.
    pub refs_left: Vec<LeftRef>,
    /// Grants to others that ended with the transfer.
    pub grants_ended: usize,
}

/// Which transfers.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct TransferQuery {
    /// `true`: those offered to you. Left out, those you offered.
    #[param(nullable = false)]
    pub received: Option<bool>,
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
crate::list_query!(TransferQuery, "list_transfers");

/// What the audits of both sides say of a transfer.
#[derive(Debug, Serialize)]
struct TransferAct<'a> {
    transfer_id: TransferId,
    org_id: OrgId,
    to_org_id: OrgId,
    state: TransferState,
    /// The history goes with the vessel; the seller reads what it recorded, and nothing else.
    seller_keeps: &'static str,
    products_copied: &'a [ProductId],
    refs_left: &'a [LeftRef],
}

fn record(
    tx: &mut Tx<'_>,
    action: &str,
    transfer: &Transfer,
    state: TransferState,
    moved: Option<&store::Moved>,
) -> Result<()> {
    let after = TransferAct {
        transfer_id: transfer.id,
        org_id: transfer.org_id,
        to_org_id: transfer.to_org_id,
        state,
        seller_keeps: "reading what it recorded",
        products_copied: moved.map_or(&[], |moved| &moved.products),
        refs_left: moved.map_or(&[], |moved| &moved.refs_left),
    };
    let act = Act {
        action,
        entity: "vessel",
        entity_id: transfer.vessel_id.into(),
        before: None,
        after: Some(&after),
    };
    let mut partners = vec![transfer.org_id, transfer.to_org_id];
    partners.extend(moved.into_iter().flat_map(|moved| &moved.guests));
    audit::record_with(tx, &act, &partners)
}

/// Reads a transfer within a transaction.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: TransferId) -> Result<TransferView> {
    store::read(tx, id).map(TransferView::from)
}

/// Offers a vessel within a transaction.
///
/// # Errors
/// Invalid fields; a vessel or an organisation that there is not; those of the database.
pub fn offer(
    tx: &mut Tx<'_>,
    vessel_id: VesselId,
    id: TransferId,
    fields: &OfferFields,
) -> Result<TransferView> {
    if fields.to_org_id == tx.acting_org_id() {
        return Err(Error::field("/to_org_id", "own", "is your own organisation. Name the other one."));
    }
    let vessel = vessels::store::read(tx, vessel_id)?;
    store::insert(tx, id, (vessel_id, &vessel.fields.name), fields.to_org_id, fields.note.as_deref())?;
    let transfer = store::read(tx, id)?;
    record(tx, "offer_vessel", &transfer, TransferState::Offered, None)?;
    Ok(transfer.into())
}

/// The transfer when the acting organisation is the side that may settle it so.
fn of_side(tx: &mut Tx<'_>, id: TransferId, side: fn(&Transfer) -> OrgId) -> Result<Transfer> {
    let transfer = store::read(tx, id)?;
    if side(&transfer) != tx.acting_org_id() {
        return Err(Error::not_found("transfer"));
    }
    if transfer.state != TransferState::Offered {
        return Err(Error::new(Code::Conflict, "The transfer is settled already. Read it again."));
    }
    Ok(transfer)
}

/// Offers a vessel of yours, with its whole history, to another organisation.
#[utoipa::path(tag = "grants", security(("bearer" = [])), request_body = New<OfferFields>,
    params(("id" = VesselId, Path, description = "The vessel"), ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry answer as the first time", nullable = false)),
    responses((status = 201, description = "Offered", body = TransferView), (status = 200, description = "The same request had offered it", body = TransferView), CreateProblems))]
#[post("/v1/vessels/{id}/transfers")]
pub async fn offer_vessel(
    app: App,
    permit: Permit<GrantVessels>,
    id: At<VesselId>,
    key: RetryKey,
    new: New<OfferFields>,
) -> Outcome {
    let creation = Creation { operation: "offer_vessel", key, new };
    let made = app
        .write(&permit, move |tx| creation.once(tx, |tx, own, fields| offer(tx, id.0, own, &fields), read));
    Ok(made.await?.answer("/v1/transfers"))
}

/// Lists the transfers you offered, or those offered to you.
#[utoipa::path(tag = "grants", security(("bearer" = [])), params(TransferQuery),
    responses((status = 200, description = "A page of transfers", body = Page<TransferView>), ListProblems))]
#[get("/v1/transfers")]
pub async fn list_transfers(app: App, permit: Permit<Read>, query: Params<TransferQuery>) -> Outcome {
    let query = query.0;
    let (page, received, since) = (query.page()?, query.received.unwrap_or(false), query.updated_since);
    let slice = app.read(&permit, move |tx| store::list(tx, received, since, page)).await?;
    Ok(HttpResponse::from(query.answer(slice, TransferView::from)))
}

/// Reads a transfer that you offered, or that was offered to you.
#[utoipa::path(tag = "grants", security(("bearer" = [])), params(("id" = TransferId, Path, description = "The transfer")),
    responses((status = 200, description = "The transfer", body = TransferView), ReadProblems))]
#[get("/v1/transfers/{id}")]
pub async fn read_transfer(app: App, permit: Permit<Read>, id: At<TransferId>) -> Outcome {
    app.read(&permit, move |tx| read(tx, id.0)).await.map(kept)
}

/// Accepts a vessel that was offered to you: it is yours then, with its whole history under the same ids. The seller
/// goes on reading what it recorded, and nothing else.
#[utoipa::path(tag = "grants", security(("bearer" = [])), request_body = TransferAcceptance,
    params(("id" = TransferId, Path, description = "The transfer")),
    responses((status = 200, description = "Yours, with what came and what did not", body = TransferredView), CreateProblems))]
#[post("/v1/transfers/{id}/acceptance")]
pub async fn accept_transfer(
    app: App,
    permit: Permit<GrantVessels>,
    id: At<TransferId>,
    body: Plain<TransferAcceptance>,
) -> Outcome {
    let site_id = body.0.site_id;
    let transferred = app.write(&permit, move |tx| accept(tx, id.0, site_id));
    Ok(HttpResponse::Ok().json(transferred.await?))
}

/// Accepts a vessel within a transaction.
///
/// # Errors
/// Not found; a conflict where it is settled; those of the database.
pub fn accept(tx: &mut Tx<'_>, id: TransferId, site_id: Option<SiteId>) -> Result<TransferredView> {
    let transfer = of_side(tx, id, |transfer| transfer.to_org_id)?;
    let moved = store::take(tx, &transfer, site_id)?;
    store::settle(tx, &transfer, TransferState::Accepted)?;
    record(tx, "accept_transfer", &transfer, TransferState::Accepted, Some(&moved))?;
    request_forecast(tx, transfer.vessel_id)?;
    Ok(TransferredView {
        transfer: read(tx, id)?,
        site_id,
        products_copied: moved.products,
        refs_left: moved.refs_left,
        grants_ended: moved.guests.len(),
    })
}

/// Declines a vessel that was offered to you.
#[utoipa::path(tag = "grants", security(("bearer" = [])), params(("id" = TransferId, Path, description = "The transfer")),
    responses((status = 200, description = "Declined", body = TransferView), CreateProblems))]
#[post("/v1/transfers/{id}/refusal")]
pub async fn decline_transfer(app: App, permit: Permit<GrantVessels>, id: At<TransferId>) -> Outcome {
    app.write(&permit, move |tx| decline(tx, id.0)).await.map(kept)
}

/// Declines a vessel within a transaction.
///
/// # Errors
/// Not found; a conflict where it is settled; those of the database.
pub fn decline(tx: &mut Tx<'_>, id: TransferId) -> Result<TransferView> {
    let transfer = of_side(tx, id, |transfer| transfer.to_org_id)?;
    settle(tx, "decline_transfer", &transfer, TransferState::Declined)
}

/// Withdraws a vessel that you offered.
#[utoipa::path(tag = "grants", security(("bearer" = [])), params(("id" = TransferId, Path, description = "The transfer")),
    responses((status = 200, description = "Withdrawn", body = TransferView), CreateProblems))]
#[post("/v1/transfers/{id}/withdrawal")]
pub async fn withdraw_transfer(app: App, permit: Permit<GrantVessels>, id: At<TransferId>) -> Outcome {
    app.write(&permit, move |tx| withdraw(tx, id.0)).await.map(kept)
}

/// Withdraws an offer within a transaction.
///
/// # Errors
/// Not found; a conflict where it is settled; those of the database.
pub fn withdraw(tx: &mut Tx<'_>, id: TransferId) -> Result<TransferView> {
    let transfer = of_side(tx, id, |transfer| transfer.org_id)?;
    settle(tx, "withdraw_transfer", &transfer, TransferState::Withdrawn)
}

fn settle(tx: &mut Tx<'_>, action: &str, transfer: &Transfer, state: TransferState) -> Result<TransferView> {
    store::settle(tx, transfer, state)?;
    record(tx, action, transfer, state, None)?;
    read(tx, transfer.id)
}
