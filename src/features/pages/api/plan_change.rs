//! Changing the plan of a treatment before work begins: zones, areas, products, coats, what counts as dry. What the form does
//! not show of a plan (girths, steps of one's own, their notes) stays as it is.

use actix_web::HttpRequest;
use actix_web::http::StatusCode;
use serde_json::{Value, json};

use super::act_form::{ActForm, Field, Kind, Typed};
use super::entry::all;
use super::entry_survey::is_shown;
use super::form::{self, Filled, sent_version};
use super::frame::{Frame, organisation_name, send_as};
use super::plan_new::{COATED, PlanPage, ZONES, advised, at_fields, fields, kind_of, plan_json};
use super::record_forms::lift_words;
use super::session::{PagePermit, see};
use super::yard_words::LocalTime;
use crate::db::Tx;
use crate::error::{Error, Result};
use crate::features::haulouts::store as haulouts;
use crate::features::products::store::{self as products, ProductFilter};
use crate::features::treatments::api::plan::{advise, change};
use crate::features::treatments::model::advice::Advice;
use crate::features::treatments::model::entry::{TreatmentState, state};
use crate::features::treatments::model::plan::{PlanFields, PlanStep, StepKind, usual};
use crate::features::treatments::store::plan::{self as plans, Plan};
use crate::features::vessels::model::Zone;
use crate::features::vessels::store as vessels;
use crate::http::problem::status;
use crate::http::{App, At, Outcome, Patch};
use crate::ids::{TreatmentId, VesselId};
use crate::permissions::RecordWork;

/// A plan and the form that changes it.
struct Changing {
    plan: Plan,
    at: TreatmentState,
    vessel_id: VesselId,
    vessel: String,
    lift: String,
    advice: Advice,
    form: ActForm,
    local: LocalTime,
}

/// A share in per cent as it is shown: no digits that only a binary fraction has.
fn percent(share: f64) -> f64 {
    (share * 1e8).round() / 1e6
}

/// What the plan has for a field of the form.
fn held(plan: &PlanFields, name: &str) -> Value {
    let zone = |zone: Zone| plan.zones.iter().find(|own| own.zone == zone);
    let step = |kind: StepKind| plan.steps.iter().find(|own| own.step == kind);
    for (own, treated, area) in ZONES {
        if name == treated {
            return json!(zone(own).is_some());
        }
        if name == area {
            return json!(zone(own).and_then(|zone| zone.area_m2));
        }
    }
    for (own, product, coats) in COATED {
        if name == product {
            return json!(step(own).and_then(|step| step.product_id));
        }
        if name == coats {
            return json!(step(own).and_then(|step| step.coats));
        }
    }
    match name {
        "kind" => json!(plan.kind),
        "starts_on" => json!(plan.starts_on),
        "note" => json!(plan.note),
        "target" => json!(plan.dry_target.as_ref().map(|dry| dry.target)),
        "scale" => json!(plan.dry_target.as_ref().map(|dry| &dry.scale)),
        "loss_pct" => json!(percent(plan.loss_fraction)),
        _ => Value::Null,
    }
}

fn load(tx: &mut Tx<'_>, id: TreatmentId) -> Result<Changing> {
    let plan = plans::read(tx, id)?;
    let lift = haulouts::read(tx, plan.haul_out_id)?;
    let vessel = vessels::read(tx, plan.vessel_id)?;
    let at = state(plan.version, &plans::entries(tx, id)?);
    let advice = advise(tx, vessel.id)?;
    let sheets = all(|page| products::list(tx, ProductFilter { role: None, updated_since: None }, page))?;
    let local = LocalTime::of(tx)?;
    let mut fields = fields(Field::unseen("version", plan.version), None, &sheets, &local);
    for field in fields.iter_mut().filter(|field| field.kind != Kind::Unseen) {
        field.hold(&held(&plan.fields, field.name), &local);
    }
    let action = format!("/treatments/{id}/plan");
    let mut form = ActForm::new("plan", "The plan", action, "Save the plan", fields);
    form.about = if at == TreatmentState::Accepted {
        "The plan was accepted as it is. Changed, it is accepted anew before work begins.".to_owned()
    } else {
        "A named qualified person accepts the plan before work begins.".to_owned()
    };
    form.open = true;
    let (vessel_id, lift) = (vessel.id, lift_words(&lift.fields));
    Ok(Changing { plan, at, vessel_id, vessel: vessel.fields.name, lift, advice, form, local })
}

/// The steps to begin from: the plan's own, but for zones that are no longer treated; those usual for another kind.
fn steps_from(plan: &PlanFields, typed: &Value) -> Result<Vec<PlanStep>> {
    let kind = kind_of(typed)?;
    if kind != plan.kind {
        return Ok(usual(kind));
    }
    let treated =
        |zone: &Zone| ZONES.iter().any(|(own, treated, _)| own == zone && typed.get(*treated).is_some());
    let mut steps = plan.steps.clone();
    steps.retain_mut(|step| {
        let everywhere = step.zones.is_empty();
        step.zones.retain(treated);
        everywhere || !step.zones.is_empty()
    });
    Ok(steps)
}

/// What was typed, to be merged into the plan (RFC 7396).
fn changes(plan: &PlanFields, typed: &Value) -> Result<(Value, Vec<Zone>, Vec<PlanStep>)> {
    let (mut json, zones, steps) = plan_json(steps_from(plan, typed)?, typed)?;
    if let Value::Object(object) = &mut json {
        object.remove("id");
        for name in ["starts_on", "note"] {
            object.entry(name).or_insert(Value::Null);
        }
        if steps.iter().any(|step| step.step == StepKind::Dry) {
            // Emptied: what is usual.
            object.entry("dry_target").or_insert(Value::Null);
        } else {
            object.insert("dry_target".to_owned(), json!(plan.dry_target));
        }
        let same =
            typed["loss_pct"].as_f64().is_some_and(|pct| (pct - percent(plan.loss_fraction)).abs() < 1e-9);
        if same {
            object.remove("loss_fraction");
        } else {
            object.entry("loss_fraction").or_insert(Value::Null);
        }
    }
    for (n, zone) in zones.iter().enumerate() {
        if let Some(own) = plan.zones.iter().find(|own| own.zone == *zone && !own.girths.is_empty()) {
            json["zones"][n]["girths"] = json!(own.girths);
        }
    }
    Ok((json, zones, steps))
}

fn change_as_typed(tx: &mut Tx<'_>, id: TreatmentId, sent: &Typed) -> Result<()> {
    let Changing { plan, form, local, .. } = load(tx, id)?;
    let typed = form.json(sent, &local, json!({}))?;
    let (json, zones, steps) = changes(&plan.fields, &typed)?;
    let patch = Patch::from_value(json).map_err(|error| at_fields(error, &zones, &steps))?;
    let after = patch.apply(&plan.fields).and_then(PlanFields::checked);
    if after.is_ok_and(|after| after == plan.fields) {
        // Nothing is changed, or the form came twice.
        return Ok(());
    }
    change(tx, id, sent_version(sent)?, &patch).map(|_| ()).map_err(|error| at_fields(error, &zones, &steps))
}

async fn page(
    app: App,
    request: HttpRequest,
    permit: PagePermit<RecordWork>,
    id: TreatmentId,
    refused: Option<(Typed, Error)>,
) -> Outcome {
    let loaded = app.read(&permit.0, move |tx| Ok((load(tx, id)?, organisation_name(tx)?)));
    let (Changing { at, vessel_id, vessel, lift, advice, form, .. }, organisation) = loaded.await?;
    let fixed = match at {
        TreatmentState::Planned | TreatmentState::Accepted => None,
        TreatmentState::Running => Some(
            "Work has begun, and the plan is fixed. A qualified person may pass over a hold on the treatment\u{2019}s page.",
        ),
        TreatmentState::Closed => Some("The treatment is closed: its plan stands as it was done."),
    };
    let (code, form) = match refused {
        Some((typed, error)) => (status(error.code), form.refused(&typed, &error)),
        None => (StatusCode::OK, form),
    };
    let frame = Frame::of(&request, organisation, "vessels", format!("Change the plan: {vessel}"))?;
    let act = match fixed {
        None => Some(ActForm { token: form::token(&request)?, may_add: frame.keeps_register(), ..form }),
        Some(_) => None,
    };
    let advised = advised(&advice);
    send_as(code, &PlanPage { frame, vessel_id, vessel, lift, fixed, advised, reasons: advice.reasons, act })
}

/// The form that changes a plan.
///
/// # Errors
/// Not found; those of the database.
pub async fn show(
    app: App,
    request: HttpRequest,
    permit: PagePermit<RecordWork>,
    id: At<TreatmentId>,
) -> Outcome {
    page(app, request, permit, id.0, None).await
}

/// Changes a plan, and leads back to the treatment.
///
/// # Errors
/// Not found; those of the database.
pub async fn save(
    app: App,
    request: HttpRequest,
    permit: PagePermit<RecordWork>,
    id: At<TreatmentId>,
    typed: Filled<Typed>,
) -> Outcome {
    let (typed, sent) = (typed.0.clone(), typed.0);
    match app.write(&permit.0, move |tx| change_as_typed(tx, id.0, &sent)).await {
        Ok(()) => Ok(see(&format!("/treatments/{}?done=plan_changed", id.0))),
        Err(error) if is_shown(&error) => page(app, request, permit, id.0, Some((typed, error))).await,
        Err(error) => Err(error),
    }
}
