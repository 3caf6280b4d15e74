//! What falls due as a calendar (RFC 5545, RFC 7986): a whole day an event, the reason in its description.

use actix_web::http::header::{CACHE_CONTROL, CONTENT_TYPE, ETAG, IF_NONE_MATCH};
use actix_web::{HttpRequest, HttpResponse, get, web};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use chrono::{Days, TimeDelta};
use icalendar::{Calendar, Component, Event, EventLike, EventStatus, Parameter, Property};
use sha2::{Digest, Sha256};

use crate::codes;
use crate::db::paging::PageRequest;
use crate::db::{Actor, Tx};
use crate::error::{Code, Error, Result};
use crate::features::due::api::list::organisation_today;
use crate::features::due::model::DueFilter;
use crate::features::due::store::{self as due, DueRow};
use crate::features::reports::model::folding::folded;
use crate::features::reports::store::feeds::{self as store, CalendarFeed, EndedDue, NO_CALENDAR};
use crate::http::problem::OpenDoorProblems;
use crate::http::state::blocking;
use crate::http::{App, Outcome};
use crate::ids::{CalendarFeedId, Id, OrgId, RequestId};
use crate::science::cautions::ADVISES_ONLY;
use crate::science::forecast::dates::{Basis, DueStatus};

/// The content type of a calendar.
const TEXT_CALENDAR: &str = "text/calendar; charset=utf-8";
/// How far ahead it shows what falls due.
const SHOWN_AHEAD: Days = Days::new(3 * 365);
/// For how long it shows what fell due no longer.
const SHOWN_ENDED: TimeDelta = TimeDelta::days(60);
/// The most events of either kind.
const MAX_EVENTS: i64 = 5_000;

/// The path to subscribe to.
pub(super) fn address(org_id: OrgId, id: CalendarFeedId, secret: &str) -> String {
    format!("/v1/calendars/{org_id}.{id}.{secret}.ics")
}

/// Whose calendar an address means, which, and the digest of its secret.
fn parts(address: &str) -> Option<(OrgId, CalendarFeedId, Vec<u8>)> {
    let mut parts = address.strip_suffix(".ics")?.split('.');
    let (org_id, id, secret) = (parts.next()?, parts.next()?, parts.next()?);
    if parts.next().is_some() {
        return None;
    }
    let digest = Sha256::digest(secret.as_bytes()).to_vec();
    Some((
        OrgId::from(org_id.parse::<uuid::Uuid>().ok()?),
        CalendarFeedId::from(id.parse::<uuid::Uuid>().ok()?),
        digest,
    ))
}

fn nothing_there() -> Error {
    Error::new(Code::NotFound, NO_CALENDAR)
}

/// Reads a calendar by its secret address (RFC 5545): a whole day an event, from what is overdue to three years ahead,
/// with the reason in the description. What falls due no longer is shown as cancelled for sixty days. The address ends
/// in `.ics`; `If-None-Match` is answered with 304 while nothing has changed.
#[utoipa::path(tag = "reports", params(("address" = String, Path, description = "The secret part of the address")),
    responses((status = 200, description = "The calendar", content_type = "text/calendar", body = String),
        (status = 304, description = "Nothing has changed since"), 
        (status = 404, description = "No calendar is here, or it has ended", body = crate::http::problem::Problem, content_type = "application/problem+json"),
        OpenDoorProblems))]
#[get("/v1/calendars/{address}")]
pub async fn read_calendar(app: App, request: HttpRequest, address: web::Path<String>) -> Outcome {
    let (org_id, id, digest) = parts(&address).ok_or_else(nothing_there)?;
    let db = app.db.clone();
    let text = blocking(move || {
        let actor = Actor::service(org_id, RequestId::fresh());
        db.read(&actor, |tx| {
            let (feed, stored) = store::subscribed(tx, id)?;
            // Both are digests of 256 random bits: how long the comparing takes says nothing of the secret.
            if stored == digest { written(tx, &feed) } else { Err(nothing_there()) }
        })
    })
    .await?;
    let tag = format!("\"{}\"", URL_SAFE_NO_PAD.encode(Sha256::digest(text.as_bytes())));
    let known = request.headers().get(IF_NONE_MATCH).and_then(|value| value.to_str().ok());
    let unchanged = known.is_some_and(|known| {
        known.split(',').any(|one| one.trim().trim_start_matches("W/") == tag || one.trim() == "*")
    });
    let mut answer = if unchanged { HttpResponse::NotModified() } else { HttpResponse::Ok() };
    answer.insert_header((ETAG, tag)).insert_header((CACHE_CONTROL, "private, no-cache"));
    if unchanged {
        return Ok(answer.finish());
    }
    Ok(answer.insert_header((CONTENT_TYPE, TEXT_CALENDAR)).body(text))
}

fn written(tx: &mut Tx<'_>, feed: &CalendarFeed) -> Result<String> {
    let today = organisation_today(tx)?;
    let filter = DueFilter {
        site_id: feed.fields.site_id,
        kind: feed.fields.kind,
        status: Some(DueStatus::Due),
        before: today.checked_add_days(SHOWN_AHEAD),
        ..DueFilter::default()
    };
    let rows = due::list(tx, &filter, PageRequest { limit: MAX_EVENTS, after: None })?.items;
    let ended = store::ended(tx, &feed.fields, tx.now() - SHOWN_ENDED, MAX_EVENTS)?;
    let mut calendar = Calendar::empty();
    calendar.append_property(Property::new("VERSION", "2.0"));
    calendar.append_property(Property::new("PRODID", "-//garboard//what falls due//EN"));
    calendar.append_property(Property::new("NAME", &feed.fields.name));
    let often = Property::new("REFRESH-INTERVAL", "PT6H")
        .append_parameter(Parameter::new("VALUE", "DURATION"))
        .done();
    calendar.append_property(often);
    for row in &rows {
        calendar.push(event(row)?);
    }
    for row in &ended {
        calendar.push(cancelled(row)?);
    }
    let text: String = (&calendar).try_into().map_err(|error: std::fmt::Error| Error::internal(error))?;
    Ok(folded(&text))
}

fn word(code: &impl serde::Serialize) -> Result<String> {
    Ok(codes::to_text(code)?.replace('_', " "))
}

/// The same for as long as this kind is due of this vessel.
fn uid(id: crate::ids::DueId) -> String {
    format!("{id}@garboard")
}

fn event(row: &DueRow) -> Result<Event> {
    let (date, vessel) = (&row.date, &row.vessel);
    let due_on = date.due_on.ok_or_else(|| Error::internal("a row without a date in a calendar"))?;
    let mut lines = vec![date.reason.clone()];
    let range = date.due_range.filter(|range| range.p10 != range.p90);
    lines.extend(range.map(|range| {
        let day = |day: Option<chrono::NaiveDate>| {
            day.map_or_else(|| "the horizon".to_owned(), |day| day.to_string())
        };
        format!(
            "Nine in ten of the reckoned dates lie after {}, one in ten after {}.",
            day(range.p10),
            day(range.p90)
        )
    }));
    lines.push(match date.basis {
        Basis::Prior => "It rests on priors, not on the fleet's own history.".to_owned(),
        Basis::Learned => "It rests on what was learned from the fleet's own history.".to_owned(),
    });
    lines.extend(vessel.owner_name.as_ref().map(|owner| {
        format!("Owner: {owner} {}", vessel.owner_phone.as_deref().unwrap_or_default()).trim_end().to_owned()
    }));
    lines.push(ADVISES_ONLY.to_owned());
    let mut event = Event::new();
    event
        .uid(&uid(row.id))
        .timestamp(row.computed_at)
        .last_modified(row.computed_at)
        .starts(due_on)
        .summary(&format!("{}: {} due", vessel.name, word(&date.kind)?))
        .description(&lines.join("\n"))
        .status(EventStatus::Confirmed)
        .append_property(Property::new("TRANSP", "TRANSPARENT"));
    let place: Vec<&str> =
        [vessel.site_name.as_deref(), vessel.berth.as_deref()].into_iter().flatten().collect();
    if !place.is_empty() {
        event.location(&place.join(", "));
    }
    Ok(event.done())
}

fn cancelled(row: &EndedDue) -> Result<Event> {
    let kind = word(&row.kind)?;
    let summary = match &row.vessel_name {
        Some(name) => format!("{name}: {kind} no longer due"),
        None => format!("{kind}: no longer due"),
    };
    let mut event = Event::new();
    event
        .uid(&uid(row.id))
        .timestamp(row.ended_at)
        .last_modified(row.ended_at)
        .starts(row.due_on)
        .summary(&summary)
        .status(EventStatus::Cancelled)
        .append_property(Property::new("TRANSP", "TRANSPARENT"));
    Ok(event.done())
}
