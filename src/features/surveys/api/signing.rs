//! Signing a survey, and opening a signed one again.

use actix_web::post;

use super::surveys::{SurveyView, read};
use crate::db::Tx;
use crate::error::{Code, Error, Result};
use crate::features::audit::{self, Act};
use crate::features::surveys::model::survey::{SurveyCorrection, SurveyFields, SurveyState};
use crate::features::surveys::store::lock_vessel;
use crate::features::surveys::store::survey::{self as store};
use crate::http::preconditions::kept;
use crate::http::problem::ChangeProblems;
use crate::http::{App, At, IfMatch, Outcome, Permit, Plain};
use crate::ids::SurveyId;
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
    if before.state() == SurveyState::Signed {
        return Err(Error::new(Code::Conflict, "The survey is signed already. Read it again."));
    }
    let fields = before.fields.checked(launched_on, tx.now())?.signable()?;
    let (next, reason) = (before.version + 1, before.correction_reason.as_deref());
    store::insert_version(tx, id, next, &fields, reason, Some(signer))?;
    record(tx, "sign_survey", id, None, &fields)?;
    queue::request_forecast(tx, fields.vessel_id)?;
    read(tx, id)
}

/// Opens a signed survey again within a transaction. The signed version stays in force until the next is signed.
///
/// # Errors
/// Stale; a conflict when it is a draft.
pub fn correct(tx: &mut Tx<'_>, id: SurveyId, if_match: IfMatch, reason: &str) -> Result<SurveyView> {
    let before = store::read(tx, id)?;
    if_match.check(before.version)?;
    if before.state() == SurveyState::Draft {
        return Err(Error::new(Code::Conflict, "The survey is a draft: change it by PATCH, then sign it."));
    }
    store::insert_version(tx, id, before.version + 1, &before.fields, Some(reason), None)?;
    // The signed version stays in force: no date moves.
    record(tx, "correct_survey", id, Some(&before.fields), &before.fields)?;
    read(tx, id)
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

/// Opens a signed survey again, as a draft. The signed version stays in force until the draft is signed.
#[utoipa::path(tag = "surveys", security(("bearer" = [])), request_body = SurveyCorrection,
    params(("id" = SurveyId, Path, description = "The survey"), ("If-Match" = String, Header, description = "The ETag of the signed version")),
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
