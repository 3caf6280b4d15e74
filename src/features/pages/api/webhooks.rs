//! Where events are sent: the subscriptions of the organisation.

use actix_web::HttpRequest;
use askama::Template;
use serde_json::json;

use super::form::{Filled, Pairs, field, version};
use super::frame::{Frame, Told, organisation_name, send_telling};
use super::members::whole;
use super::session::{PagePermit, see};
use crate::features::events::api::subscriptions::{SubscriptionSecretView, SubscriptionView, change, create};
use crate::features::events::model::SubscriptionFields;
use crate::features::events::store::subscriptions as store;
use crate::http::body::read_fields;
use crate::http::{App, At, Outcome, Patch};
use crate::ids::SubscriptionId;
use crate::permissions::Administer;

#[derive(Template)]
#[template(path = "webhooks.html")]
struct Webhooks {
    frame: Frame,
    subscriptions: Vec<SubscriptionView>,
    secret: Option<SubscriptionSecretView>,
}

async fn page(
    app: &App,
    request: &HttpRequest,
    permit: &PagePermit<Administer>,
    secret: Option<SubscriptionSecretView>,
    told: Option<Told>,
) -> Outcome {
    let (name, subscriptions) = app
        .read(&permit.0, |tx| Ok((organisation_name(tx)?, whole(|page| store::list(tx, None, page))?)))
        .await?;
    let subscriptions = subscriptions.into_iter().map(SubscriptionView::from).collect();
    let frame = Frame::of(request, name, "organisation", "Webhooks")?.telling(told);
    let page = Webhooks { frame, subscriptions, secret };
    send_telling(&page, page.frame.told.as_ref())
}

/// The subscriptions.
///
/// # Errors
/// Those of the database.
pub async fn show(app: App, request: HttpRequest, permit: PagePermit<Administer>) -> Outcome {
    page(&app, &request, &permit, None, None).await
}

/// Makes a subscription; its secret is on the page that answers, and nowhere else.
///
/// # Errors
/// Those of the database.
pub async fn make(
    app: App,
    request: HttpRequest,
    permit: PagePermit<Administer>,
    filled: Filled<Pairs>,
) -> Outcome {
    let (pairs, guards) = (filled.0, app.guards.clone());
    let kinds: Vec<&str> = field(&pairs, "kinds").unwrap_or_default().split_whitespace().collect();
    let fields = json!({
        "name": field(&pairs, "name").unwrap_or_default(),
        "url": field(&pairs, "url").unwrap_or_default(),
        "kinds": kinds,
    });
    let made = async {
        let fields: SubscriptionFields = read_fields(fields)?;
        app.write(&permit.0, move |tx| create(tx, &guards, fields)).await
    };
    match made.await {
        Ok(secret) => page(&app, &request, &permit, Some(secret), None).await,
        Err(error) => page(&app, &request, &permit, None, Some(Told::of(error)?)).await,
    }
}

/// Switches a subscription off, or on again.
///
/// # Errors
/// Not found; those of the database.
pub async fn change_webhook(
    app: App,
    request: HttpRequest,
    permit: PagePermit<Administer>,
    id: At<SubscriptionId>,
    filled: Filled<Pairs>,
) -> Outcome {
    let (pairs, guards) = (filled.0, app.guards.clone());
    let done = async {
        let version = version(&pairs)?;
        let patch = Patch::from_value(json!({"active": field(&pairs, "active") == Some("true")}))?;
        app.write(&permit.0, move |tx| change(tx, &guards, id.0, version, &patch)).await
    };
    match done.await {
        Ok(_) => Ok(see("/webhooks?saved=1")),
        Err(error) => page(&app, &request, &permit, None, Some(Told::of(error)?)).await,
    }
}
