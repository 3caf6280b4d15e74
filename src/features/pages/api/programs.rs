//! The programs that call the API for the organisation.

use actix_web::HttpRequest;
use askama::Template;
use serde_json::{Value, json};

use super::form::{Filled, Pairs, field, version};
use super::frame::{Frame, Told, organisation_name, send_telling};
use super::members::whole;
use super::session::{PagePermit, see};
use crate::error::Result;
use crate::features::accounts::api::programs::{
    self, ProgramSecretView, ProgramView, change, create, rotate,
};
use crate::features::accounts::model::ProgramFields;
use crate::features::accounts::store::programs as store;
use crate::http::body::read_fields;
use crate::http::{App, At, Outcome, Patch};
use crate::ids::ProgramId;
use crate::permissions::{Administer, Scope};

const SCOPES: [(Scope, &str); 6] = [
    (Scope::Read, "read"),
    (Scope::KeepRegister, "keep the register, import"),
    (Scope::RecordWork, "record haul-outs, coats and treatments"),
    (Scope::RecordReadings, "record stations, readings and findings"),
    (Scope::Survey, "write surveys"),
    (Scope::SetPolicy, "set the policy"),
];
/// Hours for which the secret before a new one goes on to hold.
const OVERLAP_H: u32 = 24;

#[derive(Template)]
#[template(path = "programs.html")]
struct ProgramsPage {
    frame: Frame,
    programs: Vec<ProgramView>,
    secret: Option<ProgramSecretView>,
}

#[expect(clippy::unused_self, reason = "the template calls it")]
impl ProgramsPage {
    fn scopes(&self, scopes: &[Scope]) -> String {
        let words = SCOPES.iter().filter(|(scope, _)| scopes.contains(scope)).map(|(_, words)| *words);
        words.collect::<Vec<_>>().join("; ")
    }
    fn code(&self, scope: &Scope) -> String {
        crate::codes::to_text(scope).unwrap_or_default()
    }
}

async fn page(
    app: &App,
    request: &HttpRequest,
    permit: &PagePermit<Administer>,
    secret: Option<ProgramSecretView>,
    told: Option<Told>,
) -> Outcome {
    let (name, programs) = app
        .read(&permit.0, |tx| {
            let org_id = tx.org_id();
            let found = whole(|page| store::list_programs(tx, None, page))?;
            let programs: Result<Vec<_>> =
                found.iter().map(|program| programs::view(org_id, program)).collect();
            Ok((organisation_name(tx)?, programs?))
        })
        .await?;
    let frame = Frame::of(request, name, "organisation", "Programs")?.telling(told);
    let page = ProgramsPage { frame, programs, secret };
    send_telling(&page, page.frame.told.as_ref())
}

/// The programs.
///
/// # Errors
/// Those of the database.
pub async fn show(app: App, request: HttpRequest, permit: PagePermit<Administer>) -> Outcome {
    page(&app, &request, &permit, None, None).await
}

/// Makes a program; its secret is on the page that answers, and nowhere else.
///
/// # Errors
/// Those of the database.
pub async fn make(
    app: App,
    request: HttpRequest,
    permit: PagePermit<Administer>,
    filled: Filled<Pairs>,
) -> Outcome {
    let pairs = filled.0;
    let scopes: Vec<&str> =
        pairs.iter().filter(|(name, _)| name == "scopes").map(|(_, value)| value.as_str()).collect();
    let fields = json!({"name": field(&pairs, "name").unwrap_or_default(), "scopes": scopes});
    let made = async {
        let fields: ProgramFields = read_fields(fields)?;
        app.write(&permit.0, move |tx| create(tx, fields)).await
    };
    match made.await {
        Ok(secret) => page(&app, &request, &permit, Some(secret), None).await,
        Err(error) => page(&app, &request, &permit, None, Some(Told::of(error)?)).await,
    }
}

/// Ends a program, or gives it another secret.
///
/// # Errors
/// Not found; those of the database.
pub async fn change_program(
    app: App,
    request: HttpRequest,
    permit: PagePermit<Administer>,
    id: At<ProgramId>,
    filled: Filled<Pairs>,
) -> Outcome {
    let pairs = filled.0;
    let done = async {
        if field(&pairs, "act") == Some("secret") {
            return app.write(&permit.0, move |tx| rotate(tx, id.0, OVERLAP_H)).await.map(Some);
        }
        let version = version(&pairs)?;
        let ended: Value = json!({"ended": field(&pairs, "act") == Some("end")});
        let patch = Patch::from_value(ended)?;
        app.write(&permit.0, move |tx| change(tx, id.0, version, &patch)).await.map(|_| None)
    };
    match done.await {
        Ok(None) => Ok(see("/programs?saved=1")),
        Ok(secret) => page(&app, &request, &permit, secret, None).await,
        Err(error) => page(&app, &request, &permit, None, Some(Told::of(error)?)).await,
    }
}
