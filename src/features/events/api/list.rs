//! Pulling events.

use actix_web::{HttpResponse, get};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use crate::codes;
use crate::error::{Error, Result};
use crate::features::events::model::Event;
use crate::features::events::store::events as store;
use crate::http::paging::ListQuery;
use crate::http::problem::ListProblems;
use crate::http::{App, Outcome, Params, Permit};
use crate::ids::VesselId;
use crate::jobs::outbox::EventKind;
use crate::permissions::Read;

/// Which events.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct EventQuery {
    /// Only those of these kinds, with commas between: `vessel.due,vessel.overdue`.
    #[param(nullable = false)]
    pub kinds: Option<String>,
    /// Only those of this vessel.
    #[param(nullable = false)]
    pub vessel_id: Option<VesselId>,
    /// Rows a page, 1 to 200.
    #[param(nullable = false, minimum = 1, maximum = 200)]
    pub limit: Option<u32>,
    /// Where the page before ended.
    #[param(nullable = false)]
    pub cursor: Option<String>,
}
crate::list_query!(EventQuery, "list_events");

/// Some events in their order.
#[derive(Debug, Serialize, ToSchema)]
pub struct EventPage {
    /// The events.
    pub items: Vec<Event>,
    /// Send it as `cursor`, now or later, for what comes after these. There always is one: keep it.
    pub next_cursor: String,
    /// Whether more are there already.
    pub more: bool,
}

/// Refuses what is no kind.
///
/// # Errors
/// Invalid, for the field.
pub(super) fn known_kinds(pointer: &str, kinds: &[String]) -> Result<()> {
    for kind in kinds {
        codes::from_text::<EventKind>(kind).map_err(|_unknown| {
            let detail = format!(
                "names `{kind}`, which is no kind of event. See the kinds in the documentation of events."
            );
            Error::field(pointer, "unknown", detail)
        })?;
    }
    Ok(())
}

/// Lists events in the order in which they became visible, oldest first. A program that keeps `next_cursor` and asks
/// again from it misses none and gets none twice.
#[utoipa::path(tag = "events", params(EventQuery), security(("bearer" = [])),
    responses((status = 200, description = "Events", body = EventPage), ListProblems))]
#[get("/v1/events")]
pub async fn list_events(app: App, permit: Permit<Read>, query: Params<EventQuery>) -> Outcome {
    let query = query.0;
    let (page, vessel_id) = (query.page()?, query.vessel_id);
    let kinds: Vec<String> = query
        .kinds
        .as_deref()
        .map(|k| k.split(',').map(|one| one.trim().to_owned()).collect())
        .unwrap_or_default();
    known_kinds("kinds", &kinds)?;
    let (items, last, more) = app.read(&permit, move |tx| store::list(tx, &kinds, vessel_id, page)).await?;
    Ok(HttpResponse::Ok().json(EventPage { items, next_cursor: query.cursor_after(last), more }))
}
