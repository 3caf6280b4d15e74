//! Withdrawing a survey entered in error, and opening a signed or withdrawn one again, each for a reason.

use actix_web::HttpRequest;
use serde_json::json;

use super::act_form::{ActForm, Field, Typed};
use super::entry::read_act;
use super::entry_survey::{acts_of, again, is_shown};
use super::form::{Filled, sent_version};
use super::record_acts::read_reason;
use super::record_forms::reason;
use super::records::SURVEY_WITHDRAWN;
use super::session::{PagePermit, see};
use crate::features::surveys::api::signing;
use crate::features::surveys::model::survey::SurveyState;
use crate::features::surveys::store::survey::Survey;
use crate::http::{App, At, Outcome};
use crate::ids::SurveyId;
use crate::permissions::Survey as WriteSurvey;

/// The form that opens a signed or withdrawn survey again.
#[must_use]
pub fn open_again_form(survey: &Survey) -> ActForm {
    let (title, about) = if survey.withdrawn {
        (
            "It was no error: open it again",
            "It is a draft then, to be signed anew. What was read and found in it counts again at once.",
        )
    } else {
        (
            "Open it again, to correct it",
            "What was signed stays in force until the corrected survey is signed.",
        )
    };
    let fields = vec![Field::unseen("version", survey.version), reason("Why it is opened again").needed()];
    let action = format!("/surveys/{}/opening", survey.id);
    let mut form = ActForm::new("open", title, action, "Open it again", fields);
    about.clone_into(&mut form.about);
    form
}

/// The form that withdraws one entered in error.
#[must_use]
pub fn withdraw_form(survey: &Survey) -> ActForm {
    let fields = vec![Field::unseen("version", survey.version), reason("Why").needed()];
    let action = format!("/surveys/{}/withdrawal", survey.id);
    let mut form = ActForm::new("withdraw", "Entered in error: withdraw it", action, "Withdraw it", fields);
    SURVEY_WITHDRAWN.clone_into(&mut form.about);
    form
}

/// Withdraws a survey entered in error.
///
/// # Errors
/// Not found; those of the database.
pub async fn withdraw(
    app: App,
    request: HttpRequest,
    permit: PagePermit<WriteSurvey>,
    id: At<SurveyId>,
    typed: Filled<Typed>,
) -> Outcome {
    stand(app, request, permit, id.0, typed.0, "withdraw").await
}

/// Opens a signed or withdrawn survey again, as a draft.
///
/// # Errors
/// Not found; those of the database.
pub async fn open_again(
    app: App,
    request: HttpRequest,
    permit: PagePermit<WriteSurvey>,
    id: At<SurveyId>,
    typed: Filled<Typed>,
) -> Outcome {
    stand(app, request, permit, id.0, typed.0, "open").await
}

/// Another standing of a survey, for a reason.
async fn stand(
    app: App,
    request: HttpRequest,
    permit: PagePermit<WriteSurvey>,
    id: SurveyId,
    typed: Typed,
    act: &'static str,
) -> Outcome {
    let sent = typed.clone();
    let made = app
        .write(&permit.0, move |tx| {
            let (survey, acts, local) = acts_of(tx, id)?;
            let given = sent.get("correction_reason");
            let came_twice = given.is_some()
                && survey.correction_reason.as_ref() == given
                && match act {
                    "withdraw" => survey.withdrawn,
                    _ => survey.state() == SurveyState::Draft,
                };
            if came_twice {
                return Ok(());
            }
            let json = read_act(&acts, act, &sent, &local, json!({}))?;
            let (version, reason) = (sent_version(&sent)?, read_reason(&json)?);
            match act {
                "withdraw" => signing::withdraw(tx, id, version, &reason).map(|_| ()),
                _ => signing::correct(tx, id, version, &reason).map(|_| ()),
            }
        })
        .await;
    match made {
        Ok(()) => Ok(see(&format!("/surveys/{id}/entry"))),
        Err(error) if is_shown(&error) => again(app, request, &permit, id, act, typed, error).await,
        Err(error) => Err(error),
    }
}
