//! Choosing among the organisations one is a member of.

use actix_web::HttpRequest;
use askama::Template;
use serde::Deserialize;

use super::form::Filled;
use super::frame::{Frame, organisation_name, send};
use super::session::{PagePermit, refresh_token, see, session_cookie};
use crate::error::{Error, Result};
use crate::features::accounts::api::sign_in::{self, MembershipView, open_session};
use crate::http::state::blocking;
use crate::http::{App, CallerAddress, Outcome};
use crate::ids::{OrgId, PersonId};
use crate::permissions::{BeOneself, Role};

#[derive(Template)]
#[template(path = "organisations.html")]
struct Organisations {
    frame: Frame,
    own: OrgId,
    memberships: Vec<MembershipView>,
}

#[expect(clippy::unused_self, reason = "the template calls it")]
impl Organisations {
    fn role(&self, role: &Role) -> &'static str {
        role_words(*role)
    }
}

/// A role in words.
#[must_use]
pub fn role_words(role: Role) -> &'static str {
    match role {
        Role::Administrator => "administrator",
        Role::Lead => "hull lead",
        Role::Surveyor => "surveyor",
        Role::Crew => "crew",
        Role::Reader => "reader",
    }
}

fn person(permit: &PagePermit<BeOneself>) -> Result<PersonId> {
    permit.0.actor().person_id.ok_or_else(|| Error::internal("a session of no person"))
}

/// The organisations one may work in.
///
/// # Errors
/// Those of the database.
pub async fn show(app: App, request: HttpRequest, permit: PagePermit<BeOneself>) -> Outcome {
    let person_id = person(&permit)?;
    let name = app.read(&permit.0, organisation_name).await?;
    let state = app.clone();
    let memberships = blocking(move || sign_in::memberships(&state, person_id)).await?;
    let frame = Frame::of(&request, name, "organisations", "Organisations")?;
    send(&Organisations { frame, own: permit.0.actor().org_id, memberships })
}

/// The one chosen.
#[derive(Deserialize)]
pub struct Chosen {
    org_id: OrgId,
}

/// Opens a session in the organisation chosen, and ends the one before.
///
/// # Errors
/// Unauthenticated, where the person is no member; those of the database.
pub async fn choose(
    app: App,
    from: CallerAddress,
    request: HttpRequest,
    permit: PagePermit<BeOneself>,
    chosen: Filled<Chosen>,
) -> Outcome {
    let person_id = person(&permit)?;
    let (state, before) = (app.clone(), refresh_token(&app, &request));
    let session = blocking(move || {
        let session = open_session(&state, person_id, Some(chosen.0.org_id))?;
        if let Some(before) = before {
            sign_in::end(&state, from.0, &before, false)?;
        }
        Ok(session)
    })
    .await?;
    let mut answer = see("/due");
    answer.add_cookie(&session_cookie(&app, session.refresh_token)).map_err(Error::internal)?;
    Ok(answer)
}
