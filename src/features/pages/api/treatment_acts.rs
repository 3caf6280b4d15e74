//! What is entered on a treatment's page: each by the same function, and the same holds, as over the API.

use actix_web::HttpRequest;
use serde_json::{Value, json};

use super::act_form::Typed;
use super::entry::read_act;
use super::entry_survey::once;
use super::form::Filled;
use super::session::{PagePermit, see};
use super::treatment::{self, Loaded, Refused};
use crate::db::Tx;
use crate::error::{Code, Error, Result};
use crate::features::climate::api::append as append_climate;
use crate::features::climate::model::ClimateFields;
use crate::features::coats::api::films;
use crate::features::treatments::api::coats::coat_in;
use crate::features::treatments::api::work::{self, ClosingFields};
use crate::features::treatments::model::entry::EntryFields;
use crate::features::treatments::model::plan::StepKind;
use crate::http::body::read_fields;
use crate::http::creation::Creation;
use crate::http::{App, At, New, Outcome, RetryKey};
use crate::ids::{CoatId, TreatmentId};
use crate::permissions::{Permission, RecordReadings, RecordWork, Survey};

/// The acts of each door: the permit of a door is for these alone.
const WORK: [&str; 8] =
    ["wash", "blush_wash", "abrasion", "step_done", "withdrawal", "coat", "film", "closing"];
const DECISIONS: [&str; 2] = ["acceptance", "override"];
const CLIMATE: [&str; 1] = ["climate"];

/// A choice of several words, taken apart into the fields that it stands for.
fn apart(json: &mut Value, name: &str, into: &[&str]) -> Result<()> {
    let Value::Object(object) = json else { return Ok(()) };
    let Some(chosen) = object.remove(name) else {
        return Err(Error::field(format!("/{name}"), "missing", "is not chosen. Choose one."));
    };
    let chosen = chosen.as_str().unwrap_or_default().to_owned();
    for (field, word) in into.iter().zip(chosen.split(' ')) {
        object.insert((*field).to_owned(), json!(word));
    }
    Ok(())
}

fn creation<T>(operation: &'static str, json: Value) -> Result<Creation<T>>
where
    T: serde::de::DeserializeOwned + garde::Validate<Context = ()>,
{
    Ok(Creation { operation, key: RetryKey(None), new: New::<T>::from_value(json)? })
}

fn coat(tx: &mut Tx<'_>, id: TreatmentId, loaded: &Loaded, mut json: Value) -> Result<()> {
    apart(&mut json, "at", &["step", "zone"])?;
    let step = json["step"].take();
    let step: StepKind = serde_json::from_value(step).map_err(|cause| {
        Error::field("/at", "unknown", "is no step of the plan. Choose one.").because(cause)
    })?;
    let applied_on =
        json["started_at"].as_str().and_then(|at| at.parse().ok()).map(|at| loaded.local.day_of(at));
    if let Value::Object(object) = &mut json {
        object.remove("step");
        object.insert("vessel_id".to_owned(), json!(loaded.under_way.plan.vessel_id));
        object.insert("role".to_owned(), json!(step.role()));
        object.insert("applied_on".to_owned(), json!(applied_on.unwrap_or_else(|| loaded.local.today())));
    }
    coat_in(tx, id, creation("record_treatment_coat", json)?).map(|_| ())
}

fn film(tx: &mut Tx<'_>, loaded: &Loaded, mut json: Value) -> Result<()> {
    apart(&mut json, "coat", &["coat"])?;
    let chosen = json["coat"].as_str().and_then(|id| id.parse::<uuid::Uuid>().ok()).map(CoatId::from);
    let own = loaded.under_way.coats.iter().find(|coat| Some(coat.id) == chosen);
    let coat =
        own.ok_or_else(|| Error::field("/coat", "unknown", "is no coat of this treatment. Choose one."))?.id;
    if let Value::Object(object) = &mut json {
        object.remove("coat");
    }
    once(tx, "create_film", json, |tx, id, fields| films::create(tx, coat, id, fields), films::read)
        .map(|_| ())
}

fn act(tx: &mut Tx<'_>, id: TreatmentId, loaded: &Loaded, act: &str, typed: &Typed) -> Result<()> {
    let mut json = read_act(&loaded.acts, act, typed, &loaded.local, json!({}))?;
    match act {
        "climate" => {
            json["source"] = json!("hand");
            let value: ClimateFields = read_fields(json)?;
            let kept = append_climate(tx, loaded.under_way.plan.haul_out_id, vec![value]).map(|_| ());
            kept.map_err(|error| treatment::out_of(error, "/items/0"))
        }
        "coat" => coat(tx, id, loaded, json),
        "film" => film(tx, loaded, json),
        "closing" => work::close(tx, id, read_fields::<ClosingFields>(json)?).map(|_| ()),
        _ => {
            if act == "step_done" {
                apart(&mut json, "at", &["step", "zone"])?;
            }
            if act == "override" {
                apart(&mut json, "of_hold", &["hold", "step", "zone"])?;
            }
            json["kind"] = json!(act);
            let operation = if DECISIONS.contains(&act) { "enter_decision" } else { "enter_work" };
            work::enter_in(tx, id, creation::<EntryFields>(operation, json)?).map(|_| ())
        }
    }
}

async fn take<P: Permission>(
    app: App,
    request: HttpRequest,
    permit: PagePermit<P>,
    id: TreatmentId,
    typed: Typed,
    acts: &'static [&'static str],
) -> Outcome {
    let name = typed.get("act").cloned().unwrap_or_default();
    let (sent, powers) = (typed.clone(), permit.0.powers().clone());
    let person_id = permit.0.actor().person_id;
    let asked = name.clone();
    let done = app
        .write(&permit.0, move |tx| {
            let loaded = Loaded::of(tx, id, person_id, &powers, true)?;
            if !acts.contains(&asked.as_str()) {
                return Err(Error::new(Code::Conflict, "The page has no such form. Reload it."));
            }
            act(tx, id, &loaded, &asked, &sent)
        })
        .await;
    match done {
        Ok(()) => Ok(see(&format!("/treatments/{id}?done={name}"))),
        Err(error) if matches!(error.code, Code::Internal | Code::Unavailable | Code::NotFound) => Err(error),
        Err(error) => {
            treatment::page(app, request, &permit, id, Some(Refused { act: name, typed, error })).await
        }
    }
}

/// Enters work.
///
/// # Errors
/// Not found; those of the database.
pub async fn work(
    app: App,
    request: HttpRequest,
    permit: PagePermit<RecordWork>,
    id: At<TreatmentId>,
    typed: Filled<Typed>,
) -> Outcome {
    take(app, request, permit, id.0, typed.0, &WORK).await
}

/// Enters a decision of a qualified person.
///
/// # Errors
/// Not found; those of the database.
pub async fn decide(
    app: App,
    request: HttpRequest,
    permit: PagePermit<Survey>,
    id: At<TreatmentId>,
    typed: Filled<Typed>,
) -> Outcome {
    take(app, request, permit, id.0, typed.0, &DECISIONS).await
}

/// Enters air and hull as they were measured.
///
/// # Errors
/// Not found; those of the database.
pub async fn climate(
    app: App,
    request: HttpRequest,
    permit: PagePermit<RecordReadings>,
    id: At<TreatmentId>,
    typed: Filled<Typed>,
) -> Outcome {
    take(app, request, permit, id.0, typed.0, &CLIMATE).await
}
