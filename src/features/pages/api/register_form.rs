//! The form of a record of the register that is none of a vessel's: a site, a product. Shown and taken in one way.

use actix_web::HttpRequest;
use actix_web::http::StatusCode;
use askama::Template;
use uuid::Uuid;

use super::act_form::{ActForm, Typed};
use super::entry_survey::is_shown;
use super::frame::{Frame, organisation_name, send_as};
use super::session::{PagePermit, see};
use crate::db::Tx;
use crate::error::{Error, Result};
use crate::http::problem::status;
use crate::http::{App, Outcome};
use crate::permissions::KeepRegister;

/// A form with the name of its record, where there is one.
pub type Opened = (ActForm, Option<String>);

/// The records of a list.
#[derive(Debug)]
pub struct Register {
    /// The address of the list.
    pub list: &'static str,
    /// Its name.
    pub name: &'static str,
    /// The title of the page of a new one.
    pub new: &'static str,
    /// The form of a new one or of one as it stands, with room for what was typed, and the record's name.
    pub form: fn(&mut Tx<'_>, Option<Uuid>, Option<&Typed>) -> Result<Opened>,
    /// Makes one of what was typed, or changes that one.
    pub take: fn(&mut Tx<'_>, Option<Uuid>, &Typed) -> Result<()>,
}

#[derive(Template)]
#[template(path = "register_form.html")]
struct FormPage {
    frame: Frame,
    list: &'static str,
    name: &'static str,
    act: ActForm,
}

/// Shows the form, as it was refused where it was.
///
/// # Errors
/// Not found; those of the database.
pub async fn page(
    app: App,
    request: HttpRequest,
    permit: PagePermit<KeepRegister>,
    of: &'static Register,
    id: Option<Uuid>,
    refused: Option<(Typed, Error)>,
) -> Outcome {
    let typed = refused.as_ref().map(|(typed, _)| typed.clone());
    let loaded =
        app.read(&permit.0, move |tx| Ok(((of.form)(tx, id, typed.as_ref())?, organisation_name(tx)?)));
    let ((act, name), organisation) = loaded.await?;
    let (code, act) = match refused {
        Some((typed, error)) => (status(error.code), act.refused(&typed, &error)),
        None => (StatusCode::OK, act),
    };
    let title = name.map_or_else(|| of.new.to_owned(), |name| format!("Change {name}"));
    let frame = Frame::of(&request, organisation, "organisation", title)?;
    let act = ActForm { token: frame.form.clone(), ..act };
    send_as(code, &FormPage { frame, list: of.list, name: of.name, act })
}

/// Takes the form: leads back to the list, or shows it again with what is wrong.
///
/// # Errors
/// Not found; those of the database.
pub async fn take(
    app: App,
    request: HttpRequest,
    permit: PagePermit<KeepRegister>,
    of: &'static Register,
    id: Option<Uuid>,
    typed: Typed,
) -> Outcome {
    let sent = typed.clone();
    match app.write(&permit.0, move |tx| (of.take)(tx, id, &sent)).await {
        Ok(()) => Ok(see(&format!("{}?saved=1", of.list))),
        Err(error) if is_shown(&error) => page(app, request, permit, of, id, Some((typed, error))).await,
        Err(error) => Err(error),
    }
}
