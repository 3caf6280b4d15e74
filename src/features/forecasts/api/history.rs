//! What happened to a vessel, in the order of the days.

use actix_web::{HttpResponse, get};
use chrono::{DateTime, Datelike, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::codes;
use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::error::{Error, Result};
use crate::features::forecasts::store::{Records, records};
use crate::http::paging::ListQuery;
use crate::http::problem::{ListProblems, Problem};
use crate::http::{App, At, Outcome, Page, Params, Permit};
use crate::ids::VesselId;
use crate::permissions::Read;

/// What happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum EventKind {
    /// It first went into the water.
    Launch,
    /// It was relaunched.
    Relaunch,
    /// It was lifted.
    Lift,
    /// It was surveyed; only signed surveys.
    Survey,
    /// Something was found.
    Finding,
    /// What had been found was repaired.
    Repair,
    /// A treatment began.
    TreatmentStart,
    /// A coat was taken off.
    CoatRemoved,
    /// A coat was put on.
    Coat,
    /// A treatment was complete.
    TreatmentEnd,
    /// It left for good.
    Retirement,
}

/// One thing that happened to a vessel.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct HistoryEvent {
    /// The vessel.
    pub vessel_id: VesselId,
    /// The day.
    pub on: NaiveDate,
    /// What happened.
    pub kind: EventKind,
    /// The record that says so: the vessel, or its haul-out, survey, finding, coat or treatment.
    pub record_id: Uuid,
    /// One line.
    pub summary: String,
    /// When that record was last changed.
    pub updated_at: DateTime<Utc>,
}

impl HistoryEvent {
    /// One record gives at most one event of a kind, so no two have the same place.
    fn position(&self) -> Position {
        Position { key: i64::from(self.on.num_days_from_ce()) * 16 + self.kind as i64, id: self.record_id }
    }
}

/// Which events.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct HistoryQuery {
    /// Only those whose record changed at or after this time.
    #[param(nullable = false)]
    pub updated_since: Option<DateTime<Utc>>,
    /// Rows a page, 1 to 200.
    #[param(nullable = false, minimum = 1, maximum = 200)]
    pub limit: Option<u32>,
    /// Where the page before ended.
    #[param(nullable = false)]
    pub cursor: Option<String>,
}
crate::list_query!(HistoryQuery, "list_history");

/// Lists what happened to a vessel, by day: launch, lifts and relaunches, signed surveys, findings and repairs,
/// coats, treatments.
#[utoipa::path(tag = "forecasts", security(("bearer" = [])),
    params(("id" = VesselId, Path, description = "The vessel"), HistoryQuery),
    responses((status = 200, description = "A page of the history", body = Page<HistoryEvent>),
        (status = 404, description = "No such vessel in your organisation", body = Problem, content_type = "application/problem+json"),
        ListProblems))]
#[get("/v1/vessels/{id}/history")]
pub async fn list_history(
    app: App,
    permit: Permit<Read>,
    id: At<VesselId>,
    query: Params<HistoryQuery>,
) -> Outcome {
    let query = query.0;
    let (page, since) = (query.page()?, query.updated_since);
    let slice = app.read(&permit, move |tx| cut(of_vessel(tx, id.0)?, since, page)).await?;
    Ok(HttpResponse::from(query.answer(slice, |event| event)))
}

/// Everything that happened to a vessel, by day.
///
/// # Errors
/// Not found; those of the database.
pub fn of_vessel(tx: &mut Tx<'_>, id: VesselId) -> Result<Vec<HistoryEvent>> {
    let found = records(tx, &[id])?.pop().ok_or_else(|| Error::not_found("vessel"))?;
    let mut events = events(&found)?;
    events.sort_by_key(|event| (event.on, event.kind, event.record_id));
    Ok(events)
}

/// A vessel's history is a few hundred records at most: it is put together whole and cut here.
fn cut(
    mut events: Vec<HistoryEvent>,
    since: Option<DateTime<Utc>>,
    page: PageRequest,
) -> Result<Slice<HistoryEvent>> {
    let place = |event: &HistoryEvent| {
        let Position { key, id } = event.position();
        (key, id)
    };
    events.retain(|event| {
        since.is_none_or(|since| event.updated_at >= since)
            && page.after.is_none_or(|after| place(event) > (after.key, after.id))
    });
    events.sort_by_key(place);
    events.truncate(usize::try_from(page.fetch()).map_err(Error::internal)?);
    Ok(page.slice(events, HistoryEvent::position))
}

/// A code as people read it.
fn words<T: Serialize>(code: &T) -> Result<String> {
    Ok(codes::to_text(code)?.replace('_', " "))
}

/// The events of a vessel as they are put together.
struct Told {
    vessel_id: VesselId,
    events: Vec<HistoryEvent>,
}

impl Told {
    /// An event of a record that was last changed at a time; none without its day.
    fn event(
        &mut self,
        (record_id, updated_at): (Uuid, DateTime<Utc>),
        on: Option<NaiveDate>,
        kind: EventKind,
        summary: impl Into<String>,
    ) {
        if let Some(on) = on {
            let (vessel_id, summary) = (self.vessel_id, summary.into());
            self.events.push(HistoryEvent { vessel_id, on, kind, record_id, summary, updated_at });
        }
    }
}

fn events(records: &Records) -> Result<Vec<HistoryEvent>> {
    let vessel = &records.vessel;
    let mut told = Told { vessel_id: vessel.id, events: Vec::new() };
    let record = (vessel.id.into(), vessel.updated_at);
    told.event(record, vessel.fields.launched_on, EventKind::Launch, "Launched");
    told.event(record, vessel.fields.retired_on, EventKind::Retirement, "Retired");
    for haul_out in &records.haul_outs {
        let fields = &haul_out.fields;
        let record = (haul_out.id.into(), haul_out.updated_at);
        let reason = words(&fields.reason)?;
        told.event(record, Some(fields.lifted_on), EventKind::Lift, format!("Lifted: {reason}"));
        told.event(record, fields.relaunched_on, EventKind::Relaunch, "Relaunched");
    }
    for survey in &records.surveys {
        let fields = &survey.fields;
        let record = (survey.id.into(), survey.recorded_at);
        let examined = fields.bottom_examined.as_ref().map(words).transpose()?.unwrap_or_default();
        let blistering = fields.blistering.as_ref().map(words).transpose()?.unwrap_or_default();
        let summary = format!("Surveyed: bottom examined: {examined}; blistering: {blistering}");
        told.event(record, Some(fields.surveyed_on), EventKind::Survey, summary);
    }
    for finding in &records.findings {
        let fields = &finding.fields;
        let record = (finding.id.into(), finding.recorded_at);
        let what = format!("{} on the {}", words(&fields.kind)?, words(&fields.zone)?);
        told.event(record, Some(fields.found_on), EventKind::Finding, format!("Found: {what}"));
        told.event(record, fields.repaired_on, EventKind::Repair, format!("Repaired: {what}"));
    }
    for coat in &records.coats {
        let fields = &coat.fields;
        let record = (coat.id.into(), coat.recorded_at);
        let film = fields.dry_film_um.map(|film| format!(", {film} µm")).unwrap_or_default();
        let product = fields.product.as_deref().map(|product| format!(", {product}")).unwrap_or_default();
        let what = format!("{} on the {}{film}{product}", words(&fields.role)?, words(&fields.zone)?);
        told.event(record, Some(fields.applied_on), EventKind::Coat, format!("Coated: {what}"));
        told.event(record, fields.removed_on, EventKind::CoatRemoved, format!("Taken off: {what}"));
    }
    for treatment in &records.treatments {
        let fields = &treatment.fields;
        let record = (treatment.id.into(), treatment.recorded_at);
        let what = words(&fields.kind)?;
        let (start, end) = (fields.started_on, fields.completed_on);
        told.event(record, Some(start), EventKind::TreatmentStart, format!("Treatment began: {what}"));
        told.event(record, Some(end), EventKind::TreatmentEnd, format!("Treatment complete: {what}"));
    }
    Ok(told.events)
}
