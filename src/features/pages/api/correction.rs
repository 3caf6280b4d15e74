//! The page of one record: as it stands, and the forms that move it on, correct it or withdraw it.

use actix_web::HttpRequest;
use actix_web::http::StatusCode;
use askama::Template;
use serde::Serialize;
use serde_json::{Value, json};

use super::act_form::{ActForm, Typed};
use super::entry_survey::is_shown;
use super::form::sent_version;
use super::frame::{Frame, organisation_name, send_as};
use super::session::{PagePermit, see};
use super::treatment::Refused;
use super::yard_words::{LocalTime, for_people};
use crate::db::Tx;
use crate::error::{Code, Error, Result};
use crate::features::vessels::store as vessels;
use crate::http::problem::status;
use crate::http::{App, IfMatch, Outcome};
use crate::ids::VesselId;
use crate::permissions::Permission;

/// A record as its page shows it.
pub struct Sheet {
    /// Its vessel.
    pub vessel_id: VesselId,
    /// The vessel's name.
    pub vessel: String,
    /// What it is.
    pub title: String,
    /// What to know of it.
    pub notes: Vec<String>,
    /// Whether it was withdrawn.
    pub withdrawn: bool,
    /// Its forms.
    pub acts: Vec<ActForm>,
    /// Further ways from here: address and words.
    pub ways: Vec<(String, &'static str)>,
    /// The organisation's clock.
    pub local: LocalTime,
}

impl Sheet {
    /// A record of a vessel, without forms.
    ///
    /// # Errors
    /// Those of the database.
    pub fn of(tx: &mut Tx<'_>, vessel_id: VesselId, title: String) -> Result<Self> {
        let vessel = vessels::read(tx, vessel_id)?.fields.name;
        let local = LocalTime::of(tx)?;
        let (notes, acts, ways) = (Vec::new(), Vec::new(), Vec::new());
        Ok(Self { vessel_id, vessel, title, notes, withdrawn: false, acts, ways, local })
    }

    /// What the form of an act changes, and of which version: nothing, where all stands so already.
    ///
    /// # Errors
    /// Invalid; there is no such form.
    pub fn change(
        &self,
        act: &str,
        typed: &Typed,
        record: &impl Serialize,
    ) -> Result<Option<(IfMatch, Value)>> {
        let record = serde_json::to_value(record).map_err(Error::internal)?;
        let Some(form) = self.acts.iter().find(|form| form.act == act) else {
            return if said_already(act, typed, &record) {
                Ok(None)
            } else {
                Err(Error::new(Code::Conflict, "The page has no such form now. Reload it."))
            };
        };
        let version = sent_version(typed)?;
        let mut change = if HOLD_THE_RECORD.contains(&act) {
            form.changes(typed, &self.local)?
        } else {
            form.json(typed, &self.local, json!({}))?
        };
        if let Value::Object(object) = &mut change {
            object.remove("version");
            object.extend(implied(act).as_object().cloned().unwrap_or_default());
        }
        let differs = |(name, value): (&String, &Value)| {
            name != "correction_reason" && record.get(name).unwrap_or(&Value::Null) != value
        };
        let changed = change.as_object().is_some_and(|object| object.iter().any(differs));
        Ok(changed.then_some((version, change)))
    }
}

/// The acts whose forms show what stands in the record, so that only what is typed otherwise changes it.
const HOLD_THE_RECORD: [&str; 2] = ["correct", "watched"];

/// Whether the record is as the form of an act would make it: one that came twice.
fn said_already(act: &str, typed: &Typed, record: &Value) -> bool {
    let holds = |name: &str, value: &Value| record.get(name) == Some(value);
    let implied = implied(act);
    let mut said = implied.as_object().into_iter().flatten();
    let typed =
        typed.iter().filter(|(name, _)| !["act", "version", "correction_reason"].contains(&name.as_str()));
    !act.is_empty()
        && said.all(|(name, value)| holds(name, value))
        && typed.into_iter().all(|(name, text)| holds(name, &json!(text)))
}

/// What an act says besides what is typed.
fn implied(act: &str) -> Value {
    match act {
        "repaired" => json!({"state": "repaired"}),
        "watched" => json!({"state": "watched"}),
        "withdraw" => json!({"withdrawn": true}),
        _ => json!({}),
    }
}

#[derive(Template)]
#[template(path = "correction.html")]
struct CorrectionPage {
    frame: Frame,
    sheet: Sheet,
    problems: Vec<String>,
}

/// Shows a record, with an act that was refused shown again.
///
/// # Errors
/// Not found; those of the database.
pub async fn page<P: Permission>(
    app: App,
    request: HttpRequest,
    permit: &PagePermit<P>,
    load: impl FnOnce(&mut Tx<'_>) -> Result<Sheet> + Send + 'static,
    refused: Option<Refused>,
) -> Outcome {
    let loaded = app.read(&permit.0, move |tx| Ok((load(tx)?, organisation_name(tx)?)));
    let (mut sheet, organisation) = loaded.await?;
    let (mut code, mut problems) = (StatusCode::OK, Vec::new());
    if let Some(Refused { act, typed, error }) = &refused {
        code = status(error.code);
        match sheet.acts.iter().position(|form| form.act == act) {
            Some(at) => {
                let form = sheet.acts.remove(at).refused(typed, error);
                sheet.acts.insert(at, form);
            }
            None => problems.push(for_people(&error.detail)),
        }
    }
    let frame = Frame::of(&request, organisation, "vessels", sheet.title.clone())?;
    for form in &mut sheet.acts {
        form.token.clone_from(&frame.form);
        form.may_add = frame.keeps_register();
    }
    send_as(code, &CorrectionPage { frame, sheet, problems })
}

/// Takes an act: leads back to the record, or shows the form again with what is wrong.
///
/// # Errors
/// Not found; those of the database.
pub async fn take<P: Permission>(
    app: App,
    request: HttpRequest,
    permit: PagePermit<P>,
    typed: Typed,
    load: fn(&mut Tx<'_>, uuid::Uuid) -> Result<Sheet>,
    act: fn(&mut Tx<'_>, uuid::Uuid, &str, &Typed) -> Result<()>,
    place: (String, uuid::Uuid),
) -> Outcome {
    let (address, id) = place;
    let name = typed.get("act").cloned().unwrap_or_default();
    let (sent, asked) = (typed.clone(), name.clone());
    match app.write(&permit.0, move |tx| act(tx, id, &asked, &sent)).await {
        Ok(()) => Ok(see(&format!("{address}?saved=1"))),
        Err(error) if is_shown(&error) => {
            let refused = Some(Refused { act: name, typed, error });
            page(app, request, &permit, move |tx| load(tx, id), refused).await
        }
        Err(error) => Err(error),
    }
}
