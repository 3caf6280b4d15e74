//! Choosing what the dates follow, and how it is learned: by the forms of the page of statistics.

use actix_web::HttpRequest;
use serde_json::{Value, json};

use super::act_form::Typed;
use super::form::{Filled, number_or_text};
use super::learning::Refused;
use super::session::{PagePermit, see};
use super::statistics::{Asked, page};
use crate::db::Tx;
use crate::error::{Code, Error, Result};
use crate::features::calibrations::api::{settings, versions};
use crate::features::calibrations::model::{ChoiceFields, LearningFields};
use crate::features::statistics::api::previews;
use crate::http::body::read_fields;
use crate::http::{App, IfMatch, Outcome, Patch};
use crate::ids::CalibrationId;
use crate::permissions::{Administer, Permission, SetPolicy};

fn calibration_id(typed: &Typed) -> Result<CalibrationId> {
    let id = typed.get("calibration_id").and_then(|id| id.parse::<uuid::Uuid>().ok());
    id.map(CalibrationId::from)
        .ok_or_else(|| Error::field("/calibration_id", "missing", "is required. Reload the page."))
}

fn act(tx: &mut Tx<'_>, typed: &Typed) -> Result<()> {
    let choice: ChoiceFields = read_fields(json!({ "note": typed.get("note") }))?;
    let note = choice.note.as_deref();
    match typed.get("act").map(String::as_str) {
        Some("accept") => versions::accept(tx, calibration_id(typed)?, note).map(|_| ()),
        Some("priors") => settings::return_to_priors(tx, note).map(|_| ()),
        Some("fit") => versions::ask(tx).map(|_| ()),
        Some("preview") => previews::ask(tx, calibration_id(typed)?).map(|_| ()),
        _ => Err(Error::new(Code::Conflict, "The page has no such form. Reload it.")),
    }
}

async fn after<P: Permission>(
    app: &App,
    request: &HttpRequest,
    permit: &PagePermit<P>,
    name: String,
    typed: Typed,
    done: Result<()>,
) -> Outcome {
    match done {
        Ok(()) => Ok(see(&format!("/statistics?done={name}"))),
        Err(error) if matches!(error.code, Code::Internal | Code::Unavailable | Code::NotFound) => Err(error),
        Err(error) => {
            let refused = Refused { act: name, typed, error };
            page(app, request, &permit.0, Asked::default(), Some(refused)).await
        }
    }
}

/// Lets the dates follow a calibration or the priors, or asks for a fit or a preview.
///
/// # Errors
/// Not found; those of the database.
pub async fn choose(
    app: App,
    request: HttpRequest,
    permit: PagePermit<SetPolicy>,
    typed: Filled<Typed>,
) -> Outcome {
    let typed = typed.0;
    let (name, sent) = (typed.get("act").cloned().unwrap_or_default(), typed.clone());
    let done = app.write(&permit.0, move |tx| act(tx, &sent)).await;
    after(&app, &request, &permit, name, typed, done).await
}

/// Changes how it is learned.
///
/// # Errors
/// Those of the database.
pub async fn set(
    app: App,
    request: HttpRequest,
    permit: PagePermit<Administer>,
    typed: Filled<Typed>,
) -> Outcome {
    let typed = typed.0;
    let done = async {
        let version = typed.get("version").map(|version| number_or_text(version));
        let version = version.and_then(|version| i32::try_from(version.as_i64()?).ok());
        let version =
            version.ok_or_else(|| Error::field("/version", "missing", "is required. Reload the page."))?;
        let fields: Value =
            json!({"acceptance": typed.get("acceptance"), "pooled": typed.contains_key("pooled")});
        let patch: Patch<LearningFields> = Patch::from_value(fields)?;
        app.write(&permit.0, move |tx| settings::change(tx, IfMatch(version), &patch)).await.map(|_| ())
    };
    let done = done.await;
    after(&app, &request, &permit, "settings".to_owned(), typed, done).await
}
