//! Recording coats: under a treatment its holds are looked at, and no coat goes round those of one that runs.

use actix_web::post;

use super::facts::Facts;
use super::work::{conflict, held};
use crate::db::Tx;
use crate::error::{Code, Error, Result};
use crate::features::coats::api::{self as coats, CoatView};
use crate::features::coats::model::CoatFields;
use crate::features::products::store as products;
use crate::features::surveys::store::lock_vessel;
use crate::features::treatments::model::entry::{StepState, TreatmentState, step_state};
use crate::features::treatments::model::holds::refuse;
use crate::features::treatments::store::plan::{Plan, running, running_on};
use crate::http::creation::{Created, Creation};
use crate::http::problem::CreateProblems;
use crate::http::{App, At, New, Outcome, Permit, RetryKey};
use crate::ids::{CoatId, TreatmentId};
use crate::permissions::RecordWork;

/// Makes a coat of no treatment within a transaction.
///
/// # Errors
/// A treatment of its haul-out runs; invalid fields, a foreign vessel or haul-out, a place that another coat has; those of
/// the database.
pub fn create(tx: &mut Tx<'_>, id: CoatId, fields: CoatFields) -> Result<CoatView> {
    lock_vessel(tx, fields.vessel_id)?;
    let runs = match fields.haul_out_id {
        Some(id) => running(tx, id)?,
        // Left out, it is the haul-out of that day.
        None => running_on(tx, fields.vessel_id, fields.applied_on)?,
    };
    if let Some(treatment_id) = runs {
        return Err(Error::new(
            Code::TreatmentRuns,
            format!(
                "The haul-out has a treatment that runs, whose holds guard its coats. Record it there: POST /v1/treatments/{treatment_id}/coats."
            ),
        ));
    }
    coats::create(tx, id, fields)
}

/// Records a coat.
#[utoipa::path(tag = "coats", security(("bearer" = [])), request_body = New<CoatFields>,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry answer as the first time", nullable = false)),
    responses((status = 201, description = "Made", body = CoatView), (status = 200, description = "The same request had made it", body = CoatView), CreateProblems))]
#[post("/v1/coats")]
pub async fn create_coat(
    app: App,
    permit: Permit<RecordWork>,
    key: RetryKey,
    new: New<CoatFields>,
) -> Outcome {
    let creation = Creation { operation: "create_coat", key, new };
    let made = app.write(&permit, move |tx| creation.once(tx, create, coats::read)).await?;
    Ok(made.answer("/v1/coats"))
}

fn put_on(tx: &mut Tx<'_>, id: CoatId, plan: &Plan, mut coat: CoatFields) -> Result<CoatView> {
    if coat.vessel_id != plan.vessel_id || coat.haul_out_id.is_some_and(|own| own != plan.haul_out_id) {
        return Err(Error::field(
            "/vessel_id",
            "other_vessel",
            "or haul_out_id is not the treatment's. Correct them.",
        ));
    }
    coat.haul_out_id = Some(plan.haul_out_id);
    // What is wrong with the coat itself is told before what holds.
    let coat = coats::whole(tx, coat)?;
    let facts = Facts::load(tx, plan.clone())?;
    if facts.state != TreatmentState::Running {
        return Err(conflict(
            "The treatment is not running: its plan must be accepted and its first step done before a coat, and it must not be closed.",
        ));
    }
    if let Some(day) = facts.started_on().filter(|day| coat.applied_on < *day) {
        let detail = format!("is before the treatment began on {day}. Correct one of them.");
        return Err(Error::field("/applied_on", "before_work", detail));
    }
    let holds = facts.holds();
    let Some(step) = holds.step_of(&coat) else {
        return Err(Error::field(
            "/role",
            "not_planned",
            "has no step in the plan on this zone. Correct role or zone.",
        ));
    };
    if step_state(&plan.fields, &facts.entries, step, coat.zone) == StepState::Done {
        return Err(conflict(
            "The step of this coat is done in this zone. Withdraw that entry first, if the coat belongs to it.",
        ));
    }
    let sheet = coat.product_id.map(|id| products::named(tx, id)).transpose()?;
    refuse(plan.id, &holds.before_coat(step, &coat, sheet.as_ref().map(|product| &product.fields))?)?;
    coats::create(tx, id, coat)
}

/// Records a coat under a treatment once within a transaction.
///
/// # Errors
/// Not found; an open hold; invalid fields; those of the database.
pub fn coat_in(
    tx: &mut Tx<'_>,
    treatment_id: TreatmentId,
    creation: Creation<CoatFields>,
) -> Result<Created<CoatView>> {
    let plan = held(tx, treatment_id)?;
    creation.once(tx, |tx, id, coat| put_on(tx, id, &plan, coat), coats::read)
}

/// Records a coat under a treatment that runs. An open hold refuses it, saying what is missing and how to supply it.
#[utoipa::path(tag = "treatments", security(("bearer" = [])), request_body = New<CoatFields>,
    params(("id" = TreatmentId, Path, description = "The treatment"), ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry answer as the first time", nullable = false)),
    responses((status = 201, description = "Recorded", body = CoatView), (status = 200, description = "The same request had recorded it", body = CoatView), CreateProblems))]
#[post("/v1/treatments/{id}/coats")]
pub async fn record_treatment_coat(
    app: App,
    permit: Permit<RecordWork>,
    id: At<TreatmentId>,
    key: RetryKey,
    new: New<CoatFields>,
) -> Outcome {
    let creation = Creation { operation: "record_treatment_coat", key, new };
    let made = app.write(&permit, move |tx| coat_in(tx, id.0, creation));
    Ok(made.await?.answer("/v1/coats"))
}
