//! What stands around every page, and how a page is sent.

use actix_web::http::StatusCode;
use actix_web::http::header::{
    CACHE_CONTROL, CONTENT_SECURITY_POLICY, CONTENT_TYPE, REFERRER_POLICY, RETRY_AFTER,
};
use actix_web::{HttpMessage, HttpRequest, HttpResponse};
use askama::Template;

use super::files::address;
use super::form;
use super::session::AccessToken;
use crate::db::Tx;
use crate::error::{Code, Error, Result};
use crate::features::accounts;
use crate::http::auth::request_id;
use crate::http::problem::status;
use crate::http::{App, Outcome};
use crate::permissions::{
    Administer, KeepRegister, Permission, Powers, RecordReadings, Role, SetPolicy, Survey,
};

/// Nothing but what this service serves itself, no script and no style within a page (Content Security Policy 3).
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; \
     form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

/// What stands around a page.
#[derive(Debug)]
pub struct Frame {
    /// Its title.
    pub title: String,
    /// The organisation's name; empty while nobody is signed in.
    pub organisation: String,
    /// Which place of the menu it is.
    pub place: &'static str,
    /// The token for its forms.
    pub form: String,
    /// The person's role here; none while nobody is signed in.
    pub role: Option<Role>,
    /// Whether the page follows upon a form that was taken.
    pub saved: bool,
    /// Why a form of the page was not taken.
    pub told: Option<Told>,
}

/// Why a form was not taken, to be told above it.
#[derive(Debug)]
pub struct Told {
    status: StatusCode,
    /// What is wrong and what to do.
    pub detail: String,
    /// The fields at fault: the name, and what is wrong with it.
    pub fields: Vec<(String, String)>,
}

/// A place of the main menu.
#[derive(Debug)]
pub struct MenuItem<'a> {
    /// Its address.
    pub address: &'static str,
    /// Its name.
    pub words: &'a str,
    /// Whether the page belongs to it.
    pub is_here: bool,
}

impl Told {
    /// Of an error that the person can mend in the form.
    ///
    /// # Errors
    /// The error itself, where the form is not at fault.
    pub fn of(error: Error) -> Result<Self> {
        match error.code {
            Code::Invalid | Code::Malformed | Code::Conflict | Code::Duplicate | Code::Stale => {
                let fields = error
                    .fields
                    .iter()
                    .map(|field| (field.pointer.trim_start_matches('/').to_owned(), field.detail.clone()));
                Ok(Self {
                    status: status(error.code),
                    detail: error.detail.clone(),
                    fields: fields.collect(),
                })
            }
            _ => Err(error),
        }
    }
}

impl Frame {
    /// Of a page that nobody needs to sign in for.
    ///
    /// # Errors
    /// Internal.
    pub fn open(request: &HttpRequest, title: impl Into<String>) -> Result<Self> {
        let saved = form_urlencoded::parse(request.query_string().as_bytes()).any(|(name, _)| name == SAVED);
        Ok(Self {
            title: title.into(),
            organisation: String::new(),
            place: "",
            form: form::token(request)?,
            role: role(request),
            saved,
            told: None,
        })
    }

    /// Of a page of this organisation.
    ///
    /// # Errors
    /// Internal.
    pub fn of(
        request: &HttpRequest,
        organisation: String,
        place: &'static str,
        title: impl Into<String>,
    ) -> Result<Self> {
        Ok(Self { organisation, place, ..Self::open(request, title)? })
    }

    /// The main menu, for who is signed in.
    #[must_use]
    pub fn menu(&self) -> Vec<MenuItem<'_>> {
        let organisation = if self.administers() { "/members" } else { "/policy" };
        let items = [
            Some(("/due", "What falls due", "due")),
            Some(("/vessels", "Vessels", "vessels")),
            Some(("/ashore", "Ashore", "ashore")),
            Some(("/drying", "Drying hulls", "drying")),
            Some(("/statistics", "Statistics", "statistics")),
            self.keeps_register().then_some(("/import", "Import", "import")),
            Some((organisation, self.organisation.as_str(), "organisation")),
            Some(("/organisations", "Switch", "organisations")),
            Some(("/me", "You", "me")),
        ];
        let item = |(address, words, place)| MenuItem { address, words, is_here: self.place == place };
        items.into_iter().flatten().map(item).collect()
    }

    /// With why a form of the page was not taken.
    #[must_use]
    pub fn telling(mut self, told: Option<Told>) -> Self {
        self.told = told;
        self
    }

    /// Whether the person has a permission with these roles.
    fn may<P: Permission>(&self) -> bool {
        self.role.is_some_and(|role| P::ROLES.contains(&role))
    }

    /// Whether they keep the register.
    #[must_use]
    pub fn keeps_register(&self) -> bool {
        self.may::<KeepRegister>()
    }

    /// Whether they record work, readings or findings: who records the first records the others too.
    #[must_use]
    pub fn records_readings(&self) -> bool {
        self.may::<RecordReadings>()
    }

    /// Whether they write surveys.
    #[must_use]
    pub fn surveys(&self) -> bool {
        self.may::<Survey>()
    }

    /// Whether they set policies.
    #[must_use]
    pub fn sets_policy(&self) -> bool {
        self.may::<SetPolicy>()
    }

    /// Whether they administer.
    #[must_use]
    pub fn administers(&self) -> bool {
        self.may::<Administer>()
    }

    /// The address of a plain file.
    #[must_use]
    #[allow(clippy::unused_self, reason = "the templates call it")]
    pub fn file(&self, name: &str) -> String {
        address(name)
    }
}

/// The parameter of an address to which a form that was taken leads.
pub const SAVED: &str = "saved";

/// The role of who asks.
fn role(request: &HttpRequest) -> Option<Role> {
    let token = request.extensions().get::<AccessToken>()?.0.clone();
    let app = request.app_data::<App>()?;
    match app.keys.verify(&token, app.clock.now()).ok()?.powers {
        Powers::Role(role) => Some(role),
        Powers::Scopes(_) => None,
    }
}

/// The organisation's name.
///
/// # Errors
/// Those of the database.
pub fn organisation_name(tx: &mut Tx<'_>) -> Result<String> {
    Ok(accounts::store::organisation(tx)?.fields.name)
}

/// Sends a page.
///
/// # Errors
/// Internal.
pub fn send(page: &impl Template) -> Outcome {
    send_as(StatusCode::OK, page)
}

/// Sends a page with the status of what it tells.
///
/// # Errors
/// Internal.
pub fn send_telling(page: &impl Template, told: Option<&Told>) -> Outcome {
    send_as(told.map_or(StatusCode::OK, |told| told.status), page)
}

/// Sends a page with a status.
///
/// # Errors
/// Internal.
pub fn send_as(status: StatusCode, page: &impl Template) -> Outcome {
    let text = page.render().map_err(Error::internal)?;
    Ok(HttpResponse::build(status)
        .insert_header((CONTENT_TYPE, "text/html; charset=utf-8"))
        .insert_header((CONTENT_SECURITY_POLICY, POLICY))
        // Forms need to say where they come from, to us and to nobody else.
        .insert_header((REFERRER_POLICY, "same-origin"))
        .insert_header((CACHE_CONTROL, "no-store"))
        .body(text))
}

#[derive(Template)]
#[template(path = "refusal.html")]
struct Refusal {
    frame: Frame,
    detail: String,
    request_id: String,
}

/// The page of an error.
#[must_use]
pub fn refusal(request: &HttpRequest, error: &Error) -> HttpResponse {
    let status = status(error.code);
    let title = match status.as_u16() {
        403 => "Not allowed",
        404 => "Not found",
        429 | 503 => "Busy",
        500 => "The service failed",
        _ => "That did not work",
    };
    let page = Frame::open(request, title).and_then(|frame| {
        let request_id = request_id(request).to_string();
        send_as(status, &Refusal { frame, detail: error.detail.clone(), request_id })
    });
    let mut answer = page.unwrap_or_else(|_| HttpResponse::new(status));
    if let Some(seconds) = error.retry_after_s {
        answer.headers_mut().insert(RETRY_AFTER, seconds.into());
    }
    answer
}
