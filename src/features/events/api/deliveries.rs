//! What was sent to a subscription, each with its history, and sending it again.

use actix_web::{HttpResponse, get, post};
use chrono::{DateTime, Utc};
use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use crate::error::{Error, Result};
use crate::features::audit::{self, Act};
use crate::features::events::store::deliveries::{self as store, Attempt, Delivery};
use crate::features::events::store::subscriptions;
use crate::http::paging::ListQuery;
use crate::http::problem::{CreateProblems, ReadProblems, VersionProblems};
use crate::http::{App, At, Outcome, Page, Params, Permit, Plain};
use crate::ids::{DeliveryId, EventId, SubscriptionId, VesselId};
use crate::permissions::Administer;

/// The most events that are replayed at once.
const MOST_REPLAYED: i32 = 10_000;

/// How it stands with a delivery.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum DeliveryState {
    /// To be sent, or to be sent again.
    Waiting,
    /// The receiver took it.
    Delivered,
    /// Tried for three days, while others arrived.
    GivenUp,
}

/// An event on its way to a subscription.
#[derive(Debug, Serialize, ToSchema)]
pub struct DeliveryView {
    /// Its id.
    pub id: DeliveryId,
    /// To which subscription.
    pub subscription_id: SubscriptionId,
    /// Of which event; also the `webhook-id`.
    pub event_id: EventId,
    /// Of which vessel, if of one.
    pub vessel_id: Option<VesselId>,
    /// How it stands.
    pub state: DeliveryState,
    /// How often it was sent.
    pub attempts: i32,
    /// When it is sent next, at the earliest, while it waits.
    pub next_at: Option<DateTime<Utc>>,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
}

/// One attempt.
#[derive(Debug, Serialize, ToSchema)]
pub struct AttemptView {
    /// Its place, from 1.
    pub sequence: i32,
    /// When.
    pub attempted_at: DateTime<Utc>,
    /// The HTTP status of the answer, if one came.
    pub status: Option<i32>,
    /// What happened.
    pub outcome: String,
    /// The first KiB of the answer.
    pub answer: Option<String>,
}

/// A delivery with its history.
#[derive(Debug, Serialize, ToSchema)]
pub struct DeliveryHistory {
    /// The delivery.
    pub delivery: DeliveryView,
    /// Its attempts, oldest first.
    pub history: Vec<AttemptView>,
}

impl TryFrom<Delivery> for DeliveryView {
    type Error = Error;
    fn try_from(delivery: Delivery) -> Result<Self> {
        let state = crate::codes::from_text(&delivery.state)?;
        Ok(Self {
            id: delivery.id,
            subscription_id: delivery.subscription_id,
            event_id: delivery.event_id,
            vessel_id: delivery.vessel_id,
            state,
            attempts: delivery.attempts,
            next_at: (state == DeliveryState::Waiting).then_some(delivery.next_at),
            created_at: delivery.created_at,
            updated_at: delivery.updated_at,
        })
    }
}

impl From<Attempt> for AttemptView {
    fn from(attempt: Attempt) -> Self {
        Self {
            sequence: attempt.sequence,
            attempted_at: attempt.attempted_at,
            status: attempt.status,
            outcome: attempt.outcome,
            answer: attempt.answer,
        }
    }
}

/// Which deliveries.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct DeliveryQuery {
    /// Only those that stand so.
    #[param(nullable = false)]
    pub state: Option<DeliveryState>,
    /// Rows a page, 1 to 200.
    #[param(nullable = false, minimum = 1, maximum = 200)]
    pub limit: Option<u32>,
    /// Where the page before ended.
    #[param(nullable = false)]
    pub cursor: Option<String>,
}
crate::list_query!(DeliveryQuery, "list_deliveries");

/// Which events are sent again.
#[derive(Debug, Serialize, Deserialize, Validate, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ReplayFields {
    /// Those that happened at or after this time.
    #[garde(skip)]
    pub from: DateTime<Utc>,
    /// And before this one.
    #[garde(skip)]
    pub until: DateTime<Utc>,
}

/// What is sent again.
#[derive(Debug, Serialize, ToSchema)]
pub struct ReplayView {
    /// So many deliveries wait now that the events of this time are among them.
    pub deliveries: usize,
}

/// Lists the deliveries of a subscription, by when they last changed.
#[utoipa::path(tag = "events", security(("bearer" = [])), params(("id" = SubscriptionId, Path, description = "The subscription"), DeliveryQuery),
    responses((status = 200, description = "A page of deliveries", body = Page<DeliveryView>), VersionProblems))]
#[get("/v1/subscriptions/{id}/deliveries")]
pub async fn list_deliveries(
    app: App,
    permit: Permit<Administer>,
    id: At<SubscriptionId>,
    query: Params<DeliveryQuery>,
) -> Outcome {
    let query = query.0;
    let page = query.page()?;
    let state = query.state.as_ref().map(crate::codes::to_text).transpose()?;
    let slice = app
        .read(&permit, move |tx| {
            subscriptions::read(tx, id.0)?;
            let slice = store::list(tx, id.0, state.as_deref(), page)?;
            let items = slice.items.into_iter().map(DeliveryView::try_from).collect::<Result<Vec<_>>>()?;
            Ok(crate::db::paging::Slice { items, next: slice.next })
        })
        .await?;
    Ok(HttpResponse::from(query.answer(slice, |view| view)))
}

/// Reads a delivery with its history.
#[utoipa::path(tag = "events", security(("bearer" = [])), params(("id" = DeliveryId, Path, description = "The delivery")),
    responses((status = 200, description = "The delivery", body = DeliveryHistory), ReadProblems))]
#[get("/v1/deliveries/{id}")]
pub async fn read_delivery(app: App, permit: Permit<Administer>, id: At<DeliveryId>) -> Outcome {
    let view = app.read(&permit, move |tx| {
        let delivery = store::read(tx, id.0)?.try_into()?;
        let history = store::attempts(tx, id.0)?.into_iter().map(AttemptView::from).collect();
        Ok(DeliveryHistory { delivery, history })
    });
    Ok(HttpResponse::Ok().json(view.await?))
}

/// Sends an event again, under the same `webhook-id`.
#[utoipa::path(tag = "events", security(("bearer" = [])), params(("id" = DeliveryId, Path, description = "The delivery")),
    responses((status = 200, description = "It waits to be sent", body = DeliveryView), CreateProblems))]
#[post("/v1/deliveries/{id}/replay")]
pub async fn replay_delivery(app: App, permit: Permit<Administer>, id: At<DeliveryId>) -> Outcome {
    let view = app.write(&permit, move |tx| {
        let before = store::read(tx, id.0)?;
        store::replay(tx, id.0)?;
        let act = Act {
            action: "replay_delivery",
            entity: "subscription",
            entity_id: before.subscription_id.into(),
            before: None,
            after: Some(&serde_json::json!({ "delivery_id": id.0 })),
        };
        audit::record(tx, &act)?;
        DeliveryView::try_from(store::read(tx, id.0)?)
    });
    Ok(HttpResponse::Ok().json(view.await?))
}

/// Sends the events of a time to a subscription, those too that it was sent before: as far as it takes them now, each
/// under its same `webhook-id`, at most 10,000.
#[utoipa::path(tag = "events", security(("bearer" = [])), request_body = ReplayFields,
    params(("id" = SubscriptionId, Path, description = "The subscription")),
    responses((status = 200, description = "They wait to be sent", body = ReplayView), CreateProblems))]
#[post("/v1/subscriptions/{id}/replay")]
pub async fn replay_subscription(
    app: App,
    permit: Permit<Administer>,
    id: At<SubscriptionId>,
    body: Plain<ReplayFields>,
) -> Outcome {
    if body.0.from >= body.0.until {
        return Err(Error::field("/until", "order", "is not after `from`. Correct one of them."));
    }
    let view = app.write(&permit, move |tx| {
        subscriptions::read(tx, id.0)?;
        let deliveries = store::replay_period(tx, id.0, body.0.from, body.0.until, MOST_REPLAYED + 1)?;
        if deliveries > 10_000 {
            return Err(Error::field(
                "/until",
                "too_many",
                "leaves more than 10,000 events. Shorten the time.",
            ));
        }
        let act = Act {
            action: "replay_subscription",
            entity: "subscription",
            entity_id: id.0.into(),
            before: None,
            after: Some(&body.0),
        };
        audit::record(tx, &act)?;
        Ok(ReplayView { deliveries })
    });
    Ok(HttpResponse::Ok().json(view.await?))
}
