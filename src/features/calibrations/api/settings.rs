//! How an organisation learns, and going back to the priors.

use actix_web::{HttpResponse, get, patch, post};
use chrono::{DateTime, Utc};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use super::versions::choose;
use crate::db::Tx;
use crate::error::Result;
use crate::features::audit::{self, Act};
use crate::features::calibrations::model::{Acceptance, Choice, ChoiceFields, LearningFields};
use crate::features::calibrations::store;
use crate::http::preconditions::kept;
use crate::http::problem::{ChangeProblems, CreateProblems, ReadProblems};
use crate::http::{App, IfMatch, Kept, Outcome, Patch, Permit, Plain};
use crate::ids::{CalibrationId, OrgId};
use crate::jobs::queue::{LEARNING, request};
use crate::permissions::{Administer, Read, SetPolicy};

/// How an organisation learns, and what its dates follow.
#[derive(Debug, Serialize, ToSchema)]
pub struct LearningView {
    /// The organisation.
    pub org_id: OrgId,
    /// The version of the settings, also the `ETag`; 0 while nothing was ever set.
    pub version: i32,
    /// When the settings last changed; null while nothing was ever set.
    pub updated_at: Option<DateTime<Utc>>,
    /// Who puts a new calibration to use.
    pub acceptance: Acceptance,
    /// Whether the organisation gives the sums of its fits to others that do, and learns from theirs.
    pub pooled: bool,
    /// The calibration that the dates follow; null for the priors.
    pub calibration_id: Option<CalibrationId>,
    /// All that was chosen for the dates to follow, in order.
    pub choices: Vec<Choice>,
}

impl Kept for LearningView {
    fn id(&self) -> Uuid {
        self.org_id.into()
    }
    fn version(&self) -> i32 {
        self.version
    }
}

/// How the organisation learns, and what its dates follow.
///
/// # Errors
/// Those of the database.
pub fn view(tx: &mut Tx<'_>) -> Result<LearningView> {
    let (fields, version, updated_at) = store::settings(tx)?;
    let choices = store::choices(tx)?;
    Ok(LearningView {
        org_id: tx.org_id(),
        version,
        updated_at,
        acceptance: fields.acceptance,
        pooled: fields.pooled,
        calibration_id: choices.last().and_then(|choice| choice.calibration_id),
        choices,
    })
}

fn write(tx: &mut Tx<'_>, before: LearningFields, after: LearningFields, version: i32) -> Result<()> {
    store::write_settings(tx, after, version)?;
    let org_id = tx.org_id();
    let act = Act {
        action: "change_learning",
        entity: "organisation",
        entity_id: org_id.into(),
        before: Some(&before),
        after: Some(&after),
    };
    audit::record(tx, &act)?;
    if before.pooled && !after.pooled {
        store::withdraw(tx)?;
    }
    // With or without the others the next fit is another.
    if before.pooled == after.pooled { Ok(()) } else { request(tx, LEARNING, org_id.into()) }
}

/// Reads how your organisation learns, and what its dates follow.
#[utoipa::path(tag = "calibrations", security(("bearer" = [])),
    responses((status = 200, description = "The settings, and what was chosen", body = LearningView), ReadProblems))]
#[get("/v1/learning")]
pub async fn read_learning(app: App, permit: Permit<Read>) -> Outcome {
    app.read(&permit, view).await.map(kept)
}

/// Changes how your organisation learns. Who stops taking part takes back what it gave.
#[utoipa::path(tag = "calibrations", security(("bearer" = [])), request_body = Patch<LearningFields>,
    params(("If-Match" = String, Header, description = "The ETag the change is made on; \"0\" while nothing was ever set")),
    responses((status = 200, description = "As they stand now", body = LearningView), ChangeProblems))]
#[patch("/v1/learning")]
pub async fn change_learning(
    app: App,
    permit: Permit<Administer>,
    if_match: IfMatch,
    patch: Patch<LearningFields>,
) -> Outcome {
    app.write(&permit, move |tx| change(tx, if_match, &patch)).await.map(kept)
}

/// Changes how the organisation learns.
///
/// # Errors
/// Invalid; stale; those of the database.
pub fn change(tx: &mut Tx<'_>, if_match: IfMatch, patch: &Patch<LearningFields>) -> Result<LearningView> {
    let (before, version, _) = store::settings(tx)?;
    if_match.check(version)?;
    let after = patch.apply(&before)?;
    write(tx, before, after, version)?;
    view(tx)
}

/// Lets the dates follow the priors again: all are computed again. No later fit is put to use but by a person, until
/// the settings say otherwise.
#[utoipa::path(tag = "calibrations", security(("bearer" = [])), request_body = ChoiceFields,
    responses((status = 200, description = "The priors are in use", body = LearningView), CreateProblems))]
#[post("/v1/learning/priors")]
pub async fn accept_priors(app: App, permit: Permit<SetPolicy>, choice: Plain<ChoiceFields>) -> Outcome {
    let returned = app.write(&permit, move |tx| return_to_priors(tx, choice.0.note.as_deref()));
    Ok(HttpResponse::Ok().json(returned.await?))
}

/// Lets the dates follow the priors again.
///
/// # Errors
/// Those of the database.
pub fn return_to_priors(tx: &mut Tx<'_>, note: Option<&str>) -> Result<LearningView> {
    if store::in_use(tx)?.is_some() {
        choose(tx, None, note)?;
    }
    let (before, version, _) = store::settings(tx)?;
    if before.acceptance == Acceptance::Automatic {
        let after = LearningFields { acceptance: Acceptance::ByPerson, ..before };
        write(tx, before, after, version)?;
    }
    view(tx)
}
