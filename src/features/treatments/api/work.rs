//! Work under a treatment: entries, decisions, coats, closing.

use actix_web::{HttpResponse, post};
use chrono::{DateTime, Duration, NaiveDate, Utc};
use garde::Validate;
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;
use uuid::Uuid;

use super::facts::Facts;
use super::record;
use super::{TreatmentView, create as record_treatment};
use crate::db::Tx;
use crate::error::{Code, Error, Result};
use crate::features::audit::{self, Act};
use crate::features::haulouts::store as haulouts;
use crate::features::surveys::store::lock_vessel;
use crate::features::treatments::model::TreatmentFields;
use crate::features::treatments::model::drying::HullDrying;
use crate::features::treatments::model::entry::{
    Entry, EntryFields, EntryKind, StepState, TreatmentState, step_state,
};
use crate::features::treatments::model::holds::{CODES, minute, refuse};
use crate::features::treatments::store::plan::{self as store, Plan};
use crate::features::vessels::model::Zone;
use crate::http::creation::{Created, Creation};
use crate::http::problem::CreateProblems;
use crate::http::{App, At, Kept, New, Outcome, Permit, Plain, RetryKey};
use crate::ids::{EntryId, Id, TreatmentId};
use crate::jobs::outbox::{self, EventKind, NewEvent};
use crate::permissions::{RecordWork, Survey};

impl Kept for Entry {
    fn id(&self) -> Uuid {
        self.id.into()
    }
    fn version(&self) -> i32 {
        1
    }
}

/// The plan, while nobody else writes under it.
pub(super) fn held(tx: &mut Tx<'_>, id: TreatmentId) -> Result<Plan> {
    let plan = store::read(tx, id)?;
    lock_vessel(tx, plan.vessel_id)?;
    store::read(tx, id)
}

pub(super) fn conflict(detail: &str) -> Error {
    Error::new(Code::Conflict, detail)
}

fn read_entry(tx: &mut Tx<'_>, treatment_id: TreatmentId, id: EntryId) -> Result<Entry> {
    store::entries(tx, treatment_id)?
        .into_iter()
        .find(|entry| entry.id == id)
        .ok_or_else(|| Error::not_found("entry"))
}

/// The zone of a step or a hold that names none, where the plan has one only.
fn only_zone(plan: &Plan, kind: EntryKind) -> Option<Zone> {
    match plan.fields.zones.as_slice() {
        [only] if matches!(kind, EntryKind::StepDone | EntryKind::Override) => Some(only.zone),
        _ => None,
    }
}

fn enter(tx: &mut Tx<'_>, id: EntryId, plan: &Plan, fields: EntryFields) -> Result<Entry> {
    let fields = EntryFields { zone: fields.zone.or_else(|| only_zone(plan, fields.kind)), ..fields };
    let fields = fields.checked(tx.now())?;
    let facts = Facts::load(tx, plan.clone())?;
    match facts.state {
        TreatmentState::Closed => {
            return Err(conflict(
                "The treatment is closed and takes no entries. Plan another for further work.",
            ));
        }
        TreatmentState::Planned if fields.kind.is_work() => {
            return Err(conflict(
                "The plan is not accepted. A named qualified person accepts it first: POST /v1/treatments/{id}/decisions.",
            ));
        }
        TreatmentState::Accepted | TreatmentState::Running if fields.kind == EntryKind::Acceptance => {
            return Err(conflict("The plan is accepted already."));
        }
        _ => {}
    }
    if let Some(hold) = fields.hold.as_deref().filter(|hold| !CODES.contains(hold)) {
        let detail = format!("is {hold}, which no hold is called. Name one of {}.", CODES.join(", "));
        return Err(Error::field("/hold", "unknown", detail));
    }
    if fields.kind.is_work() {
        in_haul_out(tx, plan, fields.happened_at)?;
    }
    if let Some(zone) = fields.zone
        && !plan.fields.zones.iter().any(|own| own.zone == zone)
    {
        return Err(Error::field("/zone", "unknown", "is not a zone of the plan. Name one of its zones."));
    }
    if let Some((step, zone)) = fields.step.zip(fields.zone) {
        if !plan.fields.steps_in(zone).any(|own| own.step == step) {
            return Err(Error::field(
                "/step",
                "unknown",
                "is not planned in this zone. Name one of its steps.",
            ));
        }
        if fields.kind == EntryKind::StepDone {
            if step_state(&plan.fields, &facts.entries, step, zone) == StepState::Done {
                return Err(conflict(
                    "The step is done in this zone already. Withdraw that entry if it is wrong.",
                ));
            }
            refuse(plan.id, &facts.holds().before_done(step, zone))?;
        }
    }
    if fields.kind == EntryKind::Withdrawal {
        let other = facts.entries.iter().find(|entry| Some(entry.id) == fields.of_entry_id);
        let other = other.ok_or_else(|| {
            Error::field("/of_entry_id", "unknown", "is no entry of this treatment. Check the id.")
        })?;
        if other.withdrawn || matches!(other.fields.kind, EntryKind::Override | EntryKind::Withdrawal) {
            return Err(Error::field(
                "/of_entry_id",
                "stays",
                "is withdrawn already, or an override or withdrawal, which stay visible for ever. Leave it.",
            ));
        }
    }
    let accepted = (fields.kind == EntryKind::Acceptance).then_some(plan.version);
    store::insert_entry(tx, id, plan, accepted, &fields)?;
    audit::record(
        tx,
        &Act {
            action: "enter_in_treatment",
            entity: "treatment",
            entity_id: plan.id.into(),
            before: None,
            after: Some(&fields),
        },
    )?;
    read_entry(tx, plan.id, id)
}

/// Makes an entry of a treatment once within a transaction.
///
/// # Errors
/// Not found; an open hold; invalid fields; those of the database.
pub fn enter_in(
    tx: &mut Tx<'_>,
    treatment_id: TreatmentId,
    creation: Creation<EntryFields>,
) -> Result<Created<Entry>> {
    let plan = held(tx, treatment_id)?;
    creation.once(
        tx,
        |tx, id, fields| enter(tx, id, &plan, fields),
        |tx, id| read_entry(tx, treatment_id, id),
    )
}

/// Whether work lies in the haul-out. Local days reach half a day to either side of those of UTC.
fn in_haul_out(tx: &mut Tx<'_>, plan: &Plan, at: DateTime<Utc>) -> Result<()> {
    let ashore = haulouts::read(tx, plan.haul_out_id)?.fields;
    let day = at.date_naive();
    let before = day + Duration::days(1) < ashore.lifted_on;
    let after = ashore.relaunched_on.is_some_and(|relaunched_on| day > relaunched_on + Duration::days(1));
    if before || after {
        let detail =
            "lies outside the haul-out of the treatment. Correct the time, or the days of the haul-out.";
        return Err(Error::field("/happened_at", "outside_haul_out", detail));
    }
    Ok(())
}

async fn enter_once<P: crate::permissions::Permission>(
    app: App,
    permit: Permit<P>,
    treatment_id: TreatmentId,
    creation: Creation<EntryFields>,
) -> Outcome {
    let made = app.write(&permit, move |tx| enter_in(tx, treatment_id, creation));
    Ok(made.await?.answer(&format!("/v1/treatments/{treatment_id}/entries")))
}

/// Enters what was done: a wash, a blush wash, an abrasion, a step that is done, or the withdrawal of an entry. A step with
/// an open hold is refused, each hold saying what is missing.
#[utoipa::path(tag = "treatments", security(("bearer" = [])), request_body = New<EntryFields>,
    params(("id" = TreatmentId, Path, description = "The treatment"), ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry answer as the first time", nullable = false)),
    responses((status = 201, description = "Entered", body = Entry), (status = 200, description = "The same request had entered it", body = Entry), CreateProblems))]
#[post("/v1/treatments/{id}/entries")]
pub async fn enter_work(
    app: App,
    permit: Permit<RecordWork>,
    id: At<TreatmentId>,
    key: RetryKey,
    new: New<EntryFields>,
) -> Outcome {
    if new.fields.kind.is_decision() {
        return Err(Error::field("/kind", "decision", "is a decision: POST /v1/treatments/{id}/decisions."));
    }
    enter_once(app, permit, id.0, Creation { operation: "enter_work", key, new }).await
}

/// A named qualified person decides: accepts the plan, or lets work go on over a hold, with the reason.
#[utoipa::path(tag = "treatments", security(("bearer" = [])), request_body = New<EntryFields>,
    params(("id" = TreatmentId, Path, description = "The treatment"), ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry answer as the first time", nullable = false)),
    responses((status = 201, description = "Decided", body = Entry), (status = 200, description = "The same request had decided it", body = Entry), CreateProblems))]
#[post("/v1/treatments/{id}/decisions")]
pub async fn enter_decision(
    app: App,
    permit: Permit<Survey>,
    id: At<TreatmentId>,
    key: RetryKey,
    new: New<EntryFields>,
) -> Outcome {
    if !new.fields.kind.is_decision() {
        return Err(Error::field(
            "/kind",
            "not_decision",
            "is no decision: POST /v1/treatments/{id}/entries.",
        ));
    }
    enter_once(app, permit, id.0, Creation { operation: "enter_decision", key, new }).await
}

/// How the hull of a plan dries, while work under it is accepted or goes on.
///
/// # Errors
/// Those of the database.
pub fn drying_under(tx: &mut Tx<'_>, plan: Plan) -> Result<Option<HullDrying>> {
    let facts = Facts::load(tx, plan)?;
    let goes_on = matches!(facts.state, TreatmentState::Accepted | TreatmentState::Running);
    Ok(facts.drying.filter(|_| goes_on))
}

/// How a treatment is closed.
#[derive(Debug, Clone, Serialize, Deserialize, Validate, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ClosingFields {
    /// When the hull may go afloat: now or before. Immersion times are judged at it.
    #[garde(skip)]
    pub launch_at: DateTime<Utc>,
    /// The name of who closes it.
    #[garde(length(chars, min = 1, max = 200))]
    #[schema(min_length = 1, max_length = 200)]
    pub person_name: String,
    /// How much of the laminate a curative treatment took off.
    #[garde(range(min = 0.0, max = 50.0))]
    #[schema(minimum = 0, maximum = 50)]
    pub laminate_removed_mm: Option<f64>,
    /// Anything else.
    #[garde(length(chars, min = 1, max = 4000))]
    #[schema(min_length = 1, max_length = 4000)]
    pub note: Option<String>,
}

/// Closes a treatment within a transaction: it is recorded as done, and the forecast is asked for.
///
/// # Errors
/// Not running; a hold is open; invalid fields; those of the database.
pub fn close(tx: &mut Tx<'_>, id: TreatmentId, closing: ClosingFields) -> Result<TreatmentView> {
    let plan = held(tx, id)?;
    let facts = Facts::load(tx, plan.clone())?;
    if facts.state != TreatmentState::Running {
        return Err(conflict(
            "The treatment is not running. Accept the plan and do its steps; a closed one stays closed.",
        ));
    }
    if closing.launch_at > tx.now() {
        return Err(Error::field(
            "/launch_at",
            "future",
            "lies in the future. Close when the hull may go afloat.",
        ));
    }
    let worked = facts.entries.iter().filter(|entry| !entry.withdrawn && entry.fields.kind.is_work());
    let coated = facts.coats.iter().filter_map(|coat| coat.fields.finished_at);
    let last = worked.map(|entry| entry.fields.happened_at).chain(coated).max();
    if let Some(last) = last.filter(|last| closing.launch_at < *last) {
        let detail = format!("lies before the last work, of {}. Correct one of them.", minute(last));
        return Err(Error::field("/launch_at", "before_work", detail));
    }
    refuse(plan.id, &facts.holds().before_closing(closing.launch_at)?)?;
    let started_on = facts.started_on().unwrap_or_else(|| closing.launch_at.date_naive());
    let entry = EntryFields {
        kind: EntryKind::Closing,
        zone: None,
        step: None,
        hold: None,
        of_entry_id: None,
        happened_at: closing.launch_at,
        person_name: Some(closing.person_name),
        qualification: None,
        note: closing.note.clone(),
    };
    store::insert_entry(tx, EntryId::fresh(), &plan, None, &entry)?;
    let completed_on: NaiveDate = closing.launch_at.date_naive();
    let fields = TreatmentFields {
        r#ref: None,
        vessel_id: plan.vessel_id,
        haul_out_id: Some(plan.haul_out_id),
        kind: plan.fields.kind,
        started_on,
        completed_on,
        laminate_removed_mm: closing.laminate_removed_mm,
        note: closing.note,
        withdrawn: false,
        correction_reason: None,
    };
    let content = json!({
        "treatment_id": id, "kind": fields.kind, "haul_out_id": plan.haul_out_id, "started_on": started_on,
        "completed_on": completed_on,
    });
    outbox::append(tx, &[NewEvent::of_vessel(EventKind::TreatmentClosed, plan.vessel_id, content)])?;
    let closed = record_treatment(tx, id, fields)?;
    record::keep(tx, &plan)?;
    Ok(closed)
}

/// Closes a treatment, when no hold is open: films accepted, immersion in its window. It is then a treatment that was done,
/// and a curative one begins a new life of the hull in the forecasts.
#[utoipa::path(tag = "treatments", security(("bearer" = [])), request_body = ClosingFields,
    params(("id" = TreatmentId, Path, description = "The treatment")),
    responses((status = 200, description = "The treatment as it was done", body = TreatmentView), CreateProblems))]
#[post("/v1/treatments/{id}/closing")]
pub async fn close_treatment(
    app: App,
    permit: Permit<RecordWork>,
    id: At<TreatmentId>,
    closing: Plain<ClosingFields>,
) -> Outcome {
    let closed = app.write(&permit, move |tx| close(tx, id.0, closing.0)).await?;
    Ok(HttpResponse::Ok().json(closed))
}
