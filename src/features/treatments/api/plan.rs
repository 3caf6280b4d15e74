//! Planning a treatment, and reading the plan with where its steps are and what holds.

use std::collections::HashMap;

use actix_web::{HttpResponse, get, patch, post};
use chrono::{DateTime, Duration, Utc};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use super::facts::Facts;
use crate::db::Tx;
use crate::error::{Code, Error, Result};
use crate::features::audit::{self, Act};
use crate::features::climate::model::window::ClimateMoment;
use crate::features::haulouts::store::{self as haulouts, HaulOut};
use crate::features::products::store as products;
use crate::features::surveys::store::{finding, lock_vessel, survey};
use crate::features::treatments::model::TreatmentKind;
use crate::features::treatments::model::advice::{Advice, advice, mean};
use crate::features::treatments::model::drying::HullDrying;
use crate::features::treatments::model::entry::{
    Entry, EntryKind, StepState, TreatmentState, done, state, step_state,
};
use crate::features::treatments::model::holds::{CoatOn, Hold};
use crate::features::treatments::model::next::{NextStep, next};
use crate::features::treatments::model::plan::{PlanFields, StepKind};
use crate::features::treatments::store::drying::{ReadingsOf, readings};
use crate::features::treatments::store::plan::{self as store, Plan, PlansOf};
use crate::features::vessels::model::Zone;
use crate::features::vessels::store as vessels;
use crate::http::creation::Creation;
use crate::http::preconditions::kept;
use crate::http::problem::{ChangeProblems, CreateProblems, ReadProblems};
use crate::http::{App, At, IfMatch, Kept, New, Outcome, Patch, Permit, RetryKey};
use crate::ids::{HaulOutId, PersonId, TreatmentId, VesselId};
use crate::permissions::{Read, RecordWork};
use crate::science::cautions::cautions;

/// A step of a plan in a zone: where it is and what it asks for.
#[derive(Debug, Serialize, ToSchema)]
pub struct StepView {
    /// What is done.
    pub step: StepKind,
    /// The zone.
    pub zone: Zone,
    /// Where it is.
    pub state: StepState,
    /// What closes it.
    pub evidence: &'static str,
    /// The entry that said that it is done.
    pub done: Option<Entry>,
    /// What holds before it can be done.
    pub holds: Vec<Hold>,
    /// The cautions of its work.
    pub cautions: Vec<&'static str>,
}

/// A treatment planned or under way.
#[derive(Debug, Serialize, ToSchema)]
pub struct PlanView {
    /// The treatment: once closed, `GET /v1/treatments/{id}` is the record that the forecasts read.
    pub id: TreatmentId,
    /// The version of the plan, also the `ETag`.
    pub version: i32,
    /// The vessel.
    pub vessel_id: VesselId,
    /// The haul-out.
    pub haul_out_id: HaulOutId,
    /// When this version was recorded.
    pub updated_at: DateTime<Utc>,
    /// By whom.
    pub recorded_by: Option<PersonId>,
    /// Where the treatment is.
    pub state: TreatmentState,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub fields: PlanFields,
    /// The steps by zone, in order.
    pub progress: Vec<StepView>,
    /// The overrides: visible for ever.
    pub overrides: Vec<Entry>,
    /// What was done and decided, by time; what was withdrawn too.
    pub entries: Vec<Entry>,
    /// What comes next in each zone that is not finished, and whether it can be done now.
    pub next: Vec<NextStep>,
    /// Which path the evidence supports.
    pub advice: Advice,
    /// The cautions of all of it.
    pub cautions: Vec<&'static str>,
}

/// A plan with the facts that it is judged by.
#[derive(Debug)]
pub struct UnderWay {
    /// The plan.
    pub plan: PlanView,
    /// How the hull dries, where the plan has that step.
    pub drying: Option<HullDrying>,
    /// The coats put on since work started, in order.
    pub coats: Vec<CoatOn>,
    /// The climate since the lift, by time.
    pub climate: Vec<ClimateMoment>,
}

impl Kept for PlanView {
    fn id(&self) -> Uuid {
        self.id.into()
    }
    fn version(&self) -> i32 {
        self.version
    }
}

/// The treatments planned in a haul-out.
#[derive(Debug, Serialize, ToSchema)]
pub struct PlanList {
    /// Oldest first; a haul-out has few.
    pub items: Vec<PlanView>,
}

/// Which path the evidence on a vessel supports.
///
/// # Errors
/// Not found; those of the database.
pub fn advise(tx: &mut Tx<'_>, vessel_id: VesselId) -> Result<Advice> {
    let vessel = vessels::read(tx, vessel_id)?;
    let signed = survey::signed_of_vessels(tx, &[vessel_id])?;
    let findings: Vec<_> =
        finding::of_vessels(tx, &[vessel_id])?.into_iter().map(|finding| finding.fields).collect();
    let mut means = None;
    if let [.., before, last] = signed.as_slice() {
        let (earlier, later) =
            (readings(tx, ReadingsOf::Survey(before.id))?, readings(tx, ReadingsOf::Survey(last.id))?);
        if let Some(scale) = later.first().map(|reading| reading.scale.clone()) {
            means = mean(&earlier, &scale).zip(mean(&later, &scale));
        }
    }
    let last = signed.last().map(|survey| (survey.id, &survey.fields));
    Ok(advice(&vessel.fields, last, &findings, means, tx.now().date_naive()))
}

fn view(tx: &mut Tx<'_>, plan: Plan) -> Result<PlanView> {
    told(tx, plan).map(|told| told.plan)
}

fn told(tx: &mut Tx<'_>, plan: Plan) -> Result<UnderWay> {
    let advice = advise(tx, plan.vessel_id)?;
    let facts = Facts::load(tx, plan)?;
    let fields = &facts.plan.fields;
    let holds = facts.holds();
    let mut progress = Vec::new();
    for zone in fields.zones.iter().map(|zone| zone.zone) {
        for step in fields.steps_in(zone).map(|step| step.step) {
            let state = step_state(fields, &facts.entries, step, zone);
            progress.push(StepView {
                step,
                zone,
                state,
                evidence: step.evidence(),
                done: done(&facts.entries, step, zone).cloned(),
                holds: if state == StepState::Done { Vec::new() } else { holds.before_done(step, zone) },
                cautions: cautions(step.works().iter().copied()),
            });
        }
    }
    let next = next_steps(tx, &facts, advice.kind)?;
    let works = fields.steps.iter().flat_map(|step| step.step.works().iter().copied());
    let view = PlanView {
        id: facts.plan.id,
        version: facts.plan.version,
        vessel_id: facts.plan.vessel_id,
        haul_out_id: facts.plan.haul_out_id,
        updated_at: facts.plan.recorded_at,
        recorded_by: facts.plan.recorded_by,
        state: facts.state,
        cautions: cautions(works),
        progress,
        next,
        overrides: facts.entries.iter().filter(|e| e.fields.kind == EntryKind::Override).cloned().collect(),
        advice,
        fields: facts.plan.fields,
        entries: facts.entries,
    };
    Ok(UnderWay { plan: view, drying: facts.drying, coats: facts.coats, climate: facts.climate })
}

fn next_steps(tx: &mut Tx<'_>, facts: &Facts, advised: Option<TreatmentKind>) -> Result<Vec<NextStep>> {
    let ids: Vec<_> = facts.plan.fields.steps.iter().filter_map(|step| step.product_id).collect();
    let sheets: HashMap<_, _> =
        products::of_ids(tx, &ids)?.into_iter().map(|product| (product.id, product.fields)).collect();
    next(&facts.holds(), advised, facts.plan.vessel_id, &sheets)
}

/// Plans a treatment within a transaction.
///
/// # Errors
/// Invalid fields; another treatment of the haul-out is not closed; those of the database.
pub fn create(
    tx: &mut Tx<'_>,
    id: TreatmentId,
    haul_out_id: HaulOutId,
    fields: PlanFields,
) -> Result<PlanView> {
    let haul_out = haulouts::read(tx, haul_out_id)?;
    let fields = fields.checked()?;
    check_start(&fields, &haul_out)?;
    check_products(tx, &fields)?;
    lock_vessel(tx, haul_out.fields.vessel_id)?;
    for other in store::plans(tx, PlansOf::HaulOut(haul_out_id))? {
        let entries = store::entries(tx, other.id)?;
        if state(other.version, &entries) != TreatmentState::Closed {
            return Err(Error::new(
                Code::Conflict,
                format!(
                    "The haul-out has a treatment that is not closed: {}. Change that plan, or close it.",
                    other.id
                ),
            ));
        }
    }
    store::insert(tx, id, haul_out.fields.vessel_id, haul_out_id, &fields)?;
    settle(tx, "plan_treatment", id, None, &fields)
}

fn check_start(fields: &PlanFields, haul_out: &HaulOut) -> Result<()> {
    let lifted_on = haul_out.fields.lifted_on;
    match fields.starts_on {
        Some(starts_on) if starts_on < lifted_on => Err(Error::field(
            "/starts_on",
            "before_lift",
            format!("is before the lift on {lifted_on}. Correct one of them."),
        )),
        _ => Ok(()),
    }
}

fn check_products(tx: &mut Tx<'_>, fields: &PlanFields) -> Result<()> {
    for (n, step) in fields.steps.iter().enumerate() {
        let Some(id) = step.product_id else { continue };
        let product = products::named(tx, id).map_err(|error| error.below(&format!("/steps/{n}")))?;
        if step.step.role() != Some(product.fields.role) {
            let detail = "is a product of another role than the step's coats. Name another.";
            return Err(Error::field(format!("/steps/{n}/product_id"), "other_role", detail));
        }
    }
    Ok(())
}

/// Reads a plan within a transaction.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: TreatmentId) -> Result<PlanView> {
    let plan = store::read(tx, id)?;
    view(tx, plan)
}

/// Reads a plan with the facts that it is judged by, within a transaction.
///
/// # Errors
/// Not found.
pub fn read_under_way(tx: &mut Tx<'_>, id: TreatmentId) -> Result<UnderWay> {
    let plan = store::read(tx, id)?;
    told(tx, plan)
}

/// Changes a plan within a transaction.
///
/// # Errors
/// Stale; work has started; invalid fields; those of the database.
pub fn change(
    tx: &mut Tx<'_>,
    id: TreatmentId,
    if_match: IfMatch,
    patch: &Patch<PlanFields>,
) -> Result<PlanView> {
    let before = store::read(tx, id)?;
    lock_vessel(tx, before.vessel_id)?;
    if_match.check(before.version)?;
    let entries = store::entries(tx, id)?;
    if matches!(state(before.version, &entries), TreatmentState::Running | TreatmentState::Closed) {
        let detail =
            "Work has started, and the plan is fixed. A qualified person may override a hold instead.";
        return Err(Error::new(Code::Conflict, detail));
    }
    let after = patch.apply(&before.fields)?.checked()?;
    if after == before.fields {
        return read(tx, id);
    }
    if after.starts_on != before.fields.starts_on {
        check_start(&after, &haulouts::read(tx, before.haul_out_id)?)?;
    }
    check_products(tx, &after)?;
    store::insert_version(tx, id, before.version + 1, &after)?;
    settle(tx, "change_treatment_plan", id, Some(&before.fields), &after)
}

fn settle(
    tx: &mut Tx<'_>,
    action: &str,
    id: TreatmentId,
    before: Option<&PlanFields>,
    after: &PlanFields,
) -> Result<PlanView> {
    audit::record(
        tx,
        &Act { action, entity: "treatment", entity_id: id.into(), before, after: Some(after) },
    )?;
    read(tx, id)
}

/// Plans a treatment of the vessel in a haul-out. What is left out is what is usual for its kind.
#[utoipa::path(tag = "treatments", security(("bearer" = [])), request_body = New<PlanFields>,
    params(("id" = HaulOutId, Path, description = "The haul-out"), ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry answer as the first time", nullable = false)),
    responses((status = 201, description = "Planned", body = PlanView), (status = 200, description = "The same request had planned it", body = PlanView), CreateProblems))]
#[post("/v1/haul-outs/{id}/treatments")]
pub async fn plan_treatment(
    app: App,
    permit: Permit<RecordWork>,
    id: At<HaulOutId>,
    key: RetryKey,
    new: New<PlanFields>,
) -> Outcome {
    let creation = Creation { operation: "plan_treatment", key, new };
    let made = app.write(&permit, move |tx| {
        haulouts::read(tx, id.0)?;
        creation.once(tx, |tx, own, fields| create(tx, own, id.0, fields), read)
    });
    Ok(made.await?.answer("/v1/treatments"))
}

/// Lists the treatments planned in a haul-out.
#[utoipa::path(tag = "treatments", security(("bearer" = [])), params(("id" = HaulOutId, Path, description = "The haul-out")),
    responses((status = 200, description = "The treatments", body = PlanList), ReadProblems))]
#[get("/v1/haul-outs/{id}/treatments")]
pub async fn list_planned_treatments(app: App, permit: Permit<Read>, id: At<HaulOutId>) -> Outcome {
    let list = app.read(&permit, move |tx| {
        haulouts::read(tx, id.0)?;
        let plans = store::plans(tx, PlansOf::HaulOut(id.0))?;
        let items = plans.into_iter().map(|plan| view(tx, plan)).collect::<Result<_>>()?;
        Ok(PlanList { items })
    });
    Ok(HttpResponse::Ok().json(list.await?))
}

/// Reads the plan of a treatment: its steps and where they are, what holds, the advice, the cautions.
#[utoipa::path(tag = "treatments", security(("bearer" = [])), params(("id" = TreatmentId, Path, description = "The treatment")),
    responses((status = 200, description = "The plan", body = PlanView), ReadProblems))]
#[get("/v1/treatments/{id}/plan")]
pub async fn read_treatment_plan(app: App, permit: Permit<Read>, id: At<TreatmentId>) -> Outcome {
    app.read(&permit, move |tx| read(tx, id.0)).await.map(kept)
}

/// Changes the plan of a treatment before work starts. An acceptance counts for the version that was accepted.
#[utoipa::path(tag = "treatments", security(("bearer" = [])), request_body = Patch<PlanFields>,
    params(("id" = TreatmentId, Path, description = "The treatment"), ("If-Match" = String, Header, description = "The ETag the change is made on")),
    responses((status = 200, description = "As it stands now", body = PlanView), ChangeProblems))]
#[patch("/v1/treatments/{id}/plan")]
pub async fn change_treatment_plan(
    app: App,
    permit: Permit<RecordWork>,
    id: At<TreatmentId>,
    if_match: IfMatch,
    patch: Patch<PlanFields>,
) -> Outcome {
    app.write(&permit, move |tx| change(tx, id.0, if_match, &patch)).await.map(kept)
}

/// How the hull dries: the readings of each station, when it will be dry, and what to mind. Readings are those of the
/// surveys of the haul-out (`POST /v1/surveys/{id}/readings`); a draft is enough, and it bears on no forecast.
#[utoipa::path(tag = "treatments", security(("bearer" = [])), params(("id" = TreatmentId, Path, description = "The treatment")),
    responses((status = 200, description = "How it dries; null where the plan has no such step", body = Option<HullDrying>), ReadProblems))]
#[get("/v1/treatments/{id}/drying")]
pub async fn read_treatment_drying(app: App, permit: Permit<Read>, id: At<TreatmentId>) -> Outcome {
    let facts = app.read(&permit, move |tx| {
        let plan = store::read(tx, id.0)?;
        Facts::load(tx, plan)
    });
    Ok(HttpResponse::Ok().json(facts.await?.drying))
}

/// A span of days from a time, for windows.
pub(super) fn week_from(day: chrono::NaiveDate) -> (chrono::NaiveDate, chrono::NaiveDate) {
    use chrono::Datelike;
    let monday = day - Duration::days(i64::from(day.weekday().num_days_from_monday()));
    (monday, monday + Duration::days(7))
}
