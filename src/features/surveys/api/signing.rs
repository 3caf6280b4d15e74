//! Signing a survey, opening a signed one again, and withdrawing one entered in error.

use actix_web::post;
use serde_json::json;

use super::findings;
use super::surveys::{SurveyView, read};
use crate::db::Tx;
use crate::error::{Code, Error, Result};
use crate::features::audit::{self, Act};
use crate::features::surveys::model::survey::{SurveyCorrection, SurveyFields, SurveyState};
use crate::features::surveys::store::lock_vessel;
use crate::features::surveys::store::survey::{self as store, Standing};
use crate::http::preconditions::kept;
use crate::http::problem::ChangeProblems;
use crate::http::{App, At, IfMatch, Outcome, Permit, Plain};
use crate::ids::{SurveyId, VesselId};
use crate::jobs::queue;
use crate::permissions;

/// Signs a draft within a transaction: the acting person is the signer.
///
/// # Errors
/// Stale; a conflict when it is signed already; invalid when something is missing that a signature stands for.
pub fn sign(tx: &mut Tx<'_>, id: SurveyId, if_match: IfMatch) -> Result<SurveyView> {
    let signer = tx
        .person_id()
        .ok_or_else(|| Error::new(Code::Forbidden, "Only a person can sign. Sign in as one."))?;
    // Whoever is adding readings ends first, and whoever comes later finds it signed.
    let vessel_id = store::read(tx, id)?.fields.vessel_id;
    let launched_on = lock_vessel(tx, vessel_id)?;
    let before = store::read(tx, id)?;
    if_match.check(before.version)?;
    if before.state() != SurveyState::Draft {
        let detail = format!("The survey is {} already. Read it again.", before.state().word());
        return Err(Error::new(Code::Conflict, detail));
    }
    let fields = before.fields.checked(launched_on, tx.now())?.signable()?;
    let standing = Standing {
        correction_reason: before.correction_reason.as_deref(),
        signed_by: Some(signer),
        withdrawn: false,
    };
    store::insert_version(tx, id, before.version + 1, &fields, standing)?;
    record(tx, "sign_survey", id, None, &fields)?;
    queue::request_forecast(tx, fields.vessel_id)?;
    read(tx, id)
}

/// Opens a signed or withdrawn survey again within a transaction. A signed version stays in force until the next is signed;
/// what was read and found in a withdrawn survey counts again at once.
///
/// # Errors
/// Stale; a conflict when it is a draft; those of the database.
pub fn correct(tx: &mut Tx<'_>, id: SurveyId, if_match: IfMatch, reason: &str) -> Result<SurveyView> {
    let before = store::read(tx, id)?;
    if_match.check(before.version)?;
    if before.state() == SurveyState::Draft {
        return Err(Error::new(Code::Conflict, "The survey is a draft: change it by PATCH, then sign it."));
    }
    let vessel_id = before.fields.vessel_id;
    lock_vessel(tx, vessel_id)?;
    let standing = Standing { correction_reason: Some(reason), ..Standing::default() };
    store::insert_version(tx, id, before.version + 1, &before.fields, standing)?;
    record(tx, "correct_survey", id, Some(&before.fields), &before.fields)?;
    // A signed version stays in force: no date moves.
    if before.withdrawn {
        findings::tell_all(tx, id, false)?;
        request_all(tx, vessel_id)?;
    }
    read(tx, id)
}

/// Withdraws a survey entered in error within a transaction, signed or not, with what was read and found in it.
///
/// # Errors
/// Stale; a conflict when it is withdrawn already; those of the database.
pub fn withdraw(tx: &mut Tx<'_>, id: SurveyId, if_match: IfMatch, reason: &str) -> Result<SurveyView> {
    // Whoever is adding readings or signing ends first, and whoever comes later finds it withdrawn.
    let vessel_id = store::read(tx, id)?.fields.vessel_id;
    lock_vessel(tx, vessel_id)?;
    let before = store::read(tx, id)?;
    if_match.check(before.version)?;
    if before.withdrawn {
        return Err(Error::new(Code::Conflict, "The survey is withdrawn already. Read it again."));
    }
    findings::tell_all(tx, id, true)?;
    let standing = Standing { correction_reason: Some(reason), withdrawn: true, ..Standing::default() };
    store::insert_version(tx, id, before.version + 1, &before.fields, standing)?;
    let after = json!({"withdrawn": true, "correction_reason": reason});
    audit::record(
        tx,
        &Act {
            action: "withdraw_survey",
            entity: "survey",
            entity_id: id.into(),
            before: Some(&json!({"withdrawn": false, "signed_version": before.signed_version})),
            after: Some(&after),
        },
    )?;
    request_all(tx, vessel_id)?;
    read(tx, id)
}

/// Asks for all that rests on a survey and its readings.
fn request_all(tx: &mut Tx<'_>, vessel_id: VesselId) -> Result<()> {
    queue::request(tx, queue::DRYING, vessel_id.into())?;
    queue::request_forecast(tx, vessel_id)
}

fn record(
    tx: &mut Tx<'_>,
    action: &str,
    id: SurveyId,
    before: Option<&SurveyFields>,
    after: &SurveyFields,
) -> Result<()> {
    audit::record(tx, &Act { action, entity: "survey", entity_id: id.into(), before, after: Some(after) })
}

/// Signs a draft. The signer is the person who is signed in; the survey counts as evidence from now on.
#[utoipa::path(tag = "surveys", security(("bearer" = [])),
    params(("id" = SurveyId, Path, description = "The survey"), ("If-Match" = String, Header, description = "The ETag of the draft that is signed")),
    responses((status = 200, description = "The signed survey", body = SurveyView), ChangeProblems))]
#[post("/v1/surveys/{id}/signature")]
pub async fn sign_survey(
    app: App,
    permit: Permit<permissions::Survey>,
    id: At<SurveyId>,
    if_match: IfMatch,
) -> Outcome {
    app.write(&permit, move |tx| sign(tx, id.0, if_match)).await.map(kept)
}

/// Opens a signed or withdrawn survey again, as a draft. A signed version stays in force until the draft is signed; what
/// was read and found in a withdrawn one counts again at once.
#[utoipa::path(tag = "surveys", security(("bearer" = [])), request_body = SurveyCorrection,
    params(("id" = SurveyId, Path, description = "The survey"), ("If-Match" = String, Header, description = "The ETag of the signed or withdrawn version")),
    responses((status = 200, description = "The draft", body = SurveyView), ChangeProblems))]
#[post("/v1/surveys/{id}/correction")]
pub async fn correct_survey(
    app: App,
    permit: Permit<permissions::Survey>,
    id: At<SurveyId>,
    if_match: IfMatch,
    correction: Plain<SurveyCorrection>,
) -> Outcome {
    app.write(&permit, move |tx| correct(tx, id.0, if_match, &correction.0.reason)).await.map(kept)
}

/// Withdraws a survey entered in error, signed or not. It stays in the history with the reason and counts for nothing, nor
/// does what was read and found in it. Opening a correction takes it back.
#[utoipa::path(tag = "surveys", security(("bearer" = [])), request_body = SurveyCorrection,
    params(("id" = SurveyId, Path, description = "The survey"), ("If-Match" = String, Header, description = "The ETag of the version that is withdrawn")),
    responses((status = 200, description = "The withdrawn survey", body = SurveyView), ChangeProblems))]
#[post("/v1/surveys/{id}/withdrawal")]
pub async fn withdraw_survey(
    app: App,
    permit: Permit<permissions::Survey>,
    id: At<SurveyId>,
    if_match: IfMatch,
    withdrawal: Plain<SurveyCorrection>,
) -> Outcome {
    app.write(&permit, move |tx| withdraw(tx, id.0, if_match, &withdrawal.0.reason)).await.map(kept)
}
