//! Entering a vessel, and changing one.

use actix_web::HttpRequest;
use actix_web::http::StatusCode;
use askama::Template;

use super::act_form::{ActForm, Typed};
use super::entry_survey::{is_shown, once};
use super::form::{self, Filled, sent_version};
use super::frame::{Frame, organisation_name, send_as};
use super::session::{PagePermit, see};
use super::vessel_form::{Read, vessel_form};
use super::yard_words::LocalTime;
use crate::db::Tx;
use crate::error::{Error, Result};
use crate::features::sites;
use crate::features::vessels::api as vessels;
use crate::features::vessels::model::VesselFields;
use crate::features::vessels::store;
use crate::http::creation::Created;
use crate::http::problem::status;
use crate::http::{App, At, Outcome, Patch};
use crate::ids::VesselId;
use crate::permissions::KeepRegister;

#[derive(Template)]
#[template(path = "vessel_change.html")]
struct ChangePage {
    frame: Frame,
    vessel: Option<(VesselId, String)>,
    act: ActForm,
}

/// The form of a vessel, or of a new one, with the name of the vessel.
fn load(tx: &mut Tx<'_>, id: Option<VesselId>) -> Result<(ActForm, Option<String>, LocalTime)> {
    let vessel = id.map(|id| store::read(tx, id)).transpose()?;
    let sites = sites::store::names(tx)?;
    let local = LocalTime::of(tx)?;
    Ok((vessel_form(vessel.as_ref(), &sites, &local), vessel.map(|vessel| vessel.fields.name), local))
}

async fn page(
    app: App,
    request: HttpRequest,
    permit: PagePermit<KeepRegister>,
    id: Option<VesselId>,
    refused: Option<(Typed, Error)>,
) -> Outcome {
    let loaded = app.read(&permit.0, move |tx| {
        let (act, name, _) = load(tx, id)?;
        Ok((act, name, organisation_name(tx)?))
    });
    let (act, name, organisation) = loaded.await?;
    let (code, act) = match refused {
        Some((typed, error)) => (status(error.code), act.refused(&typed, &error)),
        None => (StatusCode::OK, act),
    };
    let title = name.as_ref().map_or_else(|| "New vessel".to_owned(), |name| format!("Change {name}"));
    let frame = Frame::of(&request, organisation, "vessels", title)?;
    let act = ActForm { token: form::token(&request)?, may_add: frame.keeps_register(), ..act };
    send_as(code, &ChangePage { frame, vessel: id.zip(name), act })
}

/// The form of a new vessel.
///
/// # Errors
/// Those of the database.
pub async fn show_new(app: App, request: HttpRequest, permit: PagePermit<KeepRegister>) -> Outcome {
    page(app, request, permit, None, None).await
}

/// Enters a vessel.
///
/// # Errors
/// Those of the database.
pub async fn make(
    app: App,
    request: HttpRequest,
    permit: PagePermit<KeepRegister>,
    typed: Filled<Typed>,
) -> Outcome {
    let (typed, sent) = (typed.0.clone(), typed.0);
    let made = app
        .write(&permit.0, move |tx| {
            let (form, _, local) = load(tx, None)?;
            let read = Read::new(&form, &sent, &local)?;
            let made = once(tx, "create_vessel", read.json.clone(), vessels::create, vessels::read);
            Ok(match made.map_err(|error| read.at_fields(error))? {
                Created::Now(view) | Created::Before(view) => view.id,
                Created::Replayed { id, .. } => VesselId::from(id),
            })
        })
        .await;
    match made {
        Ok(id) => Ok(see(&format!("/vessels/{id}?saved=1"))),
        Err(error) if is_shown(&error) => page(app, request, permit, None, Some((typed, error))).await,
        Err(error) => Err(error),
    }
}

/// The form of a vessel as it stands.
///
/// # Errors
/// Not found; those of the database.
pub async fn show(
    app: App,
    request: HttpRequest,
    permit: PagePermit<KeepRegister>,
    id: At<VesselId>,
) -> Outcome {
    page(app, request, permit, Some(id.0), None).await
}

fn change_in(tx: &mut Tx<'_>, id: VesselId, sent: &Typed) -> Result<()> {
    let before = store::read(tx, id)?;
    let version = sent_version(sent)?;
    let (form, _, local) = load(tx, Some(id))?;
    let read = Read::changes(&form, sent, &local)?;
    let changed = Patch::<VesselFields>::from_value(read.json.clone()).and_then(|patch| {
        let after = patch.apply(&before.fields)?;
        if after == before.fields {
            return Ok(());
        }
        version.check(before.version)?;
        vessels::change(tx, &before, after).map(|_| ())
    });
    changed.map_err(|error| read.at_fields(error))
}

/// Changes a vessel.
///
/// # Errors
/// Not found; those of the database.
pub async fn change(
    app: App,
    request: HttpRequest,
    permit: PagePermit<KeepRegister>,
    id: At<VesselId>,
    typed: Filled<Typed>,
) -> Outcome {
    let (typed, sent) = (typed.0.clone(), typed.0);
    let id = id.0;
    match app.write(&permit.0, move |tx| change_in(tx, id, &sent)).await {
        Ok(()) => Ok(see(&format!("/vessels/{id}?saved=1"))),
        Err(error) if is_shown(&error) => page(app, request, permit, Some(id), Some((typed, error))).await,
        Err(error) => Err(error),
    }
}
