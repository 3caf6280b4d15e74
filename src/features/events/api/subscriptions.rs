//! Subscriptions to events, and their secrets.

use actix_web::http::header::ETAG;
use actix_web::{HttpResponse, get, patch, post};
use chrono::{DateTime, Duration, Utc};
use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use super::list::known_kinds;
use crate::db::Tx;
use crate::db::paging::Slice;
use crate::error::{Code, Error, Result};
use crate::features::audit::{self, Act};
use crate::features::events::model::SubscriptionFields;
use crate::features::events::store::deliveries;
use crate::features::events::store::subscriptions::{self as store, Subscription};
use crate::features::sites::store as sites;
use crate::http::creation::etag;
use crate::http::destination;
use crate::http::guards::Guards;
use crate::http::paging::ListQuery;
use crate::http::preconditions::kept;
use crate::http::problem::{ChangeProblems, CreateProblems, ListProblems, ReadProblems};
use crate::http::sending::new_secret;
use crate::http::{App, At, IfMatch, Kept, Outcome, Page, Params, Patch, Permit, Plain};
use crate::ids::{Id, SecretId, SubscriptionId};
use crate::permissions::Administer;

/// The most secrets of a subscription that hold at once: each lengthens the signature.
const MOST_SECRETS: usize = 5;
/// The most subscriptions of an organisation: each event is looked at for each.
const MOST_SUBSCRIPTIONS: i64 = 100;

/// A subscription.
#[derive(Debug, Serialize, ToSchema)]
pub struct SubscriptionView {
    /// Its id.
    pub id: SubscriptionId,
    /// Its version, also the `ETag`.
    pub version: i32,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
    /// Why the service switched it off, if it did.
    pub stopped_reason: Option<String>,
    /// Since when nothing arrived, if so.
    pub first_failed_at: Option<DateTime<Utc>>,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub fields: SubscriptionFields,
}

impl Kept for SubscriptionView {
    fn id(&self) -> Uuid {
        self.id.into()
    }
    fn version(&self) -> i32 {
        self.version
    }
}

impl From<Subscription> for SubscriptionView {
    fn from(subscription: Subscription) -> Self {
        Self {
            id: subscription.id,
            version: subscription.version,
            created_at: subscription.created_at,
            updated_at: subscription.updated_at,
            stopped_reason: subscription.stopped_reason,
            first_failed_at: subscription.first_failed_at,
            fields: subscription.fields,
        }
    }
}

/// A secret of a subscription, shown this once.
#[derive(Debug, Serialize, ToSchema)]
pub struct SubscriptionSecretView {
    /// The subscription's id.
    pub id: SubscriptionId,
    /// Its version, also the `ETag`.
    pub version: i32,
    /// The secret that deliveries are signed with: `whsec_` and the key in base64. Shown this once.
    pub secret: String,
}

/// How a new secret follows the earlier ones.
#[derive(Debug, Deserialize, Validate, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SubscriptionSecretRotation {
    /// Hours for which deliveries are signed with the earlier secrets too, at most 720; 0 ends them now.
    #[garde(range(max = 720))]
    #[schema(maximum = 720)]
    pub overlap_h: u32,
}

/// Which subscriptions.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct SubscriptionQuery {
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
crate::list_query!(SubscriptionQuery, "list_subscriptions");

fn checked(tx: &mut Tx<'_>, guards: &Guards, mut fields: SubscriptionFields) -> Result<SubscriptionFields> {
    destination::read(&fields.url, guards.sender.loopback_allowed())?;
    known_kinds("/kinds", &fields.kinds)?;
    fields.kinds.sort();
    fields.kinds.dedup();
    fields.site_ids.sort_unstable();
    fields.site_ids.dedup();
    if sites::read_many(tx, &fields.site_ids)?.len() != fields.site_ids.len() {
        return Err(Error::field(
            "/site_ids",
            "unknown",
            "names a site that your organisation does not have.",
        ));
    }
    Ok(fields)
}

/// What the audit keeps of it. An address may hold a secret of the receiver's in its path or query.
fn act_of(fields: &SubscriptionFields) -> serde_json::Value {
    let host = url::Url::parse(&fields.url).ok().and_then(|url| url.host_str().map(str::to_owned));
    serde_json::json!({
        "name": fields.name, "host": host, "kinds": fields.kinds, "site_ids": fields.site_ids, "active": fields.active,
    })
}

fn add_secret(
    tx: &mut Tx<'_>,
    guards: &Guards,
    id: SubscriptionId,
    overlap_h: u32,
) -> Result<SubscriptionSecretView> {
    if store::secrets(tx, id)?.len() >= MOST_SECRETS {
        return Err(Error::new(
            Code::Conflict,
            "Five secrets of this subscription hold at once. Wait until the earlier ones have ended.",
        ));
    }
    let (secret, secret_id) = (new_secret()?, SecretId::fresh());
    let sealed = guards.sealing.seal(Uuid::from(secret_id).as_bytes(), secret.as_bytes())?;
    let until = tx.now() + Duration::hours(i64::from(overlap_h));
    store::insert_secret(tx, id, secret_id, &sealed, until)?;
    Ok(SubscriptionSecretView { id, version: store::read(tx, id)?.version, secret })
}

/// Makes a subscription with its first secret.
///
/// # Errors
/// Conflict, when there are too many; invalid; those of the database.
pub fn create(
    tx: &mut Tx<'_>,
    guards: &Guards,
    fields: SubscriptionFields,
) -> Result<SubscriptionSecretView> {
    if store::count(tx)? >= MOST_SUBSCRIPTIONS {
        return Err(Error::new(
            Code::Conflict,
            "Your organisation has 100 subscriptions. Change one of them instead.",
        ));
    }
    let (id, fields) = (SubscriptionId::fresh(), checked(tx, guards, fields)?);
    store::insert(tx, id, &fields)?;
    let act = Act {
        action: "create_subscription",
        entity: "subscription",
        entity_id: id.into(),
        before: None,
        after: Some(&act_of(&fields)),
    };
    audit::record(tx, &act)?;
    add_secret(tx, guards, id, 0)
}

/// Changes a subscription, switches it off, or on again.
///
/// # Errors
/// Not found; stale; invalid; those of the database.
pub fn change(
    tx: &mut Tx<'_>,
    guards: &Guards,
    id: SubscriptionId,
    if_match: IfMatch,
    patch: &Patch<SubscriptionFields>,
) -> Result<SubscriptionView> {
    let before = store::read(tx, id)?;
    if_match.check(before.version)?;
    let after = checked(tx, guards, patch.apply(&before.fields)?)?;
    store::update(tx, id, &after, before.version)?;
    if after.active && !before.fields.active {
        deliveries::resume(tx, id)?;
    }
    let act = Act {
        action: "change_subscription",
        entity: "subscription",
        entity_id: id.into(),
        before: Some(&act_of(&before.fields)),
        after: Some(&act_of(&after)),
    };
    audit::record(tx, &act)?;
    store::read(tx, id).map(SubscriptionView::from)
}

fn shown_once(view: &SubscriptionSecretView) -> HttpResponse {
    HttpResponse::Created()
        .insert_header(("cache-control", "no-store"))
        .insert_header((ETAG, etag(view.version)))
        .insert_header(("location", format!("/v1/subscriptions/{}", view.id)))
        .json(view)
}

/// Lists the subscriptions.
#[utoipa::path(tag = "events", security(("bearer" = [])), params(SubscriptionQuery),
    responses((status = 200, description = "A page of subscriptions", body = Page<SubscriptionView>), ListProblems))]
#[get("/v1/subscriptions")]
pub async fn list_subscriptions(
    app: App,
    permit: Permit<Administer>,
    query: Params<SubscriptionQuery>,
) -> Outcome {
    let query = query.0;
    let (page, since) = (query.page()?, query.updated_since);
    let slice: Slice<Subscription> = app.read(&permit, move |tx| store::list(tx, since, page)).await?;
    Ok(HttpResponse::from(query.answer(slice, SubscriptionView::from)))
}

/// Subscribes: events are sent to an address from now on. The secret they are signed with is in the answer, and nowhere
/// else.
#[utoipa::path(tag = "events", security(("bearer" = [])), request_body = SubscriptionFields,
    responses((status = 201, description = "Made; the secret is shown this once", body = SubscriptionSecretView), CreateProblems))]
#[post("/v1/subscriptions")]
pub async fn create_subscription(
    app: App,
    permit: Permit<Administer>,
    body: Plain<SubscriptionFields>,
) -> Outcome {
    let guards = app.guards.clone();
    app.write(&permit, move |tx| create(tx, &guards, body.0)).await.map(|made| shown_once(&made))
}

/// Reads a subscription.
#[utoipa::path(tag = "events", security(("bearer" = [])), params(("id" = SubscriptionId, Path, description = "The subscription")),
    responses((status = 200, description = "The subscription", body = SubscriptionView), ReadProblems))]
#[get("/v1/subscriptions/{id}")]
pub async fn read_subscription(app: App, permit: Permit<Administer>, id: At<SubscriptionId>) -> Outcome {
    app.read(&permit, move |tx| store::read(tx, id.0).map(SubscriptionView::from)).await.map(kept)
}

/// Changes a subscription, switches it off, or on again: then it goes on with what waits, in order.
#[utoipa::path(tag = "events", security(("bearer" = [])), request_body = Patch<SubscriptionFields>,
    params(("id" = SubscriptionId, Path, description = "The subscription"), ("If-Match" = String, Header, description = "The ETag the change is made on")),
    responses((status = 200, description = "As it stands now", body = SubscriptionView), ChangeProblems))]
#[patch("/v1/subscriptions/{id}")]
pub async fn change_subscription(
    app: App,
    permit: Permit<Administer>,
    id: At<SubscriptionId>,
    if_match: IfMatch,
    patch: Patch<SubscriptionFields>,
) -> Outcome {
    let guards = app.guards.clone();
    app.write(&permit, move |tx| change(tx, &guards, id.0, if_match, &patch)).await.map(kept)
}

/// Makes another secret of a subscription; deliveries are signed with the earlier ones too for the overlap asked for.
#[utoipa::path(tag = "events", security(("bearer" = [])), request_body = SubscriptionSecretRotation,
    params(("id" = SubscriptionId, Path, description = "The subscription")),
    responses((status = 201, description = "The secret, shown this once", body = SubscriptionSecretView), CreateProblems))]
#[post("/v1/subscriptions/{id}/secrets")]
pub async fn rotate_subscription_secret(
    app: App,
    permit: Permit<Administer>,
    id: At<SubscriptionId>,
    body: Plain<SubscriptionSecretRotation>,
) -> Outcome {
    let guards = app.guards.clone();
    let made = app.write(&permit, move |tx| {
        store::read(tx, id.0)?;
        let act = Act {
            action: "rotate_subscription_secret",
            entity: "subscription",
            entity_id: id.0.into(),
            before: None,
            after: Some(&serde_json::json!({ "overlap_h": body.0.overlap_h })),
        };
        audit::record(tx, &act)?;
        add_secret(tx, &guards, id.0, body.0.overlap_h)
    });
    Ok(shown_once(&made.await?))
}
