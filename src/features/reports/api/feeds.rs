//! The calendars of the person who asks.

use actix_web::http::header::ETAG;
use actix_web::{HttpResponse, get, patch, post};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use super::calendar::address;
use crate::db::Tx;
use crate::db::paging::Slice;
use crate::error::{Code, Error, Result};
use crate::features::audit::{self, Act};
use crate::features::reports::model::CalendarFeedFields;
use crate::features::reports::store::feeds::{self as store, CalendarFeed};
use crate::features::sites;
use crate::http::creation::etag;
use crate::http::paging::ListQuery;
use crate::http::preconditions::kept;
use crate::http::problem::{ChangeProblems, CreateProblems, ListProblems, ReadProblems};
use crate::http::tokens::random;
use crate::http::{App, At, IfMatch, Kept, Outcome, Page, Params, Patch, Permit, Plain};
use crate::ids::{CalendarFeedId, Id, PersonId};
use crate::permissions::BeOneself;

/// A calendar to subscribe to.
#[derive(Debug, Serialize, ToSchema)]
pub struct CalendarFeedView {
    /// Its id.
    pub id: CalendarFeedId,
    /// Its version, also the `ETag`.
    pub version: i32,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub fields: CalendarFeedFields,
}

impl From<CalendarFeed> for CalendarFeedView {
    fn from(feed: CalendarFeed) -> Self {
        Self {
            id: feed.id,
            version: feed.version,
            created_at: feed.created_at,
            updated_at: feed.updated_at,
            fields: feed.fields,
        }
    }
}

impl Kept for CalendarFeedView {
    fn id(&self) -> Uuid {
        self.id.into()
    }
    fn version(&self) -> i32 {
        self.version
    }
}

/// A calendar with its address, shown this once.
#[derive(Debug, Serialize, ToSchema)]
pub struct CalendarAddressView {
    /// The calendar's id.
    pub id: CalendarFeedId,
    /// Its version, also the `ETag`.
    pub version: i32,
    /// The path to subscribe to, with a secret in it: kept nowhere, shown this once. Whoever has it reads the calendar.
    pub address: String,
}

/// Which calendars.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct CalendarFeedQuery {
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
crate::list_query!(CalendarFeedQuery, "list_calendar_feeds");

fn person(permit: &Permit<BeOneself>) -> Result<PersonId> {
    permit.actor().person_id.ok_or_else(|| Error::new(Code::Forbidden, "Sign in as a person."))
}

fn site_exists(tx: &mut Tx<'_>, fields: &CalendarFeedFields) -> Result<()> {
    let Some(site_id) = fields.site_id else { return Ok(()) };
    sites::store::read(tx, site_id).map(|_| ()).map_err(|error| match error.code {
        Code::NotFound => Error::field(
            "/site_id",
            "unknown",
            "is not a site of your organisation. Choose one from /v1/sites.",
        ),
        _ => error,
    })
}

fn record(
    tx: &mut Tx<'_>,
    action: &str,
    id: CalendarFeedId,
    before: Option<&CalendarFeedFields>,
    after: &CalendarFeedFields,
) -> Result<()> {
    let act = Act { action, entity: "calendar", entity_id: id.into(), before, after: Some(after) };
    audit::record(tx, &act)
}

/// Lists your calendars.
#[utoipa::path(tag = "reports", security(("bearer" = [])), params(CalendarFeedQuery),
    responses((status = 200, description = "A page of your calendars", body = Page<CalendarFeedView>), ListProblems))]
#[get("/v1/me/calendar-feeds")]
pub async fn list_calendar_feeds(
    app: App,
    permit: Permit<BeOneself>,
    query: Params<CalendarFeedQuery>,
) -> Outcome {
    let query = query.0;
    let (page, since, person_id) = (query.page()?, query.updated_since, person(&permit)?);
    let slice: Slice<CalendarFeed> =
        app.read(&permit, move |tx| store::list(tx, person_id, since, page)).await?;
    Ok(HttpResponse::from(query.answer(slice, CalendarFeedView::from)))
}

/// Makes a calendar of what falls due. Its address is in the answer, and nowhere else.
#[utoipa::path(tag = "reports", security(("bearer" = [])), request_body = CalendarFeedFields,
    responses((status = 201, description = "Made; the address is shown this once", body = CalendarAddressView), CreateProblems))]
#[post("/v1/me/calendar-feeds")]
pub async fn create_calendar_feed(
    app: App,
    permit: Permit<BeOneself>,
    body: Plain<CalendarFeedFields>,
) -> Outcome {
    let person_id = person(&permit)?;
    let view = app.write(&permit, move |tx| create(tx, person_id, &body.0)).await?;
    Ok(HttpResponse::Created()
        .insert_header(("cache-control", "no-store"))
        .insert_header((ETAG, etag(view.version)))
        .insert_header(("location", format!("/v1/me/calendar-feeds/{}", view.id)))
        .json(view))
}

/// Makes a calendar of a person.
///
/// # Errors
/// Invalid, for a site that is not there; those of the database.
pub fn create(
    tx: &mut Tx<'_>,
    person_id: PersonId,
    fields: &CalendarFeedFields,
) -> Result<CalendarAddressView> {
    site_exists(tx, fields)?;
    let (id, secret) = (CalendarFeedId::fresh(), URL_SAFE_NO_PAD.encode(random::<32>()?));
    store::insert(tx, id, person_id, fields, &Sha256::digest(secret.as_bytes()))?;
    record(tx, "create_calendar_feed", id, None, fields)?;
    Ok(CalendarAddressView { id, version: 1, address: address(tx.org_id(), id, &secret) })
}

/// Reads a calendar of yours: what it shows, not its address.
#[utoipa::path(tag = "reports", security(("bearer" = [])), params(("id" = CalendarFeedId, Path, description = "The calendar")),
    responses((status = 200, description = "The calendar", body = CalendarFeedView), ReadProblems))]
#[get("/v1/me/calendar-feeds/{id}")]
pub async fn read_calendar_feed(app: App, permit: Permit<BeOneself>, id: At<CalendarFeedId>) -> Outcome {
    let person_id = person(&permit)?;
    app.read(&permit, move |tx| store::read(tx, person_id, id.0)).await.map(CalendarFeedView::from).map(kept)
}

/// Changes what a calendar of yours shows, or ends it for good.
#[utoipa::path(tag = "reports", security(("bearer" = [])), request_body = Patch<CalendarFeedFields>,
    params(("id" = CalendarFeedId, Path, description = "The calendar"), ("If-Match" = String, Header, description = "The ETag the change is made on")),
    responses((status = 200, description = "As it stands now", body = CalendarFeedView), ChangeProblems))]
#[patch("/v1/me/calendar-feeds/{id}")]
pub async fn change_calendar_feed(
    app: App,
    permit: Permit<BeOneself>,
    id: At<CalendarFeedId>,
    if_match: IfMatch,
    patch: Patch<CalendarFeedFields>,
) -> Outcome {
    let person_id = person(&permit)?;
    let changed = app.write(&permit, move |tx| change(tx, person_id, id.0, if_match, &patch));
    changed.await.map(CalendarFeedView::from).map(kept)
}

/// Changes a calendar of a person.
///
/// # Errors
/// Not found; invalid; stale; those of the database.
pub fn change(
    tx: &mut Tx<'_>,
    person_id: PersonId,
    id: CalendarFeedId,
    if_match: IfMatch,
    patch: &Patch<CalendarFeedFields>,
) -> Result<CalendarFeed> {
    let stored = store::read(tx, person_id, id)?;
    if_match.check(stored.version)?;
    let after = patch.apply(&stored.fields)?;
    if stored.fields.ended && !after.ended {
        let detail = "has ended for good. Make another calendar: it has an address of its own.";
        return Err(Error::field("/ended", "for_good", detail));
    }
    site_exists(tx, &after)?;
    store::update(tx, id, &after, stored.version)?;
    record(tx, "change_calendar_feed", id, Some(&stored.fields), &after)?;
    store::read(tx, person_id, id)
}
