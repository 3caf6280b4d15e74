//! Calibrations: the list, one of them, asking for another, and putting one to use.

use actix_web::{HttpResponse, get, post};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::{IntoParams, ToSchema};

use crate::db::Tx;
use crate::db::paging::Slice;
use crate::error::Result;
use crate::features::audit::{self, Act};
use crate::features::calibrations::model::{CalibrationState, Choice, ChoiceFields, state};
use crate::features::calibrations::store::{self, StoredCalibration};
use crate::http::paging::ListQuery;
use crate::http::problem::{CreateProblems, ListProblems, ReadProblems};
use crate::http::{App, At, Outcome, Page, Params, Permit, Plain};
use crate::ids::{CalibrationId, PersonId};
use crate::jobs::queue::{LEARNING, request, request_all_forecasts};
use crate::permissions::{Read, SetPolicy};
use crate::science::learning::calibration::{ClassLesson, ShapeLesson};
use crate::science::learning::skin_systems::SkinComparison;

/// What was learned from the records of the organisation in one fit.
#[derive(Debug, Serialize, ToSchema)]
pub struct CalibrationView {
    /// Its id.
    pub id: CalibrationId,
    /// When it was fitted.
    pub fitted_at: DateTime<Utc>,
    /// How it stands.
    pub state: CalibrationState,
    /// From when on the dates follow it, or followed it last; null where they never did.
    pub accepted_at: Option<DateTime<Utc>>,
    /// Who put it to use then; null where the service did, as the settings of learning say.
    pub accepted_by: Option<PersonId>,
    /// Why.
    pub note: Option<String>,
    /// Name and version of the fit.
    pub model: String,
    /// SHA-256 (hex) of what went in: the same inputs make no second version.
    pub inputs_sha256: String,
    /// Hulls that were looked at.
    pub hulls: u32,
    /// Their lives: from launch, or relaunch after a curative treatment.
    pub lives: u32,
    /// Lives in which blistering was found.
    pub events: u32,
    /// Hulls whose record no member of the ensemble could have given.
    pub contradicted: u32,
    /// Other organisations whose sums moved the prior.
    pub peers: i32,
    /// Whether the fit came to rest; one that did not cannot be put to use.
    pub converged: bool,
    /// The laminate classes: what was held before, and what is held now with its 90 % interval.
    pub classes: Vec<ClassLesson>,
    /// The shape of the Weibull law, likewise.
    pub shape: ShapeLesson,
    /// Skins compared: the ratio of scales to that under gelcoat, beyond what the model says of their resistance.
    pub skins: Vec<SkinComparison>,
}

impl CalibrationView {
    /// Of a stored one, by what was chosen.
    #[must_use]
    pub fn of(stored: StoredCalibration, choices: &[Choice]) -> Self {
        let id = stored.followed.id;
        let accepted = choices.iter().rfind(|choice| choice.calibration_id == Some(id));
        let fit = stored.followed.calibration;
        Self {
            id,
            fitted_at: stored.followed.fitted_at,
            state: state(id, choices),
            accepted_at: accepted.map(|choice| choice.chosen_at),
            accepted_by: accepted.and_then(|choice| choice.chosen_by),
            note: accepted.and_then(|choice| choice.note.clone()),
            model: fit.model,
            inputs_sha256: stored.inputs_sha256.iter().map(|byte| format!("{byte:02x}")).collect(),
            hulls: fit.hulls,
            lives: fit.lives,
            events: fit.events,
            contradicted: fit.contradicted,
            peers: stored.peers,
            converged: fit.converged,
            classes: fit.classes,
            shape: fit.shape,
            skins: stored.skins,
        }
    }
}

/// That it was asked for.
#[derive(Debug, Serialize, ToSchema)]
pub struct Requested {
    /// When; a version fitted at or after this time is the answer. Where nothing has changed since the last one, there
    /// is no other.
    pub requested_at: DateTime<Utc>,
}

/// Which calibrations.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct CalibrationQuery {
    /// Rows a page, 1 to 200.
    #[param(nullable = false, minimum = 1, maximum = 200)]
    pub limit: Option<u32>,
    /// Where the page before ended.
    #[param(nullable = false)]
    pub cursor: Option<String>,
}
crate::list_query!(CalibrationQuery, "list_calibrations");

fn view(tx: &mut Tx<'_>, id: CalibrationId) -> Result<CalibrationView> {
    let stored = store::read(tx, id)?;
    Ok(CalibrationView::of(stored, &store::choices(tx)?))
}

/// Lets the dates follow a calibration, or the priors, from now on: all are computed again.
///
/// # Errors
/// Stale, where another chose in between; those of the database.
pub fn choose(tx: &mut Tx<'_>, id: Option<CalibrationId>, note: Option<&str>) -> Result<()> {
    let before = store::in_use(tx)?.map(|followed| followed.id);
    store::choose(tx, id, note)?;
    let act = Act {
        action: if id.is_some() { "accept_calibration" } else { "accept_priors" },
        entity: "organisation",
        entity_id: tx.org_id().into(),
        before: Some(&json!({ "calibration_id": before })),
        after: Some(&json!({ "calibration_id": id, "note": note })),
    };
    audit::record(tx, &act)?;
    request_all_forecasts(tx)
}

/// Lists what was learned from your records, a version a fit, by when it was fitted.
#[utoipa::path(tag = "calibrations", security(("bearer" = [])), params(CalibrationQuery),
    responses((status = 200, description = "A page of calibrations", body = Page<CalibrationView>), ListProblems))]
#[get("/v1/calibrations")]
pub async fn list_calibrations(app: App, permit: Permit<Read>, query: Params<CalibrationQuery>) -> Outcome {
    let query = query.0;
    let page = query.page()?;
    let slice = app
        .read(&permit, move |tx| {
            let slice = store::list(tx, page)?;
            let choices = store::choices(tx)?;
            let items = slice.items.into_iter().map(|stored| CalibrationView::of(stored, &choices)).collect();
            Ok(Slice { items, next: slice.next })
        })
        .await?;
    Ok(HttpResponse::from(query.answer(slice, |view| view)))
}

/// Asks for a fit of the records as they are now, without waiting for the weekly one.
#[utoipa::path(tag = "calibrations", security(("bearer" = [])),
    responses((status = 202, description = "It will be fitted", body = Requested), CreateProblems))]
#[post("/v1/calibrations")]
pub async fn request_calibration(app: App, permit: Permit<SetPolicy>) -> Outcome {
    let requested = app.write(&permit, ask);
    Ok(HttpResponse::Accepted().json(requested.await?))
}

/// Asks for a fit.
///
/// # Errors
/// Those of the database.
pub fn ask(tx: &mut Tx<'_>) -> Result<Requested> {
    let org_id = tx.org_id();
    request(tx, LEARNING, org_id.into())?;
    let act = Act::<()> {
        action: "request_calibration",
        entity: "organisation",
        entity_id: org_id.into(),
        before: None,
        after: None,
    };
    audit::record(tx, &act)?;
    Ok(Requested { requested_at: tx.now() })
}

/// Reads a calibration: what was held before, what was learned, and how much stands behind it.
#[utoipa::path(tag = "calibrations", security(("bearer" = [])),
    params(("id" = CalibrationId, Path, description = "The calibration")),
    responses((status = 200, description = "The calibration", body = CalibrationView), ReadProblems))]
#[get("/v1/calibrations/{id}")]
pub async fn read_calibration(app: App, permit: Permit<Read>, id: At<CalibrationId>) -> Outcome {
    let found = app.read(&permit, move |tx| view(tx, id.0)).await?;
    Ok(HttpResponse::Ok().json(found))
}

/// Puts a calibration to use: from now on the dates follow it, and all are computed again. See its preview first.
#[utoipa::path(tag = "calibrations", security(("bearer" = [])), request_body = ChoiceFields,
    params(("id" = CalibrationId, Path, description = "The calibration")),
    responses((status = 200, description = "It is in use", body = CalibrationView), CreateProblems))]
#[post("/v1/calibrations/{id}/acceptance")]
pub async fn accept_calibration(
    app: App,
    permit: Permit<SetPolicy>,
    id: At<CalibrationId>,
    choice: Plain<ChoiceFields>,
) -> Outcome {
    let accepted = app.write(&permit, move |tx| accept(tx, id.0, choice.0.note.as_deref()));
    Ok(HttpResponse::Ok().json(accepted.await?))
}

/// Puts a calibration to use.
///
/// # Errors
/// Not found; a conflict where it cannot serve; those of the database.
pub fn accept(tx: &mut Tx<'_>, id: CalibrationId, note: Option<&str>) -> Result<CalibrationView> {
    store::read(tx, id)?.followed.usable()?;
    // What is in use already stays so, and nothing is computed again.
    if store::in_use(tx)?.is_none_or(|followed| followed.id != id) {
        choose(tx, Some(id), note)?;
    }
    view(tx, id)
}
