//! Planning a treatment, with what the evidence supports told before.

use actix_web::HttpRequest;
use actix_web::http::StatusCode;
use askama::Template;
use serde_json::{Value, json};

use super::act_form::{ActForm, Field, Kind, Typed, fresh_id};
use super::entry::all;
use super::entry_survey::{is_shown, once};
use super::form::{self, Filled};
use super::frame::{Frame, organisation_name, send_as};
use super::record_forms::{ADD_A_PRODUCT, kinds, lift_words};
use super::session::{PagePermit, see};
use super::yard_words::{LocalTime, headed, word};
use crate::codes;
use crate::db::Tx;
use crate::error::{Error, FieldError, Result};
use crate::features::haulouts::store as haulouts;
use crate::features::products::store::{self as products, Product, ProductFilter};
use crate::features::treatments::api::plan::{advise, create, read};
use crate::features::treatments::model::TreatmentKind;
use crate::features::treatments::model::advice::Advice;
use crate::features::treatments::model::plan::{PlanFields, PlanStep, StepKind, usual};
use crate::features::vessels::model::Zone;
use crate::features::vessels::store as vessels;
use crate::http::creation::Created;
use crate::http::problem::status;
use crate::http::{App, At, Outcome};
use crate::ids::{HaulOutId, TreatmentId, VesselId};
use crate::permissions::RecordWork;

/// The zones, each with its fields: whether it is treated, its area.
pub const ZONES: [(Zone, &str, &str); 5] = [
    (Zone::Bottom, "bottom", "bottom_area_m2"),
    (Zone::Waterline, "waterline", "waterline_area_m2"),
    (Zone::Keel, "keel", "keel_area_m2"),
    (Zone::Rudder, "rudder", "rudder_area_m2"),
    (Zone::Appendage, "appendage", "appendage_area_m2"),
];
/// The steps that put on coats, each with its fields: product, coats.
pub const COATED: [(StepKind, &str, &str); 3] = [
    (StepKind::Seal, "seal_product_id", "seal_coats"),
    (StepKind::Barrier, "barrier_product_id", "barrier_coats"),
    (StepKind::Antifouling, "antifouling_product_id", "antifouling_coats"),
];

/// A time ashore in which a treatment may be planned.
struct Ashore {
    vessel_id: VesselId,
    vessel: String,
    lift: String,
    advice: Advice,
    form: ActForm,
    local: LocalTime,
}

/// The fields of a plan, after one that is not shown.
#[must_use]
pub fn fields(
    first: Field,
    advised: Option<TreatmentKind>,
    sheets: &[Product],
    local: &LocalTime,
) -> Vec<Field> {
    let advised = advised.and_then(|kind| codes::to_text(&kind).ok()).unwrap_or_default();
    let mut fields = vec![
        first,
        Field::new("kind", "What it is", kinds()).needed().holding(advised),
        Field::new("starts_on", "Work is meant to start on", Kind::Day).holding(local.today().to_string()),
        Field::new("note", "Anything else", Kind::Long),
    ];
    for (n, (zone, treated, _)) in ZONES.iter().enumerate() {
        let held = if *zone == Zone::Bottom { "true" } else { "" };
        let flag = Field::new(treated, &format!("The {}", word(zone)), Kind::Flag).holding(held);
        fields.push(if n == 0 { flag.beginning("Which zones are treated") } else { flag });
    }
    for (n, (zone, _, area)) in ZONES.iter().enumerate() {
        let field = Field::new(area, &format!("Area of the {}", word(zone)), Kind::Number).measured_in("m²");
        let hint = "Left open: as planned before, else by the hull\u{2019}s shape.";
        fields.push(if n == 0 { field.folding("Areas, where they were measured").told(hint) } else { field });
    }
    for (n, (step, product, _)) in COATED.iter().enumerate() {
        let own = sheets.iter().filter(|sheet| Some(sheet.fields.role) == step.role());
        let own = own.map(|sheet| (sheet.id.to_string(), sheet.fields.name.clone())).collect();
        let field = Field::new(product, &format!("{}: product", headed(&step.role())), Kind::Choice(own));
        let field = field.lacking(ADD_A_PRODUCT);
        let hint = "Of a curative treatment only.";
        fields.push(if n == 0 { field.folding("Products and coats").told(hint) } else { field });
    }
    let usual_of = usual(TreatmentKind::Curative);
    for (step, _, coats) in COATED {
        let held = usual_of.iter().find(|own| own.step == step).and_then(|own| own.coats);
        let field = Field::new(coats, &format!("{}: coats", headed(&step.role())), Kind::Number);
        fields.push(field.holding(held.map(|coats| coats.to_string()).unwrap_or_default()));
    }
    fields.extend([
        Field::new("target", "Dry at or under", Kind::Number)
            .measured_in("on the meter\u{2019}s scale")
            .folding("What counts as dry, of a curative treatment; losses")
            .told("Left open: 9 on a scale named relative. Readings are relative: take what sound, dry laminate shows."),
        Field::new("scale", "On which scale", Kind::Text).told("Needed with the figure."),
        Field::new("loss_pct", "Paint that is lost", Kind::Number).measured_in("%").holding("10"),
    ]);
    fields
}

fn plan_form(
    id: HaulOutId,
    advised: Option<TreatmentKind>,
    sheets: &[Product],
    local: &LocalTime,
) -> ActForm {
    let fields = fields(Field::unseen("id", fresh_id()), advised, sheets, local);
    let action = format!("/haul-outs/{id}/treatments/new");
    let mut form = ActForm::new("plan", "The plan", action, "Plan this treatment", fields);
    "The steps are those usual for its kind. A named qualified person accepts the plan before work begins."
        .clone_into(&mut form.about);
    form.open = true;
    form
}

fn load(tx: &mut Tx<'_>, id: HaulOutId) -> Result<Ashore> {
    let lift = haulouts::read(tx, id)?;
    let vessel = vessels::read(tx, lift.fields.vessel_id)?;
    let advice = advise(tx, vessel.id)?;
    let sheets = all(|page| products::list(tx, ProductFilter { role: None, updated_since: None }, page))?;
    let local = LocalTime::of(tx)?;
    let form = plan_form(id, advice.kind, &sheets, &local);
    Ok(Ashore {
        vessel_id: vessel.id,
        vessel: vessel.fields.name,
        lift: lift_words(&lift.fields),
        advice,
        form,
        local,
    })
}

/// The kind that was chosen.
///
/// # Errors
/// Invalid.
pub fn kind_of(typed: &Value) -> Result<TreatmentKind> {
    let kind = serde_json::from_value(typed["kind"].clone());
    kind.map_err(|cause| Error::field("/kind", "unknown", "is not chosen. Choose one.").because(cause))
}

/// Steps with the products and coats that were chosen.
fn chosen(mut steps: Vec<PlanStep>, typed: &Value) -> Result<Vec<PlanStep>> {
    for (step, product, coats) in COATED {
        let own = steps.iter_mut().find(|own| own.step == step);
        let chosen = typed[product].as_str();
        match (own, chosen) {
            (None, None) => {}
            (None, Some(_)) => {
                let detail =
                    "is for a treatment that has such a step: a preventive one does not. Leave it open.";
                return Err(Error::field(format!("/{product}"), "no_step", detail));
            }
            (Some(own), chosen) => {
                own.product_id = chosen.and_then(|id| id.parse::<uuid::Uuid>().ok()).map(Into::into);
                if let Some(number) = typed.get(coats) {
                    let number = number.as_i64().and_then(|number| i32::try_from(number).ok());
                    let wrong =
                        || Error::field(format!("/{coats}"), "type", "is no whole number. Enter one, as 4.");
                    own.coats = Some(number.ok_or_else(wrong)?);
                }
            }
        }
    }
    Ok(steps)
}

/// What was typed, as a program sends it: of these steps, with the zones that are treated.
///
/// # Errors
/// Invalid.
pub fn plan_json(steps: Vec<PlanStep>, typed: &Value) -> Result<(Value, Vec<Zone>, Vec<PlanStep>)> {
    let steps = chosen(steps, typed)?;
    let treated: Vec<_> = ZONES.iter().filter(|(_, treated, _)| typed.get(*treated).is_some()).collect();
    if treated.is_empty() {
        return Err(Error::field(
            "/bottom",
            "missing",
            "or another zone must be treated. Choose one at least.",
        ));
    }
    for (_, treated, area) in ZONES {
        if typed.get(treated).is_none() && typed.get(area).is_some() {
            let detail = "is entered, but the zone is not chosen. Choose it, or leave the area open.";
            return Err(Error::field(format!("/{area}"), "not_treated", detail));
        }
    }
    let zones: Vec<Value> =
        treated.iter().map(|(zone, _, area)| json!({"zone": zone, "area_m2": typed.get(*area)})).collect();
    let mut json = json!({"id": typed["id"], "kind": typed["kind"], "zones": zones, "steps": steps});
    for name in ["starts_on", "note"] {
        if let Some(value) = typed.get(name) {
            json[name] = value.clone();
        }
    }
    match (typed.get("target"), typed.get("scale")) {
        (None, None) => {}
        (target, scale) => json["dry_target"] = json!({"target": target, "scale": scale}),
    }
    if let Some(pct) = typed.get("loss_pct").and_then(Value::as_f64) {
        json["loss_fraction"] = json!(pct / 100.0);
    }
    Ok((json, treated.iter().map(|(zone, ..)| *zone).collect(), steps))
}

/// An error of the plan with its pointers to the fields of the form.
#[must_use]
pub fn at_fields(mut error: Error, zones: &[Zone], steps: &[PlanStep]) -> Error {
    let place = |fault: &FieldError| {
        let mut parts = fault.pointer.trim_start_matches('/').split('/');
        let (first, at, name) = (parts.next()?, parts.next(), parts.next());
        let at = at.and_then(|at| at.parse::<usize>().ok());
        Some(match (first, at, name) {
            ("zones", Some(at), name) => {
                let (_, treated, area) = ZONES.iter().find(|(zone, ..)| Some(zone) == zones.get(at))?;
                format!("/{}", if name == Some("area_m2") { area } else { treated })
            }
            ("steps", Some(at), name) => {
                let (_, product, coats) =
                    COATED.iter().find(|(step, ..)| Some(*step) == steps.get(at).map(|own| own.step))?;
                format!("/{}", if name == Some("coats") { coats } else { product })
            }
            ("dry_target", ..) => format!("/{}", fault.pointer.rsplit('/').next()?),
            ("loss_fraction", ..) => "/loss_pct".to_owned(),
            _ => return None,
        })
    };
    for fault in &mut error.fields {
        if let Some(place) = place(fault) {
            fault.pointer = place;
        }
    }
    error
}

/// A plan that is made or changed.
#[derive(Template)]
#[template(path = "plan_new.html")]
pub struct PlanPage {
    /// What stands around it.
    pub frame: Frame,
    /// The vessel.
    pub vessel_id: VesselId,
    /// Its name.
    pub vessel: String,
    /// The time ashore.
    pub lift: String,
    /// Why no plan can be entered now.
    pub fixed: Option<&'static str>,
    /// The path that the evidence supports.
    pub advised: &'static str,
    /// Why.
    pub reasons: Vec<String>,
    /// The form, where there is one now.
    pub act: Option<ActForm>,
}

/// What the evidence supports, in words.
#[must_use]
pub fn advised(advice: &Advice) -> &'static str {
    match advice.kind {
        Some(TreatmentKind::Preventive) => "The evidence supports a preventive treatment",
        Some(TreatmentKind::Curative) => "The evidence supports a curative treatment",
        None => "The evidence supports no path yet",
    }
}

async fn page(
    app: App,
    request: HttpRequest,
    permit: PagePermit<RecordWork>,
    id: HaulOutId,
    refused: Option<(Typed, Error)>,
) -> Outcome {
    let loaded = app.read(&permit.0, move |tx| Ok((load(tx, id)?, organisation_name(tx)?)));
    let (Ashore { vessel_id, vessel, lift, advice, form, .. }, organisation) = loaded.await?;
    let (code, act) = match refused {
        Some((typed, error)) => (status(error.code), form.refused(&typed, &error)),
        None => (StatusCode::OK, form),
    };
    let frame = Frame::of(&request, organisation, "vessels", format!("Plan a treatment: {vessel}"))?;
    let advised = advised(&advice);
    let act = Some(ActForm { token: form::token(&request)?, may_add: frame.keeps_register(), ..act });
    let page =
        PlanPage { frame, vessel_id, vessel, lift, fixed: None, advised, reasons: advice.reasons, act };
    send_as(code, &page)
}

/// The form that plans a treatment.
///
/// # Errors
/// Not found; those of the database.
pub async fn show(
    app: App,
    request: HttpRequest,
    permit: PagePermit<RecordWork>,
    id: At<HaulOutId>,
) -> Outcome {
    page(app, request, permit, id.0, None).await
}

fn plan_in(tx: &mut Tx<'_>, id: HaulOutId, sent: &Typed) -> Result<TreatmentId> {
    let ashore = load(tx, id)?;
    let typed = ashore.form.json(sent, &ashore.local, json!({}))?;
    let (json, zones, steps) = plan_json(usual(kind_of(&typed)?), &typed)?;
    let made =
        once(tx, "plan_treatment", json, |tx, own, fields: PlanFields| create(tx, own, id, fields), read);
    Ok(match made.map_err(|error| at_fields(error, &zones, &steps))? {
        Created::Now(view) | Created::Before(view) => view.id,
        Created::Replayed { id, .. } => TreatmentId::from(id),
    })
}

/// Plans a treatment, and leads to its page.
///
/// # Errors
/// Not found; those of the database.
pub async fn make(
    app: App,
    request: HttpRequest,
    permit: PagePermit<RecordWork>,
    id: At<HaulOutId>,
    typed: Filled<Typed>,
) -> Outcome {
    let (typed, sent) = (typed.0.clone(), typed.0);
    match app.write(&permit.0, move |tx| plan_in(tx, id.0, &sent)).await {
        Ok(treatment) => Ok(see(&format!("/treatments/{treatment}"))),
        Err(error) if is_shown(&error) => page(app, request, permit, id.0, Some((typed, error))).await,
        Err(error) => Err(error),
    }
}
