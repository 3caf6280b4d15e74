//! What is recorded on the page of a hull's records: each by the same function as over the API.

use actix_web::HttpRequest;
use serde_json::{Value, json};

use super::act_form::Typed;
use super::entry::read_act;
use super::entry_survey::{is_shown, once};
use super::form::{Filled, sent_version};
use super::records::{self, Hull};
use super::session::{PagePermit, see};
use super::treatment::Refused;
use crate::db::Tx;
use crate::error::{Code, Error, FieldError, Result};
use crate::features::coats::api as coats;
use crate::features::haulouts::api as haulouts;
use crate::features::haulouts::model::HaulOutFields;
use crate::features::haulouts::store::read as read_haul_out;
use crate::features::surveys::api::{findings, signing, surveys};
use crate::features::surveys::model::survey::SurveyCorrection;
use crate::features::treatments::api as treatments;
use crate::http::body::read_fields;
use crate::http::{App, At, IfMatch, Outcome, Patch};
use crate::ids::{HaulOutId, SurveyId, VesselId};
use crate::permissions::{Permission, RecordReadings, RecordWork, Survey};

/// The acts of each door: the permit of a door is for these alone.
const WORK: [&str; 4] = ["lift", "relaunch", "coat", "treated"];
const FINDINGS: [&str; 1] = ["finding"];
const SURVEYS: [&str; 1] = ["withdraw"];

/// Ends a time ashore.
fn relaunch(tx: &mut Tx<'_>, id: VesselId, typed: &Typed, mut json: Value) -> Result<()> {
    let sent = typed.get("haul_out_id").and_then(|id| id.parse::<uuid::Uuid>().ok()).map(HaulOutId::from);
    let sent =
        sent.ok_or_else(|| Error::new(Code::Conflict, "The hull is not ashore. Record the lift first."))?;
    let before = read_haul_out(tx, sent)?;
    if before.fields.vessel_id != id {
        return Err(Error::not_found("haul-out"));
    }
    if let Value::Object(object) = &mut json {
        object.retain(|name, _| name == "relaunched_on");
    }
    let after = Patch::<HaulOutFields>::from_value(json)?.apply(&before.fields)?;
    if after == before.fields {
        // The form came twice.
        return Ok(());
    }
    sent_version(typed)?.check(before.version)?;
    haulouts::change(tx, &before, after).map(|_| ())
}

/// Withdraws a survey entered in error.
fn withdraw(tx: &mut Tx<'_>, id: VesselId, typed: &Typed, json: &Value) -> Result<()> {
    let chosen = typed.get("survey").and_then(|chosen| chosen.split_once(' '));
    let chosen =
        chosen.and_then(|(id, version)| Some((id.parse::<uuid::Uuid>().ok()?, version.parse().ok()?)));
    let (survey, version) =
        chosen.ok_or_else(|| Error::field("/survey", "missing", "is not chosen. Choose one."))?;
    let survey = surveys::read(tx, SurveyId::from(survey))?;
    if survey.fields.vessel_id != id {
        return Err(Error::field("/survey", "unknown", "is of another vessel. Choose one of this."));
    }
    let reason = read_reason(json)?;
    if survey.withdrawn && survey.correction_reason.as_ref() == Some(&reason) {
        // The form came twice.
        return Ok(());
    }
    signing::withdraw(tx, survey.id, IfMatch(version), &reason).map(|_| ())
}

/// The reason that was typed, held to the bounds of the API's.
///
/// # Errors
/// Invalid, at the field.
pub fn read_reason(json: &Value) -> Result<String> {
    let given: SurveyCorrection =
        read_fields(json!({"reason": json["correction_reason"]})).map_err(|error| {
            let of = |fault: FieldError| FieldError { pointer: "/correction_reason".to_owned(), ..fault };
            Error::invalid(error.fields.into_iter().map(of).collect())
        })?;
    Ok(given.reason)
}

fn act(tx: &mut Tx<'_>, id: VesselId, act: &str, typed: &Typed) -> Result<()> {
    let hull = Hull::of(tx, id)?;
    let of_vessel =
        if ["relaunch", "withdraw"].contains(&act) { json!({}) } else { json!({"vessel_id": id}) };
    let json = read_act(&hull.forms(), act, typed, &hull.local, of_vessel)?;
    match act {
        "lift" => once(tx, "create_haul_out", json, haulouts::create, haulouts::read).map(|_| ()),
        "relaunch" => relaunch(tx, id, typed, json),
        "withdraw" => withdraw(tx, id, typed, &json),
        "coat" => once(tx, "create_coat", json, treatments::coats::create, coats::read).map(|_| ()),
        "finding" => once(tx, "create_finding", json, findings::create, findings::read).map(|_| ()),
        _ => once(tx, "create_treatment", json, treatments::create, treatments::read).map(|_| ()),
    }
}

async fn take<P: Permission>(
    app: App,
    request: HttpRequest,
    permit: PagePermit<P>,
    id: VesselId,
    typed: Typed,
    acts: &'static [&'static str],
) -> Outcome {
    let name = typed.get("act").cloned().unwrap_or_default();
    let (sent, asked) = (typed.clone(), name.clone());
    let done = app
        .write(&permit.0, move |tx| {
            if acts.contains(&asked.as_str()) {
                return act(tx, id, &asked, &sent);
            }
            Hull::of(tx, id)?;
            Err(Error::new(Code::Conflict, "The page has no such form. Reload it."))
        })
        .await;
    match done {
        Ok(()) => Ok(see(&format!("/vessels/{id}/records?done={name}"))),
        Err(error) if is_shown(&error) => {
            records::page(app, request, &permit, id, Some(Refused { act: name, typed, error })).await
        }
        Err(error) => Err(error),
    }
}

/// Records a lift, a relaunch, a coat, or a treatment that was done.
///
/// # Errors
/// Not found; those of the database.
pub async fn work(
    app: App,
    request: HttpRequest,
    permit: PagePermit<RecordWork>,
    id: At<VesselId>,
    typed: Filled<Typed>,
) -> Outcome {
    take(app, request, permit, id.0, typed.0, &WORK).await
}

/// Records a finding.
///
/// # Errors
/// Not found; those of the database.
pub async fn find(
    app: App,
    request: HttpRequest,
    permit: PagePermit<RecordReadings>,
    id: At<VesselId>,
    typed: Filled<Typed>,
) -> Outcome {
    take(app, request, permit, id.0, typed.0, &FINDINGS).await
}

/// Withdraws a survey entered in error.
///
/// # Errors
/// Not found; those of the database.
pub async fn withdraw_survey(
    app: App,
    request: HttpRequest,
    permit: PagePermit<Survey>,
    id: At<VesselId>,
    typed: Filled<Typed>,
) -> Outcome {
    take(app, request, permit, id.0, typed.0, &SURVEYS).await
}
