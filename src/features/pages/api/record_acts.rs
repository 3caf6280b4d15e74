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
use crate::error::{Code, Error, Result};
use crate::features::coats::api as coats;
use crate::features::haulouts::api as haulouts;
use crate::features::haulouts::model::HaulOutFields;
use crate::features::haulouts::store::read as read_haul_out;
use crate::features::surveys::api::findings;
use crate::features::treatments::api as treatments;
use crate::http::{App, At, Outcome, Patch};
use crate::ids::{HaulOutId, VesselId};
use crate::permissions::{Permission, RecordReadings, RecordWork};

/// The acts of each door: the permit of a door is for these alone.
const WORK: [&str; 4] = ["lift", "relaunch", "coat", "treated"];
const FINDINGS: [&str; 1] = ["finding"];

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

fn act(tx: &mut Tx<'_>, id: VesselId, act: &str, typed: &Typed) -> Result<()> {
    let hull = Hull::of(tx, id)?;
    let of_vessel = if act == "relaunch" { json!({}) } else { json!({"vessel_id": id}) };
    let json = read_act(&hull.forms(), act, typed, &hull.local, of_vessel)?;
    match act {
        "lift" => once(tx, "create_haul_out", json, haulouts::create, haulouts::read).map(|_| ()),
        "relaunch" => relaunch(tx, id, typed, json),
        "coat" => once(tx, "create_coat", json, coats::create, coats::read).map(|_| ()),
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
