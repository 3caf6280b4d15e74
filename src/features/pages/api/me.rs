//! One's own: the weekly letter, calendars, password and second factor, and signing out everywhere.

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse};
use askama::Template;
use serde_json::{Value, json};

use super::act_form::{ActForm, Typed};
use super::choice::role_words;
use super::due::kind_words;
use super::form::{Filled, Pairs, version};
use super::frame::{Frame, organisation_name, send_as};
use super::learning::Refused;
use super::me_forms::{account_forms, calendar_form, letter_form};
use super::members::whole;
use super::session::{PagePermit, no_session_cookie, see};
use super::yard_words::{LocalTime, capital};
use crate::error::{Code, Error, Result};
use crate::features::accounts;
use crate::features::accounts::api::passwords::{self, OwnAccountView, PasswordChange};
use crate::features::accounts::api::second_factor::{
    self, PasswordAgain, SecondFactorCode, SecondFactorView,
};
use crate::features::accounts::api::sign_in;
use crate::features::reports::api::digest;
use crate::features::reports::api::feeds;
use crate::features::reports::model::CalendarFeedFields;
use crate::features::reports::model::digest::DigestFields;
use crate::features::reports::store::feeds as feeds_store;
use crate::features::sites;
use crate::http::body::read_fields;
use crate::http::problem::status;
use crate::http::state::blocking;
use crate::http::{App, At, CallerAddress, IfMatch, Outcome, Patch};
use crate::ids::{CalendarFeedId, PersonId, SiteId};
use crate::permissions::BeOneself;

/// A calendar of one's own.
struct Calendar {
    id: CalendarFeedId,
    version: i32,
    name: String,
    about: String,
}

/// What is shown this once.
#[derive(Default)]
struct Once {
    calendar: Option<String>,
    factor: Option<SecondFactorView>,
}

#[derive(Template)]
#[template(path = "me.html")]
struct MePage {
    frame: Frame,
    name: String,
    role: String,
    account: OwnAccountView,
    letter: String,
    calendars: Vec<Calendar>,
    forms: Vec<ActForm>,
    once: Once,
    problem: Option<String>,
    done: &'static str,
}

impl MePage {
    /// The form of an act, drawn.
    fn form(&self, act: &str) -> String {
        let form = self.forms.iter().find(|form| form.act == act);
        form.and_then(|form| form.render().ok()).unwrap_or_default()
    }
}

/// What a form of the page led to.
#[derive(Default)]
struct After {
    refused: Option<Refused>,
    problem: Option<Error>,
    once: Once,
}

fn person(permit: &PagePermit<BeOneself>) -> Result<PersonId> {
    permit.0.actor().person_id.ok_or_else(|| Error::internal("a session of no person"))
}

fn done(request: &HttpRequest) -> &'static str {
    let query = request.query_string();
    let done = form_urlencoded::parse(query.as_bytes()).find(|(name, _)| name == "done");
    match done.as_ref().map(|(_, what)| what.as_ref()) {
        Some("letter") => "Saved.",
        Some("calendar") => "The calendar is ended: its address answers nothing any more.",
        Some("confirm") => "Signing in asks for a code from now on.",
        Some("remove") => "Your password alone signs in from now on.",
        _ => "",
    }
}

async fn page(app: &App, request: &HttpRequest, permit: &PagePermit<BeOneself>, after: After) -> Outcome {
    let (person_id, org_id) = (person(permit)?, permit.0.actor().org_id);
    let state = app.clone();
    let account = blocking(move || passwords::own_account(&state, person_id, org_id)).await?;
    let (organisation, names, letter, feeds, sites, local) = app
        .read(&permit.0, move |tx| {
            let names = accounts::store::names_of(tx, &[person_id])?;
            let feeds = whole(|page| feeds_store::list(tx, person_id, None, page))?;
            let sites = sites::store::names(tx)?;
            Ok((
                organisation_name(tx)?,
                names,
                digest::view(tx, person_id)?,
                feeds,
                sites,
                LocalTime::of(tx)?,
            ))
        })
        .await?;
    let frame = Frame::of(request, organisation, "me", "You")?;
    let at = |id: Option<SiteId>| {
        let name = id.and_then(|id| sites.iter().find(|(site, _)| *site == id));
        name.map_or_else(|| "all sites".to_owned(), |(_, name)| name.clone())
    };
    let calendars = feeds.into_iter().filter(|feed| !feed.fields.ended).map(|feed| Calendar {
        id: feed.id,
        version: feed.version,
        about: format!(
            "{}, {}; made on {}",
            feed.fields.kind.as_ref().map_or("all kinds", kind_words),
            at(feed.fields.site_id),
            local.day(feed.created_at)
        ),
        name: feed.fields.name,
    });
    let calendars =
        calendars.map(|calendar| Calendar { about: capital(&calendar.about), ..calendar }).collect();
    let told = match (letter.fields.wanted, letter.next_at) {
        (false, _) => "No letter is sent to you.".to_owned(),
        (true, Some(at)) => format!("The next letter is sent on {}.", local.time(at)),
        (true, None) => "The letter is sent to you every week.".to_owned(),
    };
    let mut forms = vec![letter_form(&letter, &sites), calendar_form(&sites)];
    forms.extend(account_forms(&account));
    let token = frame.form.clone();
    let forms = forms.into_iter().map(|form| Refused::tell(form, after.refused.as_ref()));
    let shown_once = after.once.factor.is_some();
    let forms = forms.map(|form| ActForm {
        token: token.clone(),
        open: form.open || (shown_once && form.act == "confirm"),
        ..form
    });
    let code = after.refused.as_ref().map(|refused| refused.error.code);
    let code = code.or(after.problem.as_ref().map(|error| error.code));
    let page = MePage {
        name: names.into_iter().map(|(_, name)| name).next().unwrap_or_default(),
        role: frame.role.map(role_words).unwrap_or_default().to_owned(),
        forms: forms.collect(),
        letter: told,
        calendars,
        account,
        once: after.once,
        problem: after.problem.map(|error| error.detail),
        done: done(request),
        frame,
    };
    send_as(code.map_or(StatusCode::OK, status), &page)
}

/// One's own page.
///
/// # Errors
/// Those of the database.
pub async fn show(app: App, request: HttpRequest, permit: PagePermit<BeOneself>) -> Outcome {
    page(&app, &request, &permit, After::default()).await
}

/// The page once more with a form that was not taken.
async fn again(
    app: &App,
    request: &HttpRequest,
    permit: &PagePermit<BeOneself>,
    act: &str,
    typed: Typed,
    error: Error,
) -> Outcome {
    let error = match error.code {
        // Without this the way would lead to the sign-in, as if the session were over.
        Code::Unauthenticated => Error::field("/password", "wrong", "is not the right one. Enter it again."),
        Code::CodeRequired => {
            Error::field("/code", "wrong", "is not the present one, or was used already. Wait for the next.")
        }
        Code::Internal | Code::Unavailable | Code::NotFound | Code::Forbidden => return Err(error),
        _ => error,
    };
    let refused = Some(Refused { act: act.to_owned(), typed, error });
    page(app, request, permit, After { refused, ..After::default() }).await
}

fn number(typed: &Typed, name: &str) -> Value {
    typed.get(name).map_or(Value::Null, |text| super::form::number_or_text(text))
}

/// Takes the weekly letter, or leaves it.
///
/// # Errors
/// Those of the database.
pub async fn letter(
    app: App,
    request: HttpRequest,
    permit: PagePermit<BeOneself>,
    typed: Filled<Typed>,
) -> Outcome {
    let (typed, person_id, posts) = (typed.0, person(&permit)?, app.guards.mail.is_some());
    let changed = async {
        let version = number(&typed, "version").as_i64().and_then(|version| i32::try_from(version).ok());
        let version =
            version.ok_or_else(|| Error::field("/version", "missing", "is required. Reload the page."))?;
        let fields = json!({
            "wanted": typed.contains_key("wanted"),
            "weekday": typed.get("weekday"),
            "local_time_h": number(&typed, "local_time_h"),
            "site_id": typed.get("site_id"),
        });
        let patch: Patch<DigestFields> = Patch::from_value(fields)?;
        app.write(&permit.0, move |tx| digest::change(tx, person_id, posts, IfMatch(version), &patch)).await
    };
    match changed.await {
        Ok(_) => Ok(see("/me?done=letter")),
        Err(error) => again(&app, &request, &permit, "letter", typed, error).await,
    }
}

/// Makes a calendar; its address is on the page that answers, and nowhere else.
///
/// # Errors
/// Those of the database.
pub async fn make_calendar(
    app: App,
    request: HttpRequest,
    permit: PagePermit<BeOneself>,
    typed: Filled<Typed>,
) -> Outcome {
    let (typed, person_id) = (typed.0, person(&permit)?);
    let made = async {
        let fields = json!({
            "name": typed.get("name").map(String::as_str).unwrap_or_default(),
            "site_id": typed.get("site_id"),
            "kind": typed.get("kind"),
        });
        let fields: CalendarFeedFields = read_fields(fields)?;
        app.write(&permit.0, move |tx| feeds::create(tx, person_id, &fields)).await
    };
    match made.await {
        Ok(made) => {
            let calendar = {
                let info = request.connection_info();
                format!("{}://{}{}", info.scheme(), info.host(), made.address)
            };
            let once = Once { calendar: Some(calendar), ..Once::default() };
            page(&app, &request, &permit, After { once, ..After::default() }).await
        }
        Err(error) => again(&app, &request, &permit, "calendar", typed, error).await,
    }
}

/// Ends a calendar for good.
///
/// # Errors
/// Not found; those of the database.
pub async fn end_calendar(
    app: App,
    request: HttpRequest,
    permit: PagePermit<BeOneself>,
    id: At<CalendarFeedId>,
    filled: Filled<Pairs>,
) -> Outcome {
    let person_id = person(&permit)?;
    let ended = async {
        let version = version(&filled.0)?;
        let patch = Patch::from_value(json!({"ended": true}))?;
        app.write(&permit.0, move |tx| feeds::change(tx, person_id, id.0, version, &patch)).await
    };
    match ended.await {
        Ok(_) => Ok(see("/me?done=calendar")),
        Err(error) if matches!(error.code, Code::Invalid | Code::Stale | Code::Conflict) => {
            page(&app, &request, &permit, After { problem: Some(error), ..After::default() }).await
        }
        Err(error) => Err(error),
    }
}

/// What of these fields was typed, as a program would send it.
fn sent(typed: &Typed, names: &[&str]) -> Value {
    let given = names.iter().map(|name| {
        let text = typed.get(*name);
        let value = if *name == "code" { json!(text) } else { json!(text.cloned().unwrap_or_default()) };
        ((*name).to_owned(), value)
    });
    Value::Object(given.collect())
}

/// To the sign-in, with no session any more.
fn out(app: &App) -> Outcome {
    let mut answer: HttpResponse = see("/sign-in");
    answer.add_cookie(&no_session_cookie(app)).map_err(Error::internal)?;
    Ok(answer)
}

/// Refuses what was not typed.
fn needed(typed: &Typed, names: &[&'static str]) -> Result<()> {
    let empty = names.iter().find(|name| !typed.contains_key(**name));
    empty.map_or(Ok(()), |name| Err(Error::field(format!("/{name}"), "missing", "is required. Enter it.")))
}

/// Changes the password; all sessions end.
///
/// # Errors
/// Those of the database.
pub async fn password(
    app: App,
    from: CallerAddress,
    request: HttpRequest,
    permit: PagePermit<BeOneself>,
    typed: Filled<Typed>,
) -> Outcome {
    let (typed, person_id, state) = (typed.0, person(&permit)?, app.clone());
    let changed = async {
        needed(&typed, &["password", "new_password"])?;
        let asked: PasswordChange = read_fields(sent(&typed, &["password", "code", "new_password"]))?;
        blocking(move || passwords::change(&state, from.0, person_id, &asked)).await
    };
    match changed.await {
        Ok(()) => out(&app),
        Err(error) => again(&app, &request, &permit, "password", typed, error).await,
    }
}

/// Makes, confirms or gives up a second factor.
///
/// # Errors
/// Those of the database.
pub async fn second_factor(
    app: App,
    from: CallerAddress,
    request: HttpRequest,
    permit: PagePermit<BeOneself>,
    typed: Filled<Typed>,
) -> Outcome {
    let (typed, person_id, state) = (typed.0, person(&permit)?, app.clone());
    let act = typed.get("act").cloned().unwrap_or_default();
    let done = async {
        match act.as_str() {
            "confirm" => {
                needed(&typed, &["code"])?;
                let code: SecondFactorCode = read_fields(sent(&typed, &["code"]))?;
                blocking(move || second_factor::confirm(&state, from.0, person_id, &code.code)).await?;
                Ok(None)
            }
            "make" | "remove" => {
                needed(&typed, &["password"])?;
                let proof: PasswordAgain = read_fields(sent(&typed, &["password", "code"]))?;
                let makes = act == "make";
                blocking(move || {
                    if makes {
                        return second_factor::make(&state, from.0, person_id, &proof).map(Some);
                    }
                    second_factor::remove(&state, from.0, person_id, &proof).map(|()| None)
                })
                .await
            }
            _ => Err(Error::new(Code::Conflict, "The page has no such form. Reload it.")),
        }
    };
    match done.await {
        Ok(None) => Ok(see(&format!("/me?done={act}"))),
        Ok(factor) => {
            let once = Once { factor, ..Once::default() };
            page(&app, &request, &permit, After { once, ..After::default() }).await
        }
        Err(error) => again(&app, &request, &permit, &act, typed, error).await,
    }
}

/// Ends every session of the person.
///
/// # Errors
/// Those of the database.
pub async fn sign_out_everywhere(
    app: App,
    from: CallerAddress,
    request: HttpRequest,
    permit: PagePermit<BeOneself>,
    typed: Filled<Typed>,
) -> Outcome {
    let (typed, person_id, state) = (typed.0, person(&permit)?, app.clone());
    if !typed.contains_key("everywhere") {
        let error = Error::field("/everywhere", "missing", "is to be ticked first.");
        return again(&app, &request, &permit, "leave", typed, error).await;
    }
    blocking(move || sign_in::end_all(&state, from.0, person_id)).await?;
    out(&app)
}
